"""What a shared server holds of strokes, readings and sheets, by span: filters and sums are the server's work.

Every question is one request with its values bound. Spans are whole hours, both ends included, where nothing else is
said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple, get_args, get_type_hints

from bladewatch.stores.blocks import Reading
from bladewatch.stores.influx import Influx, nanoseconds
from bladewatch.stores.lines import READING, SHEET, STROKE, US_NS, WAVEFORM, joined, part_names, samples_of, told_in
from bladewatch.stores.protocols import Spot
from collectors.facts import STROKE_CONTENT, Stroke, Waveform
from collectors.instants import HOUR_US

EARLIEST_US: Final = 0
LATEST_US: Final = 9_000_000_000_000_000
"""The server's last nanosecond is in 2262."""
EARLIEST: Final = EARLIEST_US // HOUR_US
LATEST: Final = LATEST_US // HOUR_US
NEIGHBOURS: Final = 10
"""So many spindles are read together."""
SeriesKey = tuple[str, str]
"""Signal and point."""
_HINTS: Final = get_type_hints(Stroke)
_READ: Final[dict[str, Callable[[str], Any]]] = {
    "stroke": int, "known_us": int, "told": int, **{n: get_args(_HINTS[n])[0] for n in ("seq", *STROKE_CONTENT)},
}  # fmt: skip
_FROM: Final = "from(bucket: {bucket}) |> range(start: time(v: begin), stop: time(v: finish)) "
_LASTING: Final = _FROM.format(bucket="lasting")
_FAST: Final = _FROM.format(bucket="fast")
_KNOWN: Final = ' and r._field == "known_us"'
_OF: Final = "r._measurement == {name} and r.saw == saw and r.spindle == spindle"


class Limits(NamedTuple):
    """Of a spindle the first and last hour of strokes, of sheets, of readings; and the last reading of each series."""

    strokes: tuple[int, int] | None = None
    sheets: tuple[int, int] | None = None
    reads: tuple[int, int] | None = None
    latest: Mapping[SeriesKey, Reading] = {}

    @property
    def all(self) -> tuple[int, int] | None:
        """The first and last hour of anything."""
        spans = [span for span in (self.strokes, self.sheets, self.reads) if span is not None]
        return (min(span[0] for span in spans), max(span[1] for span in spans)) if spans else None


class Hours(NamedTuple):
    """Of a spindle's hours: the sum of when the strokes of each became known, and sheets' ``folded`` by time [ns]."""

    sums: dict[int, int]
    sheets: dict[int, str]


