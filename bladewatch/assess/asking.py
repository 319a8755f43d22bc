"""All questions at a moment, and what an answer writes: ledger rows that another row can take back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec

from bladewatch.assess.changes import probable_changes
from bladewatch.assess.doubts import clocks, conflicts, counters, units
from bladewatch.assess.known import Known
from bladewatch.assess.question import WORDS, Given, Question, denied, settle
from bladewatch.errors import UsageError
from bladewatch.ledger.book import Book
from bladewatch.ledger.events import Event, identified
from bladewatch.ledger.fleet import Mount
from bladewatch.ledger.standing import SAME_EVENT_US, is_crack
from bladewatch.stores.protocols import Spot
from collectors.fields import DISMOUNT_REASONS
from collectors.instants import SECOND_US

MOST_UNSEEN: Final = 100_000
"""More strokes than this are never taken as made unseen on a word."""


def asked(known: Known, answers: Sequence[Given], all_cycles: bool) -> list[Question]:
    """Every question with its answer; an open change stands for the conflict of records that it explains."""
    changes = probable_changes(known, known.spots, all_cycles, denied(answers))
    standing = [question for question in settle(changes, answers) if question.open]
    found = [*changes, *conflicts(known, standing)]
    for spot in known.spots:
        found.extend((*counters(known, spot), *units(known, spot), *clocks(known, spot)))
    return settle(found, answers)


def asked_changes(known: Known, answers: Sequence[Given], spot: Spot) -> list[Question]:
    """The changes of what runs on one spindle."""
    changes = probable_changes(known, (spot,), False, denied(answers))
    return [question for question in settle(changes, answers) if question.spot == spot]


def settled_rows(answers: Sequence[Given]) -> frozenset[str]:
    """The ledger rows in doubt on which somebody has spoken."""
    spoken = (question for answer, question in answers if answer.word != "unknown")
    return frozenset(question.rows[0] for question in spoken if question.kind == "conflict" and question.rows)


def in_force(book: Book, answers: Sequence[Given]) -> list[Given]:
    """The answers that hold: one whose rows have all been taken back asks again."""
    return [one for one in answers if not one.asked.wrote or any(_holds(book, row_id) for row_id in one.asked.wrote)]


def _holds(book: Book, row_id: str) -> bool:
    """Whether a row has effect: one that withdraws another has, while that one does not stand."""
    row = book.rows.get(row_id)
    if row is not None and row.event == "corrected":
        return not book.stands(row.corrects or "")
    return book.stands(row_id)


def accepted_counters(answers: Sequence[Given]) -> dict[Spot, frozenset[int]]:
    """The counter values that were not set by hand, by what people answered last."""
    said: dict[str, tuple[Question, str]] = {}
    for answer, question in answers:
        if question.kind == "counter":
            said[answer.question] = question, answer.word
    found: dict[Spot, frozenset[int]] = {}
    for question, word in said.values():
        if word == "no":
            found[question.spot] = found.get(question.spot, frozenset()) | {question.to_us}
    return found


def refuse_answer(
    known: Known,
    question: Question,
    word: str,
    plate: str | None,
    at_us: int | None,
    by: str | None,
    reason: str | None,
) -> None:
    """Raise ``UsageError`` on an answer that cannot be what is meant, before anything is written."""
    if word not in WORDS:
        raise UsageError(f"answer: found {word!r}, expected one of {', '.join(WORDS)}")
    if question.settled is not None and question.settled.word != "unknown":
        back = " and ".join(f"bladewatch blade corrected --corrects {row}" for row in question.wrote)
        cure = f"; to answer anew take its rows back first: {back}" if back else ""
        raise UsageError(f"question {question.id} is settled: {question.settled.word}{cure}")
    if reason is not None and reason not in DISMOUNT_REASONS:
        raise UsageError(f"--reason: found {reason!r}, expected one of {', '.join(DISMOUNT_REASONS)}")
    if question.kind == "counter" and word == "no":
        _refuse_jump(known, question)
    if question.kind == "probable-change" and word == "no":
        for row in _takes_off(known, question):
            if is_crack(row) and by not in known.config.may_clear_cracks():
                raise UsageError(
                    f"no would take back row {row.id}, which tells of a crack: only a person with a role does that, "
                    "with --by; or name the plate that is on, with yes --plate NUMBER"
                )
    if question.kind != "probable-change" or word != "yes":
        return
    if at_us is not None and not question.from_us <= at_us <= question.to_us:
        window = f"{known.said(question.from_us)} to {known.said(question.to_us)}"
        raise UsageError(
            f"--at: found {known.said(at_us)}, expected a time in the window {window}; "
            "another change is written with 'bladewatch change --at'"
        )
    if plate is not None and plate == question.plate:
        raise UsageError(f"--plate: {plate} is the one that was on; if it is still on, the answer is no")
    if plate is None and question.plate is None:
        raise UsageError("which blade was put on? yes needs --plate NUMBER; if nobody knows, the answer is unknown")


def _refuse_jump(known: Known, question: Question) -> None:
    rows = [*known.signals.strokes(question.spot, question.from_us - 1, question.to_us, known.now_us)]
    missing = rows[-1].stroke - rows[0].stroke if rows else 0
    if missing > MOST_UNSEEN:
        raise UsageError(
            f"no would count {missing} strokes that nobody saw, more than a saw makes in months; "
            "if the counter was right, the messages between must be imported"
        )


def rows_of_answer(
    known: Known,
    question: Question,
    word: str,
    plate: str | None = None,
    at_us: int | None = None,
    by: str | None = None,
    reason: str | None = None,
) -> list[Event]:
    """The ledger rows that an answer stands for; none where it only settles the question."""
    note = f"answer to question {question.id}"
    bare = Event(id="", at_us=known.now_us, event="", known_us=known.now_us, by=by, note=note)
    if question.kind == "probable-change" and word == "yes":
        rows = _changed(known, question, bare, plate, at_us, reason)
    elif question.kind == "probable-change" and word == "no":
        off = _takes_off(known, question)
        rows = [msgspec.structs.replace(bare, event="corrected", plate=row.plate, corrects=row.id) for row in off]
    elif question.kind == "conflict" and word == "yes":
        rows = _row_is_right(known, question, bare)
    elif question.kind == "conflict" and word == "no":
        rows = _row_is_wrong(known, question, bare, plate, at_us)
    else:
        rows = []
    return identified(rows)


def _changed(
    known: Known, question: Question, bare: Event, plate: str | None, at_us: int | None, reason: str | None
) -> list[Event]:
    """Off with the plate on record, on with the one that is named."""
    saw, spindle = question.spot
    mounts = known.fleet.mounts.get(question.spot, [])
    if at_us is None:
        ends = [m.to_us for m in mounts if m.to_us is not None and question.from_us <= m.to_us < question.to_us]
        at_us = (max([question.from_us, *ends]) + question.to_us) // 2
    at_us = min(at_us, question.to_us - (SECOND_US if question.from_us == question.to_us else 1))
    here = msgspec.structs.replace(bare, at_us=at_us, saw=saw, spindle=spindle)
    rows = []
    mount = _on(mounts, at_us)
    late = None if mount is None or question.anchor is None else known.book.rows.get(mount.off_row)
    if late is not None and late.event == "dismounted":  # written some minutes late: it tells of this change
        told = {name: getattr(bare, name) for name in ("known_us", "by", "note")}
        rows.append(msgspec.structs.replace(late, at_us=at_us, corrects=late.id, witness="person", **told))
    elif mount is not None:
        rows.append(msgspec.structs.replace(here, event="dismounted", plate=mount.plate, reason=reason or "unknown"))
    if plate is not None:
        rows.append(msgspec.structs.replace(here, event="mounted", plate=plate))
    return rows


def _takes_off(known: Known, question: Question) -> list[Event]:
    """The rows that took the last blade off before strokes with none on record: the row, and the saw's own word."""
    row = known.book.rows.get(question.anchor or "")
    if row is None:
        return []
    beside = [
        other
        for other in known.book.rows.values()
        if other.event == row.event == "dismounted"
        and other.id != row.id
        and (other.plate, other.spot) == (row.plate, row.spot)
        and abs(other.at_us - row.at_us) <= SAME_EVENT_US
        and other.witness == "message"
    ]
    return [row, *beside]


