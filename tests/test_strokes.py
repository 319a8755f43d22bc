"""Stroke accounting: counter readings to counted strokes, with contact, alloy, area and blade."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.strokes import SpotWork
from collectors.facts import Sample


def counted(shop: Shop, until_minute: float = 1000, after_minute: float = -1000, saw: str = "S1") -> list:
    service = shop.service
    work = SpotWork(service.config, service.store.signals, (saw, "1"), minute(10**6))
    return list(work.between(minute(after_minute), minute(until_minute)))


def told(shop: Shop, **window: float) -> list[tuple[float, str, float, bool]]:
    """Minute, alloy, mm², seen."""
    return [
        (round((c.ts_us - minute(0)) / 60e6, 3), c.alloy, c.area_cmm2 / 100, c.stroke is not None)
        for c in counted(shop, **window)
    ]


def power(at_minute: float, kw: float, known_minute: float | None = None, signal: str = "power_kw") -> Sample:
    known = at_minute if known_minute is None else known_minute
    return Sample("S1", "1", signal, "", minute(at_minute), kw, minute(known))


def test_area_and_alloy_come_from_the_message_else_from_the_part_table(shop: Shop) -> None:
    """The message speaks first; bars and mitre scale the table's area."""
    shop.take(
        stroke(1, 0, part="P1"),
        stroke(2, 1, part="P1", area_cmm2=12345, alloy="EN AW-6063"),
        stroke(3, 2, part="P1", bars=3),
        stroke(4, 3, part="P1", mitre_deg=60.0),
        stroke(5, 4, part="P9", alloy="house"),
    )
    mean = (1000 + 123.45 + 1500 + 2000) / 4
    assert told(shop) == [
        (0, "6063", 1000, True),
        (1, "6063", 123.45, True),
        (2, "6063", 1500, True),
        (3, "6063", 2000, True),
        (4, "house", pytest.approx(mean, abs=0.01), True),
    ]
    assert [c.guessed for c in counted(shop)] == [False, False, False, False, True]


def test_unknown_alloy_is_a_bucket_of_its_own(shop: Shop) -> None:
    """A stroke without alloy and part is never added to another alloy."""
    shop.take(stroke(1, 0, area_cmm2=100), stroke(2, 1, part="P1"))
    assert [alloy for _, alloy, _, _ in told(shop)] == ["unknown", "6063"]


def test_strokes_made_unseen_lie_evenly_and_take_the_part_of_their_neighbours(shop: Shop) -> None:
    """Between two strokes of one part they are like the first; between two parts their alloy is unknown."""
    shop.take(stroke(10, 0, part="P1"), stroke(13, 3, part="P1"), stroke(15, 5, part="P2"))
    assert told(shop) == [
        (0, "6063", 1000, True),
        (1, "6063", 1000, False),
        (2, "6063", 1000, False),
        (3, "6063", 1000, True),
        (4, "unknown", 1000, False),
        (5, "6082", 500, True),
    ]


def test_counter_troubles_count_as_the_shop_counts(shop: Shop) -> None:
    """Rollover, reset, correction, the same value again: strokes are increments."""
    values = [65534, 65535, 1, 2, 2, 1, 2, 3, 0, 1, 2]
    shop.take(*(stroke(value, place, part="P1") for place, value in enumerate(values)))
    assert len(counted(shop)) == 1 + 1 + 2 + 1 + 0 + 1 + 1 + 1 + 0 + 1 + 1


def test_a_gap_across_a_change_of_blade_is_shared_by_time(shop: Shop) -> None:
    """A mount owns the strokes after it up to its end, also those known only from the counter."""
    shop.take(stroke(10, 0, part="P1"), stroke(20, 10, part="P1"))
    assert len(counted(shop, until_minute=4)) == 5
    assert len(counted(shop, after_minute=4)) == 6


def test_a_stroke_at_idle_power_is_in_air(shop: Shop) -> None:
    """Mean power up to 1.1 times idle, by the newest whole hour before with three readings: no cut."""
    shop.take(*(power(i * 10 + 5, 2.0) for i in range(6)))
    shop.take(
        stroke(1, 30, part="P1", mean_power_kw=2.1, duration_s=2.0),
        stroke(2, 70, part="P1", mean_power_kw=2.19, duration_s=2.0),
        stroke(3, 71, part="P1", mean_power_kw=2.3, duration_s=2.0),
        stroke(4, 72, part="P1", energy_kj=4.2, duration_s=2.0),
        stroke(5, 73, part="P1", mean_power_kw=2.0, duration_s=2.0, kind="piece"),
        stroke(6, 74, part="P1", mean_power_kw=9.0, duration_s=2.0, kind="air"),
    )
    assert [c.contact for c in counted(shop)] == [True, False, True, False, True, False]


