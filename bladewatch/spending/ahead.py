"""What blades will cost in the months to come: ends of grind cycles, their grinding, plates at the end of their tips.

Drawn many times over: each running blade ends when its forecast says, and not later than a fresh one would; the next
ones come at the pace at which plates went to the grinder in the last quarter. What went waits, is away and is invoiced
as late as others were in the last year, at what such work cost then, or should cost. Plates are bought as often, as
many at a time and as dear as in the last year; where that is too seldom to tell, a plate without a regrind left is
bought anew at its price, or goes on: how surely is drawn too, by the plates that came so far. What is away, or back and
not invoiced, comes first. Too few jobs tell no pace, and no price no money.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from bladewatch.assess.assessment import Assessment, TimeQuantity
from bladewatch.assess.crib import LEAST_CHANGES, RATE_DAYS, USUAL_TURNROUND, turnround_of
from bladewatch.assess.known import Known
from bladewatch.assess.moment import Moment
from bladewatch.config.tables import BladeType
from bladewatch.format import some_text
from bladewatch.ledger.fleet import Plate, Trip
from bladewatch.money import ZERO
from bladewatch.spending.documents import FREIGHT, NEW, Line
from bladewatch.spending.month import Books, books_of
from bladewatch.spending.periods import Period, before, month_holding, period_of
from collectors.instants import DAY_US
from models.forecast import Quantity, quantity

DRAWS: Final = 400
SEED: Final = 20_310_507
YEAR_US: Final = 365 * DAY_US
LEAST_DAYS: Final = 28
"""Over fewer days trips tell no pace."""
USUAL_INVOICE_DAYS: Final = 7.0
"""From a plate's return to its invoice, where none has come yet (common practice, no source)."""
EVEN: Final = 4.0
"""The shape of the times between changes: a spread of half their mean (common practice, no source)."""
SPREAD: Final = 3.29
"""A central band of 90 % is so many standard deviations wide."""


class Expected(NamedTuple):
    """What a span should cost: money, plates ground, plates bought."""

    label: str
    from_us: int
    to_us: int
    spend: Quantity
    grinds: Quantity
    plates: Quantity


@dataclass(frozen=True, slots=True)
class Ahead:
    """The next month and the next three, or why nothing can be told; the pace rests on so many ``jobs``.

    ``left_out`` says of each blade type that is in no figure why.
    """

    at_us: int
    spans: tuple[Expected, ...]
    jobs: int
    lack: str | None
    left_out: tuple[str, ...]


class _Lags(NamedTuple):
    """Days that plates waited for the grinder, were away, and came back before their invoice; one or more each."""

    waits: list[float]
    aways: list[float]
    bills: list[float]


@dataclass(slots=True)
class _Kind:
    """A blade type: how its blades end, what that costs, how late it is invoiced.

    ``replaced`` are plates that went at the end of their regrinds, and those that go on; ``coming`` are plates on their
    way to an invoice: how far they are (a place in ``lags``), and since how many days. ``bought`` are the prices of
    plates by the document that they came with, over ``bought_days``.
    """

    blade: BladeType
    jobs: int
    days: float
    firsts: list[tuple[float, float]]
    spindles: int
    lags: _Lags
    costs: list[float]
    left: list[int]
    replaced: tuple[int, int]
    bought: list[list[float]]
    bought_days: float
    coming: list[tuple[int, float]]


def ahead_of(moment: Moment) -> Ahead:
    """The months that follow the moment's."""
    known = moment.known()
    year, number = month_holding(known.config, known.now_us)
    months = [period_of(known.config, *before(year, number, -step)) for step in (1, 2, 3)]
    first, last = months[0], months[-1]
    spans = [first, Period(f"{first.label} to {last.label}", first.first, last.last, first.from_us, last.to_us)]
    books = books_of(moment, ())
    kinds, left_out = _kinds(moment, known, books)
    jobs = sum(kind.jobs for kind in kinds)
    if not kinds:
        lack = "; ".join(left_out) or "no plate of a configured blade type is on record"
        return Ahead(known.now_us, (), jobs, lack, ())
    freight = _freight(books.documents.lines, known.now_us)
    generator = np.random.default_rng(SEED)
    drawn = [_drawn(kinds, known.now_us, spans, freight, generator) for _ in range(DRAWS)]
    found = []
    for place, span in enumerate(spans):
        columns = zip(*(one[place] for one in drawn), strict=True)
        found.append(Expected(span.label, span.from_us, span.to_us, *(quantity(list(column)) for column in columns)))
    return Ahead(known.now_us, tuple(found), jobs, None, tuple(left_out))


