"""The value that every screen, report and answer shows: what is known of one saw and spindle at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import tzinfo
from typing import Any, Final

from bladewatch.assess.condition import Condition, urgent_reason
from bladewatch.assess.question import Question
from bladewatch.format import time_text
from bladewatch.units import m2_of
from collectors.instants import HOUR_US
from models.forecast import LEVEL, Quantity

VERDICTS: Final = ("good", "prepare", "change", "act", "cannot-tell")
URGENCY: Final = {"act": 0, "change": 1, "prepare": 2, "cannot-tell": 3, "good": 4}


@dataclass(frozen=True, slots=True)
class TimeQuantity:
    """Instants [µs]: median, band, and the earliest that decisions use."""

    estimate_us: int
    low_us: int
    high_us: int
    at_least_us: int
    level: float = LEVEL

    def soon(self, now_us: int) -> bool:
        """Whether it may be within the hour."""
        return self.at_least_us <= now_us + HOUR_US


@dataclass(frozen=True, slots=True)
class Coverage:
    """Shares of what is known; None where there is nothing to take a share of.

    Strokes seen of those counted, area with a known alloy, cuts with a known feed, strokes with a known blade.
    """

    strokes: float | None = None
    alloy: float | None = None
    feed: float | None = None
    blade: float | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """One saw and spindle at one moment.

    A quantity that cannot be told is None; ``gaps`` says why where ``reasons``, which screens show, does not.
    ``since_us`` is from when on the verdict has held, ``unseen_us`` from when on silence counts, ``bare_us`` when the
    last blade came off, where none is on. ``verdict`` is what the saw calls for, ``wear_verdict`` what its blade's wear
    alone would; ``dangers`` are records that call for somebody now, ``conditions`` what stands beside the blade,
    ``asks`` the changes of blade that nobody wrote down, perhaps.
    """

    saw: str
    spindle: str
    plate: str | None = None
    blade_type: str | None = None
    cycle: int | None = None
    mounted_us: int | None = None
    strokes: int = 0
    cuts: int = 0
    area_by_alloy_cmm2: Mapping[str, int] = field(default_factory=dict)
    wear_um: Quantity | None = None
    wear_limit_um: float | None = None
    limit_kind: str | None = None
    edge_index: Quantity | None = None
    used_share: Quantity | None = None
    remaining_area_m2: Quantity | None = None
    remaining_cuts: Quantity | None = None
    due: TimeQuantity | None = None
    verdict: str = "cannot-tell"
    wear_verdict: str = "cannot-tell"
    since_us: int | None = None
    bare_us: int | None = None
    dangers: tuple[str, ...] = ()
    conditions: tuple[Condition, ...] = ()
    basis: str | None = None
    cycles_behind: int = 0
    reasons: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    seen: str = "never"
    coverage: Coverage = Coverage()
    last_message_us: int | None = None
    unseen_us: int | None = None
    spare: str | None = None
    asks: tuple[Question, ...] = ()

    @property
    def area_cmm2(self) -> int:
        """All area cut in the cycle."""
        return sum(self.area_by_alloy_cmm2.values())

    @property
    def urgent(self) -> tuple[Condition, ...]:
        """The conditions that call for somebody now."""
        return tuple(condition for condition in self.conditions if condition.level == "act")

    @property
    def needs_spare(self) -> bool:
        """Whether another blade will be wanted."""
        return bool(self.dangers) or self.wear_verdict in ("prepare", "change")


def as_json(assessment: Assessment, zone: tzinfo) -> dict[str, Any]:
    """The assessment as the contract's JSON object; numbers are not rounded."""
    a = assessment
    return {
        "saw": a.saw,
        "spindle": a.spindle,
        "plate": a.plate,
        "blade_type": a.blade_type,
        "cycle": a.cycle,
        "mounted_at": time_text(a.mounted_us, zone),
        "strokes": a.strokes,
        "cuts": a.cuts,
        "area_m2": m2_of(a.area_cmm2),
        "area_by_alloy_m2": {alloy: m2_of(area) for alloy, area in sorted(a.area_by_alloy_cmm2.items())},
        "wear_um": quantity_json(a.wear_um),
        "wear_limit_um": a.wear_limit_um,
        "limit_kind": a.limit_kind,
        "edge_index": quantity_json(a.edge_index),
        "used_share": quantity_json(a.used_share),
        "remaining_area_m2": quantity_json(a.remaining_area_m2),
        "remaining_cuts": quantity_json(a.remaining_cuts),
        "due_at": _times(a.due, zone),
        "verdict": a.verdict,
        "wear_verdict": a.wear_verdict,
        "conditions": [_condition(condition, zone) for condition in a.conditions],
        "basis": a.basis,
        "cycles": a.cycles_behind,
        "reasons": [*(urgent_reason(c) for c in a.urgent), *a.reasons, *a.gaps],
        "questions": [question.id for question in a.asks],
        "seen": a.seen,
        "coverage": asdict(a.coverage),
        "last_message_at": time_text(a.last_message_us, zone),
    }


def quantity_json(quantity: Quantity | None) -> dict[str, float] | None:
    """A quantity as JSON has it."""
    return None if quantity is None else asdict(quantity)


def _condition(condition: Condition, zone: tzinfo) -> dict[str, Any]:
    """As JSON; ``unit`` is that of value, own and limit."""
    c = condition
    return {
        "name": c.name,
        "level": c.level,
        "value": c.value,
        "own": c.own,
        "limit": c.limit,
        "unit": c.unit or None,
        "point": c.point or None,
        "at": time_text(c.at_us, zone),
        "since": time_text(c.since_us, zone),
    }


def _times(due: TimeQuantity | None, zone: tzinfo) -> dict[str, Any] | None:
    if due is None:
        return None
    names = {"estimate": due.estimate_us, "low": due.low_us, "high": due.high_us, "at_least": due.at_least_us}
    return {**{name: time_text(us, zone) for name, us in names.items()}, "level": due.level}
