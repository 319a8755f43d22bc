"""What a configuration value may be. A kind turns the TOML value into ours or raises ``Wrong``."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time, tzinfo
from decimal import Decimal, InvalidOperation
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from bladewatch.config.sections import Section, section_of
from collectors.instants import parse_text, to_us

Kind = Callable[[Any], Any]
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


_NUMBER: Final = r"(-?\d+(?:\.\d+)?)"
_LINE: Final = re.compile(rf"([a-z][a-z0-9_-]*)(?: (<=|>=) ?{_NUMBER}| {_NUMBER} to {_NUMBER})?")


class Wrong(ValueError):
    """A value that does not fit: the text says what would be right."""


def _is_number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool) and Decimal(value).is_finite()


def text(value: Any) -> str:
    """Any text that is not blank."""
    if not isinstance(value, str) or not value.strip():
        raise Wrong("expected text")
    return value.strip()


def name(value: Any) -> str:
    """A name that fits a topic."""
    if not isinstance(value, str) or re.fullmatch(r"[A-Za-z0-9_-]{1,64}", value) is None:
        raise Wrong("expected 1 to 64 letters, digits, _ or -")
    return value


def flag(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise Wrong("expected true or false")
    return value


def number(low: float, high: float) -> Kind:
    """A number from ``low`` to ``high``, written as integer or decimal."""

    def kind(value: Any) -> float:
        if not _is_number(value) or not low <= value <= high:
            raise Wrong(f"expected a number from {low:g} to {high:g}")
        return float(value)

    return kind


def whole(low: int, high: int) -> Kind:
    """A whole number from ``low`` to ``high``."""

    def kind(value: Any) -> int:
        if isinstance(value, Decimal) and value.is_finite() and value == value.to_integral_value():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Wrong(f"expected a whole number from {low} to {high}")
        return value

    return kind


def money(value: Any) -> Decimal:
    """An amount as a number or as quoted decimal text; never a float."""
    if isinstance(value, str):
        try:
            value = Decimal(value)
        except InvalidOperation:
            value = None
    if not _is_number(value) or not 0 <= value <= 10**12:
        raise Wrong('expected an amount like 48.50 or "48.50"')
    return Decimal(value)


def choice(*allowed: str) -> Kind:
    """One of a few words."""

    def kind(value: Any) -> str:
        if value not in allowed:
            raise Wrong(f"expected one of {', '.join(allowed)}")
        return str(value)

    return kind


def texts(value: Any) -> tuple[str, ...]:
    """A list of texts."""
    if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
        raise Wrong('expected a list of texts like ["a", "b"]')
    return tuple(item.strip() for item in value)


def spindles(value: Any) -> tuple[str, ...]:
    """How many spindles, or their names."""
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 16:
        return tuple(str(i) for i in range(1, value + 1))
    if isinstance(value, list) and value and all(isinstance(item, str) and item for item in value):
        if len(set(value)) < len(value):
            raise Wrong("expected each name once")
        return tuple(value)
    raise Wrong('expected a count like 2, or names like ["1", "2"]')


def text_or_whole(value: Any) -> str:
    """Text, or a whole number that is kept as text."""
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    return text(value)


def zone(value: Any) -> ZoneInfo:
    """A time zone by its name in the zone database."""
    if isinstance(value, str):
        try:
            return ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            pass
    raise Wrong('expected a time zone name like "Europe/Berlin"')


def clock(value: Any) -> time:
    """A time of day like 06:00."""
    if isinstance(value, time):
        return value
    if isinstance(value, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        return time.fromisoformat(value)
    raise Wrong('expected a time of day like "06:00"')


def periods(value: Any) -> tuple[tuple[time, time], ...]:
    """Periods of a day like 06:00-14:00; one may run past midnight."""
    found = []
    for item in texts(value):
        start, dash, end = item.partition("-")
        if not dash:
            raise Wrong('expected periods like ["06:00-14:00", "22:00-06:00"]')
        found.append((clock(start.strip()), clock(end.strip())))
    return tuple(found)


def weekdays(value: Any) -> tuple[int, ...]:
    """Days of the week; Monday is 0."""
    if not isinstance(value, list) or not all(item in WEEKDAYS for item in value):
        raise Wrong(f"expected a list of {', '.join(WEEKDAYS)}")
    return tuple(sorted({WEEKDAYS.index(item) for item in value}))


class Line(NamedTuple):
    """A line of an inspection: what is looked at, and the range that passes, where it is a number."""

    name: str
    low: float | None = None
    high: float | None = None

    def passes(self, value: float) -> bool:
        """Whether a measured value is within the range."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


def lines(value: Any) -> tuple[Line, ...]:
    """Lines of an inspection: a name alone, or a name with a limit.

    >>> lines(["cracks", "run_out_mm <= 0.10", "kerf_mm 3.7 to 4.1"])[2]
    Line(name='kerf_mm', low=3.7, high=4.1)
    """
    found: list[Line] = []
    for item in texts(value):
        match = _LINE.fullmatch(item)
        if match is None:
            raise Wrong('expected lines like ["cracks", "run_out_mm <= 0.10", "kerf_mm 3.7 to 4.1"]')
        name, sign, limit, low, high = match.groups()
        if name == "cracks" and (limit or low):
            raise Wrong('expected "cracks" without a limit: it passes or fails')
        if name in (line.name for line in found):
            raise Wrong(f"expected each line once, found {name} twice")
        if any(abs(Decimal(told)) > 10**9 for told in (limit, low, high) if told is not None):
            raise Wrong("expected limits up to 1000000000")
        if low is not None and float(low) >= float(high):
            raise Wrong(f"expected the lower limit first, as in kerf_mm 3.7 to 4.1; found {item}")
        if sign is not None:
            found.append(Line(name, *((None, float(limit)) if sign == "<=" else (float(limit), None))))
        else:
            found.append(Line(name, None if low is None else float(low), None if high is None else float(high)))
    return tuple(found)


