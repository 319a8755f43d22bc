"""What happens to messages on their way: lost, doubled, late, out of order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random
from typing import Final

from bladewatch.demo.setting import Setting
from bladewatch.demo.shop import Message
from bladewatch.demo.troubles import Episode

LATE_SHARE: Final = 0.1
_ORDER_US: Final = 2_000_000


class Wire:
    """The way from the saws to the collector."""

    def __init__(self, setting: Setting, episodes: Sequence[Episode]) -> None:
        self._gaps = [episode for episode in episodes if episode.kind == "gap"]
        self._double = setting.size("duplicate")
        self._late_s = setting.size("disorder")
        self._rng = Random(f"{setting.seed}/wire")

    def carry(self, sent: Iterable[Message]) -> list[Message]:
        """What arrives, in the order of arrival."""
        arrived: list[Message] = []
        for message in sent:
            if any(gap.on(message.saw, message.received_us) for gap in self._gaps):
                continue
            late_us = 0
            if self._late_s and self._rng.random() < LATE_SHARE:
                late_us = round(self._rng.uniform(0, self._late_s) * 1_000_000)
            arrived.append(message._replace(received_us=message.received_us + late_us))
            if self._double and self._rng.random() < self._double:
                again_us = self._rng.randrange(1000, _ORDER_US)
                arrived.append(message._replace(received_us=message.received_us + late_us + again_us))
        return sorted(arrived)
