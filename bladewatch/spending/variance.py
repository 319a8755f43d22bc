"""From the plan to what was spent, in parts that add up to the cent.

With s the planned cost of a cut, by alloy, and q the cuts that were made ::

    plan                          what a month should cost, for the planned cuts of the planned alloys
    + volume     (Σq - planned cuts) · plan / planned cuts        more cuts, or fewer
    + mix        Σ q·s - Σq · plan / planned cuts                 harder alloys, or softer
    = allowed    Σ q·s                                            what this month's cuts should have cost
    + life       grinds and cycles at planned prices - allowed    blades that last shorter than planned, or longer
    + price      what these cost - the same at planned prices     dearer, freight and the rest with it
    + unplanned  tips replaced, value of plates that went         damage and loss
    + stock      bought for later months - used of earlier ones   new plates and sets of tips beside consumption
    = spent

In this order; another order would give a month with other parts and the same sum. Each step is rounded once.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.config.kinds import Standard
from bladewatch.money import ZERO, rounded

VOLUME: Final = "volume"
MIX: Final = "mix"
LIFE: Final = "life"
PRICE: Final = "price"
UNPLANNED: Final = "unplanned"
STOCK: Final = "stock"
PARTS: Final = (VOLUME, MIX, LIFE, PRICE, UNPLANNED, STOCK)


class Plan(NamedTuple):
    """A month's plan: cost and cuts, cost of a thousand cuts of any alloy, and of those that have their own."""

    cost: Decimal | None
    cuts: Decimal | None
    per_1000_cuts: Decimal | None
    alloys: Mapping[str, Standard]


class Spent(NamedTuple):
    """What a month was: cuts by alloy, and its spend in four sums that are all of it.

    ``work`` is grinding, freight, the rest, and the value that cycles consumed; ``work_planned`` is the same grinds and
    cycles at the configuration's prices.
    """

    cuts: Mapping[str, int]
    work: Decimal
    work_planned: Decimal
    unplanned: Decimal
    stock: Decimal

    @property
    def total(self) -> Decimal:
        """All that was spent."""
        return self.work + self.unplanned + self.stock


class Bridge(NamedTuple):
    """From ``plan`` over ``allowed`` to ``spent``: ``parts`` by name, None where the plan does not tell them.

    ``cuts`` are those planned, ``lack`` says what is missing in the configuration.
    """

    plan: Decimal | None
    cuts: Decimal | None
    allowed: Decimal | None
    spent: Decimal
    parts: dict[str, Decimal | None]
    lack: str | None


def bridge(plan: Plan, spent: Spent, places: int = 2) -> Bridge:
    """The parts of the way from plan to spend.

    >>> told = bridge(
    ...     Plan(Decimal("500"), None, Decimal("5"), {}),
    ...     Spent({"6063": 120_000}, *map(Decimal, ("660.00", "640.00", "30.00", "-50.00"))),
    ... )
    >>> [f"{name} {amount}" for name, amount in told.parts.items()]
    ['volume 100.00', 'mix 0.00', 'life 40.00', 'price 20.00', 'unplanned 30.00', 'stock -50.00']
    """
    cost, cuts, mean = _whole(plan)
    allowed = _allowed(plan, spent.cuts, mean)
    parts: dict[str, Decimal | None] = dict.fromkeys(PARTS)
    parts[UNPLANNED], parts[STOCK] = spent.unplanned, spent.stock
    parts[PRICE] = spent.work - spent.work_planned
    if allowed is None:
        lack = "[budget] tells no cost of cuts: per_1000_cuts, or month with cuts, or alloys"
        return Bridge(cost, cuts, None, spent.total, parts, lack)
    allowed = rounded(allowed, places)
    parts[LIFE] = spent.work_planned - allowed
    if cost is None or not cuts:
        lack = "[budget] tells no plan of a month: month with per_1000_cuts or cuts, or alloys"
        if cost is not None:
            lack = "[budget] plans no cuts: tell cuts, or per_1000_cuts, above 0"
        return Bridge(None, cuts, allowed, spent.total, parts, lack)
    cost = rounded(cost, places)
    made = sum(spent.cuts.values())
    after_volume = rounded(cost + (made - cuts) * cost / cuts, places)
    parts[VOLUME], parts[MIX] = after_volume - cost, allowed - after_volume
    return Bridge(cost, cuts, allowed, spent.total, parts, None)


def _whole(plan: Plan) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    """Cost and cuts of a planned month, and the planned cost of a cut of any alloy; what is not told follows."""
    own = plan.alloys.values()
    cost = sum((row.cuts * row.per_1000_cuts / 1000 for row in own), ZERO) if plan.cost is None and own else plan.cost
    cuts = sum((Decimal(row.cuts) for row in own), ZERO) if plan.cuts is None and own else plan.cuts
    mean = None if plan.per_1000_cuts is None else plan.per_1000_cuts / 1000
    if mean is None and cost is not None and cuts:
        mean = cost / cuts
    if cuts is None and cost is not None and mean:
        cuts = cost / mean
    if cost is None and cuts is not None and mean is not None:
        cost = cuts * mean
    return cost, cuts, mean


def _allowed(plan: Plan, cuts: Mapping[str, int], mean: Decimal | None) -> Decimal | None:
    """What the cuts should have cost; None where some have no planned cost."""
    total = ZERO
    for alloy, count in cuts.items():
        own = plan.alloys.get(alloy)
        price = mean if own is None else own.per_1000_cuts / 1000
        if price is None and count:
            return None
        total += count * (price or ZERO)
    return None if mean is None and not plan.alloys else total
