"""Work that was done and not invoiced yet: what it should cost, until its invoice comes.

A plate that is back from the grinder without an invoice for that job, and a new plate that came without a price. The
invoice reverses it, whatever it asks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import NamedTuple

from bladewatch.config.tables import Config
from bladewatch.ledger.events import Event
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import NEW, Line, rate_of
from bladewatch.spending.grinding import Job, Jobs, expected_total
from bladewatch.spending.periods import booked_us

NEVER_US = 2**62
ARRIVES = ("received", "inspected", "accepted", "mounted")
"""Rows by which a plate that was bought has come; one that is only ordered is no work done."""


class Accrual(NamedTuple):
    """One plate's work: done at ``at_us``, invoiced at ``paid_us``; ``amount`` None where no price tells it."""

    plate: str
    kind: str
    batch: str | None
    supplier: str | None
    at_us: int
    paid_us: int
    amount: Decimal | None
    row: str

    def stands(self, us: int) -> bool:
        """Whether it was done and not invoiced just before an instant."""
        return self.at_us < us <= self.paid_us


class Accrued(NamedTuple):
    """A span: what stood at its beginning, came, was reversed by invoices, stands at its end.

    ``net`` is by how much each kind of work stands for more at the end than at the beginning.
    """

    opening: Decimal
    added: Decimal
    reversed: Decimal
    closing: Decimal
    standing: tuple[Accrual, ...]
    net: dict[str, Decimal]


def accruals_of(
    config: Config, rows: Sequence[Event], lines: Sequence[Line], jobs: Jobs, types: Mapping[str, str | None]
) -> list[Accrual]:
    """All of them, in order of time. ``types`` are the blade types of plates."""
    places = places_of(config.site.currency)
    paid: dict[str, int] = {}
    new: dict[str, int] = {}
    for line in reversed(lines):
        if line.amount < 0:
            continue
        if line.job is not None:
            paid[line.job] = line.at_us
        if line.kind == NEW and line.plate is not None:
            new[line.plate] = line.at_us
    found = [_of_job(config, job, paid.get(job.sent_row, NEVER_US), places) for job in jobs.every()]
    bought = {row.plate: row for row in rows if row.event == "bought"}
    seen = {row.plate for row in rows if row.event == "opened"}
    for row in rows:
        if row.event not in ARRIVES or row.plate in seen or row.plate is None:
            continue
        seen.add(row.plate)
        order = bought.get(row.plate)
        if order is None and row.event != "received":
            continue
        told = order if order is not None else row
        paid_us = new.get(row.plate, NEVER_US)
        at_us = booked_us(config, row.at_us)
        found.append(Accrual(row.plate, NEW, None, told.supplier, at_us, paid_us, _price(config, told, types), row.id))
    return sorted((one for one in found if one is not None and one.at_us < one.paid_us), key=_order)


def _price(config: Config, order: Event, types: Mapping[str, str | None]) -> Decimal | None:
    """What a new plate should cost: as ordered, else by its type's price."""
    places = places_of(config.site.currency)
    if order.cost is not None:
        rate = rate_of(config, order)
        return None if rate is None else rounded(order.cost * rate, places)
    name = order.blade_type or types.get(order.plate or "")
    blade = None if name is None else config.blade_types.ever(name, order.at_us)
    return None if blade is None or blade.price is None else rounded(blade.price, places)


def _of_job(config: Config, job: Job, paid_us: int, places: int) -> Accrual | None:
    if job.back_us is None or job.back_row is None or job.work == "check":
        return None
    amount = expected_total(config, job)
    told = None if amount is None else rounded(amount, places)
    kind = "retip" if job.is_retip else "grind"
    return Accrual(job.plate, kind, job.batch, job.supplier, job.back_us, paid_us, told, job.back_row)


def _order(one: Accrual) -> tuple[int, str]:
    return one.at_us, one.plate


def accrued(told: Iterable[Accrual], from_us: int, to_us: int) -> Accrued:
    """A span's accruals; what no price tells counts nought, and is listed."""
    opening = added = gone = ZERO
    standing = []
    net: dict[str, Decimal] = {}
    for one in told:
        amount = one.amount or ZERO
        opening += amount if one.stands(from_us) else ZERO
        net[one.kind] = net.get(one.kind, ZERO) + amount * (one.stands(to_us) - one.stands(from_us))
        if one.stands(to_us):
            standing.append(one)
        if from_us <= one.at_us < to_us:
            added += amount
        if from_us <= one.paid_us < to_us:
            gone += amount
    return Accrued(opening, added, gone, opening + added - gone, tuple(standing), net)