def _on(mounts: Sequence[Mount], at_us: int) -> Mount | None:
    for mount in mounts:
        if mount.from_us < at_us and (mount.to_us is None or at_us < mount.to_us):
            return mount
    return None


def _row_is_right(known: Known, question: Question, bare: Event) -> list[Event]:
    """What follows where the row in doubt is true: the mount that it contradicts is mended."""
    row, *others = (known.book.rows[row_id] for row_id in question.rows if row_id in known.book.rows)
    for other in others:
        if other.event != "mounted":
            continue
        if row.event == "dismounted" and row.plate is not None and row.plate != other.plate:
            told = {name: getattr(bare, name) for name in ("known_us", "by", "note")}
            return [msgspec.structs.replace(other, plate=row.plate, corrects=other.id, witness="person", **told)]
        if row.event == "mounted" and row.plate == other.plate and row.spot != other.spot:
            return [
                msgspec.structs.replace(
                    bare,
                    event="dismounted",
                    at_us=row.at_us,
                    plate=row.plate,
                    saw=other.saw,
                    spindle=other.spindle,
                    reason="unknown",
                )
            ]
    return []


def _row_is_wrong(known: Known, question: Question, bare: Event, plate: str | None, at_us: int | None) -> list[Event]:
    """A correction of the row in doubt: another number or time, else its withdrawal.

    A crack is never lost by it: the plate that is meant is marked too, whoever answers.
    """
    row, *others = (known.book.rows[row_id] for row_id in question.rows if row_id in known.book.rows)
    if plate is None and row.event == "dismounted":  # what came off was what is on record
        plate = next((other.plate for other in others if other.event == "mounted"), None)
    if plate is None and at_us is None:
        return [msgspec.structs.replace(bare, event="corrected", plate=row.plate, corrects=row.id)]
    told = {name: getattr(bare, name) for name in ("known_us", "by", "note")}
    right = msgspec.structs.replace(
        row, plate=plate or row.plate, at_us=at_us or row.at_us, corrects=row.id, witness="person", **told
    )
    if not is_crack(row) or right.plate == row.plate:
        return [right]
    return [right, msgspec.structs.replace(bare, event="quarantined", plate=right.plate, reason="cracked")]
