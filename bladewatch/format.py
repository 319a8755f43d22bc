"""Numbers and times as people read them: rounded to what is known, with their range."""

from __future__ import annotations

from datetime import date, timedelta, tzinfo
from typing import Final

from bladewatch.units import area_text, round_to
from collectors.instants import to_datetime
from models.forecast import Quantity

HALF_YEAR: Final = timedelta(days=180)
"""How far from now an instant needs its year."""
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
    return f"{date_text(moment.date())} {moment:%H:%M}"


def year_text(us: int, zone: tzinfo) -> str:
    """As ``day_text``, with the year: for what is read later, or was long ago.

    >>> from datetime import UTC
    >>> year_text(1_780_000_000_000_000, UTC)
    'Thu 28 May 2026 20:26'
    """
    moment = to_datetime(us, zone)
    return f"{date_text(moment.date())} {moment:%Y %H:%M}"


def date_text(day: date) -> str:
    """A day in words of our own.

    >>> date_text(date(2026, 3, 12))
    'Thu 12 Mar'
    """
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def near_text(us: int, now_us: int, zone: tzinfo) -> str:
    """An instant as short as it can be: the clock today, else day and clock, with the year where it is far away.

    >>> from datetime import UTC
    >>> near_text(1_780_000_000_000_000, 1_780_000_000_000_000 - 400 * 86_400_000_000, UTC)
    'Thu 28 May 2026 20:26'
    """
    then, now = to_datetime(us, zone).date(), to_datetime(now_us, zone).date()
    if then == now:
        return clock_text(us, zone)
    return day_text(us, zone) if abs(then - now) < HALF_YEAR else year_text(us, zone)


def some_text(number: int, what: str) -> str:
    """A number of things, one of them without its s.

    >>> some_text(1, "cycle"), some_text(2, "cycle")
    ('1 cycle', '2 cycles')
    """
    return f"{number} {what}{'s' if number != 1 else ''}"


def count_text(quantity: Quantity | None, what: str) -> str:
    """A count with its bound, where that tells more.

    >>> count_text(Quantity(934.0, 220.0, 1800.0, 310.0), "cuts left")
    '930 cuts left, at least 310'
    >>> count_text(Quantity(0.0, 0.0, 400.0, 0.0), "cuts left")
    '0 cuts left'
    """
    if quantity is None:
        return ""
    if quantity.low == quantity.high or quantity.at_least >= quantity.estimate:
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
