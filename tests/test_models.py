"""What every model owes, and what each of ours claims. Truth is simulated here; nothing is fitted to these seeds."""

from __future__ import annotations

import json
import math
import random
from typing import Any

import numpy as np
import pytest

from models.cycle import Cut, CycleState
from models.energy import EDGE_SHARE_MM, EdgeIndex
from models.forecast import hours_until
from models.jobs import Job, run_down
from models.stints import Stints


def cuts(count: int, rng: random.Random, wear_per_cut: float = 0.0, override: float = 1.0) -> list[Cut]:
    """Cuts of one alloy whose edge force grows with each cut."""
    found = []
    for i in range(count):
        feed = 0.012 * override
        edge = 15.0 * (1 + wear_per_cut * i)
        u = (750 + edge / feed) * math.exp(rng.gauss(0, 0.03))
        found.append(Cut(i * 60_000_000, True, True, "6063", 50_000, False, True, u, feed))
    return found


def test_the_edge_index_follows_the_edge_force() -> None:
    """Edge force doubled: the index is near two, and its error says how near."""
    state = CycleState()
    for cut in cuts(3000, random.Random(2), wear_per_cut=1 / 2850):
        state.update(cut)
    index = state.index.now
    assert index is not None
    assert index.value == pytest.approx(2.0, abs=0.12)
    assert 0.005 < index.error < 0.1


def test_a_feed_override_is_not_taken_for_wear() -> None:
    """70 % feed on a sharp blade raises energy by a sixth and leaves the index alone."""
    state = CycleState()
    sharp = cuts(600, random.Random(3))
    slow = cuts(600, random.Random(4), override=0.7)
    for cut in sharp + [c._replace(ts_us=c.ts_us + 600 * 60_000_000) for c in slow]:
        state.update(cut)
    index = state.index.now
    assert index is not None
    assert index.value == pytest.approx(1.0, abs=0.08)
    assert slow[0].specific_n_mm2 / sharp[0].specific_n_mm2 > 1.1


def test_cold_cuts_do_not_enter_the_index() -> None:
    """The first quarter of an hour after a pause is left out."""
    state = CycleState()
    for i in range(3000):
        state.update(Cut(i * 3 * 3_600_000_000, True, True, "6063", 100, False, True, 2000.0, 0.01))
    assert state.index.now is None
    assert state.cuts == 3000


def test_a_cycle_state_stored_and_restored_goes_on_bit_for_bit() -> None:
    """Incremental equals batch, through JSON, at any cut."""
    rng = random.Random(9)
    run = cuts(1200, rng, wear_per_cut=1e-4)
    whole = CycleState()
    for cut in run:
        whole.update(cut)
    for place in (0, 1, 49, 150, 151, 700, 1199):
        part = CycleState()
        for cut in run[:place]:
            part.update(cut)
        part = CycleState.restore(json.loads(json.dumps(part.state())))
        for cut in run[place:]:
            part.update(cut)
        assert part.state() == whole.state()


def test_index_needs_enough_cuts() -> None:
    """Before a baseline and three blocks there is no index."""
    index = EdgeIndex()
    for _ in range(50 + 100 + 74):
        index.update("6063", 1500.0, EDGE_SHARE_MM, 0)
    assert index.now is None
    index.update("6063", 1500.0, EDGE_SHARE_MM, 0)
    assert index.now is not None
    assert index.now.value == pytest.approx(1.0)


