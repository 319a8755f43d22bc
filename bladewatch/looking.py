"""Looking at the blades again and again: new alerts are said once, forecasts are kept as issued."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from bladewatch.contact import hour_of
from bladewatch.errors import BladewatchError
from bladewatch.pipeline import issue
from bladewatch.service import Service

if TYPE_CHECKING:
    from bladewatch.assess.moment import Moment

REVIEW_EVERY_S: Final = 20.0
SILENT_REVIEW_S: Final = 60.0
"""A saw that falls silent brings no news, so one also looks when nothing came."""
TIDY_EVERY_S: Final = 3600.0
WAIT_S: Final = 0.5


class Looking:
    """A shop's blades, looked at whenever it is time. ``every_s`` is how often while news come in."""

    def __init__(self, service: Service, say: Callable[[str], None], every_s: float = REVIEW_EVERY_S) -> None:
        self._service = service
        self._say = say
        self._every_s = every_s
        self._moment: Moment | None = None
        self._hour = -1
        self._looked = -SILENT_REVIEW_S

    def if_due(self, fresh: bool) -> bool:
        """Look if it is time, sooner where anything is ``fresh``; whether it was."""
        now = time.monotonic()
        hour = hour_of(self._service.clock())
        if hour == self._hour and now - self._looked < (self._every_s if fresh else SILENT_REVIEW_S):
            return False
        self._hour = hour
        self.look()
        self._looked = 2 * time.monotonic() - now  # looking takes half of the time at most
        return True

    def look(self) -> None:
        """Look at the blades: alerts that are new are said, forecasts that are due are kept as issued."""
        from bladewatch.alerts import judge

        service = self._service
        for _ in service.bring_up_to_date(open_only=True):
            pass
        with service.store.snapshot():
            self._moment = service.moment(past=self._moment)
            review = self._moment.review()
        alerts = judge(review.assessments, review.at_us, service.zone)
        for alert in issue(review.at_us, review.assessments, alerts, service.store, service.zone):
            self._say(f"alert {alert.level}: {alert.text}")


def follow(service: Service, say: Callable[[str], None], trouble: Callable[[str], None]) -> None:
    """Look until SIGTERM or SIGINT; a store that cannot be reached is said once and tried again."""
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stopping.set())
    looking, said, next_tidy = Looking(service, say), "", 0.0
    say(f"ready: looking at the blades of site {service.config.site.name}")
    while not stopping.is_set():
        try:
            looking.if_due(fresh=True)
            if time.monotonic() >= next_tidy:
                more = service.tidy()["hours"]
                next_tidy = time.monotonic() + (0 if more else TIDY_EVERY_S)
        except BladewatchError as error:
            if str(error) != said:
                said = str(error)
                trouble(f"not looked, trying again: {error}")
        else:
            if said:
                trouble("looking again")
            said = ""
        stopping.wait(WAIT_S)