def _kinds(moment: Moment, known: Known, books: Books) -> tuple[list[_Kind], list[str]]:
    """The blade types of which something can be told, and why it cannot of the others."""
    running: dict[str, list[Assessment]] = {}
    for spot in known.spots:
        told = moment.assess(spot)
        if told.blade_type is not None:
            running.setdefault(told.blade_type, []).append(told)
    found: list[_Kind] = []
    left_out: list[str] = []
    for name in known.config.blade_types:
        blade = known.config.blade_types.ever(name, known.now_us)
        plates = [plate for plate in known.fleet.plates.values() if plate.blade_type == name and plate.owned]
        if blade is None or not plates:
            continue
        trips = [job.sent_us for job in books.jobs.every() if job.blade_type == name and job.work != "check"]
        days = min((known.now_us - min(trips, default=known.now_us)) / DAY_US, RATE_DAYS)
        sent = sum(known.now_us - sent_us < RATE_DAYS * DAY_US for sent_us in trips)
        costs = _costs(books.documents.lines, name, known.now_us)
        if not costs and blade.grind_price is not None:
            costs = [float(blade.grind_price)]
        if sent < LEAST_CHANGES or days < LEAST_DAYS:
            text = f"{some_text(sent, 'plate')} went to the grinder in {some_text(int(days), 'day')}"
            left_out.append(f"{name}: {text}; {LEAST_CHANGES} in {LEAST_DAYS} tell a pace")
            continue
        if not costs:
            left_out.append(f"{name}: no invoice and no grind_price tells what a grind costs")
            continue
        turnround, _ = turnround_of(known, name, blade)
        found.append(
            _Kind(
                blade=blade,
                jobs=sent,
                days=days,
                firsts=[_first(told.due, known.now_us) for told in running.get(name, ()) if told.due is not None],
                spindles=max(len(running.get(name, ())), 1),
                lags=_lags(known, books, name, turnround or USUAL_TURNROUND),
                costs=costs,
                left=[_left(plate, blade) for plate in plates],
                replaced=_replaced(known, blade),
                bought=_bought(books.documents.lines, name, known.now_us),
                bought_days=_record_days(books, known.now_us),
                coming=list(_coming(known, books, plates)),
            )
        )
    return found, left_out


def _first(due: TimeQuantity, now_us: int) -> tuple[float, float]:
    """When a running blade ends: the middle [days] and the spread of its log."""
    middle, low, high = (max((us - now_us) / DAY_US, 0.02) for us in (due.estimate_us, due.low_us, due.high_us))
    return middle, max(float(np.log(high / low)) / SPREAD, 0.01)


def _left(plate: Plate, blade: BladeType) -> int:
    """How many regrinds the tips have left; below nought for a plate that goes on beyond them."""
    return 99 if blade.regrinds_expected is None else blade.regrinds_expected - plate.regrinds


def _replaced(known: Known, blade: BladeType) -> tuple[int, int]:
    """How many plates went at the end of their regrinds, and how many go on beyond them."""
    limit = blade.regrinds_expected
    mine = [plate for plate in known.fleet.plates.values() if plate.blade_type == blade.id and limit is not None]
    went = sum(plate.tip_set > 1 or (not plate.owned and plate.regrinds >= (limit or 0)) for plate in mine)
    return went, sum(plate.owned and plate.regrinds > (limit or 0) for plate in mine)


