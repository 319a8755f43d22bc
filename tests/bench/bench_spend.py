"""What a month's spend report costs as the years pile up: ten saws, 300 000 strokes a saw-year, all kept.

    python tests/bench/bench_spend.py [--saws 10] [--years 1,2,5,10] [--strokes 300000]

Strokes go straight into the store with their roll-ups; the ledger has eighteen grind cycles a saw-year with documents.
After each of the years the last month is asked for. Seconds beside a calibration figure of the same run. Everything is
invented and made in a temporary folder: ten years take 4 GB and some minutes.
"""

from __future__ import annotations

import argparse
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from statistics import median

from bench_status import calibrate

from bladewatch.assess.memory import EVERYTHING_US
from bladewatch.assess.moment import Moment
from bladewatch.assess.opening import keep_book
from bladewatch.ledger.events import Event
from bladewatch.pipeline import enter
from bladewatch.reporting import spend
from bladewatch.service import Service
from bladewatch.spending.month import Month
from collectors.instants import DAY_US, HOUR_US, MINUTE_US, SECOND_US

CONFIG = """
[site]
name = "bench"
[budget]
month = 6000
per_1000_cuts = 20
[[blade_type]]
id = "T"
teeth = 96
kerf_mm = 4.0
wear_limit_um = 250
price = 380
grind_price = 48
tip_price = 9
regrinds_expected = 12
supplier = "grinder-a"
"""
PARTS = [(f"P-{number}", ("6063", "6082", "CW614N")[number % 3], 40_000 + 9_000 * number) for number in range(12)]
FIRST = datetime(2031, 1, 1, 6, tzinfo=UTC)
CYCLES = 18
WORK_DAYS, OPEN_H = 250, 16


def year_of(saws: int, strokes: int, year: int) -> tuple[int, int, int]:
    """A year's first instant, how many strokes an hour has, and how many days it has."""
    start = datetime(FIRST.year + year, 1, 1, 6, tzinfo=UTC)
    return int(start.timestamp()) * SECOND_US, strokes // (WORK_DAYS * OPEN_H), (365 if start.year % 4 else 366)


def fill(path: Path, saws: int, strokes: int, year: int) -> int:
    """Strokes and roll-ups of a year, straight into the file; returns how many."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA synchronous = OFF")
    made = 0
    start_us, an_hour, days = year_of(saws, strokes, year)
    for saw in range(saws):
        connection.execute("INSERT OR IGNORE INTO spot (saw, spindle) VALUES (?, '1')", (f"S{saw + 1}",))
        spot = connection.execute("SELECT id FROM spot WHERE saw = ?", (f"S{saw + 1}",)).fetchone()[0]
        counter = year * strokes
        for day in range(days):
            if (day + FIRST.weekday()) % 7 >= 5 or day // 7 % 26 == 25:
                continue
            rows, works, counters = [], [], []
            for hour in range(OPEN_H):
                begin_us = start_us + day * DAY_US + hour * HOUR_US
                part, alloy, area = PARTS[(day * 7 + hour // 3 + saw) % len(PARTS)]
                step_us = HOUR_US // (an_hour + 1)
                for number in range(an_hour):
                    counter += 1
                    ts_us = begin_us + (number + 1) * step_us
                    rows.append((spot, ts_us, counter, ts_us + SECOND_US, part, alloy, area, 1, "2.0"))
                last_us = begin_us + an_hour * step_us
                text = f'["{part}","{alloy}",null,true,null,null]'
                works.append((spot, begin_us // HOUR_US, text, an_hour, 0, an_hour * area, 0, an_hour, None))
                counters.append(
                    (spot, begin_us // HOUR_US, begin_us + step_us, counter - an_hour + 1, last_us, counter, 1,
                     last_us + SECOND_US)
                )  # fmt: skip
            connection.executemany(
                "INSERT INTO stroke (spot, ts_us, stroke, known_us, part, alloy, area_cmm2, pieces, duration_s) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                rows,
            )
            connection.executemany("INSERT INTO work_hour VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", works)
            connection.executemany("INSERT INTO counter_hour VALUES (?, ?, ?, ?, ?, ?, ?, ?)", counters)
            made += len(rows)
        connection.commit()
    connection.close()
    return made


def ledger(saws: int, strokes: int, year: int) -> Iterator[Event]:
    """A year's rows: plates in turn on each saw, out for a week between, with invoices."""
    start_us, _, days = year_of(saws, strokes, year)
    for saw in range(saws):
        plates = [f"A-{saw * 6 + number:03d}" for number in range(6)]
        if year == 0:
            for plate in plates:
                yield _row(start_us - DAY_US, "opened", plate, blade_type="T", cost=Decimal("200.00"), regrinds=3)
        span_us = days * DAY_US // CYCLES
        for cycle in range(CYCLES):
            plate, at_us = plates[(cycle + year * CYCLES) % 6], start_us + cycle * span_us + saw * 17 * MINUTE_US
            batch = f"B-{year}-{saw}-{cycle}"
            yield _row(at_us, "mounted", plate, saw=f"S{saw + 1}")
            reason = "chipped" if cycle % 9 == 4 else "worn-plan"
            off_us = at_us + span_us - 20 * MINUTE_US
            yield _row(off_us, "dismounted", plate, saw=f"S{saw + 1}", reason=reason, planned=reason != "chipped")
            if year == 0 or cycle:
                yield _row(off_us + DAY_US, "sent", plate, batch=batch, supplier="grinder-a")
                yield _row(off_us + 8 * DAY_US, "returned", plate, batch=batch, wear_um=Decimal(210 + cycle))
                yield _row(off_us + 8 * DAY_US + MINUTE_US, "accepted", plate)
                paid = {"batch": batch, "document": f"I-{batch}", "cost": Decimal("48.00"), "freight": Decimal("3.00")}
                yield _row(off_us + 10 * DAY_US, "invoiced", plate, **paid)


