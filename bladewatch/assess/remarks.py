"""What is said of a saw beside its numbers: hazards of what it cuts, changes entered late, records that do not fit."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

from bladewatch.assess.known import Known
from bladewatch.assess.recent import WEEK_H, HourOfWork
from bladewatch.config.tables import Config
from bladewatch.contact import hour_of
from bladewatch.ledger.fleet import Mount, Plate, Problem
from bladewatch.ledger.standing import SAME_EVENT_US
from bladewatch.stores.protocols import Spot
from bladewatch.units import round_to
from collectors.instants import DAY_US
from models.forecast import Quantity
from models.jobs import Job


def hazards(config: Config, recent: Mapping[int, HourOfWork], now_us: int) -> Iterator[str]:
    """Hazards of the alloys that were cut here in the last week, and so may come again."""
    since = hour_of(now_us) - WEEK_H
    for alloy in sorted({alloy for hour, work in recent.items() if hour >= since for alloy in work.area_cmm2}):
        row = config.alloys.ever(alloy, now_us)
        if row is not None and row.hazard is not None:
            yield f"hazard of {alloy}, which is cut here: {row.hazard}"


def along_queue(queue: Sequence[Job], cuts: Quantity | None) -> Iterator[str]:
    """That a queue was given for the saw, and whether the blade lasts it."""
    if queue:
        count = sum(job.cuts for job in queue)
        told = "cannot tell whether the blade lasts it"
        if cuts is not None:
            told = "the blade lasts it, 90 % sure" if cuts.at_least >= count else "the blade may not last it"
        yield f"along the given queue of {round_to(count, len(str(count)))} cuts: {told}"


def revised(known: Known, mount: Mount) -> Iterator[str]:
    """That a change was entered late, for a day: what it cut has moved."""
    row = known.book.rows.get(mount.row)
    if row is None or row.known_us - row.at_us <= SAME_EVENT_US or known.now_us - row.known_us > DAY_US:
        return
    moved = known.strokes((mount.saw, mount.spindle), row.at_us, row.known_us)
    when, entered = known.said(row.at_us), known.said(row.known_us)
    yield f"revised: its mount at {when} was entered later, {entered}; {moved} strokes moved"


def of_record(
    problems: Sequence[Problem], settled: Collection[str], plate: Plate | None, spot: Spot, since_us: int
) -> list[str]:
    """The newest problem of what the running cycle rests on in the records that nobody settled."""
    mine = [p for p in problems if p.saw == spot[0] or (plate is not None and p.plate == plate.id)]
    mine = [p for p in mine if p.at_us >= since_us and not (p.rows and p.rows[0] in settled)]
    return [f"record: {mine[-1].where}: {mine[-1].message}"] if mine else []