def section(value: Any) -> Section:
    """The section of one bar: a shape and its lengths."""
    if not isinstance(value, dict):
        raise Wrong('expected a table like { shape = "tube", diameter_mm = 50, wall_mm = 3 }')
    try:
        return section_of(value)
    except ValueError as error:
        raise Wrong(str(error)) from error


def weekday(value: Any) -> int:
    """A day of the week; Monday is 0."""
    if value not in WEEKDAYS:
        raise Wrong(f"expected one of {', '.join(WEEKDAYS)}")
    return WEEKDAYS.index(value)


def moment(value: Any, site_zone: tzinfo) -> int:
    """An instant: a TOML date or time, or text; without an offset it is site time."""
    if isinstance(value, datetime):
        return to_us(value if value.tzinfo else value.replace(tzinfo=site_zone))
    if isinstance(value, date):
        return to_us(datetime(value.year, value.month, value.day, tzinfo=site_zone))
    if isinstance(value, str):
        plain = value.strip()
        try:
            return parse_text(f"{plain}T00:00:00" if re.fullmatch(r"\d{4}-\d\d-\d\d", plain) else plain, site_zone)
        except ValueError:
            pass
    raise Wrong("expected a date like 2026-03-02 or a time like 2026-03-02T06:00:00+01:00")


def pair(value: Any) -> tuple[float, float]:
    """A range [low, high]."""
    if isinstance(value, list) and len(value) == 2:
        low, high = (number(-1e12, 1e12)(item) for item in value)
        if low < high:
            return low, high
    raise Wrong("expected a range like [0, 75]")


def lengths(value: Any) -> tuple[float, float]:
    """The shortest and the longest of a length in mm."""
    if isinstance(value, list) and len(value) == 2:
        low, high = (number(0, 10_000)(item) for item in value)
        if low <= high:
            return low, high
    raise Wrong("expected the shortest and the longest in mm, like [350, 420]")


def text_map(value: Any) -> dict[str, str]:
    """A table of texts; numbers are kept as text."""
    if not isinstance(value, dict) or not all(isinstance(item, str | int | Decimal) for item in value.values()):
        raise Wrong('expected a table like { power_kw = "data.kw" }')
    return {key: str(item) for key, item in value.items()}


def scalar_map(value: Any) -> dict[str, str | float | bool]:
    """A table of plain values."""
    if not isinstance(value, dict) or not all(isinstance(item, str | int | Decimal) for item in value.values()):
        raise Wrong('expected a table like { spindle = "1", dt_ms = 100 }')
    return {key: float(item) if isinstance(item, Decimal) else item for key, item in value.items()}


def first_days(value: Any) -> dict[int, date]:
    """The first day of each fiscal year.

    >>> first_days({"2031": date(2030, 12, 30)})
    {2031: datetime.date(2030, 12, 30)}
    """
    wrong = Wrong("expected the first day of each fiscal year, like { 2031 = 2030-12-30 }")
    if not isinstance(value, dict):
        raise wrong
    found = {}
    for year, day in value.items():
        try:
            found[int(year)] = date.fromisoformat(day) if isinstance(day, str) else day
        except ValueError:
            raise wrong from None
        if not isinstance(found[int(year)], date) or isinstance(found[int(year)], datetime):
            raise wrong
    if any((found[year + 1] - day).days not in (364, 371) for year, day in found.items() if year + 1 in found):
        raise Wrong("expected years of 52 or 53 weeks, one after the other")
    return dict(sorted(found.items()))


class Standard(NamedTuple):
    """What is planned of an alloy in a month: cuts, and what a thousand of them should cost."""

    alloy: str
    cuts: int
    per_1000_cuts: Decimal


def standards(value: Any) -> tuple[Standard, ...]:
    """Planned cuts and cost by alloy."""
    wrong = Wrong('expected rows like { alloy = "6063", cuts = 60000, per_1000_cuts = "5.20" }, each alloy once')
    if not isinstance(value, list):
        raise wrong
    found = []
    for row in value:
        if not isinstance(row, dict) or row.keys() != set(Standard._fields):
            raise wrong
        found.append(Standard(text(row["alloy"]), whole(0, 10**10)(row["cuts"]), money(row["per_1000_cuts"])))
    if len({row.alloy for row in found}) < len(found):
        raise wrong
    return tuple(found)


class Months(NamedTuple):
    """From one fiscal month to another, both included, as (year, month)."""

    first: tuple[int, int]
    last: tuple[int, int]

    def __str__(self) -> str:
        first, last = (f"{year:04d}-{number:02d}" for year, number in self)
        return f"{first} to {last}"


def month(value: Any) -> tuple[int, int]:
    """A month like 2031-05."""
    match = re.fullmatch(r"(\d{4})-(0[1-9]|1[0-2])", value) if isinstance(value, str) else None
    if match is None:
        raise Wrong('expected a month like "2031-05"')
    return int(match[1]), int(match[2])


def months(value: Any) -> Months:
    """A span of months like 2030-07 to 2030-12."""
    first, _, last = value.partition(" to ") if isinstance(value, str) else ("", "", "")
    try:
        found = Months(month(first.strip()), month(last.strip()))
    except Wrong:
        raise Wrong('expected months like "2030-07 to 2030-12"') from None
    if found.last < found.first:
        raise Wrong("expected the first month before the last")
    return found


def numbers(value: Any) -> tuple[float, ...]:
    """A list of numbers."""
    if not isinstance(value, list):
        raise Wrong("expected a list of numbers")
    return tuple(number(-1e12, 1e12)(item) for item in value)
