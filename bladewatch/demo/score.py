"""Estimates beside the truth, and beside what plain rules would have said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from bladewatch.assess.assessment import Assessment
from bladewatch.assess.moment import EndedCycle
from bladewatch.demo.truth import Truth
from bladewatch.units import m2_of, round_to


@dataclass(frozen=True, slots=True)
class Rule:
    """What the ended cycles of a blade type were on average."""

    area_m2: float
    cuts: float


@dataclass(frozen=True, slots=True)
class Score:
    """One saw: what is true, what was said, what plain rules say. None where nothing was said.

    ``plate`` is what is truly on, ``recorded`` what was spoken of; where they differ what was said is a miss.
    """

    saw: str
    plate: str
    recorded: str | None
    true_um: float
    said_um: tuple[float, float, float] | None
    true_cuts: float
    said_cuts: float | None
    by_area: float | None
    by_cuts: float | None

    @property
    def within(self) -> bool | None:
        """Whether the true wear lies in the range that was said; None where none was."""
        if self.said_um is None:
            return None
        return self.plate == self.recorded and self.said_um[0] <= self.true_um <= self.said_um[2]


def scores(truth: Truth, assessments: Sequence[Assessment], at_us: int, rules: Mapping[str, Rule]) -> list[Score]:
    """One score for each saw that truly has a blade on."""
    found = []
    for a in assessments:
        cycle = truth.on(a.saw, at_us)
        if cycle is None:
            continue
        point = cycle.at(at_us)
        rule = rules.get(a.blade_type or "")
        mean_cut_m2 = point.left_m2 / point.left_cuts if point.left_cuts else 1.0
        area_m2 = m2_of(a.area_cmm2)
        wear = a.wear_um
        found.append(
            Score(
                saw=a.saw,
                plate=cycle.plate,
                recorded=a.plate,
                true_um=point.wear_um,
                said_um=None if wear is None else (wear.low, wear.estimate, wear.high),
                true_cuts=max(point.left_cuts, 0.0),
                said_cuts=None if a.remaining_cuts is None else a.remaining_cuts.estimate,
                by_area=None if rule is None else max(rule.area_m2 - area_m2, 0.0) / mean_cut_m2,
                by_cuts=None if rule is None else max(rule.cuts - a.cuts, 0.0),
            )
        )
    return found


def rules_of(ended: Sequence[EndedCycle]) -> dict[str, Rule]:
    """The plain rules by blade type: the means of the cycles that ended worn, not chipped or swapped."""
    found = {}
    for kind in {cycle.blade_type for cycle in ended}:
        mine = [cycle for cycle in ended if cycle.blade_type == kind and cycle.reason.startswith("worn")]
        if mine:
            found[kind] = Rule(fmean(cycle.area_m2 for cycle in mine), fmean(cycle.cuts for cycle in mine))
    return found


def table(found: Sequence[Score]) -> list[str]:
    """The scores as lines of at most 80 characters."""
    lines = [
        "                wear, µm                          cuts left",
        "saw   blade     true   said (90 % range)   in it   true   said  by area  by cuts",
    ]
    for s in found:
        said = "not told" if s.said_um is None else f"{_n(s.said_um[1])} ({_n(s.said_um[0])} to {_n(s.said_um[2])})"
        within = {True: "yes", False: "NO", None: "-"}[s.within]
        counts = zip((s.true_cuts, s.said_cuts, s.by_area, s.by_cuts), (7, 7, 9, 9), strict=True)
        cells = "".join(f"{'-' if value is None else _n(value):>{wide}}" for value, wide in counts)
        lines.append(f"{s.saw:<5} {s.plate:<9} {s.true_um:>4.0f}   {said:<19} {within:<4}{cells}")
        if s.recorded != s.plate:
            what = "no blade is on record" if s.recorded is None else f"{s.recorded} is on record"
            lines.append(f"      {what}: what is said there is not of this blade")
    return [*lines, "", *_summary(found)]


def _summary(found: Sequence[Score]) -> list[str]:
    """How many ranges held, and the mean errors over the same saws for everybody."""
    told = [s for s in found if s.within is not None]
    lines = [f"The true wear lies in the 90 % range on {sum(bool(s.within) for s in told)} of {len(told)} saws."]
    if len(told) < len(found):
        lines.append(f"Nothing could be told of {len(found) - len(told)} more.")
    names = ("bladewatch", "the mean area of past cycles", "their mean count of cuts")
    errors: list[tuple[float, ...]] = []
    for s in found:
        values = (s.said_cuts, s.by_area, s.by_cuts)
        known = [abs(value - s.true_cuts) for value in values if value is not None]
        if len(known) == len(values):
            errors.append(tuple(known))
    if errors:
        means = [fmean(column) for column in zip(*errors, strict=True)]
        words = [f"{name} {_n(mean)} cuts" for name, mean in zip(names, means, strict=True)]
        lines += [f"Off the truth, on average: {words[0]};", *(f"  {text}" for text in words[1:])]
    return lines


def _n(value: float) -> str:
    return round_to(value, 2 if value < 100 else 3).replace("\u00a0", " ")
