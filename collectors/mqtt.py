"""The broker: connect, subscribe, hand batches over, acknowledge after the caller has stored them.

One thread owns socket, decoding, commit and acknowledgement. A message that arrives is decoded into the open
batch; the batch is handed to ``store`` when it is full, old, or when nothing more waits on the socket, and only
after ``store`` has returned are its messages acknowledged, in the order they came. A process that dies in
between is sent the unacknowledged messages again (session kept by the broker, MQTT 5 or 3.1.1), and the store
knows them by the identity of their facts.
"""

from __future__ import annotations

import random
import select
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from collectors import topics
from collectors.facts import Batch
from collectors.mapping import Translator
from collectors.payloads import Message

SESSION_S: Final = 7 * 24 * 3600
"""How long the broker is asked to keep our session while we are away."""
FIRST_WAIT_S: Final = 0.2
LONGEST_WAIT_S: Final = 15.0
SETTLED_S: Final = 5.0
"""A subscription that has stood so long resets the wait before the next try."""
WINDOW: Final = 1000
"""Messages that may be in flight unacknowledged (MQTT 5 receive maximum)."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to connect, and when a batch is full."""

    host: str = "127.0.0.1"
    port: int = 1883
    tls: bool = False
    username: str | None = None
    password: str | None = None
    shared_group: str | None = None
    client_id: str = "bladewatch"
    version: int = 5
    max_messages: int = 1000
    max_bytes: int = 8 * 1024 * 1024
    max_hold_s: float = 0.5
    keepalive_s: int = 30


