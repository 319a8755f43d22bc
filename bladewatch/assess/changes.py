"""Changes of blade that no record accounts for: what the signals and the strokes say, one question a change.

Three things ask. Strokes with no blade on record. A plate recorded elsewhere while its saw cuts on. And the saw's own
traces, of which one alone is not enough: it stood still, its guard was open, its load stepped down on two parts, its
kerf was set anew. Nothing is reassigned: both stories stay until somebody answers.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final, NamedTuple

from bladewatch.assess.known import KERF_STEP_MM, Known, guard_in, idle_scale, traces
from bladewatch.assess.question import Question, at_spot
from bladewatch.format import some_text
from bladewatch.ledger.fleet import Cycle, Mount, Plate
from bladewatch.ledger.fold import TAKES_AWAY
from bladewatch.ledger.standing import SAME_EVENT_US
from bladewatch.stores.protocols import Spot
from bladewatch.units import percent
from collectors.facts import Stroke
from collectors.instants import DAY_US, HOUR_US
from models.steps import PLAIN_DROP, STOP_US, Found, PartStep

LOOK_BACK_US: Final = 60 * DAY_US
"""Traces that nobody asked about for so long are let go; strokes without a blade never are."""
RECORDED_BEFORE_US: Final = HOUR_US
RECORDED_AFTER_US: Final = 4 * HOUR_US
"""A change recorded within these of a trace is that change: the record's time is off, not its story."""
KERF_DAYS_US: Final = 3 * DAY_US
LONGEST_STOP_US: Final = HOUR_US


class Sign(NamedTuple):
    """A sign of a change, and the mount whose record it speaks against; ``record`` where a row gave it away."""

    question: Question
    mount: Mount | None
    record: bool


def probable_changes(
    known: Known, spots: Iterable[Spot], all_cycles: bool, denied: Sequence[Question] = ()
) -> list[Question]:
    """One question for each change that no event accounts for; with ``all_cycles`` also of cycles that have ended.

    ``denied`` are those of which somebody said that there was none.
    """
    found: list[Question] = []
    for spot in spots:
        signs = [*_by_load(known, spot, all_cycles), *_by_kerf(known, spot, all_cycles)]
        signs.extend((*_bare(known, spot, all_cycles), *_elsewhere(known, spot, all_cycles)))
        found.extend(_one_each(signs, denied))
    return found


def _one_each(signs: Sequence[Sign], denied: Sequence[Question]) -> list[Question]:
    """One question a change, with the evidence of all its signs.

    Signs close together are one change. So are a trace and a later row that gives the same mount away: the plate was
    sent, or put on elsewhere, because it had come off at the trace.
    """
    found: list[Sign] = []
    for sign in sorted(signs, key=lambda sign: (sign.record, sign.question.from_us, sign.question.to_us)):
        traces = [
            place
            for place, other in enumerate(found)
            if other.question.near(sign.question)
            or (sign.record and not other.record and sign.mount is not None and sign.mount is other.mount)
        ]
        traces = [p for p in traces if not any(found[p].question.overlaps(other) for other in denied)]
        if not traces:
            found.append(sign)
            continue
        first = found[traces[-1]]
        evidence = tuple(dict.fromkeys((*first.question.evidence, *sign.question.evidence)))
        raised_us = min(first.question.raised_us, sign.question.raised_us)
        rows = tuple(dict.fromkeys((*first.question.rows, *sign.question.rows)))
        suggests = first.question.suggests or sign.question.suggests
        one = replace(first.question, evidence=evidence, raised_us=raised_us, rows=rows, suggests=suggests)
        found[traces[-1]] = first._replace(question=one)
    return [sign.question for sign in found]


# Strokes with no blade on record


def _bare(known: Known, spot: Spot, all_spans: bool) -> Iterator[Sign]:
    mounts = known.fleet.mounts.get(spot, [])
    spans: list[tuple[Mount | None, Mount | None]] = [(None, mounts[0] if mounts else None)]
    spans.extend(pairwise([*mounts, None]) if mounts else ())
    for before, after in spans if all_spans else spans[-1:]:
        if before is not None and before.to_us is None:
            continue
        from_us = before.to_us if before is not None and before.to_us is not None else -(2**62)
        to_us = after.from_us if after is not None else known.now_us
        if to_us <= from_us or (before is not None and after is not None and to_us - from_us < SAME_EVENT_US):
            continue  # minutes written by hand are not exact
        first = known.first_stroke(spot, from_us, to_us if after is not None else known.now_us)
        if first is None:
            continue
        last = known.last_stroke(spot, first.ts_us - 1)
        if before is not None:
            last, first = _stop_near(known, spot, from_us, last, first)
        count = known.strokes(spot, first.ts_us - 1, to_us)
        raised = [first.known_us, first.ts_us]
        raised.extend(known.known_us(mount.off_row) for mount in (before,) if mount is not None)
        text = f"Was a blade put on saw {_name(spot)} by {known.said(first.ts_us)} that nobody wrote down?"
        stories = (
            "a blade was put on, and its row is missing: --plate says which",
            "none was put on, and these are no strokes in metal"
            if before is None
            else f"none was put on: plate {before.plate} stayed on, and the row that took it off is withdrawn",
        )
        evidence = []
        if before is not None and before.to_us is not None:
            row = f" (row {before.off_row})"
            evidence.append(f"plate {before.plate} was taken off at {known.said(before.to_us)}{row}")
        strokes = some_text(count, "stroke")
        evidence.append(f"{strokes} from {known.said(first.ts_us)} on with no blade on record")
        window_us = (first.ts_us if last is None else last.ts_us, first.ts_us)
        evidence.extend(traces(known, spot, *window_us))
        question = _question(spot, None, *window_us, text, stories, evidence, max(raised))
        question = replace(question, anchor="the first blade" if before is None else before.off_row)
        off = None if before is None else known.book.rows.get(before.off_row)
        away = off is not None and off.event in TAKES_AWAY
        rows = (off.id,) if off is not None and away else ()
        last_on = None if before is None else before.plate
        yield Sign(_named_by(known, replace(question, rows=rows), from_us, to_us, last_on), before, record=away)


