"""What the blades of an order would cost, for quoting: the grind cycles that it wears, times what a cycle costs.

A cycle costs its grind, its share of the plate, the tips that are replaced on average, freight, and a planned change.
The wear is what the model of the blade type says of the alloy, with its range; where it says nothing, the mean area of
past cycles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bladewatch.assess.crib import LEAST_CHANGES
from bladewatch.assess.moment import Moment
from bladewatch.assess.training import Training
from bladewatch.config.tables import BladeType
from bladewatch.errors import UsageError
from bladewatch.ledger.fleet import KEEPS_CYCLE
from bladewatch.spending.documents import FREIGHT
from bladewatch.spending.grinding import TIPS
from bladewatch.spending.month import Books, books_of
from bladewatch.strokes import describe
from bladewatch.units import m2_of, percent
from models.forecast import Quantity, quantity

DRAWS: Final = 400
SEED: Final = 20_310_509


@dataclass(frozen=True, slots=True)
class Quote:
    """An order's blades by blade type: area [m²], share of grind cycles, money for all and for a thousand pieces.

    ``cycle_cost`` is what a cycle costs and ``parts`` of what; ``basis`` says what the wear rests on. None with a
    ``lack`` where something is missing.
    """

    blade_type: str
    area_m2: float
    cycles: Quantity | None
    cycle_cost: float | None
    parts: dict[str, float]
    money: Quantity | None
    per_1000: Quantity | None
    basis: str
    lack: str | None


def quotes(moment: Moment, part: str, cuts: int) -> list[Quote]:
    """A quote by each blade type. Raises ``UsageError`` on a part that the configuration lacks."""
    known = moment.known()
    row = known.config.parts.ever(part, known.now_us) if part in known.config.parts else None
    alloy, area_cmm2 = describe(known.config, known.now_us, part, None, None, None, None)
    if row is None or not area_cmm2:
        raise UsageError(f"part {part}: not in the part table, or without an area: bladewatch cannot tell what it cuts")
    books = books_of(moment, ())
    area_m2 = m2_of(area_cmm2) * cuts
    pieces = cuts * (row.pieces or 1)
    return [_quote(moment, books, blade, training, alloy, area_m2, pieces) for blade, training in moment.models()]


def _quote(
    moment: Moment, books: Books, blade: BladeType, training: Training, alloy: str, area_m2: float, pieces: int
) -> Quote:
    parts, lack = _cycle_cost(moment, books, blade)
    shares, basis = _shares(moment, blade, training, alloy, area_m2)
    if shares is None:
        lack = lack or f"{blade.id} has not cut {alloy} yet, and fewer than {LEAST_CHANGES} of its cycles have ended"
    cost = None if lack is not None else sum(parts.values())
    cycles = None if shares is None else quantity(shares)
    money = None if shares is None or cost is None else quantity(shares * cost)
    each = None if shares is None or cost is None or not pieces else quantity(shares * cost * 1000 / pieces)
    return Quote(blade.id, area_m2, cycles, cost, parts, money, each, basis, lack)


def _cycle_cost(moment: Moment, books: Books, blade: BladeType) -> tuple[dict[str, float], str | None]:
    """What a grind cycle costs, by its parts."""
    lines = books.documents.lines
    jobs = {line.job for line in lines if line.job is not None and line.blade_type == blade.id}
    every = {line.job for line in lines if line.job is not None}
    tips = sum(float(line.amount) for line in lines if line.kind == TIPS and line.blade_type == blade.id)
    freight = sum(float(line.amount) for line in lines if line.kind == FREIGHT)
    missing = [name for name in ("price", "grind_price", "regrinds_expected") if getattr(blade, name) is None]
    if missing or blade.price is None or blade.grind_price is None or blade.regrinds_expected is None:
        return {}, f"blade type {blade.id} has no {', '.join(missing)} in the configuration"
    count = blade.regrinds_expected
    change = moment.known().config.budget.planned_change
    return {
        "plate": float(blade.price) / (count + 1),
        "grind": float(blade.grind_price) * count / (count + 1),
        "tips": tips / len(jobs) if jobs else 0.0,
        "freight": freight / len(every) if every else 0.0,
        "change": float(change) if change is not None else 0.0,
    }, None


def _shares(
    moment: Moment, blade: BladeType, training: Training, alloy: str, area_m2: float
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]] | None, str]:
    """Draws of the share of cycles that an area wears, shape (k,), and what that rests on.

    Blades come off before the limit: a cycle uses what past ones used of it, in the middle.
    """
    fit, generator = training.fit, np.random.default_rng(SEED)
    ends = _ended(moment, blade)
    if fit is not None and not fit.names.plain and alloy in fit.names.alloys:
        rate, error = fit.rate(alloy)
        used = _used(training, fit_limit=training.limit)
        own = fit.spreads.cycle / np.sqrt(max(area_m2 * rate / used, 1.0))  # of the cycles that this order takes
        drawn = rate * np.exp(np.hypot(error, own) * generator.standard_normal(DRAWS))
        share = percent(used)
        text = f"the wear of {alloy}, from {training.counted} cycles that came off at {share} of the limit on average"
        return area_m2 * drawn / used, text
    if len(ends) >= LEAST_CHANGES:
        mean = float(np.mean(ends))
        error = float(np.std(ends, ddof=1)) / mean / np.sqrt(len(ends))
        drawn = area_m2 / (mean * np.exp(error * generator.standard_normal(DRAWS)))
        return drawn, f"the mean area of {len(ends)} past cycles, all alloys alike"
    return None, "nothing yet"


def _used(training: Training, fit_limit: float | None) -> float:
    """How much of the limit cycles had used when they came off, on average; all of it where nothing was measured."""
    if fit_limit is None:
        return 1.0
    readings = (reading for one in training.evidence for reading in one.readings)
    read = [reading.wear for reading in readings if reading.kind in ("measured", "stock")]
    return min(max(float(np.mean(read)), 0.2), 1.5) if read else 1.0


def _ended(moment: Moment, blade: BladeType) -> Sequence[float]:
    """The areas of past cycles [m²]."""
    known = moment.known()
    cycles = [
        cycle
        for plate in known.fleet.plates.values()
        if plate.blade_type == blade.id
        for cycle in plate.cycles
        if cycle.ended_us is not None and cycle.reason not in KEEPS_CYCLE
    ]
    areas = (m2_of(known.state_of(cycle).total_cmm2) for cycle in cycles)
    return [area for area in areas if area > 0]
