"""All questions at a moment, and what an answer writes: ledger rows that another row can take back."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from bladewatch.assess.changes import probable_changes
from bladewatch.assess.doubts import clocks, conflicts, counters, units
from bladewatch.assess.known import Known
from bladewatch.assess.question import Question, denied, from_json, settle
from bladewatch.ledger.events import Event, content_hash
from bladewatch.ledger.fleet import Mount
from bladewatch.stores.protocols import Answer, Spot


def asked(known: Known, answers: Sequence[Answer], all_cycles: bool) -> list[Question]:
    """Every question with its answer; an open change stands for the conflict of records that it explains."""
    changes = probable_changes(known, known.spots, all_cycles, denied(answers))
    standing = [question for question in settle(changes, answers) if question.open]
    found = [*changes, *conflicts(known, standing)]
    for spot in known.spots:
        found.extend((*counters(known, spot), *units(known, spot), *clocks(known, spot)))
    return settle(found, answers)


def asked_changes(known: Known, answers: Sequence[Answer], spot: Spot) -> list[Question]:
    """The changes of what runs on one spindle."""
    changes = probable_changes(known, (spot,), False, denied(answers))
    return [question for question in settle(changes, answers) if question.spot == spot]


def settled_rows(answers: Sequence[Answer]) -> frozenset[str]:
    """The ledger rows in doubt on which somebody has spoken."""
    asked = (from_json(msgspec.json.decode(answer.asked)) for answer in answers if answer.word != "unknown")
    return frozenset(question.rows[0] for question in asked if question.kind == "conflict" and question.rows)


def accepted_counters(answers: Sequence[Answer]) -> dict[Spot, frozenset[int]]:
    """The counter values that were not set by hand, by what people answered last."""
    said: dict[str, tuple[Question, str]] = {}
    for answer in answers:
        question = from_json(msgspec.json.decode(answer.asked))
        if question.kind == "counter":
            said[answer.question] = question, answer.word
    found: dict[Spot, frozenset[int]] = {}
    for question, word in said.values():
        if word == "no":
            found[question.spot] = found.get(question.spot, frozenset()) | {question.to_us}
    return found


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
        rows = _changed(known, question, bare, plate or question.suggests, at_us, reason)
    elif question.kind == "conflict" and word == "yes":
        rows = _row_is_right(known, question, bare)
    elif question.kind == "conflict" and word == "no":
        rows = [_row_is_wrong(known, question, bare, plate, at_us)]
    else:
        rows = []
    return [msgspec.structs.replace(row, id=content_hash(row)) for row in rows]


def _changed(
    known: Known, question: Question, bare: Event, plate: str | None, at_us: int | None, reason: str | None
) -> list[Event]:
    """Off with the plate on record, on with the one that is named."""
    saw, spindle = question.spot
    mounts = known.fleet.mounts.get(question.spot, [])
    if at_us is None:
        ends = [m.to_us for m in mounts if m.to_us is not None and question.from_us <= m.to_us < question.to_us]
        at_us = (max([question.from_us, *ends]) + question.to_us) // 2
    here = msgspec.structs.replace(bare, at_us=at_us, saw=saw, spindle=spindle)
    rows = []
    mount = _on(mounts, at_us)
    if mount is not None:
        rows.append(msgspec.structs.replace(here, event="dismounted", plate=mount.plate, reason=reason or "unknown"))
    if plate is not None:
        rows.append(msgspec.structs.replace(here, event="mounted", plate=plate))
    return rows


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


def _row_is_wrong(known: Known, question: Question, bare: Event, plate: str | None, at_us: int | None) -> Event:
    """A correction of the row in doubt: another number or time, else its withdrawal."""
    row, *others = (known.book.rows[row_id] for row_id in question.rows if row_id in known.book.rows)
    if plate is None and row.event == "dismounted":  # what came off was what is on record
        plate = next((other.plate for other in others if other.event == "mounted"), None)
    if plate is None and at_us is None:
        return msgspec.structs.replace(bare, event="corrected", plate=row.plate, corrects=row.id)
    told = {name: getattr(bare, name) for name in ("known_us", "by", "note")}
    return msgspec.structs.replace(
        row, plate=plate or row.plate, at_us=at_us or row.at_us, corrects=row.id, witness="person", **told
    )