def _stop_near(
    known: Known, spot: Spot, off_us: int, last: Stroke | None, first: Stroke
) -> tuple[Stroke | None, Stroke]:
    """The two strokes around the longest pause near a dismount: minutes written by hand are not exact."""
    window = known.signals.strokes(spot, off_us - SAME_EVENT_US, off_us + SAME_EVENT_US, known.now_us)
    best = STOP_US
    for earlier, later in pairwise(window):
        if later.ts_us - earlier.ts_us >= best:
            best, last, first = later.ts_us - earlier.ts_us, earlier, later
    return last, first


# A plate recorded elsewhere while its saw cuts on


def _elsewhere(known: Known, spot: Spot, all_mounts: bool) -> Iterator[Sign]:
    mounts = known.fleet.mounts.get(spot, [])
    for mount in mounts if all_mounts else mounts[-1:]:
        end_us = known.now_us if mount.to_us is None else mount.to_us
        other = _next_elsewhere(known.fleet.plates[mount.plate], mount, end_us)
        if other is None:
            continue
        first = known.first_stroke(spot, other.from_us, end_us)
        if first is None:
            continue
        last = known.last_stroke(spot, first.ts_us - 1)
        from_us = max(mount.from_us, first.ts_us if last is None else last.ts_us)
        there = f"saw {_name((other.saw, other.spindle))}"
        text = f"Was another blade put on saw {_name(spot)} by {known.said(first.ts_us)}?"
        stories = (
            f"plate {mount.plate} went to {there}, and what cuts here since is another one: --plate says which",
            f"plate {mount.plate} is still here, and its row on {there} is wrong",
        )
        evidence = [
            f"plate {mount.plate} is recorded on {there} from {known.said(other.from_us)} (row {other.row})",
            f"{known.strokes(spot, other.from_us, end_us)} strokes here since",
            *traces(known, spot, from_us, first.ts_us),
        ]
        raised_us = max(first.known_us, first.ts_us, known.known_us(other.row))
        question = _question(spot, mount.plate, from_us, first.ts_us, text, stories, evidence, raised_us)
        yield Sign(replace(question, rows=(other.row,)), mount, record=True)


def _next_elsewhere(plate: Plate, mount: Mount, end_us: int) -> Mount | None:
    """The first mount of a plate on another spindle that begins while this one runs."""
    for cycle in plate.cycles[mount.cycle - 1 :]:
        if cycle.opened_us >= end_us:
            break
        for other in cycle.mounts:
            if mount.from_us <= other.from_us < end_us and (other.saw, other.spindle) != (mount.saw, mount.spindle):
                return other
    return None


# The saw's own traces


def _by_load(known: Known, spot: Spot, all_cycles: bool) -> Iterator[Sign]:
    """Where the load stepped down at a stop, on two parts, or on one while the guard was open."""
    seen: set[tuple[str, int]] = set()
    for mount in known.fleet.mounts.get(spot, []):
        cycle = known.fleet.cycle_of(mount)
        running = mount.to_us is None
        if not (running or all_cycles) or (cycle.plate, cycle.number) in seen:
            continue
        seen.add((cycle.plate, cycle.number))
        for step in _steps_of(known, cycle):
            there = _mount_at(cycle, step.to_us)
            if there is None or (there.saw, there.spindle) != spot or _recorded(known, spot, step.from_us, step.to_us):
                continue
            question = _stepped(known, spot, cycle.plate, step)
            if question is not None:
                end_us = known.now_us if there.to_us is None else there.to_us
                yield Sign(_named_by(known, question, step.to_us, end_us, question.plate), there, record=False)


def _steps_of(known: Known, cycle: Cycle) -> list[Found]:
    return known.state_of(cycle).steps.found


def _mount_at(cycle: Cycle, ts_us: int) -> Mount | None:
    for mount in cycle.mounts:
        if mount.from_us < ts_us and (mount.to_us is None or ts_us <= mount.to_us):
            return mount
    return None


