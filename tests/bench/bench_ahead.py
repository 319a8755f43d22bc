"""How often the coming month's spend lay in the range that was told a month before, on shops whose record is kept.

    python tests/bench/bench_ahead.py [--first 847] [--seeds 3] [--days 420] [--troubles none|weak] [--json out.json]

Each seed is an invented shop of five saws and two blade types. From the fifth month on it is asked at the last hour of
each month what the next month, and the next three, will cost; that is held against what was spent then, as it is known
at the end. Money, grinds and plates each have a central range of 90 %. The plain rule beside it is the mean of the six
months before, with the range that a mean and its spread give. The invented shop never buys a plate anew.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import fmean, stdev

from scipy.stats import t

from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.demo.troubles import TROUBLES
from bladewatch.reporting import coming, spend
from bladewatch.service import Service
from bladewatch.spending.documents import GRIND, RETIP
from bladewatch.spending.month import Month
from bladewatch.spending.periods import before, period_of

FIRST_ASKED = 4
LEVEL = 0.9


@dataclass(frozen=True)
class Told:
    """A figure that was told ahead, its range, and what came; the rule's own beside it."""

    seed: int
    month: str
    span: int
    what: str
    came: float
    said: float
    low: float
    high: float
    rule: float | None
    rule_low: float | None
    rule_high: float | None


def asked(service: Service, setting: Setting) -> Iterator[Told]:
    """Every month of a shop that is over, and three at a time."""
    config = service.config
    year, number = setting.start.year, setting.start.month
    labels = []
    while period_of(config, year, number).to_us <= setting.ends_us:
        labels.append((year, number))
        year, number = before(year, number, -1)
    months = [spend(service, f"{one[0]:04d}-{one[1]:02d}") for one in labels]
    for place in range(FIRST_ASKED, len(months)):
        told = coming(service, months[place].period.from_us - 1)
        for count, span in zip((1, 3), told.spans, strict=False):
            if place + count > len(months):
                continue
            came = months[place : place + count]
            for what, quantity in (("money", span.spend), ("grinds", span.grinds), ("plates", span.plates)):
                rule = rule_of([counted(month, what) for month in months[1:place]][-6:], count)
                yield Told(
                    setting.seed, span.label, count, what, sum(counted(month, what) for month in came),
                    quantity.estimate, quantity.low, quantity.high, *rule,
                )  # fmt: skip


def counted(month: Month, what: str) -> float:
    """What a month came to."""
    if what == "money":
        return float(month.total)
    if what == "plates":
        return float(sum(line.kind == "new" and line.amount > 0 for line in month.lines))
    return float(len({line.job for line in month.lines if line.kind in (GRIND, RETIP) and line.amount > 0}))


def rule_of(past: list[float], count: int) -> tuple[float | None, float | None, float | None]:
    """The mean of the months before, as often as asked, with the range of so many more of the same."""
    if len(past) < 3:
        return None, None, None
    middle = fmean(past) * count
    half = float(t.ppf((1 + LEVEL) / 2, len(past) - 1)) * stdev(past) * (count + count**2 / len(past)) ** 0.5
    return middle, middle - half, middle + half


def table(found: list[Told]) -> None:
    """Coverage, error and width by span and figure, beside the rule's."""
    print("span  what    n   covered  rule's   mean error  / rule's   width / rule's")
    for span in (1, 3):
        for what in ("money", "grinds", "plates"):
            rows = [one for one in found if (one.span, one.what) == (span, what)]
            ruled = [one for one in rows if one.rule is not None]
            if not rows:
                continue
            covered = fmean(one.low <= one.came <= one.high for one in rows)
            by_rule = fmean((one.rule_low or 0) <= one.came <= (one.rule_high or 0) for one in ruled)
            error = fmean(abs(one.said - one.came) for one in rows)
            rule_error = fmean(abs((one.rule or 0) - one.came) for one in ruled)
            width = fmean(one.high - one.low for one in rows)
            rule_width = fmean((one.rule_high or 0) - (one.rule_low or 0) for one in ruled)
            print(
                f"{span:4d}  {what:7s}{len(rows):3d}   {covered:6.2f}  {by_rule:6.2f}   {error:10.2f}  "
                f"{error / rule_error if rule_error else 0:7.2f}   {width / rule_width if rule_width else 0:7.2f}"
            )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=847)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--days", type=int, default=420)
    parser.add_argument("--troubles", default="none")
    parser.add_argument("--json", type=Path)
    chosen = parser.parse_args()
    troubles = {} if chosen.troubles == "none" else dict.fromkeys(TROUBLES, chosen.troubles)
    found: list[Told] = []
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        began = time.perf_counter()
        setting = Setting(seed=seed, days=chosen.days, troubles=troubles)
        with tempfile.TemporaryDirectory() as folder:
            papers = write(setting, Path(folder) / "hall")
            with Service.open(papers.config, lambda setting=setting: setting.ends_us) as service:  # type: ignore[misc]
                service.import_files([papers.log, papers.ledger, papers.last_day], tidy=False)
                found += asked(service, setting)
        print(f"seed {seed}: {time.perf_counter() - began:.0f} s", flush=True)
    table(found)
    if chosen.json:
        chosen.json.write_text(json.dumps([asdict(one) for one in found]))


if __name__ == "__main__":
    main()
