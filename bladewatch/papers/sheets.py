"""A month's spend as a workbook: a cover with plain values, each beside what the rows add up to, and a sheet a table.

The values on the cover are written as values; the sums beside them are formulas over the sheets of rows, so whoever
changes a row sees a difference. Texts are never formulas, whatever they begin with.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, NamedTuple

from openpyxl import Workbook
from openpyxl.cell import Cell as SheetCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from bladewatch.config.tables import Config
from bladewatch.format import some_text
from bladewatch.money import ZERO, places_of
from bladewatch.papers.tables import DANGEROUS, Cell, Table, tables_of
from bladewatch.screens.figures import FLOW_WORDS
from bladewatch.spending.assets import sign_of
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import Month
from bladewatch.spending.story import KIND_WORDS, story
from collectors.instants import to_datetime

BOLD: Final = Font(bold=True)
LINE: Final = Border(bottom=Side("thin"))
DATES: Final = {"iso": "yyyy-mm-dd", "day-first": "dd.mm.yyyy", "month-first": "mm/dd/yyyy"}
WIDEST: Final = 40


class Figure(NamedTuple):
    """A figure of the cover, and the formula over the rows that should give the same; None where no rows do."""

    name: str
    value: Decimal | int
    formula: str | None = None


def write_workbook(config: Config, month: Month, path: Path, at_us: int) -> None:
    """Write the workbook."""
    book = Workbook()
    book.remove(book.worksheets[0])
    cover = book.create_sheet("month")
    tables = tables_of(month, config.zone)
    money = "#,##0" + ("." + "0" * places_of(month.currency) if places_of(month.currency) else "")
    for table in tables:
        _sheet(book.create_sheet(table.name), table, money, DATES[config.site.dates])
    _cover(cover, config, month, {table.name: table for table in tables}, money, at_us)
    moment = to_datetime(at_us, config.zone).replace(tzinfo=None)
    book.properties.creator, book.properties.created, book.properties.modified = "bladewatch", moment, moment
    book.save(path)


def _sheet(sheet: Worksheet, table: Table, money: str, dates: str) -> None:
    """Rows under their heads, with the sum of each column of money in the line between."""
    _put(sheet, 1, 1, f"{table.name}: {some_text(len(table.rows), 'row')}", BOLD)
    last = max(len(table.rows) + 3, 4)
    for column, head in enumerate(table.head, 1):
        _put(sheet, 3, column, head, BOLD).border = LINE
        if head in table.money:
            letter = get_column_letter(column)
            cell = sheet.cell(2, column, f"=SUM({letter}4:{letter}{last})")
            cell.number_format, cell.font = money, BOLD
    for number, row in enumerate(table.rows, 4):
        for column, value in enumerate(row, 1):
            cell = _put(sheet, number, column, value)
            if isinstance(value, date):
                cell.number_format = dates
            elif table.head[column - 1] in table.money:
                cell.number_format = money
    _widths(sheet, table)
    sheet.freeze_panes = "A4"
    sheet.auto_filter.ref = f"A3:{get_column_letter(len(table.head))}{last}"


def _widths(sheet: Worksheet, table: Table) -> None:
    for column, head in enumerate(table.head, 1):
        longest = max([len(head), *(len(str(row[column - 1] or "")) for row in table.rows[:200])])
        sheet.column_dimensions[get_column_letter(column)].width = min(longest + 2, WIDEST)


def _cover(
    sheet: Worksheet, config: Config, month: Month, tables: dict[str, Table], money: str, at_us: int
) -> None:  # fmt: skip
    _put(sheet, 1, 1, f"{config.site.name}: tooling spend {month.period.label}", Font(bold=True, size=14))
    _put(sheet, 2, 1, f"{month.period.first} to {month.period.last}, {month.currency}, without tax")
    number = 3
    for number, sentence in enumerate(story(config, month, at_us), 3):
        _put(sheet, number, 1, sentence)
    number += 2
    for column, head in enumerate(("", "as reported", "by the rows", "difference"), 1):
        _put(sheet, number, column, head, BOLD).border = LINE
    for figure in figures(month, tables):
        number += 1
        _put(sheet, number, 1, figure.name)
        cell = _put(sheet, number, 2, figure.value)
        cell.number_format = money if isinstance(figure.value, Decimal) else "#,##0"
        if figure.formula is not None:
            for column, formula in ((3, figure.formula), (4, f"=ROUND(B{number}-C{number},4)")):
                told = sheet.cell(number, column, formula)
                told.number_format = cell.number_format
    sheet.column_dimensions["A"].width = WIDEST
    for letter in "BCD":
        sheet.column_dimensions[letter].width = 16
    sheet.page_setup.orientation = "portrait"
    sheet.page_setup.fitToHeight = 1
    sheet.sheet_properties.pageSetUpPr.fitToPage = True  # type: ignore[union-attr]


def figures(month: Month, tables: dict[str, Table]) -> Iterator[Figure]:
    """The figures of the cover in order."""
    documents, plates, work = (_Columns(tables[name]) for name in ("documents", "plates", "work"))
    for kind in KINDS:
        yield Figure(f"spent: {KIND_WORDS[kind]}", month.spend[kind], documents.sum_of("amount", "kind", kind))
    yield Figure("spent in all", month.total, documents.sum("amount"))
    yield Figure("done, not invoiced", month.accrued.closing, _Columns(tables["not-invoiced"]).sum("amount"))
    yield Figure("plates: value at the beginning", month.roll.opening)
    for flow, words in FLOW_WORDS.items():
        yield Figure(f"plates: {words}", sign_of(flow) * month.roll.flows[flow], plates.sum_of("amount", "flow", flow))
    yield Figure("plates: value at the end", month.roll.closing, plates.sum("amount", month.roll.opening))
    yield Figure("plates at the beginning", month.roll.opening_plates)
    yield Figure("plates at the end", month.roll.closing_plates, plates.sum("plates", month.roll.opening_plates))
    yield Figure("cuts", month.work.total.cuts, work.sum("cuts"))
    yield Figure("good pieces", month.work.total.pieces, work.sum("pieces"))
    yield Figure("spend shared out over what was cut", month.total - month.shared.left_over, work.sum("cost"))
    if month.bridge.plan is not None:
        yield Figure("plan", month.bridge.plan)
    for name, amount in month.bridge.parts.items():
        if amount is not None:
            yield Figure(f"beside the plan: {name}", amount)


class _Columns:
    """Formulas over the columns of a table's sheet."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._last = max(len(table.rows) + 3, 4)

    def _range(self, head: str) -> str:
        letter = get_column_letter(self._table.head.index(head) + 1)
        return f"'{self._table.name}'!${letter}$4:${letter}${self._last}"

    def sum(self, head: str, begin: Decimal | int = ZERO) -> str:
        """What a column adds up to, from a beginning."""
        return f"={begin}+SUM({self._range(head)})" if begin else f"=SUM({self._range(head)})"

    def sum_of(self, head: str, by: str, name: str) -> str:
        """The same, of the rows of a name."""
        return f'=SUMIFS({self._range(head)},{self._range(by)},"{name}")'


def _put(sheet: Worksheet, row: int, column: int, value: Cell, font: Font | None = None) -> SheetCell:
    """A value, never a formula."""
    cell: Any = sheet.cell(row, column)
    cell.value = ILLEGAL_CHARACTERS_RE.sub("?", value) if isinstance(value, str) else value
    if isinstance(value, str):
        cell.data_type, cell.quotePrefix = "s", value.startswith(DANGEROUS)
    if font is not None:
        cell.font = font
    found: SheetCell = cell
    return found
