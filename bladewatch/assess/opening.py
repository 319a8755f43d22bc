"""The ledger's book at a moment: what was kept of it and the rows that came since, or all rows anew.

What is kept ends a month before the newest row, so that a row which is entered late is put in its place as ever. An
older one has all folded anew, and so has anything else that makes what is kept another's: other names in the
configuration, another version of the rules, rows that are told otherwise.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import resources
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.ledger.book import Book
from bladewatch.stores.protocols import DAMAGED, Books, KeptBook
from collectors.instants import DAY_US

LATE_US: Final = 30 * DAY_US
WORTH_ROWS: Final = 1000
"""As many rows since are folded in a fiftieth of a second."""


def book_at(config: Config, books: Books, now_us: int) -> Book:
    """The book as it was known at an instant."""
    kept = books.kept_book()
    if kept is not None and _serves(kept, config, books, now_us):
        book = _empty(config)
        try:
            book.take_up(kept.content)
        except DAMAGED:
            pass
        else:
            book.add(books.news(kept.at_us, kept.known_us, now_us))
            return book
    book = _empty(config)
    book.add(books.events(now_us, now_us))
    return book


def _empty(config: Config) -> Book:
    return Book(config.saw_of, config.may_clear_cracks())


def keep_book(config: Config, books: Books, book: Book) -> None:
    """Keep what a book of all rows was a month ago, where that saves something; within a transaction."""
    if len(book.line) < WORTH_ROWS:
        return
    known_us = max(row.known_us for row in book.rows.values())
    at_us = min(book.line[-1].event.at_us, known_us) - LATE_US
    kept = books.kept_book()
    if kept is not None and _serves(kept, config, books, known_us):
        since = sum(row.event.at_us > kept.at_us for row in book.line)
        late = sum(row.event.at_us > at_us for row in book.line)
        if since - late < WORTH_ROWS:
            return
    older = _empty(config)
    older.add(books.events(at_us, known_us))
    revision = books.revision(at_us, known_us)
    books.keep_book(KeptBook(_names(config), at_us, known_us, revision, older.packed()))


def _serves(kept: KeptBook, config: Config, books: Books, now_us: int) -> bool:
    """Whether it is what all rows of its instants mean, and a moment knows them all."""
    if max(kept.at_us, kept.known_us) > now_us or kept.names != _names(config):
        return False
    return kept.revision == books.revision(kept.at_us, kept.known_us)


def _names(config: Config) -> str:
    """A hash of what gives rows their meaning beside themselves: names of saws, people with a role, the rules."""
    names = [sorted(config.saws), config.alias_spans(), sorted(config.may_clear_cracks())]
    return hashlib.sha256(json.dumps(names, sort_keys=True).encode() + _rules()).hexdigest()


@cache
def _rules() -> bytes:
    """The code that folds rows, as a hash."""
    digest = hashlib.sha256()
    files = (file for file in resources.files("bladewatch.ledger").iterdir() if file.name.endswith(".py"))
    for file in sorted(files, key=lambda file: file.name):
        digest.update(file.read_bytes())
    return digest.digest()
