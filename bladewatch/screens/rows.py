"""The rows behind a figure of the month's spend."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.format import date_text, some_text
from bladewatch.money import ZERO, money_text
from bladewatch.screens.words import Line
from bladewatch.spending.assets import FLOWS
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import Month
from collectors.instants import to_datetime

ACCRUED: Final = "accrued"
FIGURES: Final = (*KINDS, ACCRUED, *FLOWS)


class _Row(NamedTuple):
    at_us: int
    what: str
    plate: str
    amount: Decimal
    row: str


def check_figure(figure: str) -> None:
    """Raises ``UsageError`` on a figure that is none."""
    if figure not in FIGURES:
        raise UsageError(f"--rows {figure}: expected one of {', '.join(FIGURES)}")


def render_rows(config: Config, month: Month, figure: str) -> list[Line]:
    """The rows of a figure, with their sum."""
    rows = list(_rows(month, figure))
    lines = [Line(f"{figure} {month.period.label}: {some_text(len(rows), 'row')}, {month.currency}", "bold")]
    for one in rows:
        day = date_text(to_datetime(one.at_us, config.zone).date())
        amount = money_text(one.amount, config.site.decimal)
        lines.append(Line(f"{day:<11}{one.what[:20]:<21}{one.plate[:12]:<13}{amount:>13}  {one.row}".rstrip()))
    total = money_text(sum((one.amount for one in rows), ZERO), config.site.decimal)
    return [*lines, Line(f"{'sum':<45}{total:>13}", "bold")]


def _rows(month: Month, figure: str) -> Iterator[_Row]:
    for line in month.lines:
        if line.kind == figure:
            yield _Row(line.at_us, line.document or "no document", line.plate or "", line.amount, line.row)
    for one in month.accrued.standing if figure == ACCRUED else ():
        yield _Row(one.at_us, one.batch or one.kind, one.plate, one.amount or ZERO, one.row)
    for move in month.roll.movements:
        if move.flow == figure:
            yield _Row(move.at_us, move.text, move.plate or "", move.change, move.row)
