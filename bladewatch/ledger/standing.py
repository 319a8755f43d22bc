"""Which rows of the ledger hold: corrections, rows that two witnesses tell, and rows that have no effect.

``standing`` is worked out over groups of rows that can change each other: a row with all that corrects it, and the
mounts or dismounts of one plate. ``ledger.book`` works out again only the groups that a new row touches.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from typing import Final, NamedTuple

import msgspec

from bladewatch.ledger.events import ONLY_MONEY, Event

SAME_EVENT_US: Final = 30 * 60 * 1_000_000
"""A saw's message and a person's row this close together are one event with two witnesses."""
TOLD_TWICE: Final = ("mounted", "dismounted")
"""Events that a saw tells too."""
_ORDER: Final = {
    name: place
    for place, names in enumerate(
        (
            ("dismounted",),
            ("opened", "bought", "received", "found"),
            ("sent",),
            ("returned",),
            ("inspected",),
            ("rejected", "retipped"),
            ("accepted",),
            ("mounted",),
        )
    )
    for name in names
}

_CRACKS_FAIL: Final = re.compile(r"cracks( .*)? fail")
Order = tuple[int, int, int, str]


class Standing(NamedTuple):
    """A row as it takes part in the fold: where it stands, the row, and why it has no effect, if it has none."""

    order: Order
    event: Event
    void: str | None = None


def order_of(event: Event) -> Order:
    """Where a row stands: by instant, and at one instant the dismount first."""
    return event.at_us, _ORDER.get(event.event, len(_ORDER)), event.known_us, event.id


def standing(rows: Iterable[Event], known: Collection[str], may_clear_cracks: Collection[str]) -> list[Standing]:
    """The rows of some groups that hold.

    ``known`` are the ids of all rows, ``may_clear_cracks`` the people whose correction of a crack counts.
    """
    held, voids = in_force(rows, known, may_clear_cracks)
    found = [Standing(order_of(event), event) for event in one_witness_each(held)]
    return [*found, *(Standing(order_of(event), event, why) for event, why in voids)]


def in_force(
    rows: Iterable[Event], known: Collection[str], may_clear_cracks: Collection[str] = ()
) -> tuple[list[Event], list[tuple[Event, str]]]:
    """The rows after corrections, and those that have no effect, with the reason.

    Of several corrections of one row the one entered last holds, and one of a row that does not hold has no effect
    either. A correction that is itself withdrawn has none: what it corrected stands again, unless another one stands.
    """
    rows = list(rows)
    targets = {event.corrects for event in rows if event.corrects is not None}
    plain = [
        event for event in rows if event.corrects is None and event.event != "corrected" and event.id not in targets
    ]
    if len(plain) == len(rows):
        return plain, []
    free = {event.id for event in plain}
    by_known = sorted((event for event in rows if event.id not in free), key=_entered)
    own = {event.id: event for event in by_known}
    correctors: dict[str, list[Event]] = {}
    voids: list[tuple[Event, str]] = []
    left_out: set[str] = set()
    for event in by_known:
        if event.corrects is None:
            if event.event == "corrected":
                voids.append((event, "it withdraws a row and does not say which: 'corrects' is empty"))
            continue
        family = [row for row in (own.get(event.corrects), *_below(event.corrects, correctors)) if row is not None]
        if any(_clears_crack(event, row) for row in family) and event.by not in may_clear_cracks:
            who = f"{event.by} may not" if event.by is not None else "it names nobody in 'by' who may"
            voids.append((event, f"it takes back a crack, and {who}: only a person with a role in [[person]] does"))
            left_out.add(event.id)
            continue
        correctors.setdefault(event.corrects, []).append(event)
        if event.event == "corrected" and event.corrects not in known:
            voids.append((event, f"it corrects {event.corrects}, which no row has as its id"))
    words = _last_words(by_known, correctors)

    def stands(event: Event) -> bool:
        if event.event == "corrected" or event.id in left_out or words.get(event.id) is not None:
            return False
        seen: set[str] = set()
        row: Event | None = event
        while row is not None and row.corrects is not None and row.id not in seen:
            if words.get(row.corrects) is not row:
                return False
            seen.add(row.id)
            row = own.get(row.corrects)
        return True

    return [*plain, *(event for event in by_known if stands(event))], voids


def _last_words(rows: Sequence[Event], correctors: dict[str, list[Event]]) -> dict[str, Event | None]:
    """For each row that is corrected, the correction that holds: entered last, and not withdrawn itself."""
    words: dict[str, Event | None] = {}
    begun: set[str] = set()
    for first in rows:
        waiting = [first.corrects or first.id]
        while waiting:
            row_id = waiting[-1]
            others = correctors.get(row_id, ())
            if row_id not in begun:
                begun.add(row_id)
                waiting.extend(other.id for other in others if other.id not in begun)
                continue
            waiting.pop()
            if row_id not in words:
                words[row_id] = max(
                    (other for other in others if not _withdrawn(words, other)), key=_entered, default=None
                )
    return words


def _withdrawn(words: dict[str, Event | None], event: Event) -> bool:
    word = words.get(event.id)  # a ring of corrections ends here
    return word is not None and word.event == "corrected"


def _below(row_id: str, correctors: dict[str, list[Event]]) -> list[Event]:
    """The corrections of a row, their corrections, and so on."""
    found: dict[str, Event] = {}
    waiting = list(correctors.get(row_id, ()))
    while waiting:
        event = waiting.pop()
        if event.id not in found:
            found[event.id] = event
            waiting.extend(correctors.get(event.id, ()))
    return list(found.values())


def _clears_crack(event: Event, target: Event) -> bool:
    """Whether a correction takes a crack back: by withdrawing the row, or by a row that tells of none."""
    return is_crack(target) and not (is_crack(event) and event.plate == target.plate)


def is_crack(event: Event) -> bool:
    """Whether a row marks its plate as cracked: by its reason, or by what an inspection found."""
    if event.reason != "cracked" and event.findings is None:
        return False
    if event.event == "corrected" or event.event in ONLY_MONEY:
        return False
    return event.reason == "cracked" or any(map(_CRACKS_FAIL.fullmatch, (event.findings or "").split("; ")))


def _entered(event: Event) -> tuple[int, int, str]:
    return event.known_us, event.at_us, event.id


def one_witness_each(events: Sequence[Event]) -> list[Event]:
    """Events with a saw's message joined to the person's row that tells the same event.

    Same plate and event, no other saw or spindle, within half an hour; the nearest pairs are matched first. A row that
    names no plate tells of the one that the message names. The person's row gives time and reason; what it leaves out
    is the message's, and a crack that the saw told stays told.
    """
    messages = {event.id: event for event in events if event.witness == "message"}
    if not messages:
        return list(events)
    others = [event for event in events if event.witness != "message" and event.event not in TOLD_TWICE]
    rows = {event.id: event for event in events if event.witness != "message" and event.event in TOLD_TWICE}
    by_plate: dict[tuple[str, str | None], list[tuple[int, str]]] = {}
    for row in rows.values():
        by_plate.setdefault((row.event, row.plate), []).append((row.at_us, row.id))
    for moments in by_plate.values():
        moments.sort()
    pairs = []
    for message in messages.values():
        for plate in (message.plate, None):
            moments = by_plate.get((message.event, plate), [])
            first = bisect_left(moments, (message.at_us - SAME_EVENT_US, ""))
            last = bisect_right(moments, (message.at_us + SAME_EVENT_US + 1, ""))
            for at_us, row_id in moments[first:last]:
                row = rows[row_id]
                same = row.spot == message.spot if plate is None else row.saw in (None, message.saw)
                if same and row.spindle in (None, message.spindle):
                    pairs.append((abs(at_us - message.at_us), message.id, row_id))
    told: set[str] = set()
    used: set[str] = set()
    for _, message_id, row_id in sorted(pairs):
        if message_id not in told and row_id not in used:
            told.add(message_id)
            used.add(row_id)
            rows[row_id] = _joined(rows[row_id], messages[message_id])
    return [*others, *rows.values(), *(message for message in messages.values() if message.id not in told)]


def _joined(row: Event, message: Event) -> Event:
    told = {
        name: getattr(message, name)
        for name in ("plate", "saw", "spindle", "reason", "counter", "kerf_mm")
        if getattr(row, name) is None
    }
    if is_crack(message) and row.reason not in (None, "cracked"):
        told["findings"] = "; ".join(filter(None, (row.findings, "cracks fail")))
    return msgspec.structs.replace(row, **told)
