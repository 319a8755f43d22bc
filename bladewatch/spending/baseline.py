"""Savings, only against a baseline that is named: what the month's metal would have cost at its cost of a m².

Both sides count plates as they are used up, so that a month in which plates were bought claims no loss, and the volume
is this month's, so that a quiet month claims no saving.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.assess.known import Known
from bladewatch.config.kinds import Months
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.assets import CONSUMPTION, PURCHASES, RETIPS, WRITE_OFFS, Movement
from bladewatch.spending.documents import Line, within
from bladewatch.spending.periods import period_of
from bladewatch.spending.work import work_of
from bladewatch.units import m2_of

SIGN: Final = {PURCHASES: -1, RETIPS: -1, CONSUMPTION: 1, WRITE_OFFS: 1}
"""How a movement of values turns what was paid into what was used up."""


class Saving(NamedTuple):
    """What was saved against a baseline: cost of a m² then and now, how much of the baseline's strokes was seen.

    ``saved`` is None where the baseline holds no area, or no money.
    """

    baseline: str
    per_m2_then: Decimal | None
    per_m2: Decimal | None
    saved: Decimal | None
    known: float | None


def used_up(lines: Sequence[Line], movements: Sequence[Movement], from_us: int, to_us: int) -> Decimal:
    """What a span cost where plates are paid for as they are used up."""
    total = sum((line.amount for line in within(lines, from_us, to_us)), ZERO)
    moved = (SIGN.get(one.flow, 0) * one.amount for one in movements if from_us <= one.at_us < to_us)
    return total + sum(moved, ZERO)


def saving_of(
    known: Known, months: Months, lines: Sequence[Line], movements: Sequence[Movement], cost: Decimal, area_cmm2: int
) -> Saving:
    """A month's cost and area against a baseline's."""
    first, last = (period_of(known.config, *one) for one in (months.first, months.last))
    work = work_of(known, first.from_us, last.to_us)
    places = places_of(known.config.site.currency)
    then = _per_m2(used_up(lines, movements, first.from_us, last.to_us), work.total.area_cmm2)
    now = _per_m2(cost, area_cmm2)
    saved = None if then is None or now is None or not then else rounded((then - now) * _m2(area_cmm2), places)
    return Saving(str(months), _shown(then, places), _shown(now, places), saved, work.strokes_known)


def _shown(value: Decimal | None, places: int) -> Decimal | None:
    return None if value is None else rounded(value, places + 2)


def _per_m2(cost: Decimal, area_cmm2: int) -> Decimal | None:
    return cost / _m2(area_cmm2) if area_cmm2 else None


def _m2(area_cmm2: int) -> Decimal:
    return Decimal(repr(m2_of(area_cmm2)))
