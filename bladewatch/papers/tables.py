"""The rows behind a month's spend, as tables: what sheets and plain files have in common."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import date, tzinfo
from decimal import Decimal
from pathlib import Path
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.spending.month import BY, Month
from bladewatch.spending.work import area_m2
from collectors.instants import to_datetime

Cell = str | int | float | Decimal | date | None
DANGEROUS: Final = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so is taken for a formula by spreadsheets."""
DATES: Final = {"iso": "%Y-%m-%d", "day-first": "%d.%m.%Y", "month-first": "%m/%d/%Y"}


class Table(NamedTuple):
    """A table: its name, the heads of its columns, its rows; ``money`` are the columns in the site's currency."""

    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    money: tuple[str, ...]


def tables_of(month: Month, zone: tzinfo) -> list[Table]:
    """All rows of a month: documents, movements of plates, work not invoiced, what was cut and its share."""

    def day(at_us: int) -> date:
        return to_datetime(at_us, zone).date()

    documents = tuple(
        (day(line.at_us), line.document, line.kind, line.plate, line.blade_type, line.supplier, line.batch, line.amount,
         line.currency, line.fx_rate, line.row)
        for line in month.lines
    )  # fmt: skip
    moves = tuple(
        (day(one.at_us), one.plate, one.flow, one.change, one.plates_change, one.text or None, one.row or None)
        for one in month.roll.movements
    )  # fmt: skip
    open_work = tuple(
        (day(one.at_us), one.plate, one.kind, one.batch, one.supplier, one.amount, one.row)
        for one in month.accrued.standing
    )
    work = tuple(
        (row.saw, row.spindle, row.plate, row.cycle, row.blade_type, row.part, row.alloy, row.made.cuts,
         area_m2(row.made), row.made.pieces, cost)
        for row, cost in month.shared.costs
    )  # fmt: skip
    groups = tuple(
        (what, one.name, one.cost, one.cuts, one.area_m2, one.pieces, one.travel_m / 1000, one.per(one.cuts, 1000),
         one.per(one.area_m2), one.per(one.pieces, 1000), one.per_km, one.known, one.feed_known)
        for what in BY
        for one in month.by(what)
    )  # fmt: skip
    return [
        Table(
            "documents",
            (
                "day",
                "document",
                "kind",
                "plate",
                "blade_type",
                "supplier",
                "batch",
                "amount",
                "currency",
                "fx_rate",
                "row",
            ),
            documents,
            ("amount",),
        ),
        Table("plates", ("day", "plate", "flow", "amount", "plates", "text", "row"), moves, ("amount",)),
        Table("not-invoiced", ("day", "plate", "kind", "batch", "supplier", "amount", "row"), open_work, ("amount",)),
        Table(
            "work",
            ("saw", "spindle", "plate", "cycle", "blade_type", "part", "alloy", "cuts", "area_m2", "pieces", "cost"),
            work,
            ("cost",),
        ),
        Table(
            "cost-by",
            (
                "by",
                "name",
                "cost",
                "cuts",
                "area_m2",
                "pieces",
                "tooth_km",
                "per_1000_cuts",
                "per_m2",
                "per_1000_pieces",
                "per_tooth_km",
                "blade_known",
                "feed_known",
            ),
            groups,
            (),
        ),
    ]


def write_csv(config: Config, tables: list[Table], path: Path) -> Iterator[Path]:
    """Write each table beside ``path``, the first under its name; yields the files.

    With a decimal comma columns are parted by semicolons. A text that a spreadsheet would take for a formula begins
    with an apostrophe.
    """
    for place, table in enumerate(tables):
        file = path if place == 0 else path.with_name(f"{path.stem}-{table.name}{path.suffix}")
        with file.open("w", newline="", encoding="utf-8-sig") as stream:
            writer = csv.writer(stream, delimiter=";" if config.site.decimal == "comma" else ",")
            writer.writerow(table.head)
            writer.writerows([plain(config, cell) for cell in row] for row in table.rows)
        yield file


def plain(config: Config, cell: Cell) -> str:
    r"""A cell as text, by the site's decimal sign and dates.

    >>> from bladewatch.config.decode import parse
    >>> text = '[site]\nname = "x"\ndecimal = "comma"\n[[saw]]\nid = "S"\n[[blade_type]]\nid = "T"'
    >>> site = parse(text, Path("x"))
    >>> plain(site, Decimal("-1234.50")), plain(site, "=1+1"), plain(site, date(2031, 5, 3))
    ('-1234,50', "'=1+1", '2031-05-03')
    """
    if cell is None:
        return ""
    if isinstance(cell, date):
        return cell.strftime(DATES[config.site.dates])
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(DANGEROUS) else cell
    text = format(cell, "f") if isinstance(cell, Decimal) else repr(cell)
    return text.replace(".", ",") if config.site.decimal == "comma" else text
