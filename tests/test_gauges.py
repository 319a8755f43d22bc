"""A power sensor that was rescaled and a belt that slips are told from wear; a drift, a stop, a cold start are none."""

from __future__ import annotations

import math
import random
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shops import Shop, minute, stroke

from bladewatch.assess.gauges import Change, Gauge, Gauges
from bladewatch.assess.reckoning import _changes
from collectors.facts import Sample
from models.gauge import behind, scale_steps

DAY = 24 * 60


def hours(count: int, seed: int = 1, level_kw: float = 2.0) -> list[float]:
    """Idle power of warm hours, off by two per cent."""
    rng = random.Random(seed)
    return [level_kw * math.exp(rng.gauss(0, 0.02)) for _ in range(count)]


@pytest.mark.parametrize("scale", [0.8, 0.94, 1.06, 1.12, 1.3])
@pytest.mark.parametrize("at", [30, 150, 280])
def test_a_rescaled_sensor_is_seen_where_it_was_and_by_how_much(scale: float, at: int) -> None:
    """Three hundred hours, the factor from one of them on: one step, two hours off at most, within 1.5 %."""
    idle = [kw * (scale if n >= at else 1.0) for n, kw in enumerate(hours(300, seed=at))]
    (step,) = scale_steps(idle)
    assert step.place == pytest.approx(at, abs=2)
    assert step.log_scale == pytest.approx(math.log(scale), abs=0.015)


def test_two_rescalings_are_two_steps_and_one_that_is_taken_back_leaves_nothing() -> None:
    """By 1.2 at hour 100, back at hour 200: the steps add up to nought."""
    first, second = scale_steps([kw * (1.2 if 100 <= n < 200 else 1.0) for n, kw in enumerate(hours(300))])
    assert (first.place, second.place) == (pytest.approx(100, abs=2), pytest.approx(200, abs=2))
    assert first.log_scale + second.log_scale == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("seed", range(20))
def test_hours_of_one_level_hold_no_step(seed: int) -> None:
    """Nor do too few of them."""
    assert scale_steps(hours(600, seed)) == []
    assert scale_steps([1.0] * 11 + [2.0] * 12) == []


def test_a_bearing_that_drifts_and_a_sensor_that_stands_for_some_hours_are_no_step() -> None:
    """A quarter more idle power over three hundred hours; five hours of a reading half as high again."""
    assert scale_steps([kw * (1 + 0.25 * n / 300) for n, kw in enumerate(hours(300))]) == []
    assert scale_steps([kw * (1.5 if 100 <= n < 105 else 1.0) for n, kw in enumerate(hours(300))]) == []


@given(st.floats(0.01, 1000), st.integers(20, 180), st.floats(0.7, 1.5))
def test_steps_are_the_same_in_any_unit(unit: float, at: int, scale: float) -> None:
    """Power in kW, in W or in per cent of a load: the same places and sizes."""
    idle = [kw * (scale if n >= at else 1.0) for n, kw in enumerate(hours(200))]
    told = scale_steps([unit * kw for kw in idle])
    assert [step.place for step in told] == [step.place for step in scale_steps(idle)]
    assert [step.log_scale for step in told] == pytest.approx([step.log_scale for step in scale_steps(idle)])


def days(count: int, seed: int = 1) -> list[float]:
    """The pace of a spindle beside its motor's, day by day."""
    rng = random.Random(seed)
    return [1.0 + rng.gauss(0, 5e-5) for _ in range(count)]


def test_a_belt_that_slips_more_and_more_is_seen_from_where_it_begins_until_a_new_belt_holds() -> None:
    """From day 40 on a tenth of a per cent more each day, set right on day 65."""
    pace = [p * (1 - 0.001 * max(0, n - 39) * (n < 65)) for n, p in enumerate(days(100))]
    told = behind(pace)
    for day, slip in enumerate(told):
        true = 0.001 * max(0, day - 39) * (day < 65)
        assert slip == pytest.approx(true, abs=3e-4 if true > 0.0015 else 1.5e-3)
    assert told[:40] == [0.0] * 40
    assert told[65:] == [0.0] * 35


@pytest.mark.parametrize("seed", range(10))
def test_a_belt_that_holds_is_left_alone(seed: int) -> None:
    """A year of days; one day off by itself is no slip; nor is a pace that is faster."""
    pace = days(300, seed)
    pace[100] *= 0.99
    pace[200:] = [1.01 * p for p in pace[200:]]
    assert behind(pace) == [0.0] * 300