def test_idle_power_of_a_cold_first_hour_counts_only_where_there_is_no_other(shop: Shop) -> None:
    """2.0 kW warm, 2.6 in the first hour of each day: 2.25 is no air, but for the first day before it was warm."""
    shop.take(*(power(day * 1440 + i * 10 + 5, 2.6 if i < 6 else 2.0) for day in (0, 1) for i in range(12)))
    shop.take(
        stroke(1, 70, part="P1", mean_power_kw=2.6, duration_s=2.0),
        stroke(2, 150, part="P1", mean_power_kw=2.25, duration_s=2.0),
        stroke(3, 1440 + 70, part="P1", mean_power_kw=2.25, duration_s=2.0),
        stroke(4, 1440 + 71, part="P1", mean_power_kw=2.15, duration_s=2.0),
    )
    assert [c.contact for c in counted(shop, until_minute=2000)] == [False, True, True, False]


def test_without_three_readings_idle_is_unknown_and_nothing_is_called_air(shop: Shop) -> None:
    """Two readings an hour are no idle power; nor are older ones than a week."""
    shop.take(*(power(i * 10 + 5, 2.0) for i in range(2)), *(power(-20000 + i, 2.0) for i in range(60)))
    shop.take(stroke(1, 70, part="P1", mean_power_kw=2.0, duration_s=2.0))
    assert [c.contact for c in counted(shop)] == [True]


def test_load_percent_is_turned_to_power_by_the_saws_base(shop: Shop) -> None:
    """20 % of 10 kW is 2 kW of idle."""
    shop.take(*(power(i * 10 + 5, 20.0, signal="load_pct") for i in range(6)))
    shop.take(stroke(1, 70, part="P1", mean_power_kw=2.1, duration_s=2.0), stroke(2, 71, part="P1", mean_power_kw=3.0))
    assert [c.contact for c in counted(shop)] == [False, True]


def test_a_part_takes_its_new_area_from_its_day_on(make_shop: Callable[..., Shop]) -> None:
    """valid_from splits the history of a part."""
    shop = make_shop(
        CONFIG + '[[part]]\nid = "P1"\nvalid_from = 2026-03-02T06:10:00Z\nalloy = "6082"\narea_mm2 = 700\n'
    )
    shop.take(stroke(1, 9.9, part="P1"), stroke(2, 10, part="P1"))
    assert told(shop) == [(9.9, "6063", 1000, True), (10, "6082", 700, True)]


def test_energy_that_no_message_carries_comes_from_the_readings_inside_the_stroke(shop: Shop) -> None:
    """Spindle power at 10 Hz and a cut counter are enough for the specific energy."""
    shop.take(*(power(i * 10 + 5, 2.0) for i in range(6)))
    shop.take(*(power(70 + i / 600, 6.0) for i in range(21)))
    shop.take(stroke(1, 70 + 2 / 60, part="P1", duration_s=2.0, feed_mm_s=40.0))
    service = shop.service
    work = SpotWork(service.config, service.store.signals, ("S1", "1"), minute(10**6))
    (one,) = work.between(minute(0), minute(100))
    blade = service.config.blade_types.at("T", 0)
    cut = work.cut(one, blade, 4.0)
    assert cut.specific_n_mm2 == pytest.approx((6.0 - 2.0) * 2.0 * 1e6 / (1000 * 4.0))
    assert cut.feed_tooth_mm == pytest.approx(40.0 / (2800 / 60 * 96))


def test_an_aborted_cut_and_the_one_that_ends_it_are_one_section(make_shop: Callable[..., Shop]) -> None:
    """By the way of the feed through metal: a third, then the rest; both touch metal, neither is learnt from."""
    shop = make_shop(
        CONFIG.replace('alloy = "6063"\narea_mm2 = 1000\n', 'alloy = "6063"\narea_mm2 = 1000\nheight_mm = 60\n')
    )
    shop.take(
        stroke(1, 0, part="P1", feed_mm_s=30.0, duration_s=2.0),
        stroke(2, 1, part="P1", feed_mm_s=30.0, duration_s=0.7, kind="aborted"),
        stroke(3, 5, part="P1", feed_mm_s=30.0, duration_s=1.3),
        stroke(4, 6, part="P1", feed_mm_s=30.0, duration_s=2.0),
        stroke(5, 7, part="P1", feed_mm_s=30.0, duration_s=0.7, kind="aborted"),
        stroke(6, 9, part="P1", feed_mm_s=30.0, duration_s=2.0),
        stroke(7, 10, part="P1", feed_mm_s=30.0, duration_s=0.5),
    )
    assert [area for _, _, area, _ in told(shop)] == [1000, 350, 650, 1000, 350, 1000, 1000]
    assert [c.contact for c in counted(shop)] == [True] * 7
    assert [round(c.share, 3) for c in counted(shop)] == [1, 0.35, 0.65, 1, 0.35, 1, 1]


