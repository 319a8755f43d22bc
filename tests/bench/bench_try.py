"""Half a year of four saws: the fit from the store, forty moments by ``status``, and ``alert try`` over all of it.

Each in seconds, beside a calibration of the same run.

    python tests/bench/bench_try.py [--days 180] [--troubles medium] [--one-shift]

The shop works around the clock but for two hours: 580 000 messages and 160 grind cycles in half a year; with one shift
it is somewhat more than a quarter of that. It is invented and made in a temporary folder; the command runs as a
process of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from bench_status import calibrate

from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.demo.troubles import TROUBLES
from bladewatch.service import Service
from collectors.instants import text_of


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=180)
    parser.add_argument("--troubles", default="medium", choices=("none", "weak", "medium", "strong"))
    parser.add_argument("--one-shift", action="store_true")
    chosen = parser.parse_args()
    troubles = {} if chosen.troubles == "none" else dict.fromkeys(TROUBLES, chosen.troubles)
    setting = Setting(days=chosen.days, form="straight", saws=4, troubles=troubles)
    if not chosen.one_shift:
        setting = replace(setting, opens=2, closes=24, pause_s=(60.0, 110.0))
    with tempfile.TemporaryDirectory() as folder:
        papers = write(setting, Path(folder) / "hall")
        with Service.open(papers.config, lambda: setting.ends_us) as service:
            service.import_files([papers.log, papers.ledger, papers.last_day])
            ended = len(service.ended_cycles())
        print(f"calibration loop {calibrate():.3f} s, {os.cpu_count()} processors")
        print(f"{papers.messages + papers.live} messages, {ended} ended cycles", flush=True)
        base = [sys.executable, "-m", "bladewatch", "--config", str(papers.config)]
        shown = run(*base, "model", "show", "--json", "--at", text_of(setting.ends_us))
        cleared = time.perf_counter()
        with Service.open(papers.config, lambda: setting.ends_us) as service, service.store.snapshot():
            service.store.books.fit = lambda _key: None  # type: ignore[method-assign]
            list(service.moment(setting.ends_us).models())
        fitted = time.perf_counter() - cleared
        print(f"model show, fits kept: {shown[0]:.1f} s; both fits anew from the store: {fitted:.1f} s", flush=True)
        span_us = setting.ends_us - setting.at(0)
        moments = [setting.at(0) + span_us * (number + 1) // 41 for number in range(40)]
        asked = run(*base, "status", "--json", *(word for at in moments for word in ("--at", text_of(at))))
        print(f"40 moments by status --at in one call, fits due included: {asked[0]:.0f} s", flush=True)
        span = ["--since", text_of(setting.at(0)), "--until", text_of(setting.ends_us)]
        tried = run(*base, "alert", "try", *span, "--json")
        print(f"alert try over all of it: {tried[0]:.0f} s, {len(json.loads(tried[1]))} alerts")


def run(*command: str) -> tuple[float, str]:
    """Seconds of a command as a process of its own, and what it printed."""
    started = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    return time.perf_counter() - started, done.stdout


if __name__ == "__main__":
    main()
