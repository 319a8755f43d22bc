"""The collector as a process against a real broker, with an independent publisher."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from broker import Mosquitto
from shops import T0_US

from bladewatch.service import Service

pytestmark = pytest.mark.broker

STROKES = 8000


class Collector:
    """``bladewatch collect`` as a process of its own."""

    def __init__(self, config: Path) -> None:
        command = [sys.executable, "-m", "bladewatch", "--config", str(config), "collect"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.lines: list[str] = []
        self._ready = threading.Event()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip())
            if line.startswith("ready"):
                self._ready.set()

    def wait_ready(self) -> None:
        """Until it says that it is subscribed."""
        assert self._ready.wait(30), self.process.stderr.read() if self.process.poll() is not None else "not ready"

    def end(self, how: signal.Signals) -> int:
        """End the process; its exit code."""
        self.process.send_signal(how)
        return self.process.wait(30)

    def kill(self) -> None:
        """End the process at once, if it still runs, and let go of it."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()


@pytest.fixture
def collector(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Callable[..., Collector]]:
    """Collectors of a shop at the broker; what still runs at the end is killed."""
    started: list[Collector] = []

    def start(extra: str = "") -> Collector:
        path = tmp_path / "bladewatch.toml"
        path.write_text(
            f'[site]\nname="hall"\n[mqtt]\nport={mosquitto.port}\n{extra}\n'
            '[[saw]]\nid="S1"\n[[blade_type]]\nid="T"\n[alerts]\ngap_minutes=10\n'
        )
        started.append(Collector(path))
        return started[-1]

    yield start
    for one in started:
        one.kill()


def cut(counter: int) -> str:
    ts_ms = T0_US // 1000 + counter * 9000
    return json.dumps({"ts": ts_ms, "stroke": counter, "alloy": "6063", "area_mm2": 500, "energy_kj": 3.5})


def stored(folder: Path) -> list[int]:
    """The counters in the store, in order of time."""
    with Service.open(folder / "bladewatch.toml") as service:
        return [s.stroke for s in service.store.signals.strokes(("S1", "1"), 0, 2**62, 2**62)]


def settle(folder: Path, count: int, seconds: float = 60) -> list[int]:
    """Wait until ``count`` strokes are stored, or time is up."""
    until = time.monotonic() + seconds
    found: list[int] = []
    while time.monotonic() < until:
        found = stored(folder)
        if len(found) >= count:
            break
        time.sleep(0.2)
    return found


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_collector_killed_in_mid_stream_loses_and_doubles_nothing(
    tmp_path: Path, mosquitto: Mosquitto, collector: Callable[..., Collector], version: str
) -> None:
    """SIGKILL while strokes pour in, twice; after a restart every stroke is stored exactly once."""
    extra = f'version="{version}"'
    running = collector(extra)
    running.wait_ready()
    lines = [cut(i) for i in range(1, STROKES + 1)]
    publisher = threading.Thread(target=mosquitto.pour, args=("bladewatch/1/hall/S1/cut", lines))
    publisher.start()
    for share in (0.2, 0.5):
        settle(tmp_path, int(STROKES * share))
        assert len(stored(tmp_path)) < STROKES, "killed too late to prove anything"
        os.kill(running.process.pid, signal.SIGKILL)
        running.process.wait(10)
        running = collector(extra)
        running.wait_ready()
    publisher.join(60)
    assert settle(tmp_path, STROKES) == list(range(1, STROKES + 1))
    assert running.end(signal.SIGTERM) == 0


def test_bad_input_is_listed_and_the_collector_lives_on(
    tmp_path: Path, mosquitto: Mosquitto, collector: Callable[..., Collector]
) -> None:
    """Each kind of nonsense becomes a rejection with its reason; the next good stroke is stored."""
    running = collector()
    running.wait_ready()
    bad = {
        "unknown-topic": ("bladewatch/1/hall/S1/cuts", b"{}"),
        "broken-json": ("bladewatch/1/hall/S1/cut", b'{"ts":'),
        "missing-field": ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-02T06:00:00Z"}'),
        "wrong-type": ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-02T06:00:00Z","stroke":"one"}'),
        "unknown-saw": ("bladewatch/1/hall/S9/cut", b'{"ts":"2026-03-02T06:00:00Z","stroke":1}'),
        "not-a-number": ("bladewatch/1/hall/S1/power", b'{"ts":"2026-03-02T06:00:00Z","power_kw":NaN}'),
        "clock-past": ("bladewatch/1/hall/S1/cut", b'{"ts":"1970-01-01T00:00:00Z","stroke":1}'),
        "out-of-range": ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-02T06:00:00Z","stroke":2,"area_mm2":-7}'),
        "too-large": ("bladewatch/1/hall/S1/cut", b'{"x":"' + b"a" * 10_000_000 + b'"}'),
    }
    for topic, payload in bad.values():
        mosquitto.publish_bytes(topic, payload)
    mosquitto.publish("bladewatch/1/hall/S1/cut", cut(3) + "\n")
    assert settle(tmp_path, 2) == [2, 3]
    assert running.end(signal.SIGINT) == 0
    done = subprocess.run(
        [sys.executable, "-m", "bladewatch", "--config", str(tmp_path / "bladewatch.toml"), "rejects", "--json"],
        capture_output=True, check=True,
    )  # fmt: skip
    rows = json.loads(done.stdout)
    assert {row["reason"].partition(":")[0] for row in rows} == set(bad)
    assert all(row["count"] == 1 and row["source"] == "broker" for row in rows)


