"""From one counter value to the next."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bladewatch.counter import MODULI, step

LONG_US = 3600 * 1_000_000


@pytest.mark.parametrize(
    ("before", "after", "seconds", "kind", "strokes"),
    [
        (None, 512, 0, "first", 1),
        (41, 42, 9, "next", 1),
        (41, 41, 9, "same", 0),
        (41, 45, 40, "gap", 4),
        (65_530, 4, 120, "rollover", 10),
        (32_767, 0, 10, "rollover", 1),
        (2**32 - 1, 1, 30, "rollover", 2),
        (5_000, 0, 60, "reset", 0),
        (5_000, 1, 60, "reset", 1),
        (5_000, 7, 60, "reset", 7),
        (100, 99, 9, "step-back", 0),
        (100, 98, 9, "step-back", 0),
        (2, 1, 60, "reset", 1),
        (100, 40_000, 60, "edited", 1),
        (50_000, 20_000, 60, "edited", 1),
    ],
)
def test_rollover_reset_correction_and_edit_are_told_apart(
    before: int | None, after: int, seconds: int, kind: str, strokes: int
) -> None:
    """Each trouble of a counter counts as the shop floor counts it."""
    assert step(before, after, seconds * 1_000_000) == (kind, strokes)


@given(st.integers(0, 2**40), st.integers(0, 2**40), st.integers(0, 30 * 24 * 3600))
def test_a_step_is_never_negative_and_never_more_than_a_saw_can_make(before: int, after: int, seconds: int) -> None:
    """Whatever the counter does, the strokes counted fit into the time between."""
    made = step(before, after, seconds * 1_000_000)
    assert 0 <= made.strokes <= 1 + seconds * 2


@given(st.sampled_from(MODULI), st.integers(1, 50), st.integers(0, 49))
def test_strokes_across_a_rollover_add_up(modulus: int, missing: int, place: int) -> None:
    """A counter that rolls over between two readings counts what lies between them."""
    before = modulus - 1 - place
    assert step(before, (before + missing) % modulus, LONG_US).strokes == missing
