"""Numbers and times as people read them: rounded to what is known, with their range."""

from __future__ import annotations

from datetime import date, tzinfo
from typing import Final

from bladewatch.units import area_text, round_to
from collectors.instants import to_datetime
from models.forecast import Quantity

_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def time_text(us: int | None, zone: tzinfo) -> str | None:
    """RFC 3339 in the site's zone, or None."""
    return None if us is None else to_datetime(us, zone).isoformat()


def clock_text(us: int, zone: tzinfo) -> str:
    """Hour and minute in the site's zone.

    >>> from datetime import UTC
    >>> clock_text(1_780_000_000_000_000, UTC)
    '20:26'
    """
    return to_datetime(us, zone).strftime("%H:%M")


def day_text(us: int, zone: tzinfo) -> str:
    """Weekday, hour, day and month, in words of our own whatever the locale.

    >>> from datetime import UTC
    >>> day_text(1_780_000_000_000_000, UTC)
    'Thu 28 May 20:26'
    """
    moment = to_datetime(us, zone)
    return f"{_DAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]} {moment:%H:%M}"


def date_text(day: date) -> str:
    """A day in words of our own.

    >>> date_text(date(2026, 3, 12))
    'Thu 12 Mar'
    """
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def near_text(us: int, now_us: int, zone: tzinfo) -> str:
    """An instant as short as it can be: the clock today, else day and clock."""
    same_day = to_datetime(us, zone).date() == to_datetime(now_us, zone).date()
    return clock_text(us, zone) if same_day else day_text(us, zone)


def count_text(quantity: Quantity | None, what: str) -> str:
    """A count with its bound.

    >>> count_text(Quantity(934.0, 220.0, 1800.0, 310.0), "cuts left")
    '930 cuts left, at least 310'
    """
    if quantity is None:
        return ""
    if quantity.low == quantity.high:
        return f"{round_to(quantity.estimate)} {what}"
    return f"{round_to(quantity.estimate)} {what}, at least {round_to(quantity.at_least)}"


def band_text(quantity: Quantity, unit: str = "") -> str:
    """Median and band.

    >>> band_text(Quantity(131.2, 100.4, 166.0, 108.0), "µm")
    '130 µm (100 to 170)'
    """
    tail = f" {unit}" if unit else ""
    return f"{round_to(quantity.estimate)}{tail} ({round_to(quantity.low)} to {round_to(quantity.high)})"


def area_left_text(quantity: Quantity, units: str) -> str:
    """Area left with its bound, in the shop's unit."""
    if quantity.low == quantity.high:
        return f"{area_text(quantity.estimate, units)} left"
    return f"{area_text(quantity.estimate, units)} left, at least {area_text(quantity.at_least, units)}"