def test_a_database_that_cannot_be_written_is_waited_for(
    tmp_path: Path, mosquitto: Mosquitto, collector: Callable[..., Collector]
) -> None:
    """Held by another program for a while: nothing is acknowledged meanwhile, and nothing is lost."""
    running = collector()
    running.wait_ready()
    mosquitto.publish("bladewatch/1/hall/S1/cut", cut(1) + "\n")
    assert settle(tmp_path, 1) == [1]
    holder = sqlite3.connect(tmp_path / "bladewatch.sqlite", isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    mosquitto.publish("bladewatch/1/hall/S1/cut", "\n".join(cut(i) for i in range(2, 300)) + "\n")
    time.sleep(1)
    holder.execute("ROLLBACK")
    holder.close()
    assert settle(tmp_path, 299) == list(range(1, 300))
    assert running.end(signal.SIGTERM) == 0


def test_the_collector_waits_for_an_absent_broker(
    tmp_path: Path, mosquitto: Mosquitto, collector: Callable[..., Collector]
) -> None:
    """It keeps trying, says so, and ends cleanly when asked."""
    path = tmp_path / "bladewatch.toml"
    path.write_text('[site]\nname="hall"\n[mqtt]\nport=1\n[[saw]]\nid="S1"\n[[blade_type]]\nid="T"\n')
    waiting = Collector(path)
    assert waiting.process.stderr is not None
    said = iter(waiting.process.stderr.readline, "")
    assert any("not reached" in line for line in said)
    assert waiting.process.poll() is None
    assert waiting.end(signal.SIGTERM) == 0
    for stream in (waiting.process.stdout, waiting.process.stderr):
        stream.close()


def test_the_collector_says_an_alert_once_when_a_blade_nears_its_limit(
    tmp_path: Path, mosquitto: Mosquitto, collector: Callable[..., Collector]
) -> None:
    """Saw, plate, what to do and why, on a line of its own; kept as raised."""
    running = collector("[retention]\nkeep_raw_days = 9")
    running.wait_ready()
    text = (tmp_path / "bladewatch.toml").read_text().replace('id="T"', 'id="T"\nsite_limit_area_m2=0.2')
    assert running.end(signal.SIGTERM) == 0
    (tmp_path / "bladewatch.toml").write_text(text)
    base = [sys.executable, "-m", "bladewatch", "--config", str(tmp_path / "bladewatch.toml")]
    subprocess.run([*base, "blade", "opened", "A-1", "--type", "T"], check=True, capture_output=True)
    subprocess.run([*base, "blade", "mounted", "A-1", "--saw", "S1"], check=True, capture_output=True)
    running = Collector(tmp_path / "bladewatch.toml")
    try:
        running.wait_ready()
        now_ms = int(time.time() * 1000)
        lines = [json.dumps({"ts": now_ms + i, "stroke": i, "alloy": "6063", "area_mm2": 500}) for i in range(1, 381)]
        mosquitto.publish("bladewatch/1/hall/S1/cut", "\n".join(lines) + "\n")
        until = time.monotonic() + 60
        while not any(line.startswith("alert") for line in running.lines) and time.monotonic() < until:
            time.sleep(0.2)
        (alert,) = [line for line in running.lines if line.startswith("alert")]
        assert alert.startswith("alert prepare: saw S1: get a spare ready for blade A-1")
        assert running.end(signal.SIGTERM) == 0
    finally:
        running.process.kill()
        running.process.wait()
        for stream in (running.process.stdout, running.process.stderr):
            stream.close()
