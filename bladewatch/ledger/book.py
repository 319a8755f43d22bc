"""The ledger as it grows: rows in, in any order; the fleet that they lead to, brought up to date row by row.

A new row costs what it touches: the rows that it corrects or that correct it, the other tellings of the same mount, and
the rows that come after it in time, which are applied again. A row of today costs some microseconds, one of last week
as many rows as the shop wrote since.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import Final

import msgspec

from bladewatch.garbage import no_collection
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Fleet
from bladewatch.ledger.fold import Fold
from bladewatch.ledger.keeping import packed, unpacked
from bladewatch.ledger.standing import SAME_EVENT_US, TOLD_TWICE, Standing, standing

UNDO_ROWS: Final = 4000
"""So many of the newest rows can be undone; a row before them has all folded anew."""
Rename = Callable[[str, int], str]
"""From a saw's name at an instant to its id."""


class Book:
    """All rows, and what they mean.

    ``saw_of`` resolves other names of a saw; ``may_clear_cracks`` are the people whose correction of a crack counts.
    """

    def __init__(self, saw_of: Rename | None = None, may_clear_cracks: Collection[str] = ()) -> None:
        self.rows: dict[str, Event] = {}
        self._saw_of = saw_of
        self._may_clear_cracks = frozenset(may_clear_cracks)
        self._correctors: dict[str, set[str]] = {}
        self._tellings: dict[tuple[str, str | None], set[str]] = {}
        self._at_spots: dict[tuple[str, str, str, int], set[str]] = {}
        self._held: dict[str, Standing] = {}
        self._line: list[Standing] = []
        self._marks: list[int] = []
        self._fold = Fold(self.rows)

    @property
    def fleet(self) -> Fleet:
        """The state that the rows lead to."""
        return self._fold.fleet

    @property
    def line(self) -> Sequence[Standing]:
        """The rows as they take part, in order of time."""
        return self._line

    @property
    def held(self) -> list[Event]:
        """The rows that have an effect, in order of time."""
        return [row.event for row in self._line if row.void is None]

    def stands(self, row_id: str) -> bool:
        """Whether a row takes part: nothing has replaced or withdrawn it."""
        return row_id in self._held

    def add(self, events: Iterable[Event]) -> None:
        """Take rows, whatever their order; one of a known id takes its place."""
        new = [self._named(event) for event in events if not self._is_told_by_a_saw(event)]
        touched: set[str] = set()
        for event in new:
            before = self.rows.get(event.id)
            if before is not None:
                touched |= self._reach(before)
                self._forget(before)
        self._note(new)
        if not self._line:  # the first rows of all
            with no_collection():
                self._move([], standing(self.rows.values(), self.rows, self._may_clear_cracks))
            return
        for event in new:
            if event.id not in touched:
                touched |= self._reach(event)
        rows = [self.rows[row_id] for row_id in touched if row_id in self.rows]
        held = {row.event.id: row for row in standing(rows, self.rows, self._may_clear_cracks)}
        again = {event.id for event in new}  # and those that said that they correct an unknown row, which has come now
        again |= {corrector for event in new for corrector in self._correctors.get(event.id, ())}
        gone = [self._held[i] for i in touched if i in self._held and (i in again or self._held[i] != held.get(i))]
        come = [row for i, row in held.items() if i in again or self._held.get(i) != row]
        self._move(gone, come)

    def packed(self) -> bytes:
        """All that the rows mean, as bytes for ``take_up``."""
        return packed(self.rows, self._line, self.fleet)

    def take_up(self, content: bytes) -> None:
        """Go on from what another book with the same names packed; this one has no rows yet.

        Raises ``msgspec.MsgspecError`` on bytes that are none, or of another version.
        """
        with no_collection():
            rows, self._line, fleet = unpacked(content)
            self._note(rows)
            self._held = {row.event.id: row for row in self._line}
            self._fold = Fold(self.rows, fleet)

    def _note(self, events: Sequence[Event]) -> None:
        """Take rows into the tables by which others that they touch are found."""
        for event in events:
            self.rows[event.id] = event
            if event.corrects is not None:
                self._correctors.setdefault(event.corrects, set()).add(event.id)
            if event.event in TOLD_TWICE:
                self._tellings.setdefault((event.event, event.plate), set()).add(event.id)
                if event.plate is None or event.witness == "message":
                    self._at_spots.setdefault(_half_hour(event), set()).add(event.id)

    def _is_told_by_a_saw(self, event: Event) -> bool:
        """Whether a row has the id of a saw's own message, which then stands: whichever of them came first."""
        stands = self.rows.get(event.id)
        return stands is not None and stands.witness == "message" and event.witness != "message"

    def _named(self, event: Event) -> Event:
        if event.saw is None or self._saw_of is None:
            return event
        saw = self._saw_of(event.saw, event.at_us)
        return event if saw == event.saw else msgspec.structs.replace(event, saw=saw)

    def _forget(self, event: Event) -> None:
        self._correctors.get(event.corrects or "", set()).discard(event.id)
        self._tellings.get((event.event, event.plate), set()).discard(event.id)
        self._at_spots.get(_half_hour(event), set()).discard(event.id)

    def _reach(self, event: Event) -> set[str]:
        """The ids of all rows that can change with a row, its own included."""
        found: set[str] = set()
        waiting = [event.id]
        while waiting:
            row_id = waiting.pop()
            row = event if row_id == event.id else self.rows.get(row_id)
            if row_id in found or row is None:
                continue
            found.add(row_id)
            waiting.extend(self._correctors.get(row_id, ()))
            if row.corrects is not None:
                waiting.append(row.corrects)
                waiting.extend(self._correctors.get(row.corrects, ()))
            if row.event in TOLD_TWICE and row.plate is not None:
                waiting.extend(self._tellings.get((row.event, row.plate), ()))
            if row.event in TOLD_TWICE and (row.plate is None or row.witness == "message"):
                waiting.extend(self._beside(row))
        return found

    def _beside(self, row: Event) -> Iterator[str]:
        """Rows near in time on the same spindle that may tell the same: of a message and a row, one names no plate."""
        event, saw, spindle, half_hour = _half_hour(row)
        for place in (half_hour - 1, half_hour, half_hour + 1):
            for row_id in self._at_spots.get((event, saw, spindle, place), ()):
                if row.plate is None or self.rows[row_id].plate is None:
                    yield row_id

    def _move(self, gone: list[Standing], come: list[Standing]) -> None:
        """Take rows out of the line and put others in, then apply again from the first changed place on."""
        if not gone and not come:
            return
        for row in gone:
            self._held.pop(row.event.id, None)
        for row in come:
            self._held[row.event.id] = row
        place = 0
        if self._line:
            first = min(row.order for row in (*gone, *come))
            place = bisect_left(self._line, first, key=lambda row: row.order)
        if place < len(self._line) - len(self._marks) or len(self._marks) > 2 * UNDO_ROWS:
            self._fold, place = Fold(self.rows), 0  # older than can be undone, or too much kept: all anew
            self._marks.clear()
        elif place < len(self._line):
            self._fold.back_to(self._marks[place - len(self._line)])
            del self._marks[place - len(self._line) :]
        out = {row.order for row in gone}
        tail = [row for row in self._line[place:] if row.order not in out]
        tail.extend(come)
        tail.sort(key=lambda row: row.order)
        del self._line[place:]
        self._line.extend(tail)
        old = len(tail) - UNDO_ROWS
        if old > 0:
            self._marks.clear()
        for number, row in enumerate(tail):
            if number >= old:
                self._marks.append(self._fold.mark)
            self._fold.apply(row, for_good=number < old)


def _half_hour(event: Event) -> tuple[str, str, str, int]:
    return (event.event, *event.spot, event.at_us // SAME_EVENT_US)


def fold(
    events: Iterable[Event], aliases: Mapping[str, str] | None = None, may_clear_cracks: Collection[str] = ()
) -> Fleet:
    """The state that ``events`` lead to, whatever their order. ``aliases`` maps other names of a saw to its id."""
    names = aliases or {}
    book = Book(lambda name, _at_us: names.get(name, name), may_clear_cracks)
    book.add(events)
    return book.fleet
