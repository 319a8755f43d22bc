"""Conditions beside the blade: a cold spindle is no fault, a knock on a sensor calls nobody, a dead mist does."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from shops import Shop, minute, stroke

from bladewatch.alerts import judge
from bladewatch.assess.assessment import Assessment
from bladewatch.assess.condition import Condition
from bladewatch.screens.condition import condition_cell, condition_text
from collectors.facts import Sample

DAY = 24 * 60


def sample(signal: str, at: float, value: float, point: str = "", known: float | None = None) -> Sample:
    """A reading of S1, known a second after it was taken."""
    known_us = minute(at) + 1_000_000 if known is None else minute(known)
    return Sample("S1", "1", signal, point, minute(at), value, known_us)


def shift(shop: Shop, day: int, idle_kw: float, cold_kw: float = 0.0, hours: int = 8, signal: str = "power_kw") -> None:
    """A shift of one stroke a minute, idle power read every ten minutes; the first readings are of a cold spindle."""
    start = day * DAY
    counter = day * (hours * 60 - 1)
    facts: list = [stroke(counter + i, start + i, part="P1", duration_s=2.0) for i in range(1, hours * 60)]
    for i in range(1, hours * 60, 10):
        extra = cold_kw if i < 15 else 0.0
        facts.append(sample(signal, start + i + 0.5, idle_kw + extra))
    facts.append(sample("state", start, 3.0))
    shop.take(*facts)


def one(shop: Shop, at: float, name: str) -> Condition:
    """The named condition of S1."""
    return next(c for c in shop.status(at)["S1", "1"].conditions if c.name == name)


def alerts(shop: Shop, at: float) -> list[tuple[str, str]]:
    """Level and cause of the alerts; that no blade is on record is not asked here."""
    found: Iterable[Assessment] = shop.status(at).values()
    raised = judge(found, minute(at), shop.service.zone)
    return [(alert.level, alert.cause) for alert in raised if alert.cause != "no-blade"]


def test_a_cold_spindle_is_not_flagged(shop: Shop) -> None:
    """Twice the warm idle power in the first quarter of an hour of each day: only warm hours are compared."""
    for day in range(4):
        shift(shop, day, 2.0, cold_kw=2.0)
    for at in (3 * DAY + 10, 3 * DAY + 61, 3 * DAY + 125, 3 * DAY + 470):
        idle = one(shop, at, "idle")
        assert idle.level == "normal"
        assert idle.value == pytest.approx(2.0)
        assert idle.own == pytest.approx(2.0)
    assert alerts(shop, 3 * DAY + 470) == []


def test_warm_idle_off_its_own_is_shown_and_two_hours_far_off_call_somebody(shop: Shop) -> None:
    """+20 % is shown; +40 % in one hour is shown; in two hours in a row it calls, with the hour from when on."""
    for day in range(3):
        shift(shop, day, 2.0)
    shift(shop, 3, 2.4)
    assert one(shop, 3 * DAY + 479, "idle").level == "alert"
    shift(shop, 4, 2.8)
    assert one(shop, 4 * DAY + 125, "idle").level == "alert"  # one warm hour is known
    idle = one(shop, 4 * DAY + 185, "idle")
    assert idle.level == "act"
    assert idle.since_us == minute(4 * DAY + 180)
    assert ("act", "idle") in alerts(shop, 4 * DAY + 185)
    assert shop.status(4 * DAY + 185)["S1", "1"].verdict == "act"


def test_idle_far_too_low_is_shown_and_calls_nobody(shop: Shop) -> None:
    """A loose belt or a scale: for the round, not for the night."""
    for day in range(3):
        shift(shop, day, 2.0)
    shift(shop, 3, 1.2)
    assert one(shop, 3 * DAY + 300, "idle").level == "alert"
    assert alerts(shop, 3 * DAY + 300) == []


def test_percent_of_load_is_read_on_the_saws_base(shop: Shop) -> None:
    """20 % of 10 kW."""
    for day in range(3):
        shift(shop, day, 20.0, signal="load_pct")
    assert one(shop, 2 * DAY + 300, "idle").value == pytest.approx(2.0)


def test_too_little_past_is_said_and_not_judged(shop: Shop) -> None:
    """The first day: a value, nothing to hold it against."""
    shift(shop, 0, 2.0)
    idle = one(shop, 200, "idle")
    assert (idle.level, idle.own) == ("unknown", None)
    assert idle.value == pytest.approx(2.0)
    assert one(shop, 200, "vibration") == Condition("vibration")
    assert one(shop, 200, "mist") == Condition("mist")


def test_vibration_is_held_against_fixed_limits_and_the_saws_own(shop: Shop) -> None:
    """2 mm/s for a week: 3.2 is above 1.5 times its own, 5.2 above 2.5 times; a single knock calls nobody."""
    for day in range(7):
        shop.take(*(sample("velocity_mm_s", day * DAY + i * 10, 2.0, "front") for i in range(48)))
    day = 7 * DAY
    shop.take(*(sample("velocity_mm_s", day + i * 10, 2.0, "front") for i in range(10)))
    shop.take(sample("velocity_mm_s", day + 100, 9.0, "front"))
    assert one(shop, day + 101, "vibration").level == "normal"
    shop.take(*(sample("velocity_mm_s", day + 110 + i * 10, 3.2, "front") for i in range(4)))
    shown = one(shop, day + 141, "vibration")
    assert (shown.level, shown.own, shown.limit) == ("alert", 2.0, 3.0)
    shop.take(*(sample("velocity_mm_s", day + 150 + i * 10, 5.2, "front") for i in range(4)))
    called = one(shop, day + 181, "vibration")
    assert (called.level, called.limit, called.point) == ("act", 5.0, "front")
    assert called.since_us == minute(day + 150)
    assert ("act", "vibration") in alerts(shop, day + 181)


def test_the_worst_point_speaks(shop: Shop) -> None:
    """Without a past the fixed limits rule: 4.5 is shown, 7.1 calls."""
    for point, value in (("front", 1.0), ("rear", 5.0)):
        shop.take(*(sample("velocity_mm_s", i, value, point) for i in range(5)))
    worst = one(shop, 5, "vibration")
    assert (worst.point, worst.level, worst.limit) == ("rear", "alert", 4.5)


def test_a_dead_mist_calls_once_strokes_go_on_without_it(shop: Shop) -> None:
    """Failed with nothing cut since is shown; after three strokes it calls, stays one alert, and ends with the mist."""
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 40)), sample("state", 0, 3.0))
    shop.take(sample("mist_ok", 5, 1.0), sample("mist_ok", 20.5, 0.0))
    assert one(shop, 22.5, "mist").level == "alert"
    mist = one(shop, 23.5, "mist")
    assert (mist.level, mist.strokes, mist.since_us) == ("act", 3, minute(20.5))
    keys = {
        alert.key for at in (24, 27, 31) for alert in judge(shop.status(at).values(), minute(at), shop.service.zone)
    }
    assert len([key for key in keys if "/mist/" in key]) == 1
    shop.take(sample("mist_ok", 32, 1.0))
    assert one(shop, 33, "mist").level == "normal"
    assert ("act", "mist") not in alerts(shop, 33)


def test_a_stopped_saw_with_a_failed_mist_waits_for_the_round(shop: Shop) -> None:
    """It is shown, with the last report, and calls nobody at night."""
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 40)))
    shop.take(sample("state", 0, 3.0), sample("mist_ok", 20.5, 0.0), sample("state", 41, 0.0))
    assert one(shop, 39.5, "mist").level == "act"
    assert one(shop, 45, "mist").level == "alert"
    assert alerts(shop, 300) == []


def test_a_late_report_of_mist_counts_from_when_it_was_known(shop: Shop) -> None:
    """Known at minute 90: before that the answer is that of a saw whose mist was last reported on."""
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 100)), sample("state", 0, 3.0))
    shop.take(sample("mist_ok", 5, 1.0), sample("mist_ok", 20, 0.0, known=90))
    assert one(shop, 89, "mist").level == "normal"
    assert one(shop, 91, "mist").level == "act"


def test_conditions_are_said_with_value_limit_and_what_is_not_known() -> None:
    """In words and in a column."""
    from datetime import UTC

    idle = Condition("idle", "alert", 2.4, 2.0, 2.3, minute(60))
    assert condition_text(idle, minute(65), UTC) == "idle 2.40 kW, +20\u00a0% on its own (alert from 2.30)"
    assert condition_cell(idle, minute(65), UTC) == "! 2.4 kW"
    assert condition_cell(Condition("idle"), minute(65), UTC) == "?"
    assert condition_text(Condition("mist"), minute(65), UTC) == "mist: not reported"
    old = Condition("vibration", at_us=minute(0), point="front")
    assert condition_text(old, minute(65), UTC) == "vibration front: last reported 06:00"