class Points:
    """Questions to a server."""

    def __init__(self, server: Influx) -> None:
        self._server = server
        address = server.address
        self._values = {
            "lasting": address.bucket_of(STROKE), "fast": address.bucket_of(READING),
            "strokes": STROKE, "readings": READING, "sheets": SHEET,
            "waveforms": WAVEFORM,
        }  # fmt: skip
        self.whole: tuple[int, int] | None = None
        """The first and last hour of anything of any spindle, as ``limits`` found them."""
        self._spots: list[Spot] = []
        self._ahead: dict[tuple[Spot, int, int], Hours] = {}

    def limits(self) -> dict[Spot, Limits]:
        """What there is of every spindle."""
        flux = "\n".join(
            f"{source}|> filter(fn: (r) => r._measurement == {name}{and_known}) |> {which}() |> keep(columns: "
            f'["saw", "spindle", "signal", "point", "_time", "_field", "_value"]) |> yield(name: "{name} {which}")'
            for source, name, which, and_known in (
                (_LASTING, "strokes", "first", _KNOWN),
                (_LASTING, "strokes", "last", _KNOWN),
                (_LASTING, "sheets", "first", _KNOWN),
                (_LASTING, "sheets", "last", _KNOWN),
                (_FAST, "readings", "first", _KNOWN),
                (_FAST, "readings", "last", ""),
            )
        )
        ends: dict[Spot, dict[str, int]] = {}
        latest: dict[Spot, dict[SeriesKey, dict[str, str]]] = {}
        for cells in self._rows(flux, EARLIEST, LATEST, {}):
            spot, hour, name = (cells["saw"], cells["spindle"]), _us(cells["_time"]) // HOUR_US, cells["result"]
            its = ends.setdefault(spot, {})
            its[name] = (min if name.endswith("first") else max)(hour, its.get(name, hour))
            if name == "readings last":
                series = latest.setdefault(spot, {}).setdefault((cells["signal"], cells.get("point") or ""), {})
                series |= {"_time": cells["_time"], cells["_field"]: cells["_value"]}
        self._spots = sorted(ends)
        self._ahead.clear()
        found = {}
        for spot in self._spots:
            told = {key: _reading(row) for key, row in sorted(latest.get(spot, {}).items())}
            strokes, sheets, reads = (_span(ends[spot], name) for name in ("strokes", "sheets", "readings"))
            found[spot] = Limits(strokes, sheets, reads, told)
        spans = [limits.all for limits in found.values() if limits.all is not None]
        self.whole = (min(span[0] for span in spans), max(span[1] for span in spans)) if spans else None
        return found

    def hours(self, spot: Spot, first: int, last: int) -> Hours:
        """The hours of a span; those of its neighbours are asked for too: who looks at one spindle looks at others."""
        if spot not in self._spots:
            return Hours({}, {})
        if (spot, first, last) not in self._ahead:
            place = self._spots.index(spot) // NEIGHBOURS * NEIGHBOURS
            self._ask_hours(self._spots[place : place + NEIGHBOURS], first, last)
        return self._ahead.pop((spot, first, last))

    def _ask_hours(self, spots: Sequence[Spot], first: int, last: int) -> None:
        these = " or ".join(f"(r.saw == saw{n} and r.spindle == spindle{n})" for n in range(len(spots)))
        flux = (
            f"{_LASTING}|> filter(fn: (r) => r._measurement == strokes{_KNOWN} and ({these})) "
            '|> aggregateWindow(every: 1h, fn: sum, createEmpty: false, timeSrc: "_start") '
            '|> keep(columns: ["saw", "spindle", "_time", "_value"]) |> yield(name: "sums")\n'
            f"{_LASTING}|> filter(fn: (r) => r._measurement == sheets and r._field =~ /^folded/ and ({these})) "
            '|> keep(columns: ["saw", "spindle", "_time", "_field", "_value"]) |> yield(name: "folded")'
        )
        bound = {f"saw{n}": spot[0] for n, spot in enumerate(spots)}
        bound |= {f"spindle{n}": spot[1] for n, spot in enumerate(spots)}
        found = {spot: Hours({}, {}) for spot in spots}
        parts: dict[tuple[Spot, int], dict[str, str]] = {}
        for cells in self._rows(flux, first, last, bound):
            spot, time = (cells["saw"], cells["spindle"]), cells["_time"]
            if cells["result"] == "sums":
                found[spot].sums[_us(time) // HOUR_US] = int(cells["_value"])
            else:
                parts.setdefault((spot, nanoseconds(time)), {})[cells["_field"]] = cells["_value"]
        for (spot, time_ns), told in parts.items():
            found[spot].sheets[time_ns] = joined(told)
        self._ahead |= {(spot, first, last): hours for spot, hours in found.items()}

    def packed(self, spot: Spot, first: int, last: int, name: str) -> dict[int, str]:
        """A field of each sheet by its time [ns]: ``rows`` or ``kept``."""
        parts: dict[int, dict[str, str]] = {}
        for cells in self._rows(_sheet_parts(name), first, last, _bound(spot)):
            parts.setdefault(nanoseconds(cells["_time"]), {})[cells["_field"]] = cells["_value"]
        return {time_ns: joined(told) for time_ns, told in parts.items()}

    def strokes(self, spot: Spot, first: int, last: int) -> list[Stroke]:
        """The strokes, in order."""
        flux = (
            f"{_LASTING}|> filter(fn: (r) => {_OF.format(name='strokes')}) "
            '|> keep(columns: ["_time", "_field", "_value"])'
        )
        found: dict[str, dict[str, Any]] = {}
        for cells in self._rows(flux, first, last, _bound(spot)):
            read = _READ.get(cells["_field"])
            if read is not None:
                found.setdefault(cells["_time"], {})[cells["_field"]] = read(cells["_value"])
        strokes = [Stroke(*spot, _us(time), **_told(fields)) for time, fields in found.items()]
        return sorted(strokes, key=lambda one: (one.ts_us, one.stroke))

    def readings(self, spot: Spot, series: SeriesKey, first: int, last: int) -> list[Reading]:
        """The readings of a series, in order."""
        signal, point = series
        flux = (
            f"{_FAST}|> filter(fn: (r) => {_OF.format(name='readings')} and r.signal == signal) "
            f"|> filter(fn: (r) => {'r.point == point' if point else 'not exists r.point'}) "
            '|> keep(columns: ["_time", "_field", "_value"])'
        )
        found: dict[str, dict[str, str]] = {}
        bound = _bound(spot) | {"signal": signal} | ({"point": point} if point else {})
        for cells in self._rows(flux, first, last, bound):
            found.setdefault(cells["_time"], {"_time": cells["_time"]})[cells["_field"]] = cells["_value"]
        return sorted(_reading(told) for told in found.values())

    def waveforms(self, spot: Spot, first: int = EARLIEST, last: int = LATEST) -> Iterator[Waveform]:
        """The waveforms of a spindle, place by place, in order."""
        flux = (
            f"{_FAST}|> filter(fn: (r) => {_OF.format(name='waveforms')}) "
            '|> keep(columns: ["_time", "_field", "_value", "point"])'
        )
        found: dict[tuple[str, str], dict[str, str]] = {}
        for cells in self._rows(flux, first, last, _bound(spot)):
            found.setdefault((cells.get("point") or "", cells["_time"]), {})[cells["_field"]] = cells["_value"]
        for (point, time), told in sorted(found.items()):
            samples = samples_of("".join(told[name] for name in part_names("samples", int(told["parts"]))))
            yield Waveform(*spot, point, _us(time), float(told["fs_hz"]), told["unit"], samples, int(told["known_us"]))

    def _rows(self, flux: str, first: int, last: int, values: dict[str, Any]) -> Iterator[dict[str, str]]:
        """The rows of a question over whole hours."""
        begin, end = max(first, EARLIEST), min(last, LATEST) + 1
        if begin >= end:
            return iter(())
        span = {"begin": begin * HOUR_US * US_NS, "finish": end * HOUR_US * US_NS}
        named = {name: value for name, value in self._values.items() if name in flux}
        return self._server.rows(flux, {**named, **span, **values}, self._values["lasting"])


def _span(ends: Mapping[str, int], name: str) -> tuple[int, int] | None:
    return (ends[f"{name} first"], ends[f"{name} last"]) if f"{name} first" in ends else None


def _bound(spot: Spot) -> dict[str, Any]:
    return {"saw": spot[0], "spindle": spot[1]}


def _sheet_parts(name: str) -> str:
    return (
        f"{_LASTING}|> filter(fn: (r) => {_OF.format(name='sheets')} and r._field =~ /^{name}/) "
        '|> keep(columns: ["_time", "_field", "_value"])'
    )


def _told(fields: dict[str, Any]) -> dict[str, Any]:
    """The fields of a stroke without those that are left of a report whose place it took."""
    mask = fields.pop("told", None)
    if mask is None:
        return fields
    return {name: fields[name] for name in ("stroke", "known_us", *told_in(mask))}


def _reading(told: dict[str, str]) -> Reading:
    return Reading(_us(told["_time"]), float(told["value"]), int(told["known_us"]))


def _us(text: str) -> int:
    return nanoseconds(text) // US_NS
