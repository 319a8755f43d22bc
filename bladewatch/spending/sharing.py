"""A month's spend over what was cut: by saw, alloy, part, blade type, to the cent.

What was paid for plates of a blade type goes over what its blades cut in the month, the rest over all that was cut.
The share of each is that of the wear: its area, times the wear ratio that the configuration states for its alloy. It is
not the one that a model has learnt: a month that was closed must not be shared out anew with every cycle that ends.
Where no area is known the cuts count. The rule that was used is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.money import ZERO, rounded, shared
from bladewatch.spending.documents import Line
from bladewatch.spending.work import Work, Worked, area_m2, total_of
from bladewatch.stores.protocols import Spot

WEAR: Final = "wear share (area by the stated wear ratios)"
AREA: Final = "area"
CUTS: Final = "cuts"
FINE: Final = 10**6

DIMENSIONS: Final[dict[str, Callable[[Worked], str | None]]] = {
    "saw": lambda row: row.saw,
    "alloy": lambda row: row.alloy,
    "part": lambda row: row.part,
    "blade_type": lambda row: row.blade_type,
}
"""By what of its work a month's spend is told apart."""
WayKey = tuple[Spot, str | None, str]
"""A spindle, a part and an alloy."""


class Way(NamedTuple):
    """The way of a tooth in metal over the strokes that told their feed [m], and how many did."""

    travel_m: float
    fed: int


class CostOf(NamedTuple):
    """What a saw, an alloy, a part or a blade type cost in a month, and what it cut.

    ``known`` is the share of its cuts with a blade on record, ``feed_known`` the share of those whose feed tells the
    way of a tooth, ``travel_m`` that way.
    """

    name: str | None
    cost: Decimal
    cuts: int
    area_m2: float
    pieces: int
    known: float | None
    travel_m: float
    feed_known: float | None
    places: int

    def per(self, count: float, unit: int = 1) -> Decimal | None:
        """The cost of each so many of something; None without any."""
        return each(self.cost, count, unit, self.places)

    @property
    def per_km(self) -> Decimal | None:
        """The cost of each kilometre that a tooth went through metal, of the cuts whose feed is known."""
        return per_km(self.cost, self.travel_m, self.feed_known, self.places)


def each(cost: Decimal, count: float, unit: int, places: int) -> Decimal | None:
    """A cost for each so many of something, to a hundredth of the smallest unit of money; None without any."""
    return rounded(cost * unit / Decimal(repr(count)), places + 2) if count else None


def per_km(cost: Decimal, travel_m: float, known: float | None, places: int) -> Decimal | None:
    """A cost for each kilometre of a way that is ``known`` of a share of the cuts; None without any."""
    return each(cost * Decimal(repr(known)), travel_m, 1000, places) if known and travel_m else None


class Shared(NamedTuple):
    """Each row of work with its part of the spend, the rules that were used, and what had no work to go over."""

    costs: tuple[tuple[Worked, Decimal], ...]
    rules: tuple[str, ...]
    left_over: Decimal
    places: int


def share_out(lines: Iterable[Line], work: Work, ratios: Mapping[str, float], places: int) -> Shared:
    """Spread the lines of a month over its work; ``ratios`` are the wear ratios of the alloys."""
    pools: dict[str | None, Decimal] = {}
    for line in lines:
        pools[line.blade_type] = pools.get(line.blade_type, ZERO) + line.amount
    groups = work.by(lambda row: row.blade_type)
    general, rules = ZERO, list[str]()
    cost = dict.fromkeys(range(len(work.worked)), ZERO)
    place_of = {id(row): place for place, row in enumerate(work.worked)}

    def spread(amount: Decimal, rows: Sequence[Worked]) -> None:
        rule, weights = _weights(rows, ratios)
        for row, part in zip(rows, shared(amount, weights, places), strict=True):
            cost[place_of[id(row)]] += part
        if rule not in rules:
            rules.append(rule)

    for blade_type, amount in sorted(pools.items(), key=lambda pair: pair[0] or ""):
        rows = [row for row in groups.get(blade_type, ()) if row.made.cuts]
        if blade_type is None or not rows:
            general += amount
        else:
            spread(amount, rows)
    every = [row for row in work.worked if row.made.cuts]
    if every and general:
        spread(general, every)
        general = ZERO
    return Shared(tuple((row, cost[place]) for place, row in enumerate(work.worked)), tuple(rules), general, places)


def _weights(rows: Sequence[Worked], ratios: Mapping[str, float]) -> tuple[str, list[Decimal]]:
    if not total_of(rows).area_cmm2:
        return CUTS, [Decimal(row.made.cuts) for row in rows]
    of_each = [ratios.get(row.alloy, 1.0) for row in rows]
    rule = WEAR if len(set(of_each)) > 1 else AREA
    return rule, [Decimal(row.made.area_cmm2 * round(ratio * FINE)) for row, ratio in zip(rows, of_each, strict=True)]


def costs_by(told: Shared, ways: Mapping[WayKey, Way], key: Callable[[Worked], str | None]) -> list[CostOf]:
    """What each group cost, the dearest first; each row goes its share of the way of its spindle, part and alloy."""
    groups: dict[str | None, list[tuple[Worked, Decimal]]] = {}
    cuts: dict[WayKey, int] = {}
    for row, cost in told.costs:
        groups.setdefault(key(row), []).append((row, cost))
        cuts[_way_of(row)] = cuts.get(_way_of(row), 0) + row.made.cuts
    found = []
    for name, members in groups.items():
        rows = [row for row, _ in members]
        made = total_of(rows)
        with_blade = sum(row.made.cuts for row in rows if row.plate is not None)
        known = with_blade / made.cuts if made.cuts else None
        cost = sum((cost for _, cost in members), ZERO)
        went = [(row.made.cuts, ways[_way_of(row)], cuts[_way_of(row)]) for row in rows if _way_of(row) in ways]
        travel_m = sum(way.travel_m * count / whole for count, way, whole in went if whole)
        fed = sum(way.fed * count / whole for count, way, whole in went if whole)
        feed_known = min(fed / made.cuts, 1.0) if made.cuts else None
        numbers = made.cuts, area_m2(made), made.pieces, known, travel_m, feed_known
        found.append(CostOf(name, cost, *numbers, told.places))
    return sorted(found, key=lambda one: (-one.cost, one.name is None, one.name or ""))


def _way_of(row: Worked) -> WayKey:
    return (row.saw, row.spindle), row.part, row.alloy
