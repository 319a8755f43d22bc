"""How long a refresh of the living screen takes with a hundred saws, beside a calibration of the same run.

Run: python tests/bench/bench_watch.py [SAWS]. An invented shop of that many saws and six weeks is made and imported
into a temporary folder; then a new message a saw comes in between looks, as in a working shop. Printed: the first
look at all saws, then a frame (look and drawing) at its median and at its 95th percentile, the drawing alone, and
how long the saw that waits longest waits for its turn at a look a second.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path
from statistics import median, quantiles

from bench_status import calibrate

from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.pipeline import ingest
from bladewatch.screens.watch import render
from bladewatch.service import Service
from bladewatch.watching import Watch
from collectors.facts import Batch, Stroke

FRAMES = 120


def news(setting: Setting, at_us: int, number: int) -> Batch:
    """A stroke of every saw."""
    batch = Batch()
    batch.add(
        Stroke(saw, "1", at_us - 1_000_000, 70_000 + number, at_us - 500_000, part="P-110", feed_mm_s=45.0,
               duration_s=1.56, energy_kj=18.0)
        for saw in setting.saw_names()
    )  # fmt: skip
    return batch


def main() -> None:
    saws = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    setting = Setting(seed=3, saws=saws, days=40, kinds=2)
    figures: dict[str, float] = {"saws": saws, "calibration_s": calibrate()}
    with tempfile.TemporaryDirectory() as folder:
        papers = write(setting, Path(folder) / "hall")
        figures["strokes"] = papers.truth.strokes
        clock = [setting.ends_us]
        with Service.open(papers.config, lambda: clock[0]) as service:
            service.import_files([papers.log, papers.ledger, papers.last_day])
            watch = Watch(service)
            started = time.perf_counter()
            while not watch.whole:
                watch.look()
            figures["first_look_at_all_s"] = time.perf_counter() - started
            frames, draws, waits = [], [], []
            for number in range(FRAMES):
                clock[0] += 1_000_000
                ingest(news(setting, clock[0], number), service.store, setting.site)
                started = time.perf_counter()
                watch.look()
                looked = time.perf_counter()
                render(service.config, watch.assessments, watch.alerts(), watch.at_us, 120, 50)
                done = time.perf_counter()
                frames.append(done - started)
                draws.append(done - looked)
                waits.append(len({spot for spot, when in watch._looked.items() if when >= started}))
            figures["frame_median_s"] = median(frames)
            figures["frame_p95_s"] = quantiles(frames, n=20)[-1]
            figures["drawing_median_s"] = median(draws)
            figures["saws_a_frame"] = median(waits)
            figures["every_saw_within_frames"] = saws / median(waits)
    print(json.dumps({name: round(value, 4) for name, value in figures.items()}, indent=1))


if __name__ == "__main__":
    main()
