"""An hour of readings packed without loss: instants, values and their ``known``, each as differences, then zlib.

A live series costs 1 to 5 MB per million readings: regular instants vanish, values that a gateway rounds to a few
decimals become small integers, and what jitters (instants, the receipt behind ``known``) costs a byte or two each.
"""

from __future__ import annotations

import struct
import sys
import zlib
from array import array
from collections.abc import Sequence
from typing import Final, NamedTuple

_HEADER: Final = struct.Struct("<BBIq")
_FORMAT: Final = 1
_RAW: Final = 255
_MAX_DECIMALS: Final = 6


class Reading(NamedTuple):
    """A packed reading."""

    ts_us: int
    value: float
    known_us: int


def pack(readings: Sequence[Reading]) -> bytes:
    """The readings as bytes; they must be in order of their instants."""
    start = readings[0].ts_us if readings else 0
    decimals, scaled = _scaled([reading.value for reading in readings])
    delays = [reading.known_us - reading.ts_us for reading in readings]
    body = b"".join(
        (
            _column(_differences(_differences([reading.ts_us - start for reading in readings]))),
            _column(_differences(scaled)) if decimals != _RAW else _floats([r.value for r in readings]),
            _column(_differences(delays)),
        )
    )
    return _HEADER.pack(_FORMAT, decimals, len(readings), start) + body


def unpack(packed: bytes) -> list[Reading]:
    """The readings that ``pack`` was given, bit for bit.

    >>> unpack(pack([Reading(10, 2.5, 12), Reading(20, 2.6, 21)]))
    [Reading(ts_us=10, value=2.5, known_us=12), Reading(ts_us=20, value=2.6, known_us=21)]
    """
    form, decimals, count, start = _HEADER.unpack_from(packed)
    if form != _FORMAT:
        raise ValueError(f"a block of format {form}, known is {_FORMAT}")
    place = _HEADER.size
    columns: list[bytes] = []
    for _ in range(3):
        (size,) = struct.unpack_from("<I", packed, place)
        columns.append(zlib.decompress(packed[place + 4 : place + 4 + size]))
        place += 4 + size
    instants = _sums(_sums(_integers(columns[0])))
    values: list[float]
    if decimals == _RAW:
        floats = array("d", _unshuffle(columns[1], 8))
        _to_little(floats)
        values = list(floats)
    else:
        factor = 10**decimals
        values = [number / factor for number in _sums(_integers(columns[1]))]
    delays = _sums(_integers(columns[2]))
    return [
        Reading(start + ts, value, start + ts + delay)
        for ts, value, delay in zip(instants[:count], values, delays, strict=True)
    ]


def _scaled(values: list[float]) -> tuple[int, list[int]]:
    """The fewest decimals that hold every value exactly, and the values as integers."""
    for decimals in range(_MAX_DECIMALS + 1):
        factor = 10**decimals
        if any(abs(value) > 1e12 for value in values):
            break
        scaled = [round(value * factor) for value in values]
        if all(number / factor == value for number, value in zip(scaled, values, strict=True)):
            if any(value == 0 and str(value) == "-0.0" for value in values):
                break
            return decimals, scaled
    return _RAW, []


def _differences(numbers: Sequence[int]) -> list[int]:
    return [b - a for a, b in zip([0, *numbers], numbers, strict=False)]


def _sums(numbers: Sequence[int]) -> list[int]:
    total = 0
    sums = []
    for number in numbers:
        total += number
        sums.append(total)
    return sums


def _column(numbers: Sequence[int]) -> bytes:
    """Eight-byte integers, byte planes apart, deflated: small numbers leave planes of zeros."""
    folded = array("q", [(number << 1) ^ (number >> 63) for number in numbers])
    return _deflate(_shuffle(_to_little(folded).tobytes(), 8))


def _integers(raw: bytes) -> list[int]:
    numbers = array("q", _unshuffle(raw, 8))
    _to_little(numbers)
    return [(number >> 1) ^ -(number & 1) for number in numbers]


def _floats(values: list[float]) -> bytes:
    return _deflate(_shuffle(_to_little(array("d", values)).tobytes(), 8))


def _deflate(raw: bytes) -> bytes:
    packed = zlib.compress(raw, 6)
    return struct.pack("<I", len(packed)) + packed


def _shuffle(raw: bytes, width: int) -> bytes:
    return b"".join(raw[place::width] for place in range(width))


def _unshuffle(raw: bytes, width: int) -> bytes:
    count = len(raw) // width
    out = bytearray(len(raw))
    for place in range(width):
        out[place::width] = raw[place * count : (place + 1) * count]
    return bytes(out)


def _to_little(numbers: array[int] | array[float]) -> array[int] | array[float]:
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