def shift(shop: Shop, day: int, idle_kw: float, spindle_rpm: float = 2800.0, cold_kw: float = 0.0) -> None:
    """Eight hours of one stroke a minute, idle power and speeds every ten minutes; the first hour may be cold."""
    rng, start = random.Random(day), day * DAY
    facts: list = [stroke(day * 479 + i, start + i, part="P1", duration_s=2.0) for i in range(1, 480)]
    for i in range(1, 480, 10):
        power = idle_kw * math.exp(rng.gauss(0, 0.005)) + (cold_kw if i < 60 else 0.0)
        at = {"power_kw": power, "spindle_rpm": spindle_rpm + rng.gauss(0, 0.5), "motor_rpm": 3000.0}
        facts += [
            Sample("S1", "1", name, "", minute(start + i + 0.5), value, minute(start + i + 0.5) + 1_000_000)
            for name, value in at.items()
        ]
    shop.take(*facts)


def gauges(shop: Shop, at: float) -> Gauges:
    """What is known of gauges at a time."""
    return Gauges(shop.service.store.signals, minute(at))


def test_a_rescaled_saw_is_known_from_its_idle_power_and_only_once_there_is_enough_of_it(shop: Shop) -> None:
    """Colder mornings do not count; the factor of 1.12 from day 8 on is known after a shift, not after two hours."""
    for day in range(16):
        shift(shop, day, 2.0 if day < 8 else 2.24, cold_kw=0.4)
    told = gauges(shop, 16 * DAY)
    assert told.at("S1/1", minute(8 * DAY - 60)) == Gauge(0, 0.0)
    assert told.at("S1/1", minute(8 * DAY + 120)) == Gauge(pytest.approx(math.log(1.12), abs=0.01), 0.0)
    assert told.changes("S2/1") == ()
    assert gauges(shop, 8 * DAY + 185).changes("S1/1") == ()
    assert len(gauges(shop, 9 * DAY).changes("S1/1")) == 1
    assert gauges(shop, 900 * DAY).changes("S1/1") == told.changes("S1/1")


def test_a_sensor_that_stands_still_tells_no_idle_power(shop: Shop) -> None:
    """Two days of one and the same reading, as a stuck converter sends it, are no step."""
    for day in range(12):
        _frozen(shop, day) if day in (6, 7) else shift(shop, day, 2.0)
    assert gauges(shop, 12 * DAY).changes("S1/1") == ()


def _frozen(shop: Shop, day: int) -> None:
    """A shift whose power reads the same all day."""
    facts: list = [stroke(day * 479 + i, day * DAY + i, part="P1", duration_s=2.0) for i in range(1, 480)]
    facts += [
        Sample("S1", "1", "power_kw", "", minute(day * DAY + i + 0.5), 2.6, minute(day * DAY + i + 1))
        for i in range(1, 480, 10)
    ]
    shop.take(*facts)


def test_why_names_the_newest_day_of_a_belt_that_slips_and_the_one_on_which_it_holds_again() -> None:
    """Of one saw the slip as it stands; of the other that it is over; a rescaled sensor by its factor."""
    told = _changes(
        [
            ("S1/1", Change(minute(0), 0.0, 0.004)),
            ("S1/1", Change(minute(DAY), 0.0, 0.006)),
            ("S2/1", Change(minute(0), 0.0, 0.01)),
            ("S2/1", Change(minute(2 * DAY), 0.0, 0.0)),
            ("S2/1", Change(minute(3 * DAY), math.log(1.12))),
        ],
        UTC,
    )
    first, second, third = told
    assert (first.name, first.value, first.unit) == ("spindle of S1/1 behind its pace on 2026-03-03", 0.6, "%")
    assert (second.name, second.value) == ("spindle of S2/1 back at its pace since", "2026-03-04")
    assert third.value == "1.12 times as much"


def test_how_far_a_belt_lets_the_spindle_fall_behind_is_known_from_the_day_after(shop: Shop) -> None:
    """Half a per cent slower beside its motor from day 12 on: two days tell it; the running day goes as the last."""
    for day in range(16):
        shift(shop, day, 2.0, spindle_rpm=2800.0 if day < 12 else 2786.0)
    told = gauges(shop, 15 * DAY + 240)
    assert told.at("S1/1", minute(12 * DAY - 600)) == Gauge(0, 0.0)
    for day in (12, 13, 15):
        assert told.at("S1/1", minute(day * DAY + 200)) == Gauge(0, pytest.approx(0.005, abs=3e-4))
    assert gauges(shop, 13 * DAY + 240).changes("S1/1") == ()
