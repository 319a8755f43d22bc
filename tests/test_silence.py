"""A saw that falls silent: when it counts as unseen, what is still said of its blade, how often somebody is called."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.alerts import judge
from bladewatch.pipeline import issue
from collectors.facts import Fact, Sample, Stroke
from collectors.instants import to_us

DAY = 24 * 60
BERLIN = ZoneInfo("Europe/Berlin")
RULE = CONFIG.replace("wear_limit_um = 250", "wear_limit_um = 250\nsite_limit_cuts = 5000")


def work(shop: Shop, weeks: int = 6, a_day: int = 140) -> int:
    """Five days a week from six in the morning, a stroke every three minutes; how many strokes."""
    counter = 0
    for day in range(7 * weeks):
        if day % 7 < 5:
            shop.take(*(stroke(counter + i + 1, day * DAY + i * 3, part="P1") for i in range(a_day)))
            counter += a_day
    return counter


def mounted(shop: Shop) -> None:
    shop.event(-10, "opened", "A", blade_type="T")
    shop.event(-5, "mounted", "A", saw="S1")


def raised(shop: Shop, at: float) -> list[tuple[str, str]]:
    """What a collector says that is new."""
    review = shop.service.review(minute(at))
    alerts = judge(review.assessments, review.at_us, shop.service.zone)
    new = issue(review.at_us, review.assessments, alerts, shop.service.store, shop.service.zone)
    return [(alert.level, alert.cause) for alert in new]


@pytest.mark.parametrize("days", [2, 8, 14, 24, 26, 27.5, 28, 28.3, 45, 63])
def test_silence_changes_nothing_in_what_a_blade_can_still_do(make_shop: Callable[..., Shop], days: float) -> None:
    """Two days or two months after the last cut: as many cuts left, a date as far ahead in work, the same verdict."""
    shop = make_shop(RULE)
    mounted(shop)
    work(shop)
    a = shop.status(39 * DAY + days * DAY)["S1", "1"]
    assert a.remaining_cuts is not None
    assert round(a.remaining_cuts.estimate) == 800
    assert a.due is not None
    ahead_days = (a.due.estimate_us - minute(39 * DAY + days * DAY)) / 86_400_000_000
    assert 6 < ahead_days < 12  # 800 cuts are six days of work, with a weekend or two between
    assert a.wear_verdict == "prepare"


def test_after_a_holiday_the_first_stroke_does_not_undo_the_forecast(make_shop: Callable[..., Shop]) -> None:
    """Six weeks away, then three strokes: pace and mix are still those of the weeks before."""
    shop = make_shop(RULE)
    mounted(shop)
    counter = work(shop)
    back = 84 * DAY
    before = shop.status(back - 1)["S1", "1"]
    shop.take(*(stroke(counter + i + 1, back + 3 * i, part="P1") for i in range(3)))
    after = shop.status(back + 10)["S1", "1"]
    assert before.due is not None
    assert after.due is not None
    assert abs(after.due.estimate_us - before.due.estimate_us) < 2 * 3_600_000_000


def seen(shop: Shop, at: float) -> str:
    return shop.status(at)["S1", "1"].seen


def test_a_saw_without_state_is_unseen_once_it_misses_an_hour_in_which_it_worked_a_week_ago(shop: Shop) -> None:
    """Evening, night and weekend are quiet; a Monday on which nothing comes is not, nor is a week of nothing."""
    work(shop)
    assert seen(shop, 38 * DAY + 7 * 60 + 30) == "quiet"
    assert seen(shop, 40 * DAY + 60) == "quiet"
    assert seen(shop, 42 * DAY) == "quiet"
    assert seen(shop, 42 * DAY + 125) == "blind"
    assert seen(shop, 48 * DAY) == "blind"
    assert seen(shop, 42 * DAY + 80 * DAY) == "blind"


def test_a_state_that_strokes_have_outrun_tells_nothing(shop: Shop) -> None:
    """It said off and cut on for weeks: its silence is judged by its own pattern, not by that word."""
    shop.take(Sample("S1", "1", "state", "", minute(1), 0.0, minute(1)))
    work(shop)
    assert seen(shop, 42 * DAY + 125) == "blind"
    shop.take(Sample("S1", "1", "state", "", minute(41 * DAY), 0.0, minute(41 * DAY)))
    assert seen(shop, 42 * DAY + 125) == "quiet"


def test_the_change_of_clock_makes_no_saw_unseen(make_shop: Callable[..., Shop]) -> None:
    """Six in the morning is six by the site's clock in the week before and in the week after 25 October."""
    shop = make_shop(CONFIG.replace('name = "hall"', 'name = "hall"\ntimezone = "Europe/Berlin"'))
    first = datetime(2026, 9, 28, tzinfo=BERLIN)
    counter = 0
    for day in range(33):
        opens_us = to_us((first + timedelta(days=day)).replace(hour=6))
        if (first + timedelta(days=day)).weekday() < 5:
            facts: list[Fact] = []
            for i in range(1, 95):
                counter += 1
                facts.append(
                    Stroke("S1", "1", opens_us + i * 300_000_000, counter, opens_us + i * 300_000_001, part="P1")
                )
            shop.take(*facts)
    for day in range(26, 33):
        opens = (first + timedelta(days=day)).replace(hour=6)
        for minutes in (-30, 1, 560):
            at_us = to_us(opens) + minutes * 60_000_000
            assert shop.service.review(at_us).assessments[0].seen == "quiet", (day, minutes)


