"""The shop's clock in fast time."""

from __future__ import annotations

import time


class PacedClock:
    """Shop time [µs] that somebody moves on: it never goes back.

    The demo moves it to the moment up to which the saws are told to publish, so that no message is late only because
    this machine is slow.

    >>> clock = PacedClock(1_000)
    >>> clock.move(5_000), clock.move(3_000), clock()
    (5000, 5000, 5000)
    """

    def __init__(self, from_us: int) -> None:
        self._now_us = from_us

    def __call__(self) -> int:
        """Now, in the shop."""
        return self._now_us

    def move(self, to_us: int) -> int:
        """Move on; the new time."""
        self._now_us = max(self._now_us, to_us)
        return self._now_us


class Pace:
    """Where a clock should be that covers a stretch of shop time in a number of seconds, starting now."""

    def __init__(self, from_us: int, to_us: int, seconds: float) -> None:
        self._from_us, self._to_us = from_us, to_us
        self._speed = (to_us - from_us) / max(seconds, 1e-3)
        self._started = time.monotonic()

    @property
    def due_us(self) -> int:
        """Shop time by now, at most the end of the stretch."""
        return min(self._from_us + round((time.monotonic() - self._started) * self._speed), self._to_us)
