"""Looking at the blades from a process that collects nothing."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from shops import CONFIG

from bladewatch.config.decode import load
from bladewatch.errors import UnreachableError
from bladewatch.looking import Looking
from bladewatch.service import Service
from collectors.instants import text_of

DAY_US = 24 * 3600 * 1_000_000


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A shop whose saw was given a blade three days ago and was never heard since; invented."""
    at = text_of(time.time_ns() // 1000 - 3 * DAY_US)
    path = tmp_path / "bladewatch.toml"
    path.write_text(CONFIG)
    ledger = tmp_path / "ledger.csv"
    ledger.write_text(f"at,event,plate,saw,blade_type\n{at},opened,A-1,,T\n{at},mounted,A-1,S1,\n")
    with Service.open(path) as service:
        assert [report.error for report in service.import_files([ledger])] == [None]
    return path


def test_an_alert_is_said_once_and_kept(config: Path) -> None:
    """By a process of its own, until SIGTERM; what was said and foretold is in the books."""
    command = [sys.executable, "-m", "bladewatch", "--config", str(config), "alert", "follow"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(2)]
        threading.Timer(1.5, process.send_signal, (signal.SIGTERM,)).start()
        rest, trouble = process.communicate(timeout=30)
    assert lines[0] == "ready: looking at the blades of site hall\n"
    assert lines[1].startswith("alert data: saw S1: ")
    assert (rest, trouble, process.returncode) == ("", "", 0)
    with Service.open(config) as service:
        assert [row["saw"] for row in service.store.books.raised_alerts(0, 2**62)] == ["S1"]
        assert len(service.store.books.forecasts(("S1", "1"), 2**62, 2**62)) == 1
        said: list[str] = []
        Looking(service, said.append).look()
        assert said == []


def test_it_looks_when_news_came_when_the_hour_turns_and_now_and_then(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock set by hand."""
    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    clock_us = [1_800_000_000_000_000]
    with Service(load(config), clock=lambda: clock_us[0]) as service:
        looking = Looking(service, lambda _text: None)
        looks = [looking.if_due(fresh=False)]
        for passed_s, fresh in ((1, True), (18, True), (2, True), (21, False), (45, False)):
            now[0] += passed_s
            looks.append(looking.if_due(fresh))
        clock_us[0] += 3_600_000_000
        looks.append(looking.if_due(fresh=False))
        assert looks == [True, False, False, True, False, True, True]


def test_a_store_that_is_away_is_said_once_and_tried_again(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three tries fail, the fourth looks."""
    from bladewatch import looking

    tries: list[int] = []

    def look(self: Looking, fresh: bool) -> bool:
        tries.append(1)
        if len(tries) < 4:
            raise UnreachableError("server away")
        signal.raise_signal(signal.SIGTERM)
        return fresh

    monkeypatch.setattr(Looking, "if_due", look)
    monkeypatch.setattr(looking, "WAIT_S", 0.01)
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    said: list[str] = []
    try:
        with Service.open(config) as service:
            looking.follow(service, said.append, said.append)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert said[1:] == ["not looked, trying again: server away", "looking again"]
