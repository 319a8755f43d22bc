"""An hour of readings, packed."""

from __future__ import annotations

import math
import random

from hypothesis import given
from hypothesis import strategies as st

from bladewatch.stores.blocks import Reading, pack, unpack

_READINGS = st.lists(
    st.builds(
        Reading,
        st.integers(-(2**52), 2**55),
        st.floats(allow_nan=False, allow_infinity=False) | st.integers(-1000, 1000).map(lambda n: n / 100),
        st.integers(-(2**52), 2**55),
    ),
    max_size=60,
    unique_by=lambda reading: reading.ts_us,
).map(sorted)


@given(_READINGS)
def test_what_is_packed_comes_back_bit_for_bit(readings: list[Reading]) -> None:
    """Instants, values and their known, whatever they are."""
    again = unpack(pack(readings))
    assert again == readings
    assert [math.copysign(1, r.value) for r in again] == [math.copysign(1, r.value) for r in readings]


def test_a_million_readings_take_at_most_five_megabytes() -> None:
    """A jittery live series at 1 Hz, rounded as a gateway rounds it, its receipts in milliseconds."""
    rng = random.Random(1)
    total = count = 0
    for hour in range(20):
        start = hour * 3_600_000_000
        readings = []
        for i in range(3600):
            ts_us = start + i * 1_000_000 + rng.randint(-3, 3) * 1000
            readings.append(Reading(ts_us, round(2 + rng.gauss(0, 0.3), 2), ts_us + rng.randint(20, 400) * 1000))
        total += len(pack(readings))
        count += len(readings)
    assert total / count < 5.0
