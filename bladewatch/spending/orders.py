"""What messages tell beside cuts and area: orders and what they cost, the way of the teeth, trims and remnants."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.assess.known import Known
from bladewatch.config.tables import Config
from bladewatch.money import ZERO, shared
from bladewatch.spending.sharing import CostOf, Shared, Way, WayKey
from bladewatch.stores.protocols import OrderSum, Spot
from bladewatch.strokes import describe
from bladewatch.units import m2_of

SCRAPS: Final = ("trim", "remnant")
NO_CUT: Final = "air"


class Scrap(NamedTuple):
    """Trims or remnants of an alloy: how many, their mass [kg] as far as a length tells it, how many told none."""

    kind: str
    alloy: str
    strokes: int
    kg: float
    untold: int


@dataclass(frozen=True, slots=True)
class Told:
    """Orders by cost, what share of cuts names one; the way of a tooth in metal [m], of what share of cuts it is known.

    The way is area over feed per tooth and teeth: area times spindle speed over feed. ``ways`` has it apart.
    """

    orders: tuple[CostOf, ...]
    orders_known: float | None
    travel_m: float
    travel_known: float | None
    ways: Mapping[WayKey, Way]
    scraps: tuple[Scrap, ...]


def told_of(known: Known, costs: Shared, from_us: int, to_us: int) -> Told:
    """Read the strokes with ``from_us`` ≤ ts < ``to_us``, up to the moment; ``costs`` is their spend as shared out."""
    until_us = min(to_us - 1, known.now_us)
    sums: dict[Spot, list[OrderSum]] = {}
    for spot in sorted(set(known.signals.spots()) | set(known.spots)):
        saw = known.config.saws.ever(spot[0], from_us)
        rpm = None if saw is None else saw.rated_rpm
        rows = known.signals.order_sums(spot, from_us - 1, until_us, known.now_us, rpm)
        sums[spot] = [row for row in rows if row.kind != NO_CUT]
    every = [row for rows in sums.values() for row in rows]
    strokes = sum(row.strokes for row in every)
    cuts = max(sum(worked.made.cuts for worked, _ in costs.costs), strokes)  # those that nobody saw told no feed
    named = sum(row.strokes for row in every if row.order is not None)
    fed = sum(row.fed for row in every)
    return Told(
        tuple(_orders(known.config, from_us, costs, sums)) if named else (),
        named / strokes if strokes else None,
        sum(_travel_m(known.config, row, from_us) for row in every),
        fed / cuts if cuts else None,
        _ways(known.config, from_us, sums),
        tuple(_scraps(known.config, every, from_us)),
    )


def _ways(config: Config, at_us: int, sums: Mapping[Spot, list[OrderSum]]) -> dict[WayKey, Way]:
    groups: dict[WayKey, list[OrderSum]] = {}
    for spot, rows in sums.items():
        for row in rows:
            alloy, _ = describe(config, at_us, row.part, row.alloy, None, None, None)
            groups.setdefault((spot, row.part, alloy), []).append(row)
    return {key: _way(config, rows, at_us) for key, rows in groups.items()}


def _way(config: Config, rows: Sequence[OrderSum], at_us: int) -> Way:
    return Way(sum(_travel_m(config, row, at_us) for row in rows), sum(row.fed for row in rows))


def _orders(config: Config, at_us: int, costs: Shared, sums: Mapping[Spot, list[OrderSum]]) -> Iterator[CostOf]:
    """What each order cost: of what its saws spent on each part, as many cuts as it has of that part there."""
    spent: dict[str | None, Decimal] = {}
    cuts: dict[str | None, float] = {}
    areas: dict[str | None, float] = {}
    pieces: dict[str | None, float] = {}
    by_part: dict[tuple[Spot, str | None], dict[str | None, int]] = {}
    by_order: dict[str | None, list[OrderSum]] = {}
    for spot, rows in sums.items():
        for row in rows:
            by_order.setdefault(row.order, []).append(row)
            orders = by_part.setdefault((spot, row.part), {})
            orders[row.order] = orders.get(row.order, 0) + row.strokes
    for worked, cost in costs.costs:
        orders = by_part.get(((worked.saw, worked.spindle), worked.part)) or {None: 1}
        total = sum(orders.values())
        parts = shared(cost, [Decimal(count) for count in orders.values()], costs.places)
        for (order, count), part in zip(orders.items(), parts, strict=True):
            share = count / total
            spent[order] = spent.get(order, ZERO) + part
            for of, value in ((cuts, worked.made.cuts), (areas, worked.made.area_cmm2), (pieces, worked.made.pieces)):
                of[order] = of.get(order, 0.0) + share * value
    for order in sorted(spent, key=lambda name: (-spent[name], name or "")):
        way = _way(config, by_order.get(order, []), at_us)
        yield CostOf(
            order,
            spent[order],
            round(cuts[order]),
            m2_of(round(areas[order])),
            round(pieces[order]),
            None,
            way.travel_m,
            min(way.fed / cuts[order], 1.0) if cuts[order] else None,
            costs.places,
        )


def _travel_m(config: Config, row: OrderSum, at_us: int) -> float:
    """The way of a tooth in metal [m]."""
    mm = row.turn_areas / 100 / 60
    if row.turns:
        _, area_cmm2 = describe(config, at_us, row.part, row.alloy, None, None, None)
        mm += row.turns * (area_cmm2 or 0) / 100 / 60
    return mm / 1000


def _scraps(config: Config, rows: list[OrderSum], at_us: int) -> Iterator[Scrap]:
    found: dict[tuple[str, str], tuple[int, float, int]] = {}
    for row in rows:
        if row.kind not in SCRAPS:
            continue
        alloy, area_cmm2 = describe(config, at_us, row.part, row.alloy, None, None, None)
        metal = config.alloys.ever(alloy, at_us) if alloy in config.alloys else None
        mm3 = (row.length_areas + row.lengths * (area_cmm2 or 0)) / 100
        density = None if metal is None else metal.density
        told = row.with_length if density is not None else 0
        count, kg, untold = found.get((row.kind, alloy), (0, 0.0, 0))
        kg += mm3 * (density or 0.0) / 1e6  # mm³ · g/cm³ = mg
        found[row.kind, alloy] = count + row.strokes, kg, untold + row.strokes - told
    for (kind, alloy), told_of_it in sorted(found.items()):
        yield Scrap(kind, alloy, *told_of_it)
