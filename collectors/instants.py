"""Instants: RFC 3339 text or epoch milliseconds to UTC microseconds, and back."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

SECOND_US: Final = 1_000_000
MINUTE_US: Final = 60 * SECOND_US
HOUR_US: Final = 3600 * SECOND_US
DAY_US: Final = 24 * HOUR_US

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339 = re.compile(r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:)(\d{2})(\.\d+)?\s?([Zz]|[+-]\d{2}:\d{2})?", re.ASCII)
YEAR_2000_US: Final = 946_684_800 * SECOND_US
FIRST_US: Final = -2_208_988_800 * SECOND_US
LAST_US: Final = 7_258_118_400 * SECOND_US
"""Instants of the years 1900 to 2199: others are slips, and would break zones and sums."""


def to_us(moment: datetime) -> int:
    """Microseconds of an aware datetime since 1970, exactly."""
    delta = moment - _EPOCH
    return (delta.days * 86400 + delta.seconds) * SECOND_US + delta.microseconds


def to_datetime(us: int, zone: tzinfo = UTC) -> datetime:
    """The instant in a zone."""
    return (_EPOCH + timedelta(microseconds=us)).astimezone(zone)


def text_of(us: int) -> str:
    """RFC 3339 in UTC, with microseconds only where there are any.

    >>> text_of(1_780_000_000_000_000)
    '2026-05-28T20:26:40Z'
    """
    return to_datetime(us).isoformat().replace("+00:00", "Z")


def parse_text(text: str, zone: tzinfo | None = None, strict: bool = False) -> int:
    """Microseconds of RFC 3339 text; without an offset the declared ``zone`` is used.

    ``strict`` refuses clock times that the zone has twice or never (the hour of a clock change). Digits beyond the
    microsecond are cut; a leap second counts as the last microsecond before it.
    Raises ``ValueError`` that tells what was found and what is expected.

    >>> parse_text("2026-03-02T06:15:00+01:00") == parse_text("2026-03-02T05:15:00.000000Z")
    True
    """
    match = _RFC3339.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"found {text[:60]!r}, expected a time like 2026-03-02T06:15:00+01:00")
    date, clock, second, fraction, offset = match.groups()
    leap = second == "60"
    fraction = ".999999" if leap else (fraction or "")[:7]
    if fraction == ".":
        fraction = ""
    iso = f"{date}T{clock}{'59' if leap else second}{fraction.ljust(7, '0') if fraction else ''}"
    if offset is None:
        if zone is None:
            raise ValueError(f"found {text[:60]!r} without an offset from UTC, expected one like +01:00 or Z")
        return _bounded(text, iso, zone, strict)
    return _bounded(text, iso + ("+00:00" if offset in "Zz" else offset), None, strict)


def _bounded(text: str, iso: str, zone: tzinfo | None, strict: bool) -> int:
    try:
        moment = datetime.fromisoformat(iso)
    except ValueError as error:
        raise ValueError(f"found {text[:60]!r}, expected a date and time that exist") from error
    if not 1900 < moment.year < 2199:
        raise ValueError(f"found {text[:60]!r}, expected a year from 1901 to 2198")
    if zone is None:
        return to_us(moment)
    first, second = to_us(moment.replace(tzinfo=zone)), to_us(moment.replace(tzinfo=zone, fold=1))
    if strict and first != second:
        times = "twice" if first < second else "never"
        raise ValueError(
            f"found {text[:60]!r}, a time that comes {times} there as clocks change; write its offset from UTC"
        )
    return first


def parse_any(value: object) -> int:
    """Microseconds of a message's ``ts``: RFC 3339 text with offset, or whole epoch milliseconds.

    >>> parse_any(1_780_000_000_000)
    1780000000000000
    """
    if isinstance(value, str):
        return parse_text(value)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, int) and not isinstance(value, bool):
        if not FIRST_US <= value * 1000 < LAST_US:
            raise ValueError(f"found {str(value)[:40]}, expected epoch milliseconds of a year from 1900 to 2199")
        return value * 1000
    raise ValueError(
        f"found a value of type {type(value).__name__}, expected RFC 3339 text or whole epoch milliseconds"
    )
