"""Other questions than a change of blade: records that contradict each other, counters, units, clocks."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator
from statistics import median
from typing import Final

from bladewatch.assess.changes import LOOK_BACK_US
from bladewatch.assess.known import Known
from bladewatch.assess.question import Question, at_spot
from bladewatch.counter import step
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Cycle, Problem
from bladewatch.pace import FAR, step_at_pace
from bladewatch.stores.protocols import Spot
from collectors.facts import Stroke
from collectors.instants import DAY_US, HOUR_US, SECOND_US
from models.unitstep import power_step

CLOCK_STROKES: Final = 20
CLOCK_OFF_US: Final = 60 * SECOND_US
CLOCK_STEADY_US: Final = 5 * SECOND_US
MOST_NEAR: Final = 4


def conflicts(known: Known, changes: list[Question]) -> Iterator[Question]:
    """Records that contradict each other, each row in doubt once; those that a change explains are left to it."""
    told = {row for change in changes if change.open for row in change.rows}
    seen: set[str] = set()
    for problem in known.fleet.problems:
        row = known.book.rows.get(problem.rows[0]) if problem.asks and problem.rows else None
        if row is None or row.id in seen or row.id in told or _follows(row, changes):
            continue
        seen.add(row.id)
        yield _conflict(known, problem, row)


def _follows(row: Event, changes: list[Question]) -> bool:
    """Whether a row clashes because of a change before it on its saw that is still open: it waits for that answer."""
    return row.event == "dismounted" and any(
        change.open and change.spot == row.spot and change.to_us <= row.at_us for change in changes
    )


def _conflict(known: Known, problem: Problem, row: Event) -> Question:
    others = [other for other in map(known.book.rows.get, problem.rows[1:]) if other is not None]
    there = [other.plate for other in others if other.event == "mounted" and other.plate and other.plate != row.plate]
    near = [plate for plate in near_numbers(row.plate, known.fleet.plates) if _fits(known, plate, row)]
    offered = list(dict.fromkeys([*there, *near]))[:MOST_NEAR]
    hint = f" ({', '.join(offered)}?)" if offered else ""
    right = f"the row is right: {row_text(known, row)}"
    if row.event == "dismounted" and there:
        right += f"; then {row.plate} was on, and the mount of {there[0]} is mended to it"
    elif row.event == "dismounted":
        right += "; then the row that put it on is missing: bladewatch blade mounted, with --at"
    without = "the plate on record is taken" if row.event == "dismounted" and there else "the row is withdrawn"
    stories = (right, f"the row is wrong: --plate gives the right number{hint}; without it {without}")
    evidence = [f"{problem.where}: {problem.message}", *(row_text(known, other) for other in others)]
    return Question(
        kind="conflict",
        saw=row.saw,
        spindle=row.spot[1] if row.saw is not None else None,
        plate=row.plate,
        from_us=min((other.at_us for other in others), default=row.at_us),
        to_us=row.at_us,
        text=f"Is this row right: {row_text(known, row)}?",
        stories=stories,
        evidence=tuple(evidence),
        raised_us=max(event.known_us for event in (row, *others)),
        rows=(row.id, *(other.id for other in others)),
    )


def _fits(known: Known, plate: str, row: Event) -> bool:
    """Whether a plate could be on the saw of a row, by its type."""
    saw = known.config.saws.ever(row.saw, row.at_us) if row.saw is not None else None
    blade_type = known.fleet.plates[plate].blade_type
    return saw is None or not saw.fits or blade_type is None or blade_type in saw.fits


def row_text(known: Known, row: Event) -> str:
    """A ledger row in a few words."""
    told = [row.event, row.plate or "(no plate)"]
    if row.saw is not None:
        told.append(f"on saw {row.saw}" if row.event == "mounted" else f"from saw {row.saw}")
    if row.batch is not None:
        told.append(f"batch {row.batch}")
    by = "" if row.by is None else f" by {row.by}"
    who = "told by the saw" if row.witness == "message" else f"row {row.id}"
    return f"{' '.join(told)} at {known.said(row.at_us)}{by} ({who})"


def near_numbers(number: str | None, plates: Iterable[str]) -> list[str]:
    """Numbers of known plates that a slip of the hand makes of this one: a figure swapped, wrong, lost or doubled.

    >>> near_numbers("A-0471", ["A-0417", "A-0522", "A-0472", "A-471"])
    ['A-0417', 'A-0472', 'A-471']
    """
    if number is None:
        return []
    return sorted(plate for plate in plates if plate != number and _slip(number, plate))[:MOST_NEAR]


def unknown_plate(number: str, plates: Iterable[str]) -> str:
    """That no row knows a plate, with the numbers that may be meant."""
    near = near_numbers(number, plates)
    return f"no row knows plate {number}" + (f"; did you mean {' or '.join(near)}?" if near else "")


def _slip(a: str, b: str) -> bool:
    if len(a) != len(b):
        short, long = sorted((a, b), key=len)
        return len(long) - len(short) == 1 and any(long[:i] + long[i + 1 :] == short for i in range(len(long)))
    other = [place for place, (x, y) in enumerate(zip(a, b, strict=True)) if x != y]
    swapped = len(other) == 2 and a[other[0]] == b[other[1]] and a[other[1]] == b[other[0]]
    return len(other) == 1 or swapped


def counters(known: Known, spot: Spot) -> Iterator[Question]:
    """A counter that went to where no saw can come in the time between."""
    for before, after in _odd_pairs(known, spot):
        if step_at_pace(known.signals, spot, before, after, known.now_us).step.kind != "edited":
            continue
        more = after.stroke - before.stroke
        text = f"The counter of saw {spot[0]} went from {before.stroke} to {after.stroke}: was it set by hand?"
        stories = (
            "it was set by hand, or the controller was changed: one stroke was made, as it is counted now",
            f"{more} strokes were made that no message told" if more > 0 else "it was not set by hand",
        )
        yield at_spot(
            "counter",
            spot,
            (before.ts_us, after.ts_us),
            text,
            stories,
            [f"{before.stroke} at {known.said(before.ts_us)}, {after.stroke} at {known.said(after.ts_us)}"],
            max(before.known_us, after.known_us, after.ts_us),
        )


def _odd_pairs(known: Known, spot: Spot) -> Iterator[tuple[Stroke, Stroke]]:
    """Neighbouring strokes in and around the hours whose counter is not plain, of the last sixty days."""
    first, last = (known.now_us - LOOK_BACK_US) // HOUR_US, known.now_us // HOUR_US
    counters = {row.hour: row for row in known.signals.counter_hours(spot, first, last)}
    odd: set[int] = set()
    before: tuple[int, int] | None = None
    for hour in known.signals.stroke_hours(spot, first, last):
        row = counters.get(hour)
        if row is None or row.known_us > known.now_us:
            odd.add(hour)
            before = None
            continue
        made = None if before is None else step(before[1], row.first_stroke, row.first_us - before[0])
        joined = made is not None and made.kind != "edited" and made.strokes < FAR
        if not (row.plain and joined and row.last_stroke - row.first_stroke < FAR):
            odd.add(hour)
        before = row.last_us, row.last_stroke
    for hour in sorted(odd):
        start_us = hour * HOUR_US - 1
        earlier = next(iter(known.signals.strokes_before(spot, start_us, known.now_us, 1)), None)
        until_us = min(start_us + HOUR_US, known.now_us)
        for stroke in known.signals.strokes(spot, start_us, until_us, known.now_us):
            if earlier is not None:
                yield earlier, stroke
            earlier = stroke


def units(known: Known, spot: Spot) -> Iterator[Question]:
    """A feed that stands in inches of a sudden, or a power in horsepower."""
    for cycle in _cycles_on(known, spot):
        for one in known.state_of(cycle).units.found:
            evidence = f"feed of one part from {one.before:g} to {one.after:g}, a factor of 25.4"
            yield _unit(known, spot, "feed_mm_s", "inches", one.at_us, max(one.at_us, one.known_us), evidence)
    days = _idle_days(known, spot)
    place = power_step([kw for _, kw, _ in days])
    if place is not None:
        day, unit = place
        at_us, kw, known_us = days[day]
        before = median(value for _, value, _ in days[max(day - 5, 0) : day])
        evidence = f"idle power from {before:.3g} to {kw:.3g} from that day on, the factor between kW and {unit}"
        yield _unit(known, spot, "power_kw", unit, at_us, max(at_us, known_us), evidence)


def _cycles_on(known: Known, spot: Spot) -> Iterator[Cycle]:
    """The grind cycles of a spindle over the last sixty days, a cycle of several mounts once."""
    seen: set[tuple[str, int]] = set()
    for mount in known.fleet.mounts.get(spot, []):
        recent = mount.to_us is None or mount.to_us >= known.now_us - LOOK_BACK_US
        if recent and (mount.plate, mount.cycle) not in seen:
            seen.add((mount.plate, mount.cycle))
            yield known.fleet.cycle_of(mount)


def _unit(known: Known, spot: Spot, signal: str, unit: str, at_us: int, raised_us: int, evidence: str) -> Question:
    return at_spot(
        "unit-step",
        spot,
        (at_us, at_us),
        f"Does saw {spot[0]} tell {signal} in another unit ({unit}) since {known.said(at_us)}?",
        (
            "its unit has changed: declare it with units in a [[map]] row, or set the gateway right",
            "it has not: the value itself has changed so",
        ),
        [evidence],
        raised_us,
    )


def _idle_days(known: Known, spot: Spot) -> list[tuple[int, float, int]]:
    """Median idle power of each day of the last sixty that has three hours of it: day's start, kW, newest known."""
    first, last = (known.now_us - LOOK_BACK_US) // HOUR_US, known.now_us // HOUR_US - 1
    days: dict[int, list[tuple[float, int]]] = {}
    for hour in known.signals.idle_hours(spot, "power_kw", first, last, known.now_us):
        if hour.n >= 2:
            days.setdefault(hour.hour // 24, []).append((hour.total / hour.n / 1e6, hour.known_us))
    return [
        (day * DAY_US, median(kw for kw, _ in hours), max(us for _, us in hours))
        for day, hours in sorted(days.items())
        if len(hours) >= 3
    ]


def clocks(known: Known, spot: Spot) -> Iterator[Question]:
    """A clock that goes ahead of receipt, or lags it steadily, by more than a minute: asked once, since its first day.

    It looks back day by day, for sixty days at most, and only while the clock is off.
    """
    off_us = _clock_off_us([*known.signals.strokes_before(spot, known.now_us, known.now_us, CLOCK_STROKES)])
    if off_us is None:
        return
    day_us = known.now_us // DAY_US * DAY_US
    for earlier_us in range(day_us - 1, day_us - LOOK_BACK_US, -DAY_US):
        before = _clock_off_us([*known.signals.strokes_before(spot, earlier_us, known.now_us, CLOCK_STROKES)])
        if before is None or (before > 0) != (off_us > 0):
            break
        day_us = (earlier_us + 1) - DAY_US
    rows = deque(known.signals.strokes_before(spot, day_us - 1, known.now_us, CLOCK_STROKES), CLOCK_STROKES)
    for stroke in known.signals.strokes(spot, day_us - 1, known.now_us, known.now_us):
        rows.append(stroke)
        found = _clock_off_us(rows)
        if found is not None and (found > 0) == (off_us > 0):
            break
    way = "ahead of" if off_us > 0 else "behind"
    seconds = abs(off_us) / SECOND_US
    yield at_spot(
        "clock",
        spot,
        (day_us, day_us),
        f"Is the clock of saw {spot[0]} wrong by {seconds:.0f} s?",
        ("it is wrong: set it right at the source", "it is right: its messages are held up on the way"),
        [f"its last {CLOCK_STROKES} strokes are told {seconds:.0f} s {way} their receipt"],
        max(max(row.known_us, row.ts_us) for row in rows),
    )


def _clock_off_us(rows: Collection[Stroke]) -> float | None:
    """How far a clock is off by its strokes, ahead above zero; None where it is not, or where they are too few."""
    offsets = sorted(row.ts_us - row.known_us for row in rows)
    if len(offsets) < CLOCK_STROKES:
        return None
    middle = float(median(offsets))
    steady = all(abs(offset - middle) <= CLOCK_STEADY_US for offset in offsets[2:-2])
    return middle if middle > CLOCK_OFF_US or (middle < -CLOCK_OFF_US and steady) else None