def _stepped(known: Known, spot: Spot, plate: str, step: Found) -> Question | None:
    window = _window_of(known, spot, step)
    if window is None:
        return None
    (from_us, to_us), raised_us = window
    scale = idle_scale(known, spot, step)
    if scale is not None and abs(scale - step.drop) < abs(step.drop) / 2:
        return None  # idle power fell by the same share: the power meter, not the blade
    text = _changed(known, spot, from_us, to_us)
    since = known.strokes(spot, from_us, known.now_us)
    stories = (
        f"another blade is on since then, with {since} strokes: --plate says which; plate {plate} came off",
        f"plate {plate} is still on: something else had raised the load before, and was put right",
    )
    evidence = [*traces(known, spot, from_us, to_us), *map(_part_text, step.parts)]
    return _question(spot, plate, from_us, to_us, text, stories, evidence, raised_us)


def _window_of(known: Known, spot: Spot, step: Found) -> tuple[tuple[int, int], int] | None:
    """The stop of the change, and since when it can be told; None where it cannot.

    Of the stops that the load cannot tell apart, the longest one with the guard open. Where the guard was not reported
    open, the load of two parts is needed; where the saw tells of its guard and it stayed shut, a very plain fall too.
    """
    windows = [(step.from_us, step.to_us), *step.stops]
    told = [(window, guard_in(known, spot, *window)) for window in windows]
    opened = [window for window, guard in told if guard]
    raised_us = max(step.at_us, step.known_us)
    if not opened and step.pair_us is not None:  # a message of the guard may be lost: a plain fall asks all the same
        opened = [window for window, guard in told if guard is None or step.drop <= -PLAIN_DROP]
        raised_us = max(step.pair_us, step.pair_known_us)
    if not opened:
        return None
    return max(opened, key=lambda window: min(window[1] - window[0], LONGEST_STOP_US)), raised_us


def _changed(known: Known, spot: Spot, from_us: int, to_us: int) -> str:
    return f"Was the blade of saw {_name(spot)} changed between {known.said(from_us)} and {known.said(to_us)}?"


def _part_text(part: PartStep) -> str:
    return f"load of part {part.part} down by {percent(-part.drop)} and more over {part.cuts} cuts after the stop"


def _by_kerf(known: Known, spot: Spot, far: bool) -> Iterator[Sign]:
    """A kerf set anew while the saw stood still; looked for ``far`` back, or over the last days only."""
    since_us = known.now_us - (LOOK_BACK_US if far else KERF_DAYS_US)
    before: float | None = None
    for reading in known.signals.readings(spot, "kerf_mm_set", "", since_us, known.now_us, known.now_us):
        kerf_mm, before = before, reading.value
        if kerf_mm is None or abs(reading.value - kerf_mm) < KERF_STEP_MM:
            continue
        last = known.last_stroke(spot, reading.ts_us)
        first = known.first_stroke(spot, reading.ts_us, known.now_us)
        mount = known.fleet.on(*spot)
        if last is None or first is None or mount is None or first.ts_us - last.ts_us < STOP_US:
            continue
        if _recorded(known, spot, last.ts_us, first.ts_us):
            continue
        text = _changed(known, spot, last.ts_us, first.ts_us)
        stories = (
            "another blade is on since then: --plate says which",
            "the same blade is on, and its kerf was put right",
        )
        raised_us = max(reading.known_us, first.known_us, first.ts_us)
        evidence = traces(known, spot, last.ts_us, first.ts_us)
        question = _question(spot, mount.plate, last.ts_us, first.ts_us, text, stories, list(evidence), raised_us)
        yield Sign(question, mount, record=False)


def _recorded(known: Known, spot: Spot, from_us: int, to_us: int) -> bool:
    """Whether a change is on record near a stop."""
    first_us, last_us = from_us - RECORDED_BEFORE_US, to_us + RECORDED_AFTER_US
    for mount in known.fleet.mounts.get(spot, []):
        if first_us <= mount.from_us <= last_us or (mount.to_us is not None and first_us <= mount.to_us <= last_us):
            return True
    return False


def _named_by(known: Known, question: Question, from_us: int, to_us: int, last_on: str | None) -> Question:
    """The question with the plate that a later row takes off there, which nobody had written on."""
    for problem in known.fleet.problems:
        row = known.book.rows.get(problem.rows[0]) if problem.asks and problem.rows else None
        if row is None or row.event != "dismounted" or row.plate is None or row.spot != question.spot:
            continue
        if from_us < row.at_us <= to_us and row.plate != last_on:
            told = f"plate {row.plate} was taken off here at {known.said(row.at_us)} (row {row.id}): was it that one?"
            evidence = (*question.evidence, told)
            return replace(question, evidence=evidence, rows=(*question.rows, row.id), suggests=row.plate)
    return question


def _question(
    spot: Spot,
    plate: str | None,
    from_us: int,
    to_us: int,
    text: str,
    stories: tuple[str, str],
    evidence: Iterable[str],
    raised_us: int,
) -> Question:
    return at_spot("probable-change", spot, (from_us, to_us), text, stories, evidence, raised_us, plate)


def _name(spot: Spot) -> str:
    return spot[0] if spot[1] == "1" else f"{spot[0]}/{spot[1]}"
