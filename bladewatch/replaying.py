"""Replay: refused messages, rows and ledger lines are taken again after a cure."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.ledger import rows as ledger_rows
from bladewatch.ledger.events import Event
from bladewatch.pipeline import enter, ingest
from bladewatch.stores.protocols import RejectedRow, Store
from collectors.facts import Batch, Fact, Stroke
from collectors.logfile import decode_cells
from collectors.mapping import Translator
from collectors.payloads import Message

CLOCK_REASONS = ("clock-past", "clock-ahead")


class Replay:
    """What takes rejections of a store again, known from ``now_us`` on."""

    def __init__(self, store: Store, config: Config, translator: Translator, now_us: int) -> None:
        self._store = store
        self._config = config
        self._translator = translator
        self._now_us = now_us

    def take(self, ids: Sequence[int] | None, receipt_time: bool) -> tuple[int, list[tuple[int, str]]]:
        """Take refused messages again after a cure: how many were taken, and why the others were not.

        ``receipt_time`` takes those that were refused for the sender's clock, with their time of receipt and in the
        order of their counters. A report that meets another report of the same fact stays refused: the one known
        earlier stays whole. Raises ``UsageError`` on an id that no rejection has.
        """
        found = self._store.books.rejections(ids)
        for row_id in set(ids or ()) - {row.id for row in found}:
            raise UsageError(f"no open rejection has the id {row_id}; see 'bladewatch rejects'")
        found = [row for row in found if row.payload is not None]
        if receipt_time:
            found = [row for row in found if row.reason.startswith(CLOCK_REASONS)]
            found.sort(key=lambda row: (row.received_us, _counter_in(row), row.id))
        taken, left = 0, []
        last_us = 0
        for row in found:
            facts, events, reasons = self._decode_again(row, receipt_time)
            if receipt_time:
                facts, last_us = _spread(facts, last_us)
            if not reasons and not facts and not events:
                reasons = ["nothing in it could be taken"]
            if not reasons and not self._take_again(row, facts, events):
                reasons = ["conflict: another report of the same fact is known earlier, and stays whole"]
            if reasons:
                left.append((row.id, "; ".join(reasons)))
            else:
                taken += 1
        return taken, left

    def _take_again(self, row: RejectedRow, facts: list[Fact], events: list[Event]) -> bool:
        """Store what a rejection held, known from now on; False, and nothing stored, where it meets another report."""
        batch = Batch()
        batch.add(msgspec.structs.replace(fact, known_us=self._now_us) for fact in facts)
        try:
            with self._store.transaction():
                refused = ingest(batch, self._store, self._config.site.name).rejected
                now = [msgspec.structs.replace(event, known_us=self._now_us) for event in events]
                if refused + enter(now, self._store).rejected:
                    raise _Stays
                self._store.books.mark_replayed(row.id, self._now_us)
        except _Stays:
            return False
        return True

    def _decode_again(self, row: RejectedRow, receipt_time: bool) -> tuple[list[Fact], list[Event], list[str]]:
        payload = row.payload or b""
        if row.topic == ledger_rows.TOPIC:
            try:
                return [], [ledger_rows.read_again(payload, self._config.zone)], []
            except ValueError as error:
                return [], [], [str(error)]
        if row.topic.startswith("csv/"):
            facts, reasons = decode_cells(row.topic.removeprefix("csv/"), payload, self._translator)
            return facts, [], reasons
        message = Message(row.topic, payload, row.received_us or None, f"replay:{row.id}", receipt_time)
        facts, rejected = self._translator.decode(message)
        return facts, [], [item.reason for item in rejected]


class _Stays(Exception):
    """A replayed report meets another one: nothing of it is stored."""


def _counter_in(row: RejectedRow) -> int:
    """The counter a refused stroke carries, for replaying in counter order."""
    try:
        content = msgspec.json.decode(row.payload or b"")
    except msgspec.DecodeError:
        return 0
    counter = content.get("stroke") if isinstance(content, dict) else None
    return int(counter) if isinstance(counter, int | float) else 0


def _spread(facts: list[Fact], last_us: int) -> tuple[list[Fact], int]:
    """Strokes received in one instant lie a microsecond apart, in the order of their counters."""
    found: list[Fact] = []
    for fact in sorted(facts, key=lambda fact: fact.stroke if isinstance(fact, Stroke) else -1):
        if isinstance(fact, Stroke):
            last_us = max(fact.ts_us, last_us + 1)
            found.append(msgspec.structs.replace(fact, ts_us=last_us))
        else:
            found.append(fact)
    return found, last_us
