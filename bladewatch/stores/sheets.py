"""The sheet of an hour: all that a collector's file holds of a spindle's hour, folded, and packed for good.

A desk reads a sheet where it would otherwise ask the shared server for some hundred points, and it stays when readings
go. It is one point of the measurement ``sheet``:

==============  =======================================================================================
``folded``      JSON: roll-ups, order sums, idle power, and how many readings there are
``rows``        the strokes, packed
``kept``        the readings that stay for good, packed
``known_us``    the newest that it rests on
==============  =======================================================================================

Text that is longer than a server takes goes on in ``folded_2`` and so on. What a sheet holds gives it its place within
the hour, so one that says the same is the same point, and one that was made anew is another: the newest counts.

Beside it goes a point of ``hour``, for tools that plot: ``strokes``, ``area_cmm2``, ``energy_j`` and ``pieces`` of the
messages that this collector stored, in its place when made anew. Of several collectors they add up.
"""

from __future__ import annotations

import hashlib
import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple, TypeVar

import msgspec
from msgspec.structs import astuple

from bladewatch.contact import POWER_SIGNALS
from bladewatch.stores.blocks import Reading
from bladewatch.stores.hours import HourFold
from bladewatch.stores.idle import Occupied, occupied_hour
from bladewatch.stores.lines import HOUR, SHEET, US_NS, Point, Series, in_parts, point_of, wrapped
from bladewatch.stores.orders import OrderHour, order_hours
from bladewatch.stores.protocols import ALWAYS_US, CounterHour, Idle, Signals, Spot, WorkHour
from collectors.facts import Stroke
from collectors.instants import HOUR_US

SPARSE: Final = 60
"""A series of at most so many readings an hour is kept for good, of others what strokes need of their power."""
WHOLE: Final = "*"
"""In place of a collector: made of all that the server had, so it counts although collectors made others before."""
SPREAD_NS: Final = 1_000_000_000


class Told(NamedTuple):
    """A series in an hour: how many readings there are, and whether the sheet keeps them all."""

    signal: str
    point: str
    readings: int
    whole: bool


class Work(NamedTuple):
    """The strokes of an hour, folded."""

    works: list[WorkHour]
    counter: CounterHour
    orders: list[OrderHour]


def work_of(hour: int, strokes: Sequence[Stroke]) -> Work | None:
    """Strokes of an hour in order, folded; None of none."""
    fold = HourFold(hour)
    for one in strokes:
        fold.add(one)
    counter = fold.counter_row()
    return None if counter is None else Work(fold.work_rows(), counter, order_hours(strokes))


class Folded(msgspec.Struct, array_like=True, frozen=True):
    """What a sheet tells without its rows; ``by`` is the collector who made it, or ``WHOLE``.

    ``known_sum`` is the sum of its strokes' ``known_us``.
    """

    by: str
    made_us: int
    known_sum: int
    idle: dict[str, Idle]
    told: list[Told]
    packed_work: msgspec.Raw

    @property
    def work(self) -> Work | None:
        """Its strokes, folded; None where it has none. Raises ``ValueError``."""
        work: Work | None = _read(_WORK, self.packed_work)
        return work


T = TypeVar("T")


def sheets_before(now_us: int) -> int:
    """The hour before which sheets are made: the next stroke, an hour later at most, may have begun in one."""
    return now_us // HOUR_US - 1


def known_sum(strokes: Iterable[Stroke]) -> int:
    """The sum of when strokes became known, as a server of whole numbers of 64 bits makes it."""
    return wrapped(sum(one.known_us for one in strokes))


class Made(NamedTuple):
    """The points of an hour: its sheet, and its totals."""

    sheet: Point
    totals: Point


