"""What the grinder did: one job a plate and trip, its parts, and what these should cost by the configuration."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from bladewatch.config.tables import BladeType, Config
from bladewatch.ledger.events import Event
from bladewatch.money import ZERO, rounded, shared
from bladewatch.spending.periods import booked_us

GRIND: Final = "grind"
TIPS: Final = "tips"
RETIP: Final = "retip"
OTHER: Final = "other"
COMES_BACK: Final = ("returned", "accepted", "rejected")


@dataclass(slots=True)
class Job:
    """A plate at the grinder: from when, since when it is back, what was asked and what was done."""

    plate: str
    blade_type: str | None
    batch: str | None
    supplier: str | None
    sent_us: int
    sent_row: str
    work: str | None = None
    back_us: int | None = None
    back_row: str | None = None
    tips: int = 0
    retipped: bool = False

    @property
    def is_retip(self) -> bool:
        """Whether the plate got a new set of tips."""
        return self.retipped or self.work == "retip"


class Jobs:
    """All jobs, by plate and by batch, each list in order of time."""

    def __init__(self, config: Config, rows: Iterable[Event], types: Mapping[str, str | None]) -> None:
        self._config = config
        self.by_plate: dict[str, list[Job]] = {}
        self.by_batch: dict[str, list[Job]] = {}
        for row in rows:
            if row.plate is not None:
                self._take(row, row.plate, types.get(row.plate))

    def _take(self, row: Event, plate: str, blade_type: str | None) -> None:
        jobs = self.by_plate.setdefault(plate, [])
        last = jobs[-1] if jobs else None
        if row.event == "sent":
            at_us = booked_us(self._config, row.at_us)
            jobs.append(Job(plate, blade_type, row.batch, row.supplier, at_us, row.id, row.work))
            if row.batch is not None:
                self.by_batch.setdefault(row.batch, []).append(jobs[-1])
        elif last is not None:
            if row.event in COMES_BACK and last.back_us is None:
                last.back_us, last.back_row = booked_us(self._config, row.at_us), row.id
            if row.event == "retipped":
                last.retipped = True
            if row.tips_replaced is not None and row.event != "invoiced":
                last.tips = max(last.tips, row.tips_replaced)

    def every(self) -> Iterable[Job]:
        """All jobs, plate by plate."""
        return (job for jobs in self.by_plate.values() for job in jobs)

    def of(self, plate: str, batch: str | None, at_us: int) -> Job | None:
        """The job that a plate had last at an instant, or that of a batch."""
        jobs = self.by_plate.get(plate, ())
        mine = next((job for job in reversed(jobs) if job.batch == batch), None) if batch is not None else None
        return mine or next((job for job in reversed(jobs) if job.sent_us <= at_us), None)

    def billed(self, plate: str, batch: str | None, at_us: int, paid: Collection[str]) -> Job | None:
        """The job that a document about a plate pays: that of its batch; else the first that was back and not paid."""
        if batch is not None and any(job.batch == batch for job in self.by_plate.get(plate, ())):
            return self.of(plate, batch, at_us)
        for job in self.by_plate.get(plate, ()):
            if job.sent_row not in paid and job.back_us is not None and job.back_us <= at_us:
                return job
        return self.of(plate, None, at_us)


def expected(config: Config, job: Job, tips: int | None = None) -> dict[str, Decimal | None]:
    """What the parts of a job should cost by the prices of its day; None where the configuration has no price."""
    at_us = job.back_us if job.back_us is not None else job.sent_us
    blade: BladeType | None = None if job.blade_type is None else config.blade_types.ever(job.blade_type, at_us)
    if job.work == "check":
        return {OTHER: ZERO}
    if job.is_retip:
        return {RETIP: None if blade is None else blade.retip_price}
    found: dict[str, Decimal | None] = {GRIND: None if blade is None else blade.grind_price}
    count = job.tips if tips is None else tips
    if count:
        price = None if blade is None else blade.tip_price
        found[TIPS] = None if price is None else price * count
    return found


def expected_total(config: Config, job: Job) -> Decimal | None:
    """What a job should cost; None where a price is missing."""
    parts = list(expected(config, job).values())
    known = [part for part in parts if part is not None]
    return sum(known, ZERO) if len(known) == len(parts) else None


def split(total: Decimal, parts: Mapping[str, Decimal | None], places: int) -> dict[str, Decimal]:
    """What was paid for a job, by its parts: as their prices stand to each other; without prices it is the first's.

    With one price missing, that part takes what the other's price leaves.

    >>> split(Decimal("70.00"), {"grind": Decimal(48), "tips": Decimal(16)}, 2)
    {'grind': Decimal('52.50'), 'tips': Decimal('17.50')}
    >>> split(Decimal("70.00"), {"grind": None, "tips": Decimal(16)}, 2)
    {'grind': Decimal('54.00'), 'tips': Decimal('16.00')}
    """
    names = list(parts)
    prices = {name: price for name, price in parts.items() if price is not None}
    if len(names) == 1 or not prices:
        return {names[0]: total} | dict.fromkeys(names[1:], ZERO)
    if len(prices) == len(names):
        return dict(zip(names, shared(total, list(prices.values()), places), strict=True))
    rest = next(name for name in names if name not in prices)
    found = {name: rounded(min(price, total), places) for name, price in prices.items()}
    found[rest] = total - sum(found.values(), ZERO)
    return {name: found[name] for name in names}
