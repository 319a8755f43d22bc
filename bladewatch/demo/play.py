"""A log published live over MQTT, in fast time: each line when the shop's clock reaches the moment it was received.

Run as a program it is the simulated saws of the demo, in a process of their own: it is told on its standard input up to
which moment to publish, and answers how many messages the broker has taken.
"""

from __future__ import annotations

import gzip
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from bladewatch.config.tables import Mqtt
from bladewatch.demo.clock import Pace
from bladewatch.errors import UnreachableError
from bladewatch.living import password_of
from collectors.instants import parse_text

WHERE: Final = "BLADEWATCH_PLAY"
"""The variable that tells the saws their broker: no password is on a command line."""
DELIVER_WITHIN_S: Final = 15.0
TICK_S: Final = 0.05


def login_of(mqtt: Mqtt) -> dict[str, Any]:
    """How to reach a broker, as ``connected`` takes it. Raises ``UsageError`` where the password is not there."""
    where = {"host": mqtt.host, "port": mqtt.port, "tls": mqtt.tls, "version": mqtt.version, "username": mqtt.username}
    return where | {"password": password_of(mqtt)}


class Entry(NamedTuple):
    """A line of a log."""

    at_us: int
    topic: str
    payload: bytes


class _Line(msgspec.Struct):
    topic: str
    received: str
    payload: msgspec.Raw


def entries(path: Path) -> Iterator[Entry]:
    """The lines of a log in JSON Lines, plain or .gz."""
    decoder = msgspec.json.Decoder(_Line)
    with gzip.open(path) if path.suffix == ".gz" else path.open("rb") as stream:
        for text in stream:
            line = decoder.decode(text)
            yield Entry(parse_text(line.received), line.topic, bytes(line.payload))


class Saws:
    """The saws of a log at a broker."""

    def __init__(self, client: paho.Client, log: list[Entry]) -> None:
        self._client = client
        self._log = log
        self._place = 0
        self.taken = 0

    @property
    def last_us(self) -> int:
        """The moment of the last message."""
        return self._log[-1].at_us if self._log else 0

    def publish(self, until_us: int) -> int:
        """Publish with QoS 1 what there is up to a moment; how many messages the broker has taken by then, in all.

        Raises ``UnreachableError`` where the broker does not take them: what comes after would hide the gap.
        """
        receipts = []
        while self._place < len(self._log) and self._log[self._place].at_us <= until_us:
            entry = self._log[self._place]
            receipts.append(self._client.publish(entry.topic, entry.payload, qos=1))
            self._place += 1
        until = time.monotonic() + DELIVER_WITHIN_S
        for receipt in receipts:
            while not receipt.is_published():
                if time.monotonic() > until or not self._client.is_connected():
                    raise UnreachableError("the broker does not take what is published")
                time.sleep(0.001)
        self.taken += len(receipts)
        return self.taken


def _with_login(client: paho.Client, login: dict[str, Any]) -> paho.Client:
    if login.get("username"):
        client.username_pw_set(login["username"], login.get("password"))
    if login.get("tls"):
        client.tls_set()
    return client


@contextmanager
def connected(path: Path | None, host: str, port: int, **login: Any) -> Iterator[Saws]:
    """The saws of a log, or of none, at a broker; ``login`` is username, password, tls, version.

    Raises ``UnreachableError``.
    """
    log = [] if path is None else list(entries(path))
    protocol = paho.MQTTv5 if login.get("version") == "5" else paho.MQTTv311
    client = _with_login(paho.Client(CallbackAPIVersion.VERSION2, protocol=protocol), login)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(100)
    refused: list[str] = []

    def answered(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        refused.append(str(reason) if reason.is_failure else "")

    client.on_connect = answered
    try:
        client.connect(host, port)
    except (OSError, ValueError) as error:
        raise UnreachableError(f"broker {host}:{port} not reached: {error}") from error
    client.loop_start()
    try:
        until = time.monotonic() + DELIVER_WITHIN_S
        while not refused and time.monotonic() < until:
            time.sleep(0.01)
        if not refused or refused[0]:
            raise UnreachableError(f"broker {host}:{port}: {refused[0] if refused else 'does not answer'}")
        yield Saws(client, log)
    finally:
        client.disconnect()
        client.loop_stop()


def forget(client_id: str, host: str, port: int, **login: Any) -> None:
    """Have the broker give up the session of a collector that will not come back."""
    client = _with_login(paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=True), login)
    try:
        client.connect(host, port)
        client.loop_start()
        until = time.monotonic() + 2.0
        while not client.is_connected() and time.monotonic() < until:
            time.sleep(0.01)
        client.disconnect()
        client.loop_stop()
    except (OSError, ValueError):
        return  # the session ends by itself after a week


def play(path: Path, speed: float, host: str, port: int, **login: Any) -> int:
    """Publish a whole log, ``speed`` times as fast as it happened; how many messages the broker took."""
    with connected(path, host, port, **login) as saws:
        first_us = next(entries(path)).at_us
        pace = Pace(first_us, saws.last_us, (saws.last_us - first_us) / 1e6 / speed)
        while pace.due_us < saws.last_us:
            saws.publish(pace.due_us)
            time.sleep(TICK_S)
        return saws.publish(saws.last_us)


def main(path: str) -> None:
    """Publish as standard input says, until it closes."""
    where = msgspec.json.decode(os.environ[WHERE])
    try:
        with connected(Path(path), where.pop("host"), where.pop("port"), **where) as saws:
            for line in sys.stdin:
                print(saws.publish(int(line)), flush=True)
    except UnreachableError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main(sys.argv[1])
