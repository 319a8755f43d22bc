"""Publishers number their messages: a number that never came is reported, never invented.

``Sequences`` watches the numbers of each topic. A number that is passed over waits a while, as messages may come
out of order, and is then told once. A publisher that starts anew from a lower number starts a new count.
"""

from __future__ import annotations

from typing import Final, NamedTuple

PATIENCE_US: Final = 60_000_000
RESTART: Final = 1000
"""A number this far below the highest is a restart, not a late message."""
MOST_WAITING: Final = 10_000


class Missing(NamedTuple):
    """Numbers of a topic that did not come, both ends included."""

    topic: str
    first: int
    last: int


class Sequences:
    """The numbers seen so far, by topic.

    >>> watch = Sequences()
    >>> for number in (1, 2, 5, 4): watch.observe("a", number, 0)
    >>> watch.overdue(0), watch.overdue(PATIENCE_US)
    ([], [Missing(topic='a', first=3, last=3)])
    """

    def __init__(self) -> None:
        self._highest: dict[str, int] = {}
        self._waiting: dict[str, dict[int, int]] = {}

    def observe(self, topic: str, number: int, received_us: int) -> None:
        """Take the number of a message."""
        highest = self._highest.get(topic)
        waiting = self._waiting.setdefault(topic, {})
        if highest is None or number < highest - RESTART or number <= 1 < highest:
            waiting.clear()
            self._highest[topic] = number
        elif number > highest:
            for missing in range(max(highest + 1, number - MOST_WAITING), number):
                waiting[missing] = received_us
            self._highest[topic] = number
        else:
            waiting.pop(number, None)

    def overdue(self, now_us: int) -> list[Missing]:
        """Numbers that have been waited for long enough; each is told once."""
        found: list[Missing] = []
        for topic, waiting in self._waiting.items():
            late = sorted(number for number, since in waiting.items() if now_us - since >= PATIENCE_US)
            for number in late:
                del waiting[number]
                if found and found[-1].topic == topic and found[-1].last == number - 1:
                    found[-1] = found[-1]._replace(last=number)
                else:
                    found.append(Missing(topic, number, number))
        return found
