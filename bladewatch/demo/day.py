"""How the last day reaches the store: over MQTT from saws in a process, or, without a broker, from its file."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from typing import Final, Protocol

import msgspec

from bladewatch.config.tables import Mqtt
from bladewatch.demo.clock import PacedClock
from bladewatch.demo.papers import Papers
from bladewatch.demo.play import WHERE, entries, forget, login_of
from bladewatch.errors import UnreachableError
from bladewatch.living import Collector, client_id_of
from bladewatch.pipeline import ingest
from bladewatch.service import Service
from collectors.facts import Batch
from collectors.instants import MINUTE_US
from collectors.payloads import Message

REVIEW_EVERY_S: Final = 0.25
REVIEW_BY_US: Final = 30 * MINUTE_US
"""On a slow machine the shop's blades are looked at so often by its own clock."""
HOLD_S: Final = 0.004
READY_WITHIN_S: Final = 10.0
STORED_WITHIN_S: Final = 30.0


class Day(Protocol):
    """A day under way; ``said`` grows by the alerts that are raised."""

    said: list[str]

    def start(self) -> None:
        """Let it begin."""
        ...

    def advance(self, to_us: int) -> None:
        """Let it come to a moment; when this returns, all that the saws told by then is stored."""
        ...

    def close(self) -> None:
        """It is over: when this returns, the blades have been looked at as the day left them."""
        ...

    def stop(self) -> None:
        """End it; nothing goes on afterwards."""
        ...


class Subscribed:
    """The MQTT leg: saws in a process, the collector in a thread. The saws wait for the collector, step by step."""

    def __init__(self, papers: Papers, clock: PacedClock, login: Mqtt, service: Service) -> None:
        self.said: list[str] = []
        self._papers, self._clock, self._login = papers, clock, login_of(login)
        self._client_id = client_id_of(service)
        self._trouble: list[str] = []
        self._ready = threading.Event()
        self._collector = Collector(
            service, self._hear, self._trouble.append, REVIEW_EVERY_S, upkeep=False, hold_s=HOLD_S
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._saws: subprocess.Popen[str] | None = None

    def _run(self) -> None:
        try:
            self._collector.run()
        except Exception as error:
            self._trouble.append(f"{type(error).__name__}: {error}")  # told by whoever waits for the collector

    def _hear(self, text: str) -> None:
        if text.startswith("ready"):
            self._ready.set()
        else:
            self.said.append(text)

    def start(self) -> None:
        """Subscribe, then call the saws: what is published to nobody would be lost."""
        self._thread.start()
        if not self._ready.wait(READY_WITHIN_S):
            raise UnreachableError(f"the collector could not subscribe: {self._last_trouble()}")
        self._saws = subprocess.Popen(  # noqa: S603
            [sys.executable, "-P", "-m", "bladewatch.demo.play", str(self._papers.last_day)],
            env=os.environ | {WHERE: msgspec.json.encode(self._login).decode()},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )

    def advance(self, to_us: int) -> None:
        """The saws publish up to a moment; wait until the collector has stored it."""
        saws = self._saws
        if saws is None or saws.stdin is None or saws.stdout is None:
            return
        self._clock.move(to_us)
        try:
            saws.stdin.write(f"{to_us}\n")
            saws.stdin.flush()
            answer = saws.stdout.readline()
        except OSError:
            answer = ""
        if not answer:
            raise UnreachableError(
                "the saws ended in the middle of their day: their broker is gone, or they were killed"
            )
        until = time.monotonic() + STORED_WITHIN_S
        while self._collector.stored < int(answer):
            if time.monotonic() > until or not self._thread.is_alive():
                raise UnreachableError(f"the collector does not store: {self._last_trouble()}")
            time.sleep(0.005)

    def close(self) -> None:
        """Wait for the collector to look once more."""
        until = time.monotonic() + STORED_WITHIN_S
        while self._thread.is_alive() and not self._collector.has_looked and time.monotonic() < until:
            time.sleep(0.01)

    def _last_trouble(self) -> str:
        return self._trouble[-1] if self._trouble else "it says nothing"

    def stop(self) -> None:
        """End saws and collector."""
        if self._saws is not None:
            for pipe in (self._saws.stdin, self._saws.stdout):
                if pipe is not None:
                    pipe.close()
            self._saws.terminate()
            self._saws.wait()
        self._collector.stop()
        if self._thread.is_alive():
            self._thread.join(READY_WITHIN_S)
        forget(self._client_id, **self._login)


class FromFile:
    """Without a broker: the day's messages enter as a batch each time the clock moves on."""

    def __init__(self, papers: Papers, clock: PacedClock, service: Service) -> None:
        self.said: list[str] = []
        self._waiting = list(entries(papers.last_day))
        self._place = 0
        self._clock = clock
        self._service = service
        self._collector = Collector(service, self.said.append, lambda _text: None, 0.0, upkeep=False)
        self._translator = service.translator()
        self._reviewed, self._reviewed_us = 0.0, 0

    def start(self) -> None:
        """There is nothing to wait for."""

    def advance(self, to_us: int) -> None:
        """Store what was told by a moment, and look at the blades as a collector does."""
        now_us = self._clock.move(to_us)
        batch = Batch()
        while self._place < len(self._waiting) and self._waiting[self._place].at_us <= to_us:
            entry = self._waiting[self._place]
            batch.add(*self._translator.decode(Message(entry.topic, entry.payload, now_us, "file:last-day:0")))
            self._place += 1
        ingest(batch, self._service.store, self._service.config.site.name)
        now, over = time.monotonic(), self._place == len(self._waiting)
        if over or now_us - self._reviewed_us >= REVIEW_BY_US or now - self._reviewed >= REVIEW_EVERY_S:
            self._collector.review()
            self._reviewed_us = now_us
            self._reviewed = 2 * time.monotonic() - now  # looking takes half of the time at most

    def close(self) -> None:
        """The blades are looked at with the last message."""

    def stop(self) -> None:
        """There is nothing that goes on."""
