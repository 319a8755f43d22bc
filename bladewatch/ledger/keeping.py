"""A book's rows and fleet as bytes, kept for speed: to read them costs a tenth of folding the rows.

A mount stands in two lists, of its cycle and of its spindle, and is one thing there: only the first is written, the
other is made again from the order of the rows. So is what is on a saw: the mounts that have not ended.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import msgspec

from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Fleet, Plate, Problem, Trip
from bladewatch.ledger.standing import Standing, order_of


class _Kept(msgspec.Struct, array_like=True, frozen=True):
    """``line`` are the rows that take part: their places in ``rows``, why one is void, and the row as it was joined."""

    rows: list[Event]
    line: list[tuple[int, str | None, Event | None]]
    plates: list[Plate]
    trips: list[Trip]
    problems: list[Problem]


_DECODER = msgspec.msgpack.Decoder(_Kept)


def packed(rows: Mapping[str, Event], line: Sequence[Standing], fleet: Fleet) -> bytes:
    """All of a book."""
    places = {row_id: place for place, row_id in enumerate(rows)}
    told = [
        (places[one.event.id], one.void, None if one.event is rows[one.event.id] else one.event) for one in line
    ]  # fmt: skip
    plates = [replace(plate, on=()) for plate in fleet.plates.values()]
    return msgspec.msgpack.encode(_Kept(list(rows.values()), told, plates, fleet.trips, fleet.problems))


def unpacked(content: bytes) -> tuple[list[Event], list[Standing], Fleet]:
    """Rows, line and fleet of what ``packed`` made. Raises ``msgspec.MsgspecError`` on anything else."""
    kept = _DECODER.decode(content)
    line = []
    for place, void, joined in kept.line:
        event = kept.rows[place] if joined is None else joined
        line.append(Standing(order_of(event), event, void))
    fleet = Fleet({plate.id: plate for plate in kept.plates}, {}, kept.problems, kept.trips)
    mounts = [mount for plate in kept.plates for cycle in plate.cycles for mount in cycle.mounts]
    places = {one.event.id: place for place, one in enumerate(line)}
    for mount in sorted(mounts, key=lambda mount: places[mount.row]):
        fleet.mounts.setdefault((mount.saw, mount.spindle), []).append(mount)
        if mount.to_us is None:
            plate = fleet.plates[mount.plate]
            plate.on = (*plate.on, mount)
    return kept.rows, line, fleet
