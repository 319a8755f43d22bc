"""Facts as points in the line protocol of InfluxDB: what any tool that reads that can plot.

==========  ============================  ======================================  ==========================
measure     tags                          fields                                  time
==========  ============================  ======================================  ==========================
stroke      saw, spindle                  stroke, known_us, told, and what the    the stroke's, in µs, and
                                          message tells                           its counter's last 3 digits
reading     saw, spindle, signal, point   value, known_us                         the reading's
waveform    saw, spindle, point           known_us, fs_hz, unit, parts, and the   the record's
                                          samples in ``samples``, ``samples_2`` …
sheet       saw, spindle                  see ``sheets.py``                       in the hour's first second
hour        saw, spindle, collector       strokes, area_cmm2, energy_j, pieces,   the hour's start
                                          known_us
==========  ============================  ======================================  ==========================

A point is known by its measurement, tags and time, so a fact that is written again is the same point. Two strokes of
one microsecond have counters of their own. Tags take a few hundred values; what has no bound is a field. Whole numbers
are always integers, measures always floats: the first type that a server sees of a field stands. A point that is
written anew keeps the fields that it no longer has, so ``told`` of a stroke says which are its own.
"""

from __future__ import annotations

import re
import zlib
from array import array
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from typing import Any, Final, NamedTuple, get_args, get_type_hints

from collectors.facts import STROKE_CONTENT, Sample, Stroke, Waveform

STROKE: Final = "stroke"
READING: Final = "reading"
WAVEFORM: Final = "waveform"
SHEET: Final = "sheet"
HOUR: Final = "hour"
PASSING: Final = (READING, WAVEFORM)
"""What a server keeps for a time; the rest stays."""
US_NS: Final = 1000
MOST_TEXT: Final = 60_000
"""A server takes texts of 64 kB."""


class Series(NamedTuple):
    """What a point's measurement and tags say; a tag that a measurement does not have is empty."""

    measurement: str
    saw: str
    spindle: str
    signal: str = ""
    point: str = ""
    collector: str = ""


class Point(NamedTuple):
    """A line with the series and the time [ns] that it is known by, and when it became known."""

    series: Series
    time_ns: int
    known_us: int
    line: str


def points_of(facts: Iterable[Stroke | Sample | Waveform]) -> list[Point]:
    """The points of facts, in their order."""
    return [_POINT[type(fact)](fact) for fact in facts]


def told_in(mask: int) -> list[str]:
    """The fields of a stroke's message, by the number in ``told``.

    >>> told_in(5)
    ['seq', 'alloy']
    """
    return [name for bit, name, _ in _FIELDS if mask & bit]


def point_of(series: Series, time_ns: int, known_us: int, fields: Mapping[str, int | float | str]) -> Point:
    """A point of any fields beside ``known_us``; each keeps its type for good."""
    _, key = _keyed(*series)
    told = ",".join(f"{name}={_WRITERS[type(value)](value)}" for name, value in fields.items())
    return Point(series, time_ns, known_us, f"{key} known_us={known_us}i,{told} {time_ns}")


def _reading(sample: Sample) -> Point:
    series, key = _keyed(READING, sample.saw, sample.spindle, sample.signal, sample.point)
    time_ns = sample.ts_us * US_NS
    return Point(
        series, time_ns, sample.known_us, f"{key} value={sample.value!r},known_us={sample.known_us}i {time_ns}"
    )


def _stroke(stroke: Stroke) -> Point:
    series, key = _keyed(STROKE, stroke.saw, stroke.spindle)
    fields = [f"stroke={stroke.stroke}i,known_us={stroke.known_us}i"]
    told = 0
    for bit, name, text in _FIELDS:
        value = getattr(stroke, name)
        if value is not None:
            fields.append(f"{name}={text(value)}")
            told |= bit
    fields.append(f"told={told}i")
    time_ns = stroke.ts_us * US_NS + stroke.stroke % US_NS
    return Point(series, time_ns, stroke.known_us, f"{key} {','.join(fields)} {time_ns}")


def _waveform(waveform: Waveform) -> Point:
    packed = b64encode(zlib.compress(array("d", waveform.samples).tobytes(), 6)).decode()
    parts = in_parts("samples", packed)
    fields: dict[str, int | float | str] = {
        "fs_hz": float(waveform.fs_hz), "unit": waveform.unit, "parts": len(parts)
    }  # fmt: skip
    series = Series(WAVEFORM, waveform.saw, waveform.spindle, point=waveform.point)
    return point_of(series, waveform.ts_us * US_NS, waveform.known_us, fields | parts)


