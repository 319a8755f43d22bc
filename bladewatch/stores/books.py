"""The books over a SQLAlchemy connection: the same code for every engine."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any, Final

import msgspec
from sqlalchemy import (
    Column,
    Connection,
    RowMapping,
    Select,
    Table,
    Text,
    delete,
    func,
    insert,
    select,
    type_coerce,
    update,
)

from bladewatch.ledger.events import CONTENT, Event, canonical_text, from_note
from bladewatch.stores import tables
from bladewatch.stores.protocols import Answer, Checkpoint, Conflict, Issued, KeptBook, Outcome, RejectedRow, Spot
from collectors import facts
from collectors.facts import BladeNote, Check, Rejected

NOUGHT: Final = "\u2400"
"""The picture of the nought character, which some databases take in no text."""


class SqlBooks:
    """``Books`` in SQL."""

    def __init__(self, connection: Connection) -> None:
        self._sql = connection

    @property
    def connection(self) -> Connection:
        """What they are read and written through."""
        return self._sql

    # Ledger

    def append_events(self, events: Sequence[Event]) -> tuple[int, int, list[tuple[Event, Event]]]:
        """Store events: taken, repeated, and conflicts as (kept, gone)."""
        taken = repeated = 0
        conflicts: list[tuple[Event, Event]] = []
        table = tables.ledger
        for event in events:
            row = self._sql.execute(select(table).where(table.c.id == event.id)).mappings().one_or_none()
            if row is None:
                self._sql.execute(insert(table), _event_row(event))
                taken += 1
                continue
            stands = _event_of(row)
            mine, its = canonical_text(event), canonical_text(stands)
            if mine == its:
                repeated += 1
                wins = event.known_us < stands.known_us
            else:
                wins = (event.known_us, mine) < (stands.known_us, its)
                taken += wins
                conflicts.append((event, stands) if wins else (stands, event))
            if wins:
                self._sql.execute(update(table).where(table.c.id == event.id), _event_row(event))
                self._rewritten()
        return taken, repeated, conflicts

    def events(self, until_us: int, known_us: int) -> list[Event]:
        """Ledger rows and saws' blade messages up to the two instants."""
        return self._events(until_us, known_us, None)

    def news(self, at_us: int, known_us: int, now_us: int) -> list[Event]:
        """Ledger rows and saws' blade messages of a moment that those up to two earlier instants lack."""
        return self._events(now_us, now_us, (at_us, known_us))

    def _events(self, until_us: int, known_us: int, past: tuple[int, int] | None) -> list[Event]:
        """Events up to two instants, without those up to two ``past`` ones."""
        table, at = tables.ledger, tables.ledger.c.at_us
        query = _window(table, at, until_us, known_us, past).with_only_columns(*_AS_WRITTEN)
        found = [_event_as_written(row) for row in self._sql.execute(query)]
        table, at = tables.blade_note, tables.blade_note.c.ts_us
        for row in self._sql.execute(_window(table, at, until_us, known_us, past)).mappings():
            values: dict[str, Any] = dict(row)
            kerf = values.pop("kerf_mm")
            found.append(from_note(BladeNote(**values, kerf_mm=None if kerf is None else float(kerf))))
        return found

    def revision(self, until_us: int, known_us: int) -> tuple[int, ...]:
        """Counts and newest instants of what ``events`` reads, and how often a row took another's place."""
        found: list[int] = []
        for table, at in ((tables.ledger, tables.ledger.c.at_us), (tables.blade_note, tables.blade_note.c.ts_us)):
            query = select(func.count(), func.max(table.c.known_us), func.sum(table.c.known_us % (1 << 30))).where(
                at <= until_us, table.c.known_us <= known_us
            )
            count, newest, total = self._sql.execute(query).one()
            found.extend((count, newest or 0, int(total or 0)))
        return (*found, self._rewrites())

    def _rewrites(self) -> int:
        """How often a row or a blade message took the place of another."""
        query = select(tables.meta.c.value).where(tables.meta.c.name == "rewrites")
        return int(self._sql.execute(query).scalar_one_or_none() or 0)

    def _rewritten(self) -> None:
        """Whoever holds on to what the rows meant is to read them anew."""
        count = self._rewrites()
        self._sql.execute(delete(tables.meta).where(tables.meta.c.name == "rewrites"))
        self._sql.execute(insert(tables.meta), {"name": "rewrites", "value": str(count + 1)})

    # What saws and people tell

    def append_notes(self, notes: Sequence[BladeNote]) -> Outcome:
        """Store blade messages."""
        return self._append(tables.blade_note, notes, ("saw", "spindle", "ts_us", "event", "plate"))

    def append_checks(self, checks: Sequence[Check]) -> Outcome:
        """Store what people measured."""
        return self._append(tables.person_check, checks, ("saw", "spindle", "ts_us", "what", "side"))

    def _append(self, table: Table, rows: Sequence[BladeNote] | Sequence[Check], identity: tuple[str, ...]) -> Outcome:
        outcome = Outcome()
        for fact in rows:
            where = [table.c[name] == getattr(fact, name) for name in identity]
            found = self._sql.execute(select(table).where(*where)).mappings().one_or_none()
            if found is None:
                self._sql.execute(insert(table), _plain_row(fact))
                outcome.taken += 1
                outcome.touch((fact.saw, fact.spindle), fact.ts_us)
                continue
            stands = type(fact)(**_floats(found))
            mine, its = facts.canonical_text(fact), facts.canonical_text(stands)
            if mine == its:
                outcome.repeated += 1
                wins = fact.known_us < stands.known_us
            else:
                wins = (fact.known_us, mine) < (stands.known_us, its)
                outcome.taken += wins
                outcome.conflicts.append(Conflict(stands, True) if wins else Conflict(fact, False))
            if wins:
                self._sql.execute(update(table).where(*where), _plain_row(fact))
                outcome.touch((fact.saw, fact.spindle), fact.ts_us)
        return outcome

    def notes(self) -> list[BladeNote]:
        """Every blade message, in order."""
        table = tables.blade_note
        rows = self._sql.execute(select(table).order_by(table.c.ts_us, table.c.saw, table.c.event)).mappings()
        return [BladeNote(**_floats(row)) for row in rows]

    def checks(self) -> list[Check]:
        """Everything that people measured, in order."""
        table = tables.person_check
        rows = self._sql.execute(select(table).order_by(table.c.ts_us, table.c.saw, table.c.what)).mappings()
        return [Check(**_floats(row)) for row in rows]

    def last_report_us(self, spot: Spot, until_us: int, known_us: int) -> int | None:
        """When the spindle last told of a blade or a check."""
        found = []
        for table in (tables.blade_note, tables.person_check):
            query = select(func.max(table.c.ts_us)).where(
                table.c.saw == spot[0],
                table.c.spindle == spot[1],
                table.c.ts_us <= until_us,
                table.c.known_us <= known_us,
            )
            found.append(self._sql.execute(query).scalar())
        return max((ts for ts in found if ts is not None), default=None)

    # Rejections

    def reject(self, rejected: Iterable[Rejected]) -> None:
        """Keep rejections; alike ones from the broker share a row, one from a file stands once."""
        table = tables.rejection
        for item in rejected:
            key = _rejection_key(item)
            if item.source != "broker" and item.reason.startswith("conflict") and self._conflict_stands(item):
                continue
            if item.source == "broker":
                query = (
                    update(table)
                    .where(table.c.key == key)
                    .values(count=table.c.count + 1, received_us=item.received_us, replayed_us=None)
                )
                if self._sql.execute(query).rowcount:
                    continue
            elif self._sql.execute(select(table.c.id).where(table.c.key == key)).first() is not None:
                continue
            row = {
                "key": key,
                "received_us": item.received_us,
                "source": item.source,
                "topic": item.topic.replace("\x00", NOUGHT),
                "reason": item.reason.replace("\x00", NOUGHT),
                "count": 1,
                "size": len(item.payload),
                "payload": item.payload,
            }
            self._sql.execute(insert(table), row)

    def note_file(self, digest: str, name: str) -> None:
        """Remember the name of an imported file, for the list of rejections."""
        table, key = tables.meta, f"file:{digest}"
        if self._sql.execute(update(table).where(table.c.name == key).values(value=name)).rowcount == 0:
            self._sql.execute(insert(table), {"name": key, "value": name})

    def file_names(self) -> dict[str, str]:
        """Names of imported files by the start of a rejection's source."""
        table = tables.meta
        query = select(table.c.name, table.c.value).where(table.c.name.startswith("file:"))
        return {row.name: row.value for row in self._sql.execute(query)}

    def _conflict_stands(self, item: Rejected) -> bool:
        """Whether this losing report is listed already: from this file, or as one that had stood in the store."""
        table = tables.rejection
        same = select(table.c.id, table.c.source).where(
            table.c.topic == item.topic, table.c.payload == item.payload, table.c.reason.startswith("conflict")
        )
        for row_id, source in self._sql.execute(same).all():
            if source == "store" and item.source != "store":
                self._sql.execute(update(table).where(table.c.id == row_id).values(source=item.source))
            if source == "store" or item.source in ("store", source):
                return True
        return False

    def rejections(self, ids: Sequence[int] | None = None, with_replayed: bool = False) -> list[RejectedRow]:
        """Rejections in the order they came."""
        table = tables.rejection
        names = ("id", "received_us", "source", "topic", "reason", "count", "payload", "replayed_us")
        query = select(*(table.c[name] for name in names)).order_by(table.c.id)
        if ids is not None:
            query = query.where(table.c.id.in_(ids))
        if not with_replayed:
            query = query.where(table.c.replayed_us.is_(None))
        return [RejectedRow(*row) for row in self._sql.execute(query)]

    def mark_replayed(self, row_id: int, at_us: int) -> None:
        """A rejection that has been cured and taken."""
        table = tables.rejection
        self._sql.execute(update(table).where(table.c.id == row_id).values(replayed_us=at_us))

    def keep_quota(self, rejections_bytes: int) -> int:
        """Let the bytes of the oldest rejections go; their rows and counts stay."""
        table = tables.rejection
        query = select(table.c.id, table.c.size).where(table.c.payload.is_not(None)).order_by(table.c.id.desc())
        room, dropped = rejections_bytes, 0
        for row_id, size in self._sql.execute(query).all():
            room -= size
            if room < 0:
                self._sql.execute(update(table).where(table.c.id == row_id).values(payload=None))
                dropped += 1
        return dropped

    # Kept for speed

    def checkpoints(self, plate: str, cycle: int, known_us: int, limit: int | None = None) -> list[Checkpoint]:
        """Checkpoints of a cycle usable at ``known_us``, the newest first."""
        table = tables.checkpoint
        query = (
            select(*(table.c[name] for name in Checkpoint._fields))
            .where(table.c.plate == plate, table.c.cycle == cycle)
            .where(table.c.ts_us <= known_us, table.c.known_us <= known_us)
            .order_by(table.c.ts_us.desc())
            .limit(limit)
        )
        return [Checkpoint(*row) for row in self._sql.execute(query)]

    def put_checkpoints(self, rows: Sequence[Checkpoint]) -> None:
        """Keep checkpoints, in place of others of the same moment."""
        table = tables.checkpoint
        for row in rows:
            values = row._asdict()
            same = (table.c.plate == row.plate, table.c.cycle == row.cycle, table.c.ts_us == row.ts_us)
            self._sql.execute(delete(table).where(*same))
            self._sql.execute(insert(table), values)

    def drop_checkpoints(self, spot: Spot | None, from_us: int, plate: str | None = None) -> None:
        """Delete checkpoints of a spindle or plate from an instant on."""
        table = tables.checkpoint
        query = delete(table).where(table.c.ts_us >= from_us)
        if spot is not None:
            query = query.where(table.c.spots.contains(f"|{spot[0]}/{spot[1]}|", autoescape=True))
        if plate is not None:
            query = query.where(table.c.plate == plate)
        self._sql.execute(query)

    def kept_book(self) -> KeptBook | None:
        """What was kept of the ledger's book."""
        row = self._sql.execute(select(tables.kept_book)).one_or_none()
        return None if row is None else KeptBook(row[0], row[1], row[2], tuple(json.loads(row[3])), row[4])

    def keep_book(self, row: KeptBook) -> None:
        """Keep a book instead of what was kept."""
        self._sql.execute(delete(tables.kept_book))
        self._sql.execute(insert(tables.kept_book), row._asdict() | {"revision": json.dumps(row.revision)})

    def fit(self, key: str) -> str | None:
        """A stored fit as JSON."""
        table = tables.fit
        found = self._sql.execute(select(table.c.fit).where(table.c.key == key)).scalar()
        return None if found is None else str(found)

    def put_fit(self, key: str, blade_type: str, fit: str, at_us: int) -> None:
        """Keep a fit, in place of one of the same key."""
        self._sql.execute(delete(tables.fit).where(tables.fit.c.key == key))
        self._sql.execute(insert(tables.fit), {"key": key, "blade_type": blade_type, "made_us": at_us, "fit": fit})

    def clear_derived(self) -> None:
        """Delete checkpoints, fits and what was kept of the ledger's book."""
        self._sql.execute(delete(tables.checkpoint))
        self._sql.execute(delete(tables.kept_book))
        self._sql.execute(delete(tables.fit))

    # What was said

    def issue_forecast(self, row: Issued) -> None:
        """Keep a forecast; of two for one spindle and instant the first stays."""
        table = tables.forecast
        same = (table.c.saw == row.saw, table.c.spindle == row.spindle, table.c.at_us == row.at_us)
        if self._sql.execute(select(table.c.at_us).where(*same)).first() is None:
            self._sql.execute(insert(table), row._asdict())

    def forecasts(
        self, spot: Spot, until_us: int, known_us: int, count: int | None = None, after_us: int = -(2**62)
    ) -> list[Issued]:
        """The forecasts issued for a spindle after an instant, the newest first, at most ``count``."""
        table = tables.forecast
        query = (
            select(*(table.c[name] for name in Issued._fields))
            .where(table.c.saw == spot[0], table.c.spindle == spot[1])
            .where(table.c.at_us > after_us, table.c.at_us <= until_us, table.c.known_us <= known_us)
            .order_by(table.c.at_us.desc())
            .limit(count)
        )
        return [Issued(*row) for row in self._sql.execute(query)]

    def answer(self, row: Answer) -> None:
        """Keep an answer; of two to one question at one instant the later one holds."""
        table = tables.answer
        same = (table.c.question == row.question, table.c.known_us == row.known_us)
        self._sql.execute(delete(table).where(*same))
        self._sql.execute(insert(table), row._asdict())

    def answers(self, known_us: int) -> list[Answer]:
        """The answers known by an instant, in the order they were given."""
        table = tables.answer
        query = select(*(table.c[name] for name in Answer._fields)).where(table.c.known_us <= known_us)
        rows = self._sql.execute(query.order_by(table.c.known_us, table.c.question))
        return [Answer(*row) for row in rows]

    def raise_alert(self, row: dict[str, Any]) -> bool:
        """Keep that an alert was raised; False where the same stands already."""
        table = tables.alert
        same = (table.c.key == row["key"], table.c.level == row["level"])
        if self._sql.execute(select(table.c.key).where(*same)).first() is not None:
            return False
        self._sql.execute(insert(table), row)
        return True

    def raised_alerts(self, since_us: int, known_us: int) -> list[dict[str, Any]]:
        """The alerts raised after one instant and known by another, in order."""
        table = tables.alert
        query = select(table).where(table.c.known_us > since_us, table.c.known_us <= known_us)
        rows = self._sql.execute(query.order_by(table.c.known_us, table.c.key, table.c.level))
        return [dict(row._mapping) for row in rows]


