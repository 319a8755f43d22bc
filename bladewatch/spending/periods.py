"""Fiscal months: calendar months, or quarters of thirteen weeks, in production days.

A production day begins at the site's hour: what happens at 02:00 belongs to the day before. A period holds what
happened from its first day's beginning on and before the end of its last.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Final, NamedTuple

from bladewatch.config.kinds import Wrong, month
from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.ledger.events import Event
from bladewatch.ledger.fleet import Cycle
from collectors.instants import MINUTE_US, to_datetime, to_us

WEEKS: Final = {"4-4-5": (4, 4, 5), "4-5-4": (4, 5, 4), "5-4-4": (5, 4, 4)}
YEAR_WEEKS: Final = 52
FIRST_YEAR, LAST_YEAR = 1970, 2200


class Period(NamedTuple):
    """Production days from ``first`` to ``last``, both included; instants with ``from_us`` ≤ at < ``to_us``."""

    label: str
    first: date
    last: date
    from_us: int
    to_us: int

    def holds(self, at_us: int) -> bool:
        """Whether an instant lies in it."""
        return self.from_us <= at_us < self.to_us


def read_month(text: str, option: str = "--month") -> tuple[int, int]:
    """A month as a person gives it. Raises ``UsageError``."""
    try:
        found = month(text)
    except Wrong as wrong:
        raise UsageError(f"{option} {text}: {wrong}") from wrong
    if not FIRST_YEAR <= found[0] <= LAST_YEAR:
        raise UsageError(f"{option} {text}: expected a year from {FIRST_YEAR} to {LAST_YEAR}")
    return found


def production_day(config: Config, at_us: int) -> date:
    """The production day of an instant."""
    moment = to_datetime(at_us, config.zone)
    return moment.date() - timedelta(days=moment.time() < config.site.production_day_start)


def booked_us(config: Config, at_us: int) -> int:
    """When a row of the ledger counts: one that is dated by the day alone, at midnight, counts on that day."""
    if at_us % (15 * MINUTE_US):  # no midnight of any zone: offsets from UTC are whole quarters of an hour since 1972
        return at_us
    moment = to_datetime(at_us, config.zone)
    if moment.time() != time(0) or not config.site.production_day_start > time(0):
        return at_us
    return begin_us(config, moment.date())


def booked_of(config: Config, row: Event) -> int:
    """When a row counts; a change of blade has its time of day, also at midnight."""
    return row.at_us if row.event in ("mounted", "dismounted") else booked_us(config, row.at_us)


def ended_us(config: Config, cycle: Cycle) -> int | None:
    """When the end of a grind cycle counts: as the row that ended it."""
    if cycle.ended_us is None or any(mount.to_us == cycle.ended_us and mount.reason for mount in cycle.mounts[-1:]):
        return cycle.ended_us
    return booked_us(config, cycle.ended_us)


def begin_us(config: Config, day: date) -> int:
    """When a production day begins."""
    start: time = config.site.production_day_start
    return to_us(datetime.combine(day, start, tzinfo=config.zone))


def period_of(config: Config, year: int, number: int) -> Period:
    """A fiscal month. Raises ``UsageError`` where the year's first day is needed and nobody told it."""
    first, last = _days(config, year, number)
    return Period(
        f"{year:04d}-{number:02d}", first, last, begin_us(config, first), begin_us(config, last + timedelta(days=1))
    )


def before(year: int, number: int, count: int = 1) -> tuple[int, int]:
    """The month so many months before.

    >>> before(2031, 1), before(2031, 5, 17)
    ((2030, 12), (2029, 12))
    """
    months = year * 12 + number - 1 - count
    return months // 12, months % 12 + 1


def month_holding(config: Config, at_us: int) -> tuple[int, int]:
    """The fiscal month of an instant. Raises ``UsageError`` where no year holds it."""
    day = production_day(config, at_us)
    if config.budget.months == "calendar":
        return day.year, day.month
    for year in (day.year - 1, day.year, day.year + 1):
        for number in range(1, 13) if year in config.budget.years else ():
            first, last = _days(config, year, number)
            if first <= day <= last:
                return year, number
    raise UsageError(f"{day}: no fiscal year holds it; tell its first day in [budget] years, like 2031 = 2030-12-30")


def _days(config: Config, year: int, number: int) -> tuple[date, date]:
    if config.budget.months == "calendar":
        after = date(year + number // 12, number % 12 + 1, 1)
        return date(year, number, 1), after - timedelta(days=1)
    start = config.budget.years.get(year)
    if start is None:
        raise UsageError(
            f"{year}: months of {config.budget.months} weeks need the first day of that fiscal year in [budget] years, "
            "like 2031 = 2030-12-30"
        )
    weeks = WEEKS[config.budget.months] * 4
    first = start + timedelta(weeks=sum(weeks[: number - 1]))
    if number < 12:
        return first, first + timedelta(weeks=weeks[number - 1], days=-1)
    following = config.budget.years.get(year + 1, start + timedelta(weeks=YEAR_WEEKS))
    return first, following - timedelta(days=1)