def sheet_of(
    signals: Signals, spot: Spot, hour: int, series: Iterable[tuple[str, str]], by: str, made_us: int
) -> Made | None:
    """The sheet of an hour as it stands in a collector's file, of these series; None where nothing is in it."""
    start, end = hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1
    strokes = list(signals.strokes(spot, start, end, ALWAYS_US))
    work = work_of(hour, strokes)
    told: list[Told] = []
    kept: list[tuple[str, str, list[Reading]]] = []
    occupied: Occupied | None = None
    newest_us = 0 if work is None else work.counter.known_us
    for signal, point in series:
        readings = signals.readings(spot, signal, point, start, end, ALWAYS_US)
        if not readings:
            continue
        whole = len(readings) <= SPARSE
        newest_us = max(newest_us, *(one.known_us for one in readings))
        told.append(Told(signal, point, len(readings), whole))
        if not whole and signal in POWER_SIGNALS:
            occupied = occupied or occupied_hour(signals, spot, hour, ALWAYS_US)
            readings = [one for one in readings if occupied.needs(one.ts_us)]
        if whole or signal in POWER_SIGNALS:
            kept.append((signal, point, readings))
    idle = {s: row for s in POWER_SIGNALS for row in signals.idle_hours(spot, s, hour, hour, ALWAYS_US)}
    if not (strokes or told or idle):
        return None
    folded = Folded(by, made_us, known_sum(strokes), idle, told, msgspec.Raw(msgspec.json.encode(work)))
    rows = msgspec.json.encode([astuple(one)[2:] for one in strokes])
    readings_kept = msgspec.json.encode(kept)
    bare = msgspec.json.encode(msgspec.structs.replace(folded, by="", made_us=0))
    place_ns = int.from_bytes(hashlib.sha256(b"\n".join((bare, rows, readings_kept))).digest()[:8]) % SPREAD_NS
    fields = in_parts("folded", msgspec.json.encode(folded).decode())
    fields |= in_parts("rows", _packed(rows)) | in_parts("kept", _packed(readings_kept))
    hour_ns = hour * HOUR_US * US_NS
    sheet = point_of(Series(SHEET, *spot), hour_ns + place_ns, newest_us, fields)
    return Made(sheet, point_of(Series(HOUR, *spot, collector=by), hour_ns, newest_us, _totals(work)))


def _totals(work: Work | None) -> dict[str, int]:
    """What strokes' messages tell of an hour, and those filled in between two of one part."""
    works = [] if work is None else work.works
    return {
        "strokes": sum(row.strokes + row.filled for row in works),
        "area_cmm2": sum(row.area_cmm2 for row in works),
        "energy_j": sum(row.energy_j for row in works),
        "pieces": sum(row.pieces for row in works),
    }


def _packed(rows: bytes) -> str:
    return b64encode(zlib.compress(rows)).decode() if rows != b"[]" else ""


def _unpacked(text: str) -> bytes:
    try:
        return zlib.decompress(b64decode(text)) if text else b"[]"
    except zlib.error as error:
        raise ValueError(f"a sheet that cannot be unpacked: {error}") from error


def folded_of(text: str) -> Folded:
    """A sheet's ``folded``. Raises ``ValueError``."""
    return _read(_FOLDED, text.encode())


def strokes_of(text: str, spot: Spot) -> list[Stroke]:
    """A sheet's strokes, in order. Raises ``ValueError``."""
    return [Stroke(*spot, *row) for row in _read(_ROWS, _unpacked(text))]


def kept_of(text: str) -> dict[tuple[str, str], msgspec.Raw]:
    """A sheet's readings by signal and point, for ``readings_of``. Raises ``ValueError``."""
    return {(signal, point): rows for signal, point, rows in _read(_KEPT, _unpacked(text))}


def readings_of(rows: msgspec.Raw) -> list[Reading]:
    """The readings of a series. Raises ``ValueError``."""
    return _read(_READINGS, rows)


def _read(decoder: msgspec.json.Decoder[T], text: bytes | msgspec.Raw) -> T:
    try:
        return decoder.decode(text)
    except msgspec.MsgspecError as error:
        raise ValueError(f"a sheet that cannot be read: {error}") from error


_FOLDED: Final = msgspec.json.Decoder(Folded)
_ROWS: Final = msgspec.json.Decoder(list[tuple[Any, ...]])
_WORK: Final = msgspec.json.Decoder(Work | None)
_KEPT: Final = msgspec.json.Decoder(list[tuple[str, str, msgspec.Raw]])
_READINGS: Final = msgspec.json.Decoder(list[Reading])