class Subscriber:
    """A connection that survives the broker's absence."""

    def __init__(
        self,
        broker: Broker,
        translator: Translator,
        store: Callable[[Batch], None],
        on_ready: Callable[[], None] = lambda: None,
        on_trouble: Callable[[str], None] = lambda _text: None,
        clock_us: Callable[[], int] = lambda: time.time_ns() // 1000,
    ) -> None:
        self._broker = broker
        self._translator = translator
        self._store = store
        self._on_ready = on_ready
        self._on_trouble = on_trouble
        self._clock_us = clock_us
        self._batch = Batch()
        self._batch_since = 0.0
        self._stopping = False
        self._connected = False
        self._tried = False
        self._wait_s = FIRST_WAIT_S
        self._subscribed_at = 0.0
        self._client = self._make_client()

    def stop(self) -> None:
        """Ask the loop to end after the batch in hand; may be called from a signal handler."""
        self._stopping = True

    def run(self, idle: Callable[[], None] = lambda: None) -> None:
        """Collect until ``stop``. ``idle`` is called about twice a second, between batches."""
        last_idle = 0.0
        while not self._stopping:
            if self._client.socket() is None:
                self._drop_batch()
                if self._tried:
                    self._back_off(idle)
                self._tried = True
                if not self._connect():
                    continue
            self._turn()
            if self._subscribed_at and time.monotonic() - self._subscribed_at > SETTLED_S:
                self._wait_s, self._subscribed_at = FIRST_WAIT_S, 0.0
            now = time.monotonic()
            if now - last_idle > 0.5 and not self._batch.messages:
                last_idle = now
                idle()
        self._commit()
        if self._client.socket() is not None:
            self._client.disconnect()
            for _ in range(10):
                if self._client.socket() is None or self._client.loop_write() != paho.MQTT_ERR_SUCCESS:
                    break
                if not self._client.want_write():
                    break

    def _make_client(self) -> paho.Client:
        broker = self._broker
        v5 = broker.version == 5
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=paho.MQTTv5 if v5 else paho.MQTTv311,
            clean_session=None if v5 else False,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls:
            client.tls_set()
        client.on_connect = self._when_connected
        client.on_subscribe = self._when_subscribed
        client.on_message = self._when_message
        client.on_disconnect = self._when_disconnected
        return client

    def _connect(self) -> bool:
        if self._stopping:
            return False
        broker = self._broker
        options: dict[str, Any] = {}
        if broker.version == 5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S
            properties.ReceiveMaximum = WINDOW
            options = {"clean_start": False, "properties": properties}
        try:
            self._client.connect(broker.host, broker.port, keepalive=broker.keepalive_s, **options)
        except (OSError, ValueError) as error:
            self._on_trouble(f"broker {broker.host}:{broker.port} not reached: {error}; trying again")
            return False
        return True

    def _turn(self) -> None:
        """Wait for the socket, read what there is, keep the connection alive, commit when due."""
        client = self._client
        sock = client.socket()
        if sock is None:
            return
        pending = getattr(sock, "pending", None)
        buffered = pending is not None and pending() > 0
        held_s = time.monotonic() - self._batch_since if self._batch.messages else 0.0
        timeout = 0.0 if buffered else max(0.0, self._broker.max_hold_s - held_s) if self._batch.messages else 0.25
        try:
            readable, writable, _ = select.select([sock], [sock] if client.want_write() else [], [], timeout)
        except (OSError, ValueError):
            readable, writable = [sock], []
        if readable or buffered:
            client.loop_read()
        if writable:
            client.loop_write()
        client.loop_misc()
        batch = self._batch
        full = batch.messages >= self._broker.max_messages or batch.size_bytes >= self._broker.max_bytes
        if batch.messages and (full or self._due(bool(readable) or buffered)):
            self._commit()

    def _due(self, busy: bool) -> bool:
        """Old enough; or half a window and nothing more waiting, when the broker may be waiting for us."""
        if time.monotonic() - self._batch_since >= self._broker.max_hold_s:
            return True
        return not busy or (self._batch.messages >= 10 and not self._more_waiting())

    def _more_waiting(self) -> bool:
        sock = self._client.socket()
        if sock is None:
            return False
        try:
            return bool(select.select([sock], [], [], 0.0)[0])
        except (OSError, ValueError):
            return False

    def _commit(self) -> None:
        """Store the open batch, then acknowledge its messages."""
        batch = self._batch
        if not batch.messages:
            return
        self._batch = Batch()
        self._store(batch)
        for mid, qos in batch.ack:
            self._client.ack(mid, qos)
        while self._client.want_write() and self._client.socket() is not None:
            if self._client.loop_write() != paho.MQTT_ERR_SUCCESS:
                break

    def _drop_batch(self) -> None:
        """After a lost connection: store what is decoded; its receipts are void and the broker sends again."""
        if self._batch.messages:
            batch, self._batch = self._batch, Batch()
            self._store(batch)

    def _back_off(self, idle: Callable[[], None]) -> None:
        """Wait before the next try, twice as long each time, until a subscription has stood for a while."""
        until = time.monotonic() + self._wait_s * (0.5 + random.random())  # noqa: S311 (no secret)
        self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)
        while not self._stopping and time.monotonic() < until:
            time.sleep(min(0.1, max(0.0, until - time.monotonic())))
        idle()

    def _when_connected(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._on_trouble(f"broker {self._broker.host}:{self._broker.port} refused the connection: {reason}")
            return
        self._connected = True
        group = self._broker.shared_group
        filters = [topics.SUBSCRIPTION, *self._translator.subscriptions]
        names = [f"$share/{group}/{name}" if group else name for name in filters]
        if self._broker.version == 5:
            client.subscribe([(name, SubscribeOptions(qos=1)) for name in names])
        else:
            client.subscribe([(name, 1) for name in names])

    def _when_subscribed(self, _client: paho.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        failed = [str(reason) for reason in reasons if reason.is_failure]
        if failed:
            self._on_trouble(f"broker refused the subscription: {', '.join(failed)}")
        else:
            self._subscribed_at = time.monotonic()
            self._on_ready()

    def _when_disconnected(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self._connected and not self._stopping:
            self._on_trouble(f"connection to the broker lost: {reason}; trying again")
        self._connected = False

    def _when_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        batch = self._batch
        if not batch.messages:
            self._batch_since = time.monotonic()
        received_us = self._clock_us() // 1000 * 1000
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "?"
        facts, rejected = self._translator.decode(Message(topic, bytes(message.payload), received_us, "broker"))
        batch.add(facts, rejected)
        batch.messages += 1
        batch.size_bytes += len(message.payload)
        if message.qos > 0:
            batch.ack.append((message.mid, message.qos))
