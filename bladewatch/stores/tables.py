"""The books' tables, written once in SQLAlchemy Core for every engine. Schema version 4.

Instants are microseconds of UTC since 1970. Money and bench numbers are decimal text, summed as Decimal.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Dialect,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

from bladewatch.ledger.events import CONTENT, KINDS

SCHEMA_VERSION: Final = 4
BOOKS_VERSION: Final = 3
"""The version since which the books are as they are: that of a database that holds books alone."""


class DecimalText(TypeDecorator[Decimal]):
    """A Decimal kept as text: what was written is what is read, to the last digit."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """To the database."""
        return None if value is None else format(value, "f")

    def process_result_value(self, value: Any, dialect: Dialect) -> Decimal | None:  # noqa: ARG002
        """From the database."""
        return None if value is None else Decimal(value)


_WHOLE: Final = {"tips_replaced", "tips_chipped", "regrinds", "counter"}
_DECIMAL: Final = {
    "minutes", "wear_um", "stock_removed_um", "kerf_mm", "diameter_mm", "cost", "tax", "freight",
    "fx_rate", "used_share",
}  # fmt: skip


def _ledger_column(name: str) -> Column[Any]:
    if name in _WHOLE:
        return Column(name, BigInteger)
    if name in _DECIMAL:
        return Column(name, DecimalText)
    if name == "planned":
        return Column(name, Boolean)
    return Column(name, Text, nullable=name != "event")


metadata: Final = MetaData()

meta: Final = Table(
    "meta",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("value", Text, nullable=False),
    comment="facts about the file itself: schema_version, site",
)

ledger: Final = Table(
    "ledger",
    metadata,
    Column("id", Text, primary_key=True, comment="given, or a hash of the row's canonical fields"),
    Column("at_us", BigInteger, nullable=False, comment="when it happened"),
    Column("known_us", BigInteger, nullable=False, comment="when it was entered"),
    *(_ledger_column(name) for name in CONTENT if name in KINDS),
    Index("ledger_at", "at_us"),
    Index("ledger_plate", "plate", "at_us"),
    comment="what happened to plates; only grows",
)

blade_note: Final = Table(
    "blade_note",
    metadata,
    Column("saw", String(64), primary_key=True),
    Column("spindle", String(64), primary_key=True),
    Column("ts_us", BigInteger, primary_key=True),
    Column("event", String(16), primary_key=True),
    Column("plate", String(200), primary_key=True),
    Column("known_us", BigInteger, nullable=False),
    Column("reason", Text),
    Column("by", Text),
    Column("counter", BigInteger),
    Column("kerf_mm", DecimalText),
    comment="a saw's own word about a change of blade",
)

person_check: Final = Table(
    "person_check",
    metadata,
    Column("saw", String(64), primary_key=True),
    Column("spindle", String(64), primary_key=True),
    Column("ts_us", BigInteger, primary_key=True),
    Column("what", String(16), primary_key=True),
    Column("side", String(200), primary_key=True),
    Column("known_us", BigInteger, nullable=False),
    Column("value", DecimalText),
    Column("part", Text),
    Column("text", Text),
    Column("by", Text),
    comment="what a person measured or saw",
)

rejection: Final = Table(
    "rejection",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(64), nullable=False, unique=True, comment="hash of source, topic, reason and bytes"),
    Column("received_us", BigInteger, nullable=False, comment="of the newest alike"),
    Column("source", Text, nullable=False, comment="broker, or file:DIGEST:LINE, or store"),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("count", BigInteger, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("payload", LargeBinary, comment="NULL: let go for room, the row and its count stay"),
    Column("replayed_us", BigInteger, comment="when it was cured and taken"),
    Index("rejection_topic", "topic"),
    comment="what was not taken, and why",
)

answer: Final = Table(
    "answer",
    metadata,
    Column("question", String(64), primary_key=True),
    Column("known_us", BigInteger, primary_key=True),
    Column("word", String(16), nullable=False, comment="yes, no or unknown"),
    Column("plate", Text),
    Column("at_us", BigInteger),
    Column("by", Text),
    Column("asked", Text, nullable=False, comment="JSON: the question as it stood when it was answered"),
    comment="what a person answered to a question",
)

alert: Final = Table(
    "alert",
    metadata,
    Column("key", String(200), primary_key=True),
    Column("level", String(16), primary_key=True),
    Column("cause", Text, nullable=False),
    Column("saw", Text),
    Column("plate", Text),
    Column("raised_us", BigInteger, nullable=False),
    Column("known_us", BigInteger, nullable=False),
    Column("text", Text, nullable=False),
    comment="alerts that were shown to people",
)

deed: Final = Table(
    "deed",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_us", BigInteger, nullable=False),
    Column("known_us", BigInteger, nullable=False),
    Column("what", String(32), nullable=False),
    Column("subject", Text, nullable=False),
    Column("by", Text),
    Column("text", Text),
    comment="what people did with alerts and limits",
)

forecast: Final = Table(
    "forecast",
    metadata,
    Column("saw", String(64), primary_key=True),
    Column("spindle", String(64), primary_key=True),
    Column("at_us", BigInteger, primary_key=True),
    Column("known_us", BigInteger, nullable=False),
    Column("assessment", Text, nullable=False, comment="JSON as it was shown"),
    comment="forecasts as issued",
)

checkpoint: Final = Table(
    "checkpoint",
    metadata,
    Column("plate", String(200), primary_key=True),
    Column("cycle", Integer, primary_key=True),
    Column("ts_us", BigInteger, primary_key=True),
    Column("fingerprint", String(64), primary_key=True),
    Column(
        "spots", Text, nullable=False, comment="|saw/spindle| of every mount inside: a late fact on any outdates it"
    ),
    Column("known_us", BigInteger, nullable=False, comment="the newest inside"),
    Column("state", Text, nullable=False, comment="JSON"),
    Index("checkpoint_ts", "ts_us"),
    comment="kept for speed: a grind cycle after one of its strokes",
)

kept_book: Final = Table(
    "kept_book",
    metadata,
    Column("names", String(64), primary_key=True, comment="hash of what else gives rows their meaning"),
    Column("at_us", BigInteger, nullable=False, comment="rows that happened up to then"),
    Column("known_us", BigInteger, nullable=False, comment="and were entered up to then"),
    Column("revision", Text, nullable=False, comment="JSON: counts of these rows"),
    Column("content", LargeBinary, nullable=False),
    comment="kept for speed: what the ledger's rows meant a month ago",
)

fit: Final = Table(
    "fit",
    metadata,
    Column("key", String(64), primary_key=True, comment="hash of what it learnt from"),
    Column("blade_type", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("fit", Text, nullable=False, comment="JSON"),
    comment="kept for speed: fitted wear models",
)
