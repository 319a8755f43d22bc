"""A month's spend to a file: the form follows from its name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.errors import UnreachableError
from bladewatch.spending.account import Entry
from bladewatch.spending.month import Month

SUFFIXES: Final = (".html", ".xlsx", ".csv")


def save_month(config: Config, month: Month, path: Path, at_us: int) -> Iterator[Path]:
    """Write a month; yields the files. Raises ``UnreachableError`` where they cannot be written."""
    try:
        if path.suffix == ".xlsx":
            from bladewatch.papers.sheets import write_workbook

            write_workbook(config, month, path, at_us)
            yield path
        elif path.suffix == ".csv":
            from bladewatch.papers.tables import tables_of, write_csv

            yield from write_csv(config, tables_of(month, config.zone), path)
        else:
            from bladewatch.papers.page import page_of

            path.write_text(page_of(config, month, at_us), encoding="utf-8")
            yield path
    except OSError as error:
        raise UnreachableError(f"{path}: cannot be written: {error}") from error


def save_journal(config: Config, month: Month, entries: Sequence[Entry], path: Path) -> None:
    """Write journal lines as a plain table. Raises ``UnreachableError`` where it cannot be written."""
    from bladewatch.papers.tables import Table, write_csv

    rows = tuple((month.period.last, *entry) for entry in entries)
    table = Table("journal", ("day", *Entry._fields), rows, ("debit", "credit"))
    try:
        list(write_csv(config, [table], path))
    except OSError as error:
        raise UnreachableError(f"{path}: cannot be written: {error}") from error