def _row(at_us: int, event: str, plate: str, **cells: object) -> Event:
    return Event(id=f"{event}/{plate}/{at_us}", at_us=at_us, event=event, known_us=at_us, plate=plate, **cells)


def keep_checkpoints(service: Service, since_us: int) -> None:
    """What a collector keeps as it goes on, for the cycles that have ended since."""
    with service.store.transaction():
        moment = Moment(service.config, service.store, EVERYTHING_US, keep=True)
        known = moment.known()
        keep_book(service.config, service.store.books, known.book)
        for plate in known.fleet.plates.values():
            for cycle in plate.cycles:
                if cycle.ended_us is not None and cycle.ended_us > since_us:
                    known.state_of(cycle)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--saws", type=int, default=10)
    parser.add_argument("--strokes", type=int, default=300_000)
    parser.add_argument("--years", default="1,2,5,10")
    chosen = parser.parse_args()
    asked = [int(year) for year in chosen.years.split(",")]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bladewatch.toml"
        path.write_text(CONFIG + "".join(f'[[saw]]\nid = "S{n + 1}"\nrated_rpm = 2800\n' for n in range(chosen.saws)))
        Service.open(path).close()
        total, first = 0, 0.0
        print(f"calibration loop {calibrate():.3f} s", flush=True)
        for year in range(max(asked)):
            total += fill(Path(folder) / "bladewatch.sqlite", chosen.saws, chosen.strokes, year)
            until_us = year_of(chosen.saws, chosen.strokes, year + 1)[0]
            with Service.open(path, lambda until_us=until_us: until_us) as service:  # type: ignore[misc]
                with service.store.transaction():
                    enter(list(ledger(chosen.saws, chosen.strokes, year)), service.store)
                if year + 1 not in asked:
                    continue
                keep_checkpoints(service, until_us - 270 * DAY_US)
            month = f"{FIRST.year + year}-12"
            at = datetime.fromtimestamp(until_us / SECOND_US, UTC).isoformat()
            seconds = []
            for _ in range(3):
                began = time.perf_counter()
                with Service.open(path, lambda until_us=until_us: until_us) as service:  # type: ignore[misc]
                    told: Month = spend(service, month)
                seconds.append(time.perf_counter() - began)
            began = time.perf_counter()
            command = [sys.executable, "-m", "bladewatch", "--config", str(path), "report", "spend", "--month", month]
            subprocess.run([*command, "--at", at, "--json"], check=True, capture_output=True)
            whole = time.perf_counter() - began
            loop = calibrate()
            first = first or median(seconds) / loop
            print(
                f"{year + 1} years, {total} strokes: {median(seconds):.2f} s; the command {whole:.2f} s; "
                f"{told.work.total.cuts} cuts, {told.total} {told.currency}; calibration {loop:.3f} s, "
                f"{median(seconds) / loop:.2f} loops, {median(seconds) / loop / first:.2f} x the first",
                flush=True,
            )


if __name__ == "__main__":
    main()
