"""A month's spend of an opened shop: as it is known at a moment, and beside an account of finance."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from bladewatch.errors import UsageError
from bladewatch.format import year_text
from bladewatch.garbage import no_collection
from bladewatch.ledger.events import Event
from bladewatch.money import ZERO
from bladewatch.service import Service
from bladewatch.spending.account import Entry, Match, Posted, journal, match, read_account
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import Books, Month, books_of, closing_of, month_of
from bladewatch.spending.periods import Period, before, month_holding, period_of, production_day, read_month

if TYPE_CHECKING:
    from bladewatch.spending.ahead import Ahead
    from bladewatch.spending.quote import Quote


def spend(service: Service, month: str | None = None, at_us: int | None = None) -> Month:
    """The tooling spend of a fiscal month, the running one where none is named. Raises ``UsageError``."""
    config = service.config
    with service.store.snapshot(), no_collection():
        moment = service.moment(at_us)
        wanted = month_holding(config, moment.now_us) if month is None else read_month(month)
        closing = closing_of(moment.known().book.held, config, *wanted)
        then = None if closing is None else service.moment(max(closing.known_us, closing.at_us))
        return month_of(moment, *wanted, then, closing)


def close(service: Service, month: str, by: str | None, actions: Sequence[str]) -> Event:
    """Write that a month is closed, with what is to be done. Raises ``UsageError`` on one that runs, or was closed."""
    config, wanted = service.config, read_month(month)
    period = period_of(config, *wanted)
    if service.clock() < period.to_us:
        end = year_text(period.to_us, service.zone)
        raise UsageError(f"--month {period.label}: it runs until {end}; a month is closed when it is over")
    with service.store.snapshot():
        closing = closing_of(service.moment().known().book.held, config, *wanted)
    if closing is not None:
        when = year_text(closing.at_us, service.zone)
        text = f"--month {period.label}: was closed {when}, row {closing.id}; withdraw that row to close it anew"
        raise UsageError(text)
    note = "; ".join(action.replace(";", ",") for action in actions)
    total = format(spend(service, month).total, "f")
    row = {"event": "month-closed", "document": period.label, "by": by or "", "note": note, "cost": total}
    return service.record(row)


def journal_of(service: Service, month: str | None = None, at_us: int | None = None) -> tuple[Month, list[Entry]]:
    """A month and its journal lines; after a closed month, with what has become known of earlier ones since."""
    config = service.config
    told = spend(service, month, at_us)
    year, number = read_month(told.period.label)
    posted = None
    with service.store.snapshot():
        closing = closing_of(told.books.rows, config, *before(year, number))
        if closing is not None:
            then = books_of(service.moment(max(closing.known_us, closing.at_us)), ())
            posted = Posted(
                {kind: _until(told.books, kind, told.period) - _until(then, kind, told.period) for kind in KINDS},
                _standing(then, told.period),
            )
    return told, journal(config, told, posted)


def _until(books: Books, kind: str, period: Period) -> Decimal:
    """What was spent of a kind before a period."""
    return sum(
        (line.amount for line in books.documents.lines if line.kind == kind and line.at_us < period.from_us), ZERO
    )


def _standing(books: Books, period: Period) -> dict[str, Decimal]:
    """The work that was done and not invoiced when a period began, by kind."""
    found: dict[str, Decimal] = {}
    for one in books.accruals:
        if one.stands(period.from_us):
            found[one.kind] = found.get(one.kind, ZERO) + (one.amount or ZERO)
    return found


def beside_account(service: Service, path: Path, month: str | None = None, at_us: int | None = None) -> Match:
    """A month's documents beside an account of finance. Raises ``UsageError`` on a file that is none."""
    config = service.config
    account = read_account(config, path)
    told = spend(service, month, at_us)
    elsewhere = {}
    for line in told.books.documents.lines:
        if line.document in account and line.document is not None:
            try:
                elsewhere[line.document] = "{:04d}-{:02d}".format(*month_holding(config, line.at_us))
            except UsageError:  # no fiscal year is told for it
                elsewhere[line.document] = str(production_day(config, line.at_us))
    return match(told, elsewhere, account)


def coming(service: Service, at_us: int | None = None) -> Ahead:
    """What the months after a moment's will cost."""
    from bladewatch.spending.ahead import ahead_of

    with service.store.snapshot():
        return ahead_of(service.moment(at_us))


def quoted(service: Service, part: str, cuts: int, at_us: int | None = None) -> list[Quote]:
    """What the blades of an order would cost, by blade type. Raises ``UsageError`` on an unknown part."""
    from bladewatch.spending.quote import quotes

    with service.store.snapshot():
        return quotes(service.moment(at_us), part, cuts)
