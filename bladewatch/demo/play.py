"""A log published live over MQTT, in fast time: each line when the shop's clock reaches the moment it was received.

Run as a program it is the simulated saws of the demo, in a process of their own.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.demo.clock import FastClock
from bladewatch.errors import UnreachableError
from collectors.instants import parse_text

DELIVER_WITHIN_S: Final = 20.0


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
    """The lines of a log."""
    decoder = msgspec.json.Decoder(_Line)
    with path.open("rb") as stream:
        for text in stream:
            line = decoder.decode(text)
            yield Entry(parse_text(line.received), line.topic, bytes(line.payload))


def publish(path: Path, clock: FastClock, host: str, port: int, **login: Any) -> int:
    """Publish a log with QoS 1 in step with the clock; returns how many messages the broker took.

    ``login``: ``username``, ``password``, ``tls``, ``version``. Raises ``UnreachableError``.
    """
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    protocol = paho.MQTTv5 if login.get("version") == "5" else paho.MQTTv311
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(100)
    if login.get("username"):
        client.username_pw_set(login["username"], login.get("password"))
    if login.get("tls"):
        client.tls_set()
    try:
        client.connect(host, port)
    except OSError as error:
        raise UnreachableError(f"broker {host}:{port} not reached: {error}") from error
    client.loop_start()
    sent = []
    for entry in entries(path):
        wait_s = clock.wall_s(entry.at_us) - time.time()
        if wait_s > 0:
            time.sleep(wait_s)
        sent.append(client.publish(entry.topic, entry.payload, qos=1))
    until = time.monotonic() + DELIVER_WITHIN_S
    for receipt in sent:
        receipt.wait_for_publish(max(until - time.monotonic(), 0.01))
    taken = sum(receipt.is_published() for receipt in sent)
    client.disconnect()
    client.loop_stop()
    return taken


def main(path: str, from_us: str, to_us: str, start_s: str, speed: str) -> None:
    """Publish as the arguments say; where to stands in the environment, so that no password is on a command line."""
    import os

    login = msgspec.json.decode(os.environ["BLADEWATCH_PLAY"])
    clock = FastClock(int(from_us), int(to_us), float(start_s), float(speed))
    publish(Path(path), clock, login.pop("host"), login.pop("port"), **login)


if __name__ == "__main__":
    main(*sys.argv[1:])