def test_the_hours_until_some_cuts_are_made_follow_the_weeks_that_were() -> None:
    """Five days of sixteen hours a week: the date falls into a shift, two weeks and two and a half days on."""
    hour = np.arange(28 * 24)
    shift = ((hour // 24) % 7 < 5) & (hour % 24 >= 6) & (hour % 24 < 22)
    hours = hours_until(np.full(200, 12_000.0), shift * 60.0)
    assert hours is not None
    assert set(np.round(hours, 6)) == {round(2 * 7 * 24 + 2 * 24 + 14.0, 6)}


def test_cuts_beyond_the_horizon_go_on_at_the_mean_pace() -> None:
    """Far away is still a number, and no hour is invented."""
    hours = hours_until(np.array([15_000.0, 0.0]), np.full(28 * 24, 3.0))
    assert hours is not None
    assert list(hours) == pytest.approx([5000.0, 0.0])


def test_a_history_without_cuts_gives_no_date() -> None:
    """Nothing cut, nothing to draw from."""
    assert hours_until([1.0], np.zeros(24)) is None
    with pytest.raises(ValueError, match="multiple of 24"):
        hours_until([1.0], np.zeros(25))


def test_weeks_without_work_are_not_drawn_as_coming_weeks() -> None:
    """A holiday lies behind, not ahead."""
    hour = np.arange(28 * 24)
    busy = (((hour // 24) % 7 < 5) & (hour < 14 * 24)) * 1.0
    hours = hours_until(np.full(200, 24.0), busy)
    assert hours is not None
    assert hours.max() <= 7 * 24


def test_the_part_of_the_running_hour_that_is_over_does_not_come_again() -> None:
    """A date does not move while nothing is cut."""
    hour = np.arange(28 * 24)
    shift = ((hour % 24 >= 6) & (hour % 24 < 22)) * 1.0
    ends_at = []
    for elapsed in (0.0, 0.5, 0.99):
        hours = hours_until([20.0], shift, elapsed)
        assert hours is not None
        ends_at.append(elapsed + hours[0])
    assert ends_at == pytest.approx([ends_at[0]] * 3)


JOBS = [Job("6063", 60, 0.2), Job("6063", 40, 0.1), Job("Cu", 50, 0.08)]


def flat(alloy: str) -> np.ndarray:
    """A square metre of copper uses three times as much as one of aluminium."""
    return np.full(400, 0.3 if alloy == "Cu" else 0.1)


def test_a_budget_runs_down_along_the_jobs_that_were() -> None:
    """Far ahead the mean of the jobs rules; near by it is this job or that."""
    mean_use = np.mean([0.02, 0.01, 0.024])
    far, near = (run_down(np.full(400, budget), flat, JOBS) for budget in (1.0, 0.012))
    assert far is not None
    assert near is not None
    assert np.mean(far.area_m2) == pytest.approx(np.mean([0.2, 0.1, 0.08]) / mean_use, rel=0.03)
    assert np.mean(far.cuts) == pytest.approx(50 / mean_use, rel=0.03)
    assert set(np.round(near.area_m2[near.area_m2 < 0.05], 6)) == {0.04}  # copper at once
    assert near.area_m2.max() <= 0.12 + 1e-9
    spent = run_down(np.zeros(400), flat, JOBS)
    assert spent is not None
    assert spent.cuts.max() == 0.0


def test_the_running_job_is_finished_first_and_a_queue_comes_next() -> None:
    """Forty-five of a job are made, and past jobs were forty, fifty and sixty long; then two jobs are given."""
    running, queue = Job("6063", 45, 0.09), [Job("Cu", 10, 0.016), Job("6063", 1000, 2.0)]
    found = run_down(np.full(400, 0.05), flat, JOBS, running, queue)
    assert found is not None
    rests = {5: 0.01, 15: 0.03}
    ends = {round(area + 0.016 + (0.05 - 0.1 * area - 0.0048) / 0.1, 6) for area in rests.values()}
    assert set(np.round(found.area_m2, 6)) == ends


def test_where_a_cut_is_a_cut_no_area_is_asked() -> None:
    """The site's rule of so many cuts."""
    found = run_down(np.full(400, 500.0), flat, JOBS, by_cuts=True)
    assert found is not None
    assert set(np.round(found.cuts, 6)) == {500.0}
    assert run_down(np.full(400, 1.0), flat, []) is None


def stinted(count: int, rng: random.Random, **how: Any) -> Stints:
    """Stints of jobs of two parts, a hundred cuts each."""
    stints = Stints()
    for i in range(count):
        part = "P" if i // 100 % 2 else "Q"
        log_u = (7.0 if part == "P" else 7.5) + rng.gauss(0, 0.03)
        stints.update(i, part, "6063", "L", 0, 1000, math.log(0.01), log_u, how.get("pace"))
    return stints


def test_stints_hold_all_that_was_cut_and_their_middle_energies() -> None:
    """A hundred and seventy cuts of two jobs: two stints, sums exact, energies within the noise of their medians."""
    first, second = stinted(170, random.Random(1)).rows()
    assert (first.cuts, second.cuts, first.area_cmm2 + second.area_cmm2) == (100, 70, 170_000)
    assert first.loaded + second.loaded == 170
    assert first.log_u == pytest.approx(7.5, abs=0.015)
    assert second.log_u == pytest.approx(7.0, abs=0.02)
    assert first.travel == pytest.approx(100_000 / 0.01)
    assert (first.from_us, first.to_us, second.from_us, second.to_us) == (0, 99, 100, 169)


def test_a_stint_that_was_galled_in_part_tells_the_energy_of_the_rest() -> None:
    """The last forty of a hundred cuts cost up to 30 % more: within 1 %, where their mean would be 7 % off."""
    stints, rng = Stints(), random.Random(4)
    for i in range(100):
        galled = rng.uniform(0.1, 0.26) if i >= 60 else 0.0
        stints.update(i, "P", "6063", "L", 0, 1000, math.log(0.01), 7.0 + rng.gauss(0, 0.03) + galled)
    (row,) = stints.rows()
    assert row.loaded == 100
    assert row.log_u == pytest.approx(7.0, abs=0.01)


def test_cuts_at_another_pace_than_most_of_their_stint_tell_nothing() -> None:
    """Thirty of eighty were fed at 70 %, unlogged: they are left out, and the feed is that of the others."""
    stints, slow = Stints(), math.log(0.7)
    for i in range(80):
        off = slow if 20 <= i < 50 else 0.0
        stints.update(i, "P", "6063", "L", 0, 1000, math.log(0.01), 7.0 - 0.6 * off, off)
    (row,) = stints.rows()
    assert (row.cuts, row.loaded) == (80, 50)
    assert (row.log_u, row.log_fz) == (pytest.approx(7.0), pytest.approx(math.log(0.01)))


def test_a_feed_that_the_clock_denies_is_set_right() -> None:
    """An override that nobody logged: the time in metal says seven tenths."""
    (told,) = stinted(60, random.Random(1), pace=math.log(0.7)).rows()
    assert math.exp(told.log_fz) == pytest.approx(0.007)
    assert told.travel == pytest.approx(60_000 / 0.007)


def test_stints_stay_few_and_lose_no_area() -> None:
    """A saw that changes its part at every stroke, for forty thousand strokes."""
    stints, rng = Stints(), random.Random(2)
    for i in range(40_000):
        alloy = rng.choice(("6063", "6082", "Cu"))
        stints.update(i, f"P{i % 97}", alloy, f"L{i // 900}", 0, 1000, math.log(0.01), 7.0)
        assert len(stints.closed) < 160
    rows = stints.rows()
    assert sum(row.area_cmm2 for row in rows) == 40_000_000
    assert sum(row.cuts for row in rows) == 40_000
    assert (min(row.from_us for row in rows), max(row.to_us for row in rows)) == (0, 39_999)
    assert {row.alloy for row in rows} == {"6063", "6082", "Cu"}


def test_stints_stored_and_restored_go_on_bit_for_bit() -> None:
    """At any place, through JSON."""
    rng = random.Random(3)
    told = [(rng.choice("PQ"), rng.choice((None, 7.1, 7.3)), rng.choice((0.01, 0.007))) for _ in range(700)]
    whole, parts = Stints(), Stints()
    for place, (part, log_u, fz) in enumerate(told):
        if place % 61 == 0:
            parts = Stints.restore(json.loads(json.dumps(parts.state())))
        for stints in (whole, parts):
            stints.update(place, part, "6063", None, 0, 1000, math.log(fz), log_u)
    assert parts.state() == whole.state()
    assert parts.rows() == whole.rows()
