"""The collector's life: subscribe, store, look at the blades, look after the store, until it is told to stop."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from typing import Final

from bladewatch.errors import UnreachableError, UsageError
from bladewatch.pipeline import ingest
from bladewatch.service import Service
from collectors.facts import Batch
from collectors.instants import MINUTE_US
from collectors.mapping import Translator

REVIEW_EVERY_US: Final = MINUTE_US // 3
SILENT_REVIEW_US: Final = MINUTE_US
"""A saw that falls silent brings no news, so the collector also looks when nothing came."""
TIDY_EVERY_US: Final = 60 * MINUTE_US
RETRY_S: Final = 2.0


def collect(service: Service, say: Callable[[str], None], trouble: Callable[[str], None]) -> None:
    """Subscribe and store until SIGTERM or SIGINT; alerts are said once when they are raised."""
    from collectors.mqtt import Broker, Subscriber

    mqtt = service.config.mqtt
    password = None
    if mqtt.password_env is not None:
        password = os.environ.get(mqtt.password_env)
        if password is None:
            raise UsageError(f"[mqtt] password_env: the variable {mqtt.password_env} is not set")
    broker = Broker(
        host=mqtt.host,
        port=mqtt.port,
        tls=mqtt.tls,
        username=mqtt.username,
        password=password,
        shared_group=mqtt.shared_group,
        client_id=mqtt.client_id or f"bladewatch-{service.config.site.name}",
        version=5 if mqtt.version == "5" else 4,
    )
    translator = service.translator()
    upkeep = _Upkeep(service, translator, say, trouble)

    def take(batch: Batch) -> None:
        """Store, and try again while the database cannot be written: nothing is acknowledged meanwhile."""
        while True:
            try:
                ingest(batch, service.store, service.config.site.name)
            except UnreachableError as error:
                if stopping:
                    raise
                trouble(f"not stored, trying again: {error}")
                time.sleep(RETRY_S)
            else:
                upkeep.stored = True
                return

    subscriber = Subscriber(
        broker,
        translator,
        take,
        on_ready=lambda: say(f"ready: subscribed at {mqtt.host}:{mqtt.port} for site {service.config.site.name}"),
        on_trouble=trouble,
        clock_us=service.clock,
    )
    stopping: list[int] = []

    def stop(number: int, _frame: object) -> None:
        stopping.append(number)
        subscriber.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    subscriber.run(idle=upkeep.turn)


class _Upkeep:
    """What the collector does between batches: it reviews the blades, and once an hour looks after the store."""

    def __init__(
        self, service: Service, translator: Translator, say: Callable[[str], None], trouble: Callable[[str], None]
    ) -> None:
        self._service = service
        self._translator = translator
        self._say = say
        self._trouble = trouble
        self._reviewed_us = 0
        self._next_tidy_us = 0
        self.stored = False

    def turn(self) -> None:
        """Do what is due; a database that is busy or full is told and tried again."""
        try:
            self._turn(self._service.clock())
        except UnreachableError as error:
            self._trouble(f"upkeep put off: {error}")

    def _turn(self, now_us: int) -> None:
        for missing in self._translator.numbers.overdue(now_us):
            self._trouble(f"{missing.topic}: the publisher's numbers {missing.first} to {missing.last} never came")
        since_us = now_us - self._reviewed_us
        if since_us >= (REVIEW_EVERY_US if self.stored else SILENT_REVIEW_US):
            self.stored = False
            self._reviewed_us = now_us
            self._review(now_us)
        if now_us >= self._next_tidy_us:
            self._next_tidy_us = now_us + TIDY_EVERY_US
            self._service.store.refresh_idle(now_us)
            self._service.tidy()

    def _review(self, now_us: int) -> None:
        from bladewatch.alerts import judge

        service = self._service
        for _ in service.bring_up_to_date(open_only=True):
            pass
        review = service.review(now_us)
        for alert in judge(review.assessments, now_us, service.zone):
            row = {
                "key": alert.key,
                "level": alert.level,
                "cause": alert.cause,
                "saw": alert.saw,
                "plate": alert.plate,
                "raised_us": alert.raised_us,
                "known_us": now_us,
                "text": alert.text,
            }
            with service.store.transaction():
                new = service.store.books.raise_alert(row)
            if new:
                self._say(f"alert {alert.level}: {alert.text}")