def test_an_aborted_cut_is_one_section_also_with_its_area_told_and_strokes_in_air_between(
    make_shop: Callable[..., Shop],
) -> None:
    """An area in the message is that of the whole section; a stroke in air to free the bar does not begin a new one."""
    shop = make_shop(
        CONFIG.replace('alloy = "6063"\narea_mm2 = 1000\n', 'alloy = "6063"\narea_mm2 = 1000\nheight_mm = 60\n')
    )
    shop.take(
        stroke(1, 1, part="P1", area_cmm2=100_000, feed_mm_s=30.0, duration_s=0.7, kind="aborted"),
        stroke(2, 2, part="P1", kind="air"),
        stroke(3, 5, part="P1", area_cmm2=100_000, feed_mm_s=30.0, duration_s=1.3),
    )
    assert [c.area_cmm2 for c in counted(shop)] == [35_000, 0, 65_000]


def test_an_aborted_cut_whose_way_nobody_knows_goes_by_its_energy_else_as_whole_and_guessed(shop: Shop) -> None:
    """Net energy beside that of whole strokes of the part; an area that the message tells stays as told."""
    shop.take(*(power(i * 10 + 5, 2.0) for i in range(6)))
    shop.take(stroke(1, 2, part="P1", kind="aborted"))
    shop.take(*(stroke(2 + i, 70 + i, part="P1", energy_kj=14.0, duration_s=2.0) for i in range(12)))
    shop.take(
        stroke(14, 90, part="P1", energy_kj=7.0, duration_s=2.0, kind="aborted"),
        stroke(15, 91, part="P1", area_cmm2=12_300, kind="aborted"),
    )
    found = counted(shop)
    assert (found[0].area_cmm2, found[0].guessed) == (100_000, True)
    assert (found[-2].area_cmm2, found[-2].guessed) == (30_000, False)
    assert found[-1].area_cmm2 == 12_300


def test_bars_that_nobody_counts_are_inferred_from_energy_and_marked(make_shop: Callable[..., Shop]) -> None:
    """Only for a part that says so; the message's own bars always hold."""
    text = CONFIG + '[[part]]\nid = "P7"\nalloy = "6063"\narea_mm2 = 400\nbars = 2\nbars_vary = true\n'
    shop = make_shop(text)
    shop.take(*(power(i * 10 - 55, 2.0) for i in range(6)))
    shop.take(*(stroke(1 + i, 10 + i, part="P1", energy_kj=4.0 + 10.0, duration_s=2.0) for i in range(12)))
    later = [
        stroke(13 + i, 70 + i, part="P7", energy_kj=4.0 + 2.0 * n, duration_s=2.0) for i, n in enumerate((1, 2, 3, 5))
    ]
    shop.take(*later, stroke(17, 75, part="P7", energy_kj=14.0, duration_s=2.0, bars=1))
    found = counted(shop)[12:]
    assert [(c.bars, c.area_cmm2 / 100) for c in found] == [(1, 200), (2, 400), (3, 600), (5, 1000), (None, 200)]
    assert all(c.bars is None for c in counted(shop)[:12])


def test_an_alias_that_passes_to_another_saw_holds_from_its_day_on(make_shop: Callable[..., Shop]) -> None:
    """Renamed tags: the same name is one saw's before a day and another's after, for messages and for the ledger."""
    text = CONFIG.replace('aliases = ["Saw 2"]\n', 'aliases = ["Saw 2", "Tag 9"]\n') + (
        '[[saw]]\nid = "S2"\nvalid_from = 2026-03-02T08:00:00Z\nspindles = 2\naliases = ["Saw 2"]\n'
        '[[saw]]\nid = "S1"\nvalid_from = 2026-03-02T08:00:00Z\nrated_rpm = 2800\naliases = ["Tag 9"]\n'
    )
    shop = make_shop(text)
    site = shop.service.translator().site
    assert (site.saw("Tag 9", minute(0)), site.saw("Tag 9", minute(120))) == ("S2", "S1")
    shop.event(0, "opened", "A-1")
    shop.event(10, "mounted", "A-1", saw="Tag 9")
    shop.event(130, "opened", "A-2")
    shop.event(140, "mounted", "A-2", saw="Tag 9")
    fleet = shop.service.moment(minute(200)).known().fleet
    assert {spot: [m.plate for m in mounts] for spot, mounts in fleet.mounts.items()} == {
        ("S2", "1"): ["A-1"],
        ("S1", "1"): ["A-2"],
    }
