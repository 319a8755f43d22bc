"""Exchanges with a real InfluxDB, kept in fixtures/influx/tapes and played again where there is no server.

A tape belongs to one test. It holds each answer under a hash of what was asked, in order; what is asked and not on it
is an error that says how to record it again:

    BLADEWATCH_TEST_INFLUX_URL=influx://HOST:PORT/ORGANISATION BLADEWATCH_TEST_INFLUX_TOKEN=... \
        pytest --record-influx tests/test_stores.py tests/test_desk.py
"""

from __future__ import annotations

import gzip
import hashlib
import http.client
import json
import os
import ssl
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from bladewatch.stores.influx import TOKEN_FROM, Influx, address_of
from bladewatch.stores.lines import READING, STROKE

FOLDER = Path(__file__).parent.parent / "fixtures" / "influx" / "tapes"
URL, TOKEN = "BLADEWATCH_TEST_INFLUX_URL", "BLADEWATCH_TEST_INFLUX_TOKEN"
ORGANISATION = "plant"


def given() -> str | None:
    """The URL of a live server, up to its organisation; None where none is given."""
    url = os.environ.get(URL)
    return url.rstrip("/") if url and os.environ.get(TOKEN) else None


@contextmanager
def live_server(bucket: str, through: str | None = None) -> Iterator[Influx]:
    """Buckets of this test alone on the live server, asked at another address where one is given."""
    url = given()
    assert url is not None
    with token_of(os.environ[TOKEN]):
        address = address_of(f"{url}/{bucket}")
        client = Influx(address if through is None else address._replace(host=through))
        with closing(client):
            _buckets(client)
            yield client
        with closing(Influx(address)) as direct:
            _remove(direct)


def _buckets(server: Influx) -> None:
    """Buckets that let nothing go; the task is no matter of most tests."""
    for measurement in (STROKE, READING):
        server._prepare_bucket(server.address.bucket_of(measurement), 0)


def _remove(server: Influx) -> None:
    buckets, tasks = server._client.buckets_api(), server._client.tasks_api()
    for task in tasks.find_tasks(name=f"bladewatch {server.address.bucket} hours"):
        tasks.delete_task(task.id)
    for name in (server.address.bucket, f"{server.address.bucket}-fast"):
        found = buckets.find_bucket_by_name(name)
        if found is not None:
            buckets.delete_bucket(found)


@contextmanager
def recording(name: str) -> Iterator[Influx]:
    """The live server, with all that is asked and answered put on a tape."""
    url = given()
    assert url is not None, "recording wants a live server"
    upstream = address_of(f"{url}/x").host
    tape: list[dict[str, Any]] = []

    def answer(method: str, path: str, headers: dict[str, str], body: bytes) -> dict[str, Any]:
        with closing(http.client.HTTPConnection(upstream, timeout=60)) as connection:
            connection.request(method, path, body, headers)
            told = connection.getresponse()
            row = {
                "ask": _key(method, path, body),
                "status": told.status,
                "type": told.headers.get("Content-Type", ""),
                "body": told.read().decode(),
            }
        tape.append(row)
        return row

    with serving(answer) as host, live_server(_bucket(name), host) as server:
        assert server.address.organisation == ORGANISATION
        yield server
        played = list(tape)  # what takes the buckets away again is not on it
    FOLDER.mkdir(exist_ok=True)
    text = "\n".join(json.dumps(row, sort_keys=True) for row in played)
    (FOLDER / f"{name}.jsonl.gz").write_bytes(gzip.compress(text.encode(), mtime=0))


@contextmanager
def playing(name: str) -> Iterator[Influx]:
    """A server that answers as the recorded one did."""
    path = FOLDER / f"{name}.jsonl.gz"
    answers: dict[str, deque[dict[str, Any]]] = {}
    for line in gzip.decompress(path.read_bytes()).decode().split("\n"):
        row = json.loads(line)
        answers.setdefault(row["ask"], deque()).append(row)

    def answer(method: str, target: str, _headers: dict[str, str], body: bytes) -> dict[str, Any]:
        waiting = answers.get(_key(method, target, body))
        if waiting:
            return waiting.popleft()
        text = f"{method} {target} is not on the tape {path.name}; record it again, see tests/tapes.py"
        return {"status": 501, "type": "application/json", "body": json.dumps({"message": text})}

    with token_of("invented-token"), serving(answer) as host:
        server = Influx(address_of(f"influx://{host}/{ORGANISATION}/{_bucket(name)}"))
        with closing(server):
            _buckets(server)
            yield server


def _bucket(name: str) -> str:
    return f"tape-{hashlib.sha256(name.encode()).hexdigest()[:12]}"


def _key(method: str, path: str, body: bytes) -> str:
    """What is written is packed, and other builds of zlib pack otherwise: of writes the address counts alone."""
    if path.startswith("/api/v2/write"):
        body = b""
    return hashlib.sha256(b"\n".join([method.encode(), path.encode(), body])).hexdigest()[:24]


@contextmanager
def token_of(token: str) -> Iterator[None]:
    before = os.environ.get(TOKEN_FROM)
    os.environ[TOKEN_FROM] = token
    try:
        yield
    finally:
        if before is None:
            del os.environ[TOKEN_FROM]
        else:
            os.environ[TOKEN_FROM] = before


@contextmanager
def serving(answer: Any, tls: ssl.SSLContext | None = None) -> Iterator[str]:
    """HOST:PORT of a server whose answers come from a function."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_any(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            wanted = ("Authorization", "Content-Type", "Content-Encoding", "Accept")
            headers = {name: value for name in wanted if (value := self.headers.get(name)) is not None}
            told = answer(self.command, self.path, headers, body)
            text = str(told["body"]).encode()
            self.send_response(int(told["status"]))
            self.send_header("Content-Type", str(told["type"]))
            if told["status"] != 204:
                self.send_header("Content-Length", str(len(text)))
            self.end_headers()
            if told["status"] != 204:
                self.wfile.write(text)

        do_GET = do_POST = do_PATCH = handle_any  # noqa: N815 (names of the library)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    try:
        yield f"127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
