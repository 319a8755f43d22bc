"""The shop's clock in fast time: the same for the saws, which are another process, and for the collector."""

from __future__ import annotations

import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FastClock:
    """Shop time [µs] by the wall clock: it stands at ``from_us`` until ``start_s``, runs, and stands at ``to_us``.

    >>> FastClock(1_000_000, 9_000_000, start_s=0.0, speed=1e-6)() > 1_000_000
    True
    """

    from_us: int
    to_us: int
    start_s: float
    speed: float

    def __call__(self) -> int:
        """Now, in the shop."""
        passed_us = max(time.time() - self.start_s, 0.0) * self.speed * 1e6
        return min(self.from_us + round(passed_us), self.to_us)

    @property
    def over(self) -> bool:
        """Whether it has come to its end."""
        return self() >= self.to_us

    def wall_s(self, us: int) -> float:
        """The wall clock's seconds at a shop instant."""
        return self.start_s + (us - self.from_us) / 1e6 / self.speed
