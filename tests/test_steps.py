"""The trace of a change in the load: found on two parts after a stop, not where something else fell."""

from __future__ import annotations

import json
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.steps import STOP_US, StepWatch
from models.unitstep import UnitWatch

SECOND = 1_000_000


class Saw:
    """Strokes a minute apart in jobs of twenty, a stop between two jobs; log load by part, with noise."""

    def __init__(self, seed: int = 1, lots: bool = False) -> None:
        self.watch = StepWatch()
        self.rng = Random(seed)
        self.now = 0
        self.lots = lots
        self.jobs = 0

    def job(self, part: str, wear: float, cuts: int = 20, extra: float = 0.0, lot: str | None = None) -> None:
        """A job after a stop: ``wear`` is the rise of log load since sharp, ``extra`` what else raises it."""
        self.jobs += 1
        before, self.now = self.now, self.now + 8 * 60 * SECOND
        if before:
            self.watch.stop(before, self.now)
        for _ in range(cuts):
            load = {"A": 6.5, "B": 7.1, "C": 6.9}[part] + wear + extra + self.rng.gauss(0, 0.03)
            alloy = "copper" if part == "C" else "aluminium"
            self.watch.update(self.now, self.now, part, alloy, lot or "L1", load, 60.0)
            self.now += 60 * SECOND


def worn(seed: int = 1, rise: float = 0.3) -> Saw:
    """A blade that has cut thirty jobs, its load up by ``rise``."""
    saw = Saw(seed)
    for number in range(30):
        saw.job("AB"[number % 2], rise * number / 30)
    return saw


@pytest.mark.parametrize("rise", [0.15, 0.3, 0.45])
def test_a_sharp_blade_after_a_worn_one_is_found_at_its_stop_within_two_jobs(rise: float) -> None:
    """On two parts, at the stop where it was changed."""
    saw = worn(rise=rise)
    changed_us = saw.now + 8 * 60 * SECOND
    saw.job("A", 0.0)
    saw.job("B", 0.0)
    (found,) = saw.watch.found
    assert found.to_us == changed_us
    assert {part.part for part in found.parts} == {"A", "B"}
    assert -1.1 * rise <= found.drop <= -rise / 2  # held against the past, which lay lower


def test_a_blade_that_stays_is_never_found() -> None:
    """Wear rises, jobs and stops come and go: a thousand strokes with nothing to ask."""
    for seed in range(12):
        saw = Saw(seed)
        for number in range(50):
            saw.job("ABC"[number % 3], 0.008 * number)
        assert saw.watch.found == []


@pytest.mark.parametrize("jobs", [2, 4])
def test_galling_that_is_cleaned_off_brings_the_load_back_and_asks_nothing(jobs: int) -> None:
    """Up by a quarter for some eighty strokes, then back to where it was, not below."""
    for seed in range(8):
        saw = worn(seed)
        for _ in range(jobs):
            saw.job("A", 0.3, extra=0.22)
        saw.job("A", 0.3)
        saw.job("B", 0.3)
        assert saw.watch.found == [], seed


def test_a_hard_lot_that_ends_asks_nothing() -> None:
    """One alloy's load falls with the lot, the other's stays."""
    for seed in range(8):
        saw = worn(seed)
        for number in range(20):
            saw.job(
                "AC"[number % 2], 0.3, extra=0.17 if number % 2 == 0 else 0.0, lot="H1" if number % 2 == 0 else "L1"
            )
        saw.job("A", 0.3, lot="L2")
        saw.job("C", 0.3)
        saw.job("A", 0.3, lot="L2")
        assert saw.watch.found == [], seed


def test_one_part_alone_is_kept_where_it_is_plain_and_says_that_it_is_one() -> None:
    """It takes another sign to ask."""
    saw = worn(rise=0.45)
    saw.job("A", 0.0, cuts=30)
    (found,) = saw.watch.found
    assert len(found.parts) == 1
    small = worn(rise=0.15)
    small.job("A", 0.0, cuts=30)
    assert small.watch.found == []


def test_a_second_change_is_found_too() -> None:
    """After one that was found the watch begins anew."""
    saw = worn()
    for number in range(30):
        saw.job("AB"[number % 2], 0.3 * number / 30)
    saw.job("A", 0.0)
    saw.job("B", 0.0)
    assert len(saw.watch.found) == 2


@given(st.integers(0, 2**32), st.integers(1, 60), st.integers(1, 60))
def test_a_watch_that_was_stored_goes_on_to_the_last_bit(seed: int, first: int, then: int) -> None:
    """Incremental equals batch, through JSON, wherever it is cut."""
    whole, cut = Saw(seed), Saw(seed)
    rng = Random(seed)
    jobs = [(rng.choice("ABC"), rng.uniform(0, 0.4), rng.randint(1, 25)) for _ in range(first + then)]
    for place, (part, wear, cuts) in enumerate(jobs):
        whole.job(part, wear, cuts)
        if place == first:
            cut.watch = StepWatch.restore(json.loads(json.dumps(cut.watch.state())))
        cut.job(part, wear, cuts)
    assert whole.watch.state() == cut.watch.state()


def test_what_is_kept_stays_small() -> None:
    """Hundreds of parts and thousands of stops: a state of bounded size."""
    saw = Saw()
    sizes = []
    for number in range(3000):
        before, saw.now = saw.now, saw.now + STOP_US
        if before:
            saw.watch.stop(before, saw.now)
        for _ in range(12):
            saw.watch.update(saw.now, saw.now, f"P{number % 300}", "x", None, 6.5, 60.0)
            saw.now += SECOND
        sizes.append(len(json.dumps(saw.watch.state())))
    assert max(sizes) < 40_000


@given(st.lists(st.sampled_from([1.0, 1 / 25.4]), min_size=1, max_size=30))
def test_a_unit_that_steps_back_and_forth_is_doubtful_exactly_while_it_is_off(scales: list[float]) -> None:
    """The first unit is the one that holds."""
    watch = UnitWatch()
    for place, scale in enumerate(scales):
        watch.update(place, place, "P", 40.0 * scale)
        assert watch.doubtful == (scale != scales[0])
    again = UnitWatch.restore(json.loads(json.dumps(watch.state())))
    assert again.state() == watch.state()