def test_one_blackout_whose_messages_trickle_in_late_calls_once(shop: Shop) -> None:
    """Six hours of buffered strokes, one a minute, each moving the last message on: one alert, not one a message."""
    mounted(shop)
    shop.take(
        *(stroke(i, i, part="P1") for i in range(1, 60)), Sample("S1", "1", "state", "", minute(59), 3.0, minute(59))
    )
    called = raised(shop, 400)
    for step in range(70):
        at = 60 + 5 * step
        shop.take(stroke(60 + step, at, known_minute=401 + step, part="P1"))
        shop.take(Sample("S1", "1", "state", "", minute(at), 3.0, minute(401 + step)))
        called += raised(shop, 401 + step)
    assert [cause for _, cause in called].count("unseen") == 1


def test_a_saw_with_a_blade_that_was_never_heard_calls_once(shop: Shop) -> None:
    """No alert would read as "nothing is wrong": a day after the blade came on it is said, until the first message."""
    assert raised(shop, -6) == []
    mounted(shop)
    assert raised(shop, 0) == []
    assert raised(shop, 24 * 60 - 6) == []
    assert raised(shop, 24 * 60) == [("data", "unseen")]
    assert raised(shop, 3000) == []
    shop.take(stroke(1, 3001, part="P1"))
    review = shop.service.review(minute(3002))
    assert [alert.cause for alert in judge(review.assessments, review.at_us, shop.service.zone)] == []


def test_one_spell_without_a_blade_calls_once_and_a_second_one_again(shop: Shop) -> None:
    """Buffered strokes come newest first, each an earlier first stroke of the spell; later a second spell begins."""
    called = []
    for step in range(40):
        shop.take(stroke(100 - step, 100 - step, known_minute=101 + step, part="P1"))
        called += raised(shop, 101 + step)
    assert [cause for _, cause in called] == ["no-blade"]
    shop.event(200, "opened", "A", blade_type="T")
    shop.event(201, "mounted", "A", saw="S1")
    shop.event(300, "dismounted", "A", saw="S1", reason="worn-plan")
    shop.take(*(stroke(200 + i, 300 + i, part="P1") for i in range(1, 9)))
    again = [cause for at in (302, 305, 309) for _, cause in raised(shop, at)]
    assert again.count("no-blade") == 1


def test_vibration_is_held_against_the_same_hour_by_the_sites_clock(make_shop: Callable[..., Shop]) -> None:
    """From seven on the saw always shakes more: at 07:40 that is its own past, on both sides of the change of clock."""
    shop = make_shop(CONFIG.replace('name = "hall"', 'name = "hall"\ntimezone = "Europe/Berlin"'))
    first = datetime(2026, 3, 16, 6, tzinfo=BERLIN)
    for day in range(18):
        opens_us = to_us(first + timedelta(days=day))
        for i in range(48):
            at_us = opens_us + i * 300_000_000
            shop.take(Sample("S1", "1", "velocity_mm_s", "front", at_us, 1.0 if i < 12 else 2.6, at_us))
    for day in (10, 12, 13, 14, 17):
        at_us = to_us((first + timedelta(days=day)).replace(hour=7, minute=40))
        vibration = shop.service.review(at_us).assessments[0].conditions[1]
        assert (vibration.level, vibration.own) == ("normal", 2.6), day
