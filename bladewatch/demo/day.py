"""How the last day reaches the store: over MQTT from saws in a process, or, without a broker, from its file."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from typing import Final, Protocol

import msgspec

from bladewatch.config.tables import Mqtt
from bladewatch.demo.clock import FastClock
from bladewatch.demo.papers import Papers
from bladewatch.demo.play import entries
from bladewatch.living import Collector
from bladewatch.pipeline import ingest
from bladewatch.service import Service
from collectors.facts import Batch
from collectors.payloads import Message

REVIEW_EVERY_S: Final = 0.4
JOIN_S: Final = 10.0


class Day(Protocol):
    """A day under way; ``said`` grows by the alerts that are raised."""

    said: list[str]

    @property
    def stored(self) -> int:
        """Messages stored so far."""
        ...

    def start(self) -> None:
        """Let it begin."""
        ...

    def stop(self) -> None:
        """End it; nothing goes on afterwards."""
        ...


class Subscribed:
    """The MQTT leg: saws in a process, the collector in a thread."""

    def __init__(self, papers: Papers, clock: FastClock, login: Mqtt, service: Service) -> None:
        self.said: list[str] = []
        self._papers, self._clock, self._login = papers, clock, login
        self._collector = Collector(service, self._hear, lambda _text: None, REVIEW_EVERY_S, upkeep=False)
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._collector.run, daemon=True)
        self._saws: subprocess.Popen[bytes] | None = None

    @property
    def stored(self) -> int:
        """Messages stored so far."""
        return self._collector.stored

    def _hear(self, text: str) -> None:
        if text.startswith("ready"):
            self._ready.set()
        else:
            self.said.append(text)

    def start(self) -> None:
        """Subscribe, then let the saws publish: what is published to nobody would be lost."""
        self._thread.start()
        self._ready.wait(JOIN_S)
        clock, login = self._clock, self._login
        password = os.environ.get(login.password_env) if login.password_env is not None else None
        where = {
            "host": login.host, "port": login.port, "tls": login.tls, "version": login.version,
            "username": login.username, "password": password,
        }  # fmt: skip
        times = [str(value) for value in (clock.from_us, clock.to_us, clock.start_s, clock.speed)]
        self._saws = subprocess.Popen(  # noqa: S603
            [sys.executable, "-P", "-m", "bladewatch.demo.play", str(self._papers.last_day), *times],
            env=os.environ | {"BLADEWATCH_PLAY": msgspec.json.encode(where).decode()},
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )

    def stop(self) -> None:
        """End saws and collector."""
        if self._saws is not None:
            self._saws.terminate()
            self._saws.wait()
        self._collector.stop()
        if self._thread.is_alive():
            self._thread.join(JOIN_S)


class FromFile:
    """Without a broker: the day's messages enter as a batch each time the clock has reached them."""

    def __init__(self, papers: Papers, clock: FastClock, service: Service) -> None:
        self.said: list[str] = []
        self.stored = 0
        self._waiting = list(entries(papers.last_day))
        self._clock = clock
        self._service = service
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End reading."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(JOIN_S)

    def _run(self) -> None:
        translator = self._service.translator()
        while self.stored < len(self._waiting) and not self._stopping.wait(0.1):
            now_us, over = self._clock(), self._clock.over
            batch = Batch()
            while self.stored < len(self._waiting) and (over or self._waiting[self.stored].at_us <= now_us):
                entry = self._waiting[self.stored]
                batch.add(*translator.decode(Message(entry.topic, entry.payload, now_us, "file:last-day:0")))
                self.stored += 1
            ingest(batch, self._service.store, self._service.config.site.name)
