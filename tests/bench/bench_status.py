"""How fast ``status`` answers on a store of one million strokes, beside a calibration of the same run.

Run: python tests/bench/bench_status.py [STROKES]. The store is made in a temporary folder (invented data): four saws,
one blade type, about 140 grind cycles with a bench reading.
"""

from __future__ import annotations

import json
import math
import os
import random
import subprocess
import sys
import tempfile
import time
from decimal import Decimal
from pathlib import Path

from bladewatch.ledger.events import Event
from bladewatch.pipeline import enter, ingest
from bladewatch.service import Service
from collectors.facts import Batch, Sample, Stroke
from collectors.instants import HOUR_US, text_of

CONFIG = """
[site]
name = "bench"
[[saw]]
id = "S1"
rated_rpm = 2800
[[saw]]
id = "S2"
rated_rpm = 2800
[[saw]]
id = "S3"
rated_rpm = 2800
[[saw]]
id = "S4"
rated_rpm = 2800
[[blade_type]]
id = "T"
teeth = 96
kerf_mm = 4.0
wear_limit_um = 250
"""
START_US = 1_750_000_000_000_000
STEP_US = 40_000_000
CYCLE = 7000


def fill(service: Service, strokes: int) -> int:
    """Strokes, idle power and ledger of four saws; returns the last instant."""
    rng = random.Random(5)
    each = strokes // 4
    for number in range(1, 5):
        saw = f"S{number}"
        events: list[Event] = []
        plate, factor, wear = "", 1.0, 0.0
        batch = Batch()
        for i in range(each):
            ts = START_US + i * STEP_US
            if i % CYCLE == 0:
                if plate:
                    events.append(event(ts - 2000, "dismounted", plate, saw=saw, reason="worn-plan"))
                    events.append(event(ts - 1000, "returned", plate, wear_um=Decimal(round(wear))))
                plate, factor, wear = f"{saw}-{i // CYCLE}", math.exp(rng.gauss(0, 0.25)), 0.0
                events.append(event(ts - 3000, "accepted", plate, blade_type="T"))
                events.append(event(ts - 1000, "mounted", plate, saw=saw))
            alloy, rate = ("6063", 6.0) if (i // 150) % 3 else ("6082", 9.0)
            area = 5000.0
            wear += factor * rate * area / 1e6
            fz = 55.0 / (2800 / 60 * 96)
            u = 700 + 13 * (1 + 0.004 * wear) / fz
            energy = u * area * 4 / 1e6 * math.exp(rng.gauss(0, 0.03)) + 2.0 * 1.4
            told = {"part": f"P{(i // 150) % 3}", "alloy": alloy, "area_cmm2": round(area * 100), "pieces": 1}
            told |= {"feed_mm_s": 55.0, "duration_s": 1.4, "energy_kj": round(energy, 2)}
            batch.strokes.append(Stroke(saw, "1", ts, i + 1, ts + 200_000, **told))
            if i % 20 == 0:
                at = ts + 20_000_000
                power = round(2.0 + rng.gauss(0, 0.02), 2)
                batch.samples.append(Sample(saw, "1", "power_kw", "", at, power, at + 200_000))
            if len(batch) >= 2000:
                ingest(batch, service.store, "bench")
                batch = Batch()
        ingest(batch, service.store, "bench")
        enter(events, service.store)
    return START_US + each * STEP_US


def event(at_us: int, name: str, plate: str, **cells: object) -> Event:
    return Event(id=f"{plate}/{name}/{at_us}", at_us=at_us, event=name, known_us=at_us, plate=plate, **cells)  # type: ignore[arg-type]


def calibrate() -> float:
    """Seconds of a fixed piece of Python on this machine, now."""
    start = time.perf_counter()
    total = 0
    for i in range(3_000_000):
        total += i * i % 7
    return time.perf_counter() - start


def timed(command: list[str], folder: str) -> float:
    """The best of three runs after one that compiles, as an installed program is compiled."""
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env["PYTHONPYCACHEPREFIX"] = folder
    seconds = []
    for _ in range(4):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env=env)
        seconds.append(time.perf_counter() - start)
    return min(seconds[1:])


def main() -> None:
    strokes = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    figures: dict[str, float] = {"strokes": strokes, "calibration_s": calibrate()}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bladewatch.toml"
        path.write_text(CONFIG)
        with Service.open(path) as service:
            start = time.perf_counter()
            end_us = fill(service, strokes)
            figures["ingest_strokes_per_s"] = strokes / (time.perf_counter() - start)
            start = time.perf_counter()
            for _ in service.bring_up_to_date():
                pass
            figures["checkpoints_and_fit_s"] = time.perf_counter() - start
        figures["file_mb"] = (Path(folder) / "bladewatch.sqlite").stat().st_size / 1e6
        base = [sys.executable, "-m", "bladewatch", "--config", str(path)]
        figures["help_s"] = timed([*base, "--help"], folder)
        figures["imports_s"] = timed([sys.executable, "-c", "import typer, sqlalchemy, numpy, msgspec"], folder)
        at = ["--at", text_of(end_us)]
        figures["status_s"] = timed([*base, "status", "--json", *at], folder)
        earlier = [word for i in range(1, 9) for word in ("--at", text_of(end_us - i * 50 * HOUR_US))]
        with Service.open(path) as service:  # the fits of those moments, so that only reading is timed
            for i in range(1, 9):
                service.review(end_us - i * 50 * HOUR_US, keep=True)
        many = timed([*base, "status", "--json", *at, *earlier], folder)
        figures["each_further_at_s"] = (many - figures["status_s"]) / 8
        with Service.open(path) as service:
            service.review(end_us - 1)
            start = time.perf_counter()
            service.review(end_us)
            figures["answer_in_process_s"] = time.perf_counter() - start
    print(json.dumps({name: round(value, 3) for name, value in figures.items()}, indent=1))


if __name__ == "__main__":
    main()
