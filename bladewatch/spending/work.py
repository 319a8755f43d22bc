"""What was cut in a month: by saw, blade, part and metal, with how much of it was seen.

Whole hours come from the roll-ups; hours in which a blade came on or off, or the month begins or ends, from their rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from bladewatch.assess.known import Known
from bladewatch.assess.recent import NOTHING, HourOfWork, Made, work_between
from bladewatch.ledger.fleet import Mount
from bladewatch.stores.protocols import Spot
from bladewatch.strokes import UNKNOWN
from bladewatch.units import m2_of


class Worked(NamedTuple):
    """Cuts on one spindle with one blade on, of one part and alloy; ``plate`` is None where no blade is on record."""

    saw: str
    spindle: str
    plate: str | None
    cycle: int | None
    blade_type: str | None
    part: str | None
    alloy: str
    made: Made


@dataclass(frozen=True, slots=True)
class Work:
    """All that was cut; ``strokes`` are counted, ``seen`` told by a message, ``bare`` made with no blade on record."""

    worked: tuple[Worked, ...]
    strokes: int
    seen: int
    bare: int

    @property
    def total(self) -> Made:
        """Everything together."""
        return total_of(self.worked)

    @property
    def strokes_known(self) -> float | None:
        """How many of the strokes were seen [share]; None without any."""
        return self.seen / self.strokes if self.strokes else None

    @property
    def blade_known(self) -> float | None:
        """On how many of the strokes a blade was on record [share]."""
        return 1 - self.bare / self.strokes if self.strokes else None

    @property
    def alloy_known(self) -> float | None:
        """Of how much of the area the alloy is known [share]; by cuts where no area is."""
        return known_share(self.worked, lambda row: row.alloy != UNKNOWN)

    def by(self, key: Callable[[Worked], str | None]) -> dict[str | None, list[Worked]]:
        """The rows in groups, those without a name last."""
        found: dict[str | None, list[Worked]] = {}
        for row in self.worked:
            found.setdefault(key(row), []).append(row)
        return dict(sorted(found.items(), key=lambda pair: (pair[0] is None, pair[0] or "")))


def total_of(rows: Sequence[Worked]) -> Made:
    """Some rows together."""
    total = NOTHING
    for row in rows:
        total = total.plus(row.made)
    return total


def known_share(rows: Sequence[Worked], known: Callable[[Worked], bool]) -> float | None:
    """The share of the area of some rows, of their cuts where no area is; None without any cut."""
    whole, part = total_of(rows), total_of([row for row in rows if known(row)])
    if whole.area_cmm2:
        return part.area_cmm2 / whole.area_cmm2
    return part.cuts / whole.cuts if whole.cuts else None


def work_of(known: Known, from_us: int, to_us: int) -> Work:
    """What was cut with ``from_us`` ≤ ts < ``to_us``, up to the moment."""
    until_us = min(to_us - 1, known.now_us)
    found: list[Worked] = []
    strokes = seen = bare = 0
    if until_us < from_us:
        return Work((), 0, 0, 0)
    for spot in sorted(set(known.signals.spots()) | set(known.spots)):
        spans = list(_spans(known, spot, from_us - 1, until_us))
        marks = [after_us for after_us, _ in spans] + [until_us]
        for (_, mount), work in zip(spans, _made(known, spot, marks), strict=True):
            strokes += work.strokes
            seen += work.seen
            bare += work.strokes if mount is None else 0
            found.extend(_worked(known, spot, mount, work))
    return Work(tuple(found), strokes, seen, bare)


def _made(known: Known, spot: Spot, marks: Sequence[int]) -> list[HourOfWork]:
    accepted = known.accepted.get(spot, frozenset())
    return work_between(known.config, known.signals, spot, marks, known.now_us, accepted)


def _spans(known: Known, spot: Spot, after_us: int, until_us: int) -> Iterator[tuple[int, Mount | None]]:
    """From when on which blade was on, None where none is on record; in order, up to ``until_us``."""
    reached = after_us
    for mount in known.fleet.mounts.get(spot, ()):
        end_us = until_us if mount.to_us is None else min(mount.to_us, until_us)
        start_us = max(mount.from_us, reached)
        if start_us >= end_us:
            continue
        if start_us > reached:
            yield reached, None
        yield start_us, mount
        reached = end_us
    if reached < until_us:
        yield reached, None


def _worked(known: Known, spot: Spot, mount: Mount | None, work: HourOfWork) -> Iterator[Worked]:
    plate = None if mount is None else mount.plate
    cycle = None if mount is None else mount.cycle
    blade_type = None if plate is None else known.fleet.plates[plate].blade_type
    for (part, alloy), made in sorted(work.parts.items(), key=lambda pair: (pair[0][0] or "", pair[0][1])):
        yield Worked(*spot, plate, cycle, blade_type, part, alloy, made)


def area_m2(made: Made) -> float:
    """The area of what was made [m²]."""
    return m2_of(made.area_cmm2)
