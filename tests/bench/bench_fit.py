"""What the model costs: a fit of many blades from sums kept per job, a stroke's update, where a running edge stands.

    python tests/bench/bench_fit.py [--blades 1000] [--cycles 10]

The data are invented here: ten jobs a cycle, each with area and energy, a bench reading at each end. The calibration
figure is a fixed Python loop of the same run: divide by it to compare machines.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import time
from statistics import median

import numpy as np

from models.cycle import Cut, CycleState
from models.evidence import CycleEvidence, Reading, Work, design_of, names_of
from models.fitting import fit_joint
from models.running import standing

RATES = {"6063": 0.14, "6082": 0.20, "Cu": 0.44}
LEVELS = {"6063": 7.5, "6082": 7.8, "Cu": 8.7}


def cycle(blade: int, number: int, rng: np.random.Generator, jobs: int) -> CycleEvidence:
    """A cycle of some jobs that ends near the limit."""
    factor, works, wear = math.exp(rng.normal(0, 0.25)), [], 0.0
    alloys = rng.choice(list(RATES), size=jobs, p=[0.58, 0.29, 0.13])
    scale = rng.uniform(0.75, 1.05) / (factor * sum(RATES[str(a)] for a in alloys))
    for place, alloy in enumerate(map(str, alloys)):
        more = factor * RATES[alloy] * scale
        log_u = LEVELS[alloy] + math.log(0.35 + 0.65 * (1 + 1.05 * (wear + more / 2))) + rng.normal(0, 0.01)
        works.append(Work(alloy, scale, f"S{blade % 5}", f"P-{alloy}", f"L{place // 4}", scale * 100, 60, log_u, -4.6))
        wear += more
    reading = Reading(wear * math.exp(rng.normal(0, 0.04)))
    return CycleEvidence(f"A-{blade:04d}", number, tuple(works), (reading,))


def calibration() -> float:
    """Seconds of a fixed loop."""
    started = time.perf_counter()
    total = 0
    for number in range(3_000_000):
        total += number
    return time.perf_counter() - started


def update_us(strokes: int = 20_000) -> float:
    """Microseconds of a stroke's update of a running cycle."""
    state, rng = CycleState(), random.Random(1)
    state.remount("S1/1")
    cuts = []
    for i in range(strokes):
        ts_us, u = i * 60_000_000, 1500 * math.exp(rng.gauss(0, 0.03))
        part = f"P{i // 70 % 6}"
        cuts.append(
            Cut(ts_us, True, True, "6063", 250_000, False, True, u, 0.012, part, "L", ts_us, 45.0, 1.6, False, 45.0)
        )
    started = time.perf_counter()
    for cut in cuts:
        state.update(cut)
    return (time.perf_counter() - started) / strokes * 1e6


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--blades", type=int, default=1000)
    parser.add_argument("--cycles", type=int, default=10)
    parser.add_argument("--jobs", type=int, default=10)
    chosen = parser.parse_args()
    rng = np.random.default_rng(1)
    before = calibration()
    evidence = [cycle(b, c, rng, chosen.jobs) for b in range(chosen.blades) for c in range(chosen.cycles)]
    started = time.perf_counter()
    names = names_of(evidence, {})
    design = design_of(evidence, names)
    built = time.perf_counter() - started
    fit = fit_joint(design, names)
    fitted = time.perf_counter() - started
    stands = []
    for one in evidence[:20]:
        started = time.perf_counter()
        standing(fit, CycleEvidence("new", 1, one.works[: chosen.jobs // 2]), {})
        stands.append(time.perf_counter() - started)
    figures = {
        "cycles": len(evidence),
        "rows": len(design.x),
        "arrays_s": round(built, 2),
        "fit_s": round(fitted, 2),
        "update_us": round(update_us(), 1),
        "standing_ms": round(1000 * median(stands), 1),
        "calibration_s": round((before + calibration()) / 2, 3),
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
