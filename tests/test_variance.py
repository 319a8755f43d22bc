"""From plan to spend: the parts add up to the cent, whatever the plan tells; and a published example."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shops import CONFIG

from bladewatch.config.decode import parse
from bladewatch.config.kinds import Standard
from bladewatch.errors import UsageError
from bladewatch.spending.periods import before, begin_us, booked_us, month_holding, period_of, production_day
from bladewatch.spending.variance import PARTS, Plan, Spent, bridge
from collectors.instants import parse_text, text_of

CENTS = st.decimals(-50_000, 50_000, places=2)
AMOUNT = st.none() | st.decimals(0, 50_000, places=2)
ALLOYS = ("6063", "6082", "Cu")


@given(
    AMOUNT,
    st.none() | st.integers(0, 10**6),
    AMOUNT,
    st.lists(st.tuples(st.integers(0, 10**5), st.decimals(0, 900, places=2)), max_size=3),
    st.lists(st.integers(0, 10**5), min_size=3, max_size=3),
    st.tuples(CENTS, CENTS, CENTS, CENTS),
)
def test_the_parts_add_up(
    cost: Decimal | None,
    cuts: int | None,
    per_1000: Decimal | None,
    alloys: list[tuple[int, Decimal]],
    made: list[int],
    sums: tuple[Decimal, Decimal, Decimal, Decimal],
) -> None:
    """From the plan, else from what is allowed; where neither is told there is a lack, and no part is made up."""
    own = {name: Standard(name, *row) for name, row in zip(ALLOYS, alloys, strict=False)}
    plan = Plan(cost, None if cuts is None else Decimal(cuts), per_1000, own)
    told = bridge(plan, Spent(dict(zip(ALLOYS, made, strict=True)), *sums))
    assert told.spent == sums[0] + sums[2] + sums[3]
    assert tuple(told.parts) == PARTS
    known = sum(amount for amount in told.parts.values() if amount is not None)
    if told.lack is None:
        assert told.plan is not None
        assert None not in told.parts.values()
        assert told.plan + known == told.spent
    elif told.allowed is not None:
        assert told.parts["volume"] is None
        assert told.allowed + known == told.spent
    else:
        assert (told.parts["volume"], told.parts["mix"], told.parts["life"]) == (None, None, None)


@pytest.mark.outside
def test_a_flexible_budget_of_the_books() -> None:
    """Webb Company in Horngren, Datar, Rajan, Cost Accounting, chapter 7 (from memory): direct materials of jackets.

    Planned 12 000 of two square yards at 30; made 10 000 with 22 200 yards at 28: sales volume 120 000 less, efficiency
    66 000 more, price 44 400 less. Jackets are our cuts, yards our grinds.
    """
    plan = Plan(Decimal(720_000), Decimal(12_000), None, {})
    work, planned = Decimal(22_200 * 28), Decimal(22_200 * 30)
    told = bridge(plan, Spent({"6063": 10_000}, work, planned, Decimal(0), Decimal(0)))
    assert told.allowed == 600_000
    assert {name: amount for name, amount in told.parts.items() if amount} == {
        "volume": -120_000, "life": 66_000, "price": -44_400,
    }  # fmt: skip


def test_harder_alloys_are_mix_and_more_cuts_are_volume() -> None:
    """Planned 1000 of 6063 at 4.00 and 1000 of copper at 10.00 a thousand; 3000 made, 2000 of them copper."""
    own = {"6063": Standard("6063", 1000, Decimal(4)), "Cu": Standard("Cu", 1000, Decimal(10))}
    spent = Spent({"6063": 1000, "Cu": 2000}, Decimal(24), Decimal(24), Decimal(0), Decimal(0))
    told = bridge(Plan(None, None, None, own), spent)
    assert (told.plan, told.cuts, told.allowed) == (14, 2000, 24)
    assert {name: str(amount) for name, amount in told.parts.items() if amount} == {"volume": "7.00", "mix": "3.00"}


YEARS = "years = { 2030 = 2029-12-31, 2031 = 2030-12-30, 2032 = 2032-01-05 }"
SITE = 'name = "hall"\n'
WEEKS = CONFIG.replace(SITE, f'{SITE}timezone = "Europe/Berlin"\n[budget]\nmonths = "4-4-5"\n{YEARS}\n')


def test_months_of_weeks_fill_the_year(tmp_path_factory: pytest.TempPathFactory) -> None:
    """4-4-5 from Monday to Sunday; a year of 53 weeks has its last month longer; months follow without a gap."""
    config = parse(WEEKS, tmp_path_factory.mktemp("x") / "x.toml")
    months = [period_of(config, year, number) for year in (2030, 2031, 2032) for number in range(1, 13)]
    days = [(one.last - one.first).days + 1 for one in months]
    assert days[:12] == [28, 28, 35] * 4
    assert days[12:24] == [28, 28, 35] * 3 + [28, 28, 42]
    assert months[0].first == date(2029, 12, 31)
    for one, after in pairwise(months):
        assert one.to_us == after.from_us
    for one in months:
        year, number = map(int, one.label.split("-"))
        assert month_holding(config, one.from_us) == month_holding(config, one.to_us - 1) == (year, number)
    with pytest.raises(UsageError, match="first day of that fiscal year"):
        period_of(config, 2029, 1)


def test_a_production_day_begins_at_the_sites_hour_on_short_and_long_days_too() -> None:
    """Of March 29 and October 25 2026 in a zone with summer time: 23 and 25 hours from 06:00 to 06:00."""
    config = parse(WEEKS, Path("x"))
    hours = {day: (begin_us(config, date(2026, *after)) - begin_us(config, date(2026, *day))) / 3.6e9
             for day, after in (((3, 28), (3, 29)), ((10, 24), (10, 25)), ((7, 1), (7, 2)))}  # fmt: skip
    assert hours == {(3, 28): 23, (10, 24): 25, (7, 1): 24}
    assert production_day(config, parse_text("2026-05-01T05:59:59+02:00")) == date(2026, 4, 30)
    assert production_day(config, parse_text("2026-05-01T06:00:00+02:00")) == date(2026, 5, 1)
    assert text_of(booked_us(config, parse_text("2026-05-01T00:00:00+02:00"))) == "2026-05-01T04:00:00Z"
    assert before(2026, 1) == (2025, 12)