def _bought(lines: Sequence[Line], blade_type: str, now_us: int) -> list[list[float]]:
    """What plates of the type cost in the last year, those of a document together; none where that is seldom."""
    found: dict[str, list[float]] = {}
    for line in lines:
        if line.kind == NEW and line.amount > 0 and line.blade_type == blade_type and line.at_us > now_us - YEAR_US:
            found.setdefault(line.document or str(line.at_us // DAY_US), []).append(float(line.amount))
    return list(found.values()) if len(found) >= LEAST_CHANGES else []


def _record_days(books: Books, now_us: int) -> float:
    """For how long money is on record, a year at most."""
    first_us = min((line.at_us for line in books.documents.lines), default=now_us)
    return min(max((now_us - first_us) / DAY_US, LEAST_DAYS), YEAR_US / DAY_US)


def _costs(lines: Sequence[Line], blade_type: str, now_us: int) -> list[float]:
    """What each grind of the type cost in the last year."""
    of_job: dict[str, float] = {}
    for line in lines:
        if line.job is not None and line.blade_type == blade_type and line.at_us > now_us - YEAR_US:
            of_job[line.job] = of_job.get(line.job, 0.0) + float(line.amount)
    return sorted(cost for cost in of_job.values() if cost > 0)


def _freight(lines: Sequence[Line], now_us: int) -> float:
    """Freight for each grind, over the last year."""
    year = [line for line in lines if line.at_us > now_us - YEAR_US]
    jobs = len({line.job for line in year if line.job is not None})
    return float(sum((line.amount for line in year if line.kind == FREIGHT), ZERO)) / jobs if jobs else 0.0


def _lags(known: Known, books: Books, blade_type: str, turnround: float) -> _Lags:
    """How late plates of a type were in the last year; where none was, what is usual."""
    since_us = known.now_us - YEAR_US
    trips = [trip for trip in known.fleet.trips if trip.blade_type == blade_type and trip.sent_us > since_us]
    paid = {line.job: line.at_us for line in books.documents.lines if line.job is not None and line.amount > 0}
    jobs = [job for job in books.jobs.every() if job.blade_type == blade_type and job.sent_us > since_us]
    bills = [
        max((paid[job.sent_row] - job.back_us) / DAY_US, 0.0)
        for job in jobs
        if job.back_us is not None and job.sent_row in paid
    ]
    return _Lags(
        [days for trip in trips if (days := _waited(known, trip)) is not None] or [0.0],
        [(trip.back_us - trip.sent_us) / DAY_US for trip in trips] or [turnround],
        bills or [USUAL_INVOICE_DAYS],
    )


def _waited(known: Known, trip: Trip) -> float | None:
    """Days from the end of a plate's cycle to its pick-up."""
    cycles = known.fleet.plates[trip.plate].cycles
    ends = [cycle.ended_us for cycle in cycles if cycle.ended_us is not None]
    last = max((end for end in ends if end <= trip.sent_us), default=None)
    return None if last is None else (trip.sent_us - last) / DAY_US


def _coming(known: Known, books: Books, plates: Sequence[Plate]) -> Iterator[tuple[int, float]]:
    """Each plate that is dull, away, or back without an invoice, and since how many days."""
    unpaid = {one.plate: one.at_us for one in books.accruals if one.stands(known.now_us + 1)}
    for plate in plates:
        if plate.id in unpaid:
            yield 2, (known.now_us - unpaid[plate.id]) / DAY_US
        elif plate.state == "out" and plate.work != "check":
            yield 1, (known.now_us - plate.since_us) / DAY_US
        elif plate.state in ("dull", "rejected"):
            yield 0, (known.now_us - plate.since_us) / DAY_US


def _drawn(
    kinds: Sequence[_Kind], now_us: int, spans: Sequence[Period], freight: float, generator: np.random.Generator
) -> list[tuple[float, float, float]]:
    """Spend, grinds and new plates of each span in one course of events."""
    sums = [[0.0, 0.0, 0.0] for _ in spans]

    def book(days: float, money: float, grinds: int, plates: int) -> None:
        at_us = now_us + days * DAY_US
        for span, total in zip(spans, sums, strict=True):
            if span.from_us <= at_us < span.to_us:
                total[0] += money
                total[1] += grinds
                total[2] += plates

    horizon = (spans[-1].to_us - now_us) / DAY_US
    for kind in kinds:
        for step, since in kind.coming:
            book(_late(kind.lags, step, since, generator), float(generator.choice(kind.costs)) + freight, 1, 0)
        went, goes_on = kind.replaced
        replaced = generator.beta(went + 1, goes_on + 1)
        pace = generator.gamma(kind.jobs + 0.5, 1 / kind.days) / kind.spindles
        ends = [
            min(middle * float(np.exp(spread * generator.standard_normal())), _life(pace, generator))
            for middle, spread in kind.firsts
        ]
        ends += [float(generator.exponential(1 / pace)) for _ in range(kind.spindles - len(kind.firsts))]
        left = list(kind.left)
        if kind.bought:
            often = generator.gamma(len(kind.bought) + 0.5, 1 / kind.bought_days)
            days = float(generator.exponential(1 / often))
            while days < horizon:
                for price in kind.bought[int(generator.integers(len(kind.bought)))]:
                    book(days, price, 0, 1)
                days += float(generator.exponential(1 / often))
        for first in ends:
            days = first
            while days < horizon:
                plate = int(generator.integers(len(left))) if left else -1
                goes = plate >= 0 and left[plate] == 0 and generator.random() < replaced
                if goes and kind.blade.price is not None:
                    if not kind.bought:
                        book(days, float(kind.blade.price), 0, 1)
                    left[plate] = kind.blade.regrinds_expected or 0
                else:
                    late = _late(kind.lags, 0, 0.0, generator)
                    book(days + late, float(generator.choice(kind.costs)) + freight, 1, 0)
                    if plate >= 0:
                        left[plate] -= 1
                days += _life(pace, generator)
    return [(money, grinds, plates) for money, grinds, plates in sums]


def _late(lags: _Lags, step: int, since: float, generator: np.random.Generator) -> float:
    """Days until the invoice of a plate that has been at a step for some days."""
    first, *rest = (float(generator.choice(days)) for days in lags[step:])
    return max(first - since, 0.0) + sum(rest)


def _life(pace: float, generator: np.random.Generator) -> float:
    """How long a fresh blade runs [days]: more evenly than by chance."""
    return float(generator.gamma(EVEN, 1 / (EVEN * pace)))