def _rejection_key(item: Rejected) -> str:
    digest = hashlib.sha256()
    for piece in (
        item.source.encode(),
        item.topic.encode("utf-8", "surrogatepass"),
        item.reason.encode(),
        item.payload,
    ):
        digest.update(len(piece).to_bytes(8, "big"))
        digest.update(piece)
    return digest.hexdigest()


def _window(table: Table, at: Column[int], until_us: int, known_us: int, past: tuple[int, int] | None) -> Select[Any]:
    query = select(table).where(at <= until_us, table.c.known_us <= known_us)
    return query if past is None else query.where((at > past[0]) | (table.c.known_us > past[1]))


def _event_row(event: Event) -> dict[str, Any]:
    row = {name: getattr(event, name) for name in CONTENT}
    return {"id": event.id, "at_us": event.at_us, "known_us": event.known_us, **row}


def _event_of(row: Any) -> Event:
    return Event(**row)


_AS_WRITTEN: Final = [
    type_coerce(column, Text).label(column.name) if isinstance(column.type, tables.DecimalText) else column
    for column in tables.ledger.c
]
_NAMES: Final = [column.name for column in tables.ledger.c]
_DECIMALS: Final = [column.name for column in tables.ledger.c if isinstance(column.type, tables.DecimalText)]


def _event_as_written(row: Sequence[Any]) -> Event:
    """A row with its decimals as text; most columns of most rows are empty, and a whole ledger is read at once."""
    values = {name: value for name, value in zip(_NAMES, row, strict=True) if value is not None}
    for name in _DECIMALS:
        if name in values:
            values[name] = Decimal(values[name])
    return Event(**values)


def _floats(row: RowMapping) -> dict[str, Any]:
    return {name: float(value) if isinstance(value, Decimal) else value for name, value in row.items()}


def _plain_row(fact: BladeNote | Check) -> dict[str, Any]:
    row = msgspec.structs.asdict(fact)
    return {name: Decimal(repr(value)) if isinstance(value, float) else value for name, value in row.items()}
