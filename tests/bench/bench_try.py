"""How long ``alert try`` takes over half a year of four saws, beside a calibration of the same run.

    python tests/bench/bench_try.py [--days 180] [--troubles medium]

The shop is invented and made in a temporary folder; the command runs as a process of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
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
    chosen = parser.parse_args()
    troubles = {} if chosen.troubles == "none" else dict.fromkeys(TROUBLES, chosen.troubles)
    setting = Setting(days=chosen.days, form="straight", saws=4, troubles=troubles)
    with tempfile.TemporaryDirectory() as folder:
        papers = write(setting, Path(folder) / "hall")
        with Service.open(papers.config, lambda: setting.ends_us) as service:
            service.import_files([papers.log, papers.ledger, papers.last_day])
            ended = len(service.ended_cycles())
        span = ["--since", text_of(setting.at(0)), "--until", text_of(setting.ends_us)]
        command = [sys.executable, "-m", "bladewatch", "--config", str(papers.config), "alert", "try", *span, "--json"]
        started = time.perf_counter()
        done = subprocess.run(command, capture_output=True, check=True, text=True)
        seconds = time.perf_counter() - started
    print(f"calibration loop {calibrate():.3f} s, {os.cpu_count()} processors")
    print(f"{papers.messages + papers.live} messages, {ended} ended cycles, {len(json.loads(done.stdout))} alerts: "
          f"{seconds:.0f} s")  # fmt: skip


if __name__ == "__main__":
    main()
