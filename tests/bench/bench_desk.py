"""A desk on a live InfluxDB and a PostgreSQL beside the collector's file: the same questions, turn by turn.

    BLADEWATCH_TEST_INFLUX_URL=influx://127.0.0.1:8086/ORG BLADEWATCH_TEST_INFLUX_TOKEN=... \
        python tests/bench/bench_desk.py [--saws 5] [--weeks 10] [--rounds 5]

The shop is invented (`demo make`). ``in process`` is a service that is opened for each question; ``command`` is the
whole command. The medians stand beside each other, and beside a calibration of the same run.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from statistics import median

from bench_status import calibrate

sys.path.insert(0, str(Path(__file__).parent.parent))
from servers import new_database, postgres
from tapes import TOKEN, URL

from bladewatch.copying import copied
from bladewatch.reporting import spend
from bladewatch.service import Service
from bladewatch.stores.copying_signals import ToServer, copy_signals
from bladewatch.stores.influx import TOKEN_FROM, Influx, address_of
from collectors.instants import HOUR_US, text_of, to_datetime


def command(*words: str) -> None:
    subprocess.run([sys.executable, "-m", "bladewatch", *words], check=True, stdout=subprocess.DEVNULL)


def seconds(do: Callable[[], object]) -> float:
    start = time.perf_counter()
    do()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--saws", default="5")
    parser.add_argument("--weeks", default="10")
    parser.add_argument("--rounds", type=int, default=5)
    told = parser.parse_args()
    os.environ[TOKEN_FROM] = os.environ[TOKEN]
    url = f"{os.environ[URL].rstrip('/')}/bench-{uuid.uuid4().hex[:8]}"
    with tempfile.TemporaryDirectory() as folder, postgres() as server:
        if server is None:
            sys.exit("no PostgreSQL server is installed")
        with new_database(server) as books:
            shop = Path(folder) / "shop"
            command("demo", "make", str(shop), "--saws", told.saws, "--weeks", told.weeks)
            file = shop / "bladewatch.toml"
            logs = [str(path) for path in sorted(shop.glob("*.jsonl*")) + sorted(shop.glob("*.csv"))]
            command("--config", str(file), "import", *logs)
            measure(file, url, books, told.rounds)


def with_store(file: Path, name: str, url: str, books: str) -> Path:
    """The shop's configuration with other stores."""
    lines = [line for line in file.read_text().splitlines() if not line.startswith(("url =", "[store]"))]
    path = file.with_name(name)
    path.write_text("\n".join([*lines, "[store]", f'url = "{url}"', f'ledger_url = "{books}"', ""]))
    return path


def measure(file: Path, url: str, books: str, rounds: int) -> None:
    with Service.open(file) as service:
        signals = service.store.signals
        now_us = time.time_ns() // 1000
        last_us = max(one.ts_us for spot in signals.spots() for one in signals.strokes_before(spot, now_us, now_us, 1))
        shared = Influx(address_of(url))
        shared.prepare(36_500)
        parts = list(copy_signals(signals, ToServer(shared, signals, "bench", now_us), 0, now_us))
        shared.close()
        config = service.config
    list(copied(config, "sqlite:///bladewatch.sqlite", books))
    desk = with_store(file, "desk.toml", url, books)
    with Service.open(with_store(file, "beside.toml", "sqlite:///bladewatch.sqlite", books)) as service:
        list(service.bring_up_to_date())  # checkpoints in the shared books
    at_us = last_us // HOUR_US * HOUR_US + HOUR_US
    at, month = text_of(at_us), to_datetime(last_us).strftime("%Y-%m")
    points = {part.name.split()[0]: 0 for part in parts}
    for part in parts:
        points[part.name.split()[0]] += part.rows
    print(f"{points}; calibration {calibrate():.3f} s")

    def asked(path: Path, do: Callable[[Service], object]) -> float:
        with Service.open(path, lambda: at_us) as service:
            return seconds(lambda: do(service))

    questions: dict[str, Callable[[Path], float]] = {
        "status in process": lambda path: asked(path, lambda one: one.review(at_us)),
        "month in process": lambda path: asked(path, lambda one: spend(one, month, at_us)),
        "status, command": lambda path: seconds(lambda: command("--config", str(path), "status", "--at", at)),
        "month, command": lambda path: seconds(
            lambda: command("--config", str(path), "report", "spend", "--month", month, "--at", at)
        ),
    }
    for name, ask in questions.items():
        times: dict[Path, list[float]] = {file: [], desk: []}
        for _ in range(rounds):
            for path, found in times.items():
                found.append(ask(path))
        here, there = (median(times[path]) for path in (file, desk))
        print(f"{name}: file {here:.2f} s, desk {there:.2f} s: {there / here:.1f} x")


if __name__ == "__main__":
    main()
