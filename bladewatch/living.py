"""The collector's life: subscribe, store, look at the blades, look after the store, until it is told to stop."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from bladewatch.config.tables import Mqtt
from bladewatch.errors import UnreachableError, UsageError
from bladewatch.forwarding import Forwarding
from bladewatch.looking import REVIEW_EVERY_S, Looking
from bladewatch.pipeline import ingest
from bladewatch.service import Service
from collectors.facts import Batch
from collectors.mqtt import Broker, Subscriber
from collectors.sequence import Missing

TIDY_EVERY_S: Final = 3600.0
RETRY_S: Final = 2.0
STOP_S: Final = 35.0
"""As long as a request to the shared store may take, and a little more."""


def collect(service: Service, say: Callable[[str], None], trouble: Callable[[str], None]) -> None:
    """Subscribe and store until SIGTERM or SIGINT; alerts are said once when they are raised.

    Raises ``UsageError`` on a desk.
    """
    if service.config.store.url.startswith("influx:"):
        raise UsageError("[store] url: a desk collects nothing; 'bladewatch alert follow' looks at its blades")
    collector = Collector(service, say, trouble)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: collector.stop())
    collector.run()


class Collector:
    """A shop's collector. ``run`` returns after ``stop``, which may be called from anywhere.

    ``review_every_s`` is how often it looks at the blades while news come in; ``upkeep`` False leaves packing and
    quotas to somebody else; ``hold_s`` is how long messages may wait for others before they are stored.
    """

    def __init__(
        self,
        service: Service,
        say: Callable[[str], None],
        trouble: Callable[[str], None],
        review_every_s: float = REVIEW_EVERY_S,
        upkeep: bool = True,
        hold_s: float | None = None,
    ) -> None:
        self._service = service
        self._say = say
        self._trouble = trouble
        self._looking = Looking(service, say, review_every_s)
        self._translator = service.translator()
        self._stopping = False
        self._fresh = False
        self._next_tidy = 0.0 if upkeep else float("inf")
        self.stored = 0
        mqtt = service.config.mqtt
        self._subscriber = Subscriber(
            _broker(service, hold_s),
            self._translator,
            self._take,
            on_ready=lambda: say(f"ready: subscribed at {mqtt.host}:{mqtt.port} for site {service.config.site.name}"),
            on_trouble=trouble,
            clock_us=service.clock,
        )

    def run(self) -> None:
        """Collect until told to stop; signals are forwarded beside it where a shared store is configured."""
        forwarding = self._forwarding()
        try:
            self._subscriber.run(idle=self._turn)
        finally:
            if forwarding is not None:
                forwarding.stop()
                forwarding.join(STOP_S)

    def _forwarding(self) -> Forwarding | None:
        """Raises ``UsageError`` where the shared store is configured and cannot be meant."""
        forwarder = self._service.forwarder()
        if forwarder is None:
            return None
        found = Forwarding(forwarder, self._trouble)
        found.start()
        return found

    def stop(self) -> None:
        """Ask for the end, after the batch in hand."""
        self._stopping = True
        self._subscriber.stop()

    def _take(self, batch: Batch) -> None:
        """Store, and try again while the database cannot be written: nothing is acknowledged meanwhile."""
        while True:
            try:
                ingest(batch, self._service.store, self._service.config.site.name)
            except UnreachableError as error:
                if self._stopping:
                    raise
                self._trouble(f"not stored, trying again: {error}")
                time.sleep(RETRY_S)
            else:
                self._fresh = True
                self.stored += batch.messages
                return

    def _turn(self) -> None:
        """Do what is due; a database that is busy or full is told and tried again."""
        now = time.monotonic()
        try:
            for missing in self._missing():
                self._trouble(f"{missing.topic}: the publisher's numbers {missing.first} to {missing.last} never came")
            if not self._service.config.store.part and self._looking.if_due(self._fresh):
                self._fresh = False
            if now >= self._next_tidy:
                self._next_tidy = now + TIDY_EVERY_S
                self._service.store.refresh_idle(self._service.clock())
                self._service.tidy()
        except UnreachableError as error:
            self._trouble(f"upkeep put off: {error}")

    def _missing(self) -> Iterator[Missing]:
        """The publishers' numbers that never came; of a shared subscription others have theirs."""
        if self._service.config.mqtt.shared_group is None:
            yield from self._translator.numbers.overdue(self._service.clock())

    @property
    def has_looked(self) -> bool:
        """Whether the blades were looked at since anything was stored."""
        return not self._fresh

    def review(self) -> None:
        """Look at the blades now."""
        self._looking.look()


def password_of(mqtt: Mqtt) -> str | None:
    """The password, from the variable that holds it. Raises ``UsageError`` where it is not set."""
    if mqtt.password_env is None:
        return None
    password = os.environ.get(mqtt.password_env)
    if password is None:
        raise UsageError(f"[mqtt] password_env: the variable {mqtt.password_env} is not set")
    return password


def client_id_of(service: Service) -> str:
    """The name under which the broker keeps the collector's session."""
    return service.config.mqtt.client_id or f"bladewatch-{service.config.site.name}"


def _broker(service: Service, hold_s: float | None) -> Broker:
    """Where to connect, by the configuration."""
    mqtt = service.config.mqtt
    broker = Broker(
        host=mqtt.host,
        port=mqtt.port,
        tls=mqtt.tls,
        username=mqtt.username,
        password=password_of(mqtt),
        shared_group=mqtt.shared_group,
        client_id=client_id_of(service),
        version=5 if mqtt.version == "5" else 4,
    )
    return broker if hold_s is None else replace(broker, max_hold_s=hold_s)
