"""A screen that lives: it looks at as many saws as a frame has time for, the ones that matter first."""

from __future__ import annotations

import time
from typing import Final

from bladewatch.alerts import Alert, judge
from bladewatch.assess.assessment import URGENCY, Assessment
from bladewatch.assess.moment import Moment
from bladewatch.service import Service
from bladewatch.stores.protocols import Spot

FRAME_S: Final = 0.06
"""How long one look may take beside the drawing: with a hundred saws a frame stays below a tenth of a second."""
URGENT_WEIGHT: Final = 4.0
"""A saw that calls for somebody is looked at so much more often than one that does not."""


class Watch:
    """The assessments of a shop, kept fresh look by look.

    Each look takes the saws that have waited longest, those that call for somebody four times as often, until the
    frame's time is used. A shop of a few saws is looked at whole each time.
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._moment: Moment | None = None
        self._found: dict[Spot, Assessment] = {}
        self._looked: dict[Spot, float] = {}
        self.spots = 0
        """How many spindles there are."""
        self.at_us = service.clock()
        self.assessments: list[Assessment] = []
        """What is known of the saws looked at so far, in the order of the configuration."""

    def look(self, frame_s: float = FRAME_S) -> None:
        """Bring as many saws up to date as the time allows, at least one."""
        service = self._service
        started = time.perf_counter()
        with service.store.snapshot():
            self.at_us = service.clock()
            self._moment = Moment(service.config, service.store, self.at_us, past=self._moment)
            spots = list(self._moment.spots())
            for spot in sorted(spots, key=lambda spot: -self._waited(spot, started)):
                self._found[spot] = self._moment.assess(spot)
                self._looked[spot] = time.perf_counter()
                if self._looked[spot] - started >= frame_s:
                    break
        self._found = {spot: self._found[spot] for spot in spots if spot in self._found}
        self.spots = len(spots)
        self.assessments = self._moment.with_spares(list(self._found.values()))

    def _waited(self, spot: Spot, now: float) -> float:
        if spot not in self._looked:
            return float("inf")
        urgent = URGENCY[self._found[spot].verdict] < URGENCY["cannot-tell"]
        return (now - self._looked[spot]) * (URGENT_WEIGHT if urgent else 1.0)

    @property
    def whole(self) -> bool:
        """Whether every saw has been looked at."""
        return self._moment is not None and len(self._found) == self.spots

    def alerts(self) -> list[Alert]:
        """The alerts by what was found."""
        return judge(self.assessments, self.at_us, self._service.zone)