def samples_of(text: str) -> tuple[float, ...]:
    """The samples of a waveform, from its fields put together. Raises ``ValueError``."""
    try:
        return tuple(array("d", zlib.decompress(b64decode(text))))
    except zlib.error as error:
        raise ValueError(f"a waveform that cannot be unpacked: {error}") from error


def in_parts(name: str, text: str) -> dict[str, str]:
    """A text as fields, each no longer than a server takes; none for an empty one.

    >>> list(in_parts("rows", "x" * 60_001))
    ['rows', 'rows_2']
    """
    parts = [text[place : place + MOST_TEXT] for place in range(0, len(text), MOST_TEXT)]
    return dict(zip(part_names(name, len(parts)), parts, strict=True))


def part_names(name: str, count: int) -> list[str]:
    """The names of a text's fields."""
    return [name if number == 1 else f"{name}_{number}" for number in range(1, count + 1)]


def joined(parts: Mapping[str, str]) -> str:
    """The text of the fields that ``in_parts`` made, whatever their order.

    >>> joined({"rows_2": "b", "rows_10": "c", "rows": "a"})
    'abc'
    """
    return "".join(parts[name] for name in sorted(parts, key=lambda name: (len(name), name)))


@lru_cache(maxsize=4096)
def _keyed(
    measurement: str, saw: str, spindle: str, signal: str = "", point: str = "", collector: str = ""
) -> tuple[Series, str]:
    """The series, and what its lines begin with; a tag without a value is left out, as the protocol wants it."""
    series = Series(measurement, saw, spindle, signal, point, collector)
    tags = {"collector": collector, "point": point, "saw": saw, "signal": signal, "spindle": spindle}
    return series, measurement + "".join(f",{name}={_tag(value)}" for name, value in tags.items() if value)


def _tag(text: str) -> str:
    r"""A tag's value. The protocol has no way to write one that ends in a backslash: it becomes a set minus.

    >>> _tag("S 1,a=b"), _tag("S\\")
    ('S\\ 1\\,a\\=b', 'S∖')
    """
    whole = f"{text[:-1]}∖" if text.endswith("\\") else text
    return whole.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def wrapped(total: int) -> int:
    """A whole number as 64 bits hold it.

    >>> wrapped(2**63), wrapped(-1)
    (-9223372036854775808, -1)
    """
    return (total + 2**63) % 2**64 - 2**63


def known_by_series(text: str) -> dict[Series, dict[int, int]]:
    r"""When the points of lines that were made here became known, by series and time [ns].

    >>> known_by_series('reading,saw=S\\ 1,signal=power_kw,spindle=1 value=2.0,known_us=7i 9000')
    {Series(measurement='reading', saw='S 1', spindle='1', signal='power_kw', point='', collector=''): {9000: 7}}
    """
    found: dict[str, dict[int, int]] = {}
    for line in text.split("\n"):
        end = line.index(" ")
        while line[end - 1] == "\\":
            end = line.index(" ", end + 1)
        key = line[:end]
        if key not in found:
            found[key] = {}
        start = line.index("known_us=", end) + len("known_us=")
        found[key][int(line[line.rindex(" ") + 1 :])] = int(line[start : line.index("i", start)])
    return {_series_of(key): points for key, points in found.items()}


@lru_cache(maxsize=4096)
def _series_of(key: str) -> Series:
    measurement, *tags = _COMMA.split(key)
    values = dict(_EQUALS.split(tag, maxsplit=1) for tag in tags)
    return Series(measurement, **{name: _ESCAPED.sub(r"\1", value) for name, value in values.items()})


def _whole(value: int) -> str:
    return f"{value}i"


def _text(value: str) -> str:
    r"""A field's text.

    >>> _text('a "b" \\')
    '"a \\"b\\" \\\\"'
    """
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _measure(value: float) -> str:
    return repr(float(value))


_COMMA: Final = re.compile(r"(?<!\\),")
_EQUALS: Final = re.compile(r"(?<!\\)=")
_ESCAPED: Final = re.compile(r"\\([,= ])")
_WRITERS: Final[dict[type, Callable[[Any], str]]] = {str: _text, int: _whole, float: _measure}
_HINTS: Final = get_type_hints(Stroke)
_FIELDS: Final = [
    (1 << place, name, _WRITERS[get_args(_HINTS[name])[0]]) for place, name in enumerate(("seq", *STROKE_CONTENT))
]
_POINT: Final[dict[type, Callable[[Any], Point]]] = {Stroke: _stroke, Sample: _reading, Waveform: _waveform}
