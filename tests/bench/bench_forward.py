"""Forwarding to a live InfluxDB: how fast beside the plain client, and a drill in which the server is away.

    BLADEWATCH_TEST_INFLUX_URL=influx://127.0.0.1:8086/ORG BLADEWATCH_TEST_INFLUX_TOKEN=... \
        python tests/bench/bench_forward.py [--points 200000] [--away 60] [--rate 500]

Rates are of one run: the plain client with ready lines, 5 000 a batch; from facts in memory to points that were seen on
the server, the file between (stored, sent, looked for). In the drill facts come at a rate through the store while the
server cannot be reached for so many seconds; the forwarder is a process of its own that is killed in the middle. At the
end every point is looked for.
"""

from __future__ import annotations

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

from bench_status import calibrate

from bladewatch.forwarding import Forwarder
from bladewatch.stores.influx import TOKEN_FROM, Influx, address_of
from bladewatch.stores.lines import points_of
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Sample, Stroke

BATCH = 5000
ROOM = 4 * 10**9


def now_us() -> int:
    return time.time_ns() // 1000


def facts(first_us: int, count: int, begin: int = 0) -> Iterator[Stroke | Sample]:
    """A stroke and nine readings in turn, of four saws; invented."""
    for n in range(begin, begin + count):
        ts_us, saw = first_us + n * 2000, f"S{n // 10 % 4 + 1}"
        if n % 10:
            yield Sample(saw, "1", "power_kw", "", ts_us, 2.0 + n % 7 / 10, ts_us)
        else:
            told = {"part": "P-110", "alloy": "6063", "area_cmm2": 90_000, "energy_kj": 41.5, "duration_s": 2.1}
            yield Stroke(saw, "1", ts_us, n // 10, ts_us, **told)


def store_all(store: SqliteStore, given: list[Stroke | Sample]) -> None:
    for place in range(0, len(given), BATCH):
        part = given[place : place + BATCH]
        with store.transaction():
            store.signals.append_strokes([fact for fact in part if isinstance(fact, Stroke)])
            store.signals.append_samples([fact for fact in part if isinstance(fact, Sample)])


def rates(server: Influx, points: int) -> None:
    first_us = now_us() - 20 * 3600 * 10**6
    given = list(facts(first_us, points))
    lines = [point.line for point in points_of(given)]
    began = time.perf_counter()
    for place in range(0, points, BATCH):
        for measurement in ("stroke", "reading"):
            part = [line for line in lines[place : place + BATCH] if line.startswith(measurement)]
            server.write(measurement, "\n".join(part).encode())
    plain = points / (time.perf_counter() - began)
    print(f"plain client {plain:,.0f} points/s, calibration {calibrate():.3f} s", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        for name, room in (("without a spool", None), ("with one", ROOM)):
            store = SqliteStore(Path(folder) / f"{name}.db", "bench", room)
            began = time.perf_counter()
            store_all(store, given)
            print(f"stored {name}: {points / (time.perf_counter() - began):,.0f} points/s", flush=True)
        forwarder = Forwarder(store, server, now_us, 10**15)
        began = time.perf_counter()
        while forwarder.send():
            pass
        sent = time.perf_counter()
        moved = forwarder.drain()
        ended = time.perf_counter()
        print(
            f"sent {points / (sent - began):,.0f} points/s, looked for {points / (ended - sent):,.0f}, both "
            f"{points / (ended - began):,.0f}: {points / (ended - began) / plain:.2f} x the plain client; {moved}",
            flush=True,
        )
        store.close()


class Gate:
    """A way to the server that can be shut."""

    def __init__(self, host: str) -> None:
        self._target = host.rpartition(":")[0], int(host.rpartition(":")[2])
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self.shut = False
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            client, _ = self._listener.accept()
            if self.shut:
                client.close()
                continue
            server = socket.create_connection(self._target)
            for pair in ((client, server), (server, client)):
                threading.Thread(target=self._pass_on, args=pair, daemon=True).start()

    def _pass_on(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while not self.shut and (data := one.recv(65536)):
                other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            end.close()


FORWARD = """
import sys, time
from bladewatch.forwarding import Forwarder, Forwarding
from bladewatch.stores.influx import Influx, address_of
from bladewatch.stores.sqlite import SqliteStore
path, url = sys.argv[1:]
clock = lambda: time.time_ns() // 1000
forwarder = Forwarder(SqliteStore(path, "bench", 4 * 10**9), Influx(address_of(url)), clock, 10**15)
run = Forwarding(forwarder, print)
run.start()
run.join()
"""


def drill(server: Influx, away_s: float, rate: int) -> None:
    gate = Gate(server.address.host)
    url = f"influx://{gate.host}/{server.address.organisation}/{server.address.bucket}"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drill.db"
        store = SqliteStore(path, "bench", ROOM)
        run = [sys.executable, "-c", FORWARD, str(path), url]
        process = subprocess.Popen(run)
        first_us, made, began = now_us(), 0, time.monotonic()
        phases = {away_s * 0.2: "shut", away_s * 0.7: "kill", away_s * 1.2: "open"}
        largest = 0
        while time.monotonic() - began < 1.4 * away_s:
            for at_s, what in list(phases.items()):
                if time.monotonic() - began >= at_s:
                    del phases[at_s]
                    gate.shut = what != "open"
                    if what == "kill":
                        process.kill()
                        process.wait()
                        process = subprocess.Popen(run)
            due = int((time.monotonic() - began) * rate) - made
            if due > 0:
                store_all(store, list(facts(first_us, due, made)))
                made += due
            largest = max(largest, store.outbox.backlog().points)
            time.sleep(0.05)
        opened = time.monotonic()
        while store.outbox.backlog().rows and time.monotonic() - opened < 300:
            time.sleep(0.5)
        took = time.monotonic() - opened
        process.kill()
        process.wait()
        want = [(point.series, point.time_ns) for point in points_of(facts(first_us, made))]
        held: dict[str, set[int]] = {}
        for measurement in ("stroke", "reading"):
            for series, times in server.held(measurement, 0, 2**62).items():
                held.setdefault(str(series), set()).update(times)
        found = sum(time_ns in held.get(str(series), ()) for series, time_ns in want)
        there = sum(len(times) for times in held.values())  # the bucket is this drill's alone
        print(
            f"away {away_s:.0f} s at {rate} a second, the forwarder killed in the middle: {made} made, {found} there, "
            f"{made - found} lost, {there - found} more than made; at most {largest} waited in "
            f"{path.stat().st_size / 1e6:.1f} MB; all seen {took:.0f} s after the last",
            flush=True,
        )
        store.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--away", type=float, default=60)
    parser.add_argument("--rate", type=int, default=500)
    chosen = parser.parse_args()
    os.environ[TOKEN_FROM] = os.environ["BLADEWATCH_TEST_INFLUX_TOKEN"]
    base = os.environ["BLADEWATCH_TEST_INFLUX_URL"].rstrip("/")
    servers = [Influx(address_of(f"{base}/bench-{uuid.uuid4().hex[:8]}")) for _ in range(2)]
    for server in servers:
        server.prepare(90)
    rates(servers[0], chosen.points)
    drill(servers[1], chosen.away, chosen.rate)


if __name__ == "__main__":
    main()
