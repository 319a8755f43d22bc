"""Ledger rows to lines of money: what was paid for what, in the site's currency, without tax.

A document counts on the production day of its row; a row dated by the day alone, on that day. Of a ``bought`` row and
an ``invoiced`` one of the same document and plate the invoice counts. A lump for a batch is split over its plates as
their expected prices stand to each other, to the cent by the largest remainder; where a price is missing, evenly. What
no price tells apart is grinding. A credit goes where the lines of its document went, as far as it names their plate.

Amounts are rounded once: when a row's amount becomes the site's currency.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.ledger.events import Event
from bladewatch.money import ZERO, places_of, rounded, shared
from bladewatch.spending.grinding import GRIND, OTHER, RETIP, TIPS, Job, Jobs, expected, expected_total, split
from bladewatch.spending.periods import booked_us

NEW: Final = "new"
FREIGHT: Final = "freight"
KINDS: Final = (NEW, GRIND, TIPS, RETIP, FREIGHT, OTHER)
"""What money goes for: new plates, grinding, tips, new sets of tips, freight, the rest."""
MONEY_EVENTS: Final = ("bought", "invoiced", "credited")


class Line(NamedTuple):
    """A part of a document in the site's currency; a credit is below nought.

    ``row`` is the ledger row, ``job`` the work at the grinder that it pays; currency and rate are as written.
    """

    row: str
    at_us: int
    known_us: int
    kind: str
    amount: Decimal
    plate: str | None = None
    blade_type: str | None = None
    supplier: str | None = None
    document: str | None = None
    batch: str | None = None
    job: str | None = None
    currency: str | None = None
    fx_rate: Decimal | None = None


class Remark(NamedTuple):
    """A row of money that does not fit, and what was done about it."""

    row: str
    at_us: int
    text: str


class Documents(NamedTuple):
    """All lines in order of time, the tax on them by row, and what does not fit."""

    lines: tuple[Line, ...]
    taxes: dict[str, Decimal]
    remarks: tuple[Remark, ...]


def documents_of(config: Config, rows: Sequence[Event], types: dict[str, str | None], jobs: Jobs) -> Documents:
    """The lines of the rows that stand, in order of time. ``types`` are the blade types of plates."""
    return _Reader(config, rows, types, jobs).read()


def rate_of(config: Config, row: Event) -> Decimal | None:
    """The site's currency for one unit of the row's; None where nobody told it."""
    if row.fx_rate is not None:
        return row.fx_rate
    foreign = row.currency is not None and row.currency.upper() != config.site.currency.upper()
    return None if foreign else Decimal(1)


class _Reader:
    """Goes through the rows once."""

    def __init__(self, config: Config, rows: Sequence[Event], types: dict[str, str | None], jobs: Jobs) -> None:
        self._config = config
        self._rows = rows
        self._types = types
        self._jobs = jobs
        self._places = places_of(config.site.currency)
        self._lines: list[Line] = []
        self._of_document: dict[str, list[Line]] = {}
        self._taxes: dict[str, Decimal] = {}
        self._remarks: list[Remark] = []
        self._came = {row.plate for row in rows if row.event in ("bought", "received") and row.plate is not None}
        self._priced = {
            row.plate for row in rows if row.event == "opened" or (row.event == "bought" and row.cost is not None)
        }
        self._paid_new: set[str] = set()
        self._freighted: set[str] = set()
        self._billed: set[str] = set()

    def read(self) -> Documents:
        """All rows but credits first, since a credit can be dated before what it credits."""
        paired: dict[tuple[str | None, str | None], Event] = {
            (row.document, row.plate): row for row in self._rows if row.event == "bought" and row.document is not None
        }
        billed = {(row.document, row.plate) for row in self._rows if row.event == "invoiced" and row.cost is not None}
        of_bought = {document for document, _ in paired}
        credited: list[tuple[Event, Decimal]] = []
        for row in self._rows:
            if row.cost is None and row.freight is None:
                continue
            if row.event not in MONEY_EVENTS:
                if row.event not in ("opened", "month-closed"):
                    self._remark(row, f"money on a {row.event} row is in no sum: an invoiced row counts")
                elif row.cost is not None:
                    self._rate(row)  # a book value that is in no sum is said
                continue
            rate = self._rate(row)
            if rate is None:
                continue
            if row.event == "credited":
                credited.append((row, rate))
                continue
            twin = paired.get((row.document, row.plate))
            if row.event == "bought" and twin is not None and (row.document, row.plate) in billed:
                continue  # one cost: the invoice's
            if row.tax is not None:
                self._taxes[row.id] = rounded(row.tax * rate, self._places)
            if row.event == "invoiced" and twin is None and row.document in of_bought:
                text = f"document {row.document} is also that of bought rows for other plates, or for none: both count"
                self._remark(row, text)
            self._paid(row, rate, twin if row.event == "invoiced" else None)
        for row, rate in credited:
            self._credit(row, rate)
        self._lines.sort(key=lambda line: line.at_us)
        return Documents(tuple(self._lines), self._taxes, tuple(sorted(self._remarks, key=lambda one: one.at_us)))

    def _paid(self, row: Event, rate: Decimal, twin: Event | None) -> None:
        """A bought or invoiced row; of a ``twin`` that it stands for, the first one also carries the freight."""
        freight = row.freight
        if freight is None and twin is not None and twin.id not in self._freighted:
            freight = twin.freight
        if twin is not None:
            self._freighted.add(twin.id)
        if freight:
            self._add(row, FREIGHT, rounded(freight * rate, self._places), row.plate)
        if row.cost is not None:
            amount = rounded(row.cost * rate, self._places)
            self._cost(row, amount, is_new=row.event == "bought" or twin is not None)

    def _rate(self, row: Event) -> Decimal | None:
        """The site's currency for one unit of the row's; None, and a remark, where nobody told it."""
        rate = rate_of(self._config, row)
        if rate is None:
            self._remark(row, f"it is in {row.currency} and has no fx_rate: it is in no sum until one is told")
        return rate

    def _cost(self, row: Event, amount: Decimal, is_new: bool) -> None:
        if is_new or self._is_first_price(row):
            self._paid_new.add(row.plate or "")
            self._add(row, NEW, amount, row.plate)
        elif row.plate is not None:
            self._work(row, amount, row.plate, self._jobs.billed(row.plate, row.batch, row.at_us, self._billed))
        elif row.batch is not None and self._jobs.by_batch.get(row.batch):
            self._lump(row, amount, self._jobs.by_batch[row.batch])
        else:
            self._add(row, GRIND, amount, None)

    def _is_first_price(self, row: Event) -> bool:
        """Whether an invoice is for a plate that came without a price, and never was out."""
        plate = row.plate
        if plate is None or row.batch is not None or plate in self._paid_new or plate in self._priced:
            return False
        return plate in self._came and self._jobs.of(plate, None, row.at_us) is None

    def _lump(self, row: Event, amount: Decimal, jobs: Sequence[Job]) -> None:
        back = [job for job in jobs if job.back_us is not None] or list(jobs)
        prices = [expected_total(self._config, job) for job in back]
        known = [price for price in prices if price is not None]
        weights = known if len(known) == len(prices) else [Decimal(1)] * len(back)
        for job, part in zip(back, shared(amount, weights, self._places), strict=True):
            self._work(row, part, job.plate, job)

    def _work(self, row: Event, amount: Decimal, plate: str, job: Job | None) -> None:
        """What was paid for a plate's grinding, by its parts."""
        if job is None:
            self._add(row, GRIND, amount, plate)
            return
        self._billed.add(job.sent_row)
        tips = row.tips_replaced if row.plate is not None else None
        for kind, part in split(amount, expected(self._config, job, tips), self._places).items():
            if part or kind == GRIND:
                self._add(row, kind, part, plate, job)

    def _credit(self, row: Event, rate: Decimal) -> None:
        if row.tax is not None:
            self._taxes[row.id] = -rounded(abs(row.tax) * rate, self._places)
        for told, kinds in ((row.cost, (NEW, GRIND, TIPS, RETIP, OTHER)), (row.freight, (FREIGHT,))):
            if not told:
                continue
            if told < 0:
                self._remark(row, "a credit is written positive: its amount is taken without the sign")
            amount = rounded(abs(told) * rate, self._places)
            credited = [line for line in self._credited(row) if line.kind in kinds and line.amount > 0]
            if not credited:
                self._add(row, kinds[-1], -amount, row.plate)
                continue
            parts = shared(amount, [line.amount for line in credited], self._places)
            for line, part in zip(credited, parts, strict=True):
                self._lines.append(
                    line._replace(
                        row=row.id,
                        at_us=booked_us(self._config, row.at_us),
                        known_us=row.known_us,
                        amount=-part,
                        supplier=row.supplier or line.supplier,
                        document=row.document,
                        batch=row.batch or line.batch,
                        currency=row.currency,
                        fx_rate=row.fx_rate,
                    )
                )

    def _credited(self, row: Event) -> list[Line]:
        """The lines that a credit speaks of: of its document, else of its batch; of its plate where it names one."""
        found = self._of_document.get(row.document or "", [])
        if not found and row.batch is not None:
            found = [line for line in self._lines if line.batch == row.batch]
        if not found and row.plate is not None:
            last = next((one for one in reversed(self._lines) if one.plate == row.plate and one.amount > 0), None)
            found = [] if last is None else [one for one in self._lines if one.row == last.row]
        mine = [line for line in found if row.plate is None or line.plate == row.plate]
        return mine or found

    def _add(self, row: Event, kind: str, amount: Decimal, plate: str | None, job: Job | None = None) -> None:
        line = Line(
            row=row.id,
            at_us=booked_us(self._config, row.at_us),
            known_us=row.known_us,
            kind=kind,
            amount=amount,
            plate=plate,
            blade_type=self._types.get(plate) if plate is not None else row.blade_type,
            supplier=row.supplier or (job.supplier if job is not None else None),
            document=row.document,
            batch=row.batch or (job.batch if job is not None else None),
            job=job.sent_row if job is not None else None,
            currency=row.currency,
            fx_rate=row.fx_rate,
        )
        self._lines.append(line)
        if row.document is not None:
            self._of_document.setdefault(row.document, []).append(line)

    def _remark(self, row: Event, text: str) -> None:
        self._remarks.append(Remark(row.id, booked_us(self._config, row.at_us), text))


def within(lines: Sequence[Line], from_us: int, to_us: int) -> Iterator[Line]:
    """The lines of a period."""
    return (line for line in lines if from_us <= line.at_us < to_us)


def by_kind(lines: Iterable[Line]) -> dict[str, Decimal]:
    """Sums by kind, each kind there."""
    found = dict.fromkeys(KINDS, ZERO)
    for line in lines:
        found[line.kind] += line.amount
    return found
