"""How far estimates lie from the truth, and how often it lies in their range, on shops whose truth is known.

Run: python tests/bench/bench_truth.py [--seeds 4] [--forms straight,all] [--troubles weak|medium|strong]. Each seed
and form is a shop of five saws and one blade type. Every grind cycle is asked at 25, 50, 75 and 90 % of its true
life, while its blade was on, with what was known then and no more. Printed for each form, and for all together: how
many answers; the 90 % range of wear: how often the truth lies in it, and how wide it is; the error of wear and of
the area left, in shares of the limit and of the life; and the error of the two plain rules on the same cycles. "At
least" is the one-sided bound that decisions use: the truth should be above it nine times in ten.

All shops are invented. The shares of life look into the future by their nature: an answer at 75 % of a life that
turns out long is asked of a blade that had looked the same at 90 % of a short one, so a bias here is no bias of the
estimate.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean, median

from bladewatch.assess.moment import Moment
from bladewatch.demo.hardness import hardness
from bladewatch.demo.papers import write
from bladewatch.demo.score import rules_of
from bladewatch.demo.setting import Setting
from bladewatch.demo.troubles import TROUBLES
from bladewatch.demo.truth import Truth
from bladewatch.service import Service
from bladewatch.units import m2_of

SHARES = (0.25, 0.5, 0.75, 0.9)
PLAIN = ("galling", "lot", "mist", "override", "cold", "chip", "early", "gap", "duplicate", "disorder", "late")


@dataclass(frozen=True)
class Answer:
    """One question and what came back; areas in shares of the true life, wear in shares of the limit."""

    share: float
    cycles: int
    error: float
    width: float
    within: bool
    left_error: float | None
    left_within: bool | None
    above_bound: bool | None
    by_area: float | None
    by_cuts: float | None


def moments(truth: Truth) -> Iterator[tuple[float, str, int]]:
    """Share of life, saw and instant of every question."""
    for mount in truth.mounts:
        cycle = truth.cycles[mount.cycle]
        until = mount.to_us or cycle.points[-1].at_us
        for share in SHARES:
            for point in cycle.points:
                if point.area_m2 >= share * cycle.life_m2:
                    if mount.from_us < point.at_us <= until and point.left_m2 > 0:
                        yield share, mount.saw, point.at_us
                    break


def ask(service: Service, truth: Truth) -> Iterator[Answer]:
    """Answers with what was known at each moment."""
    for share, saw, at_us in moments(truth):
        cycle = truth.on(saw, at_us)
        with service.store.snapshot():
            moment = Moment(service.config, service.store, at_us)
            a = moment.assess((saw, "1"))
            ended = list(moment.ended_cycles())
        if cycle is None or a.wear_um is None or a.plate != cycle.plate:
            continue
        point, life, rule = cycle.at(at_us), cycle.life_m2, rules_of(ended).get(cycle.blade_type)
        wear, left = a.wear_um, a.remaining_area_m2
        mean_cut_m2 = point.area_m2 / max(point.cuts, 1)
        yield Answer(
            share=share,
            cycles=a.cycles_behind,
            error=(wear.estimate - point.wear_um) / cycle.limit_um,
            width=(wear.high - wear.low) / cycle.limit_um,
            within=wear.low <= point.wear_um <= wear.high,
            left_error=None if left is None else (left.estimate - point.left_m2) / life,
            left_within=None if left is None else left.low <= point.left_m2 <= left.high,
            above_bound=None if left is None else point.left_m2 >= left.at_least,
            by_area=None if rule is None else (max(rule.area_m2 - m2_of(a.area_cmm2), 0) - point.left_m2) / life,
            by_cuts=None if rule is None else (max(rule.cuts - a.cuts, 0) * mean_cut_m2 - point.left_m2) / life,
        )


def shop(seed: int, form: str, strength: str | None) -> tuple[list[Answer], int]:
    """The answers about one shop, and how many questions there were."""
    troubles = {} if strength is None else {name: strength for name in PLAIN if name in TROUBLES}
    setting = Setting(seed=seed, form=form, kinds=1, troubles=troubles)
    with tempfile.TemporaryDirectory() as folder:
        papers = write(setting, Path(folder) / "hall")
        with Service.open(papers.config, lambda: setting.ends_us) as service:
            service.import_files([papers.log, papers.ledger, papers.last_day], tidy=False)
            answers = list(ask(service, papers.truth))
        print(f"seed {seed} {form}: {len(answers)} answers. {hardness(papers.truth).text()}", flush=True)
        return answers, sum(1 for _ in moments(papers.truth))


def figures(answers: list[Answer]) -> dict[str, float | int | None]:
    """Errors and coverage of a group of answers."""

    def mean(values: list[float]) -> float | None:
        return round(fmean(values), 3) if values else None

    def middle(values: list[float]) -> float | None:
        return round(median(values), 3) if values else None

    left = [a.left_error for a in answers if a.left_error is not None]
    return {
        "answers": len(answers),
        "wear_in_range": mean([float(a.within) for a in answers]),
        "wear_width": middle([a.width for a in answers]),
        "wear_error": middle([abs(a.error) for a in answers]),
        "wear_bias": mean([a.error for a in answers]),
        "left_in_range": mean([float(a.left_within) for a in answers if a.left_within is not None]),
        "left_above_at_least": mean([float(a.above_bound) for a in answers if a.above_bound is not None]),
        "left_error": middle([abs(error) for error in left]),
        "left_bias": mean(left),
        "mean_area_rule_error": middle([abs(a.by_area) for a in answers if a.by_area is not None]),
        "mean_cuts_rule_error": middle([abs(a.by_cuts) for a in answers if a.by_cuts is not None]),
    }


def table(title: str, answers: list[Answer]) -> None:
    """Figures by share of life, and of all."""
    print(f"\n{title}")
    groups = [(f"{share:.0%}", [a for a in answers if a.share == share]) for share in SHARES]
    few = [a for a in answers if a.cycles < 9]
    groups += [("all", answers), ("3-8 cycles", few), ("9 or more", [a for a in answers if a.cycles >= 9])]
    rows = [(name, figures(group)) for name, group in groups if group]
    print(f"{'':<22}" + "".join(f"{name:>11}" for name, _ in rows))
    for key in rows[0][1]:
        print(f"{key:<22}" + "".join(f"{'-' if row[key] is None else row[key]:>11}" for _, row in rows))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--forms", default="straight,all")
    parser.add_argument("--troubles", choices=("weak", "medium", "strong"))
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args()
    started = time.perf_counter()
    every: list[Answer] = []
    asked = 0
    for form in chosen.forms.split(","):
        found: list[Answer] = []
        for seed in range(1, chosen.seeds + 1):
            answers, questions = shop(seed, form, chosen.troubles)
            found += answers
            asked += questions
        every += found
        table(f"form {form}, troubles {chosen.troubles or 'none'}", found)
    if "," in chosen.forms:
        table("all forms", every)
    print(
        f"\n{len(every)} of {asked} questions were answered; the others had too few cycles, or another plate on record."
    )
    print(f"{time.perf_counter() - started:.0f} s")
    if chosen.json:
        print(json.dumps(figures(every)))


if __name__ == "__main__":
    main()
