"""A server that speaks the v2 interface of InfluxDB: buckets, writes, and whether it holds what was written.

Errors are told as what they mean for whoever writes: ``UnreachableError`` can be tried again, ``UsageError`` wants a
person, ``Refused`` says that this server takes some lines in no case. No text holds the token, and what servers repeat
is cut.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from urllib.parse import parse_qs, unquote, urlsplit

from bladewatch.errors import UNTRUSTED, UnreachableError, UsageError
from bladewatch.stores.lines import PASSING, READING, Series
from bladewatch.stores.tasks import prepare_task

if TYPE_CHECKING:
    from influxdb_client.client.influxdb_client import InfluxDBClient
    from influxdb_client.rest import ApiException

TOKEN_FROM: Final = "BLADEWATCH_INFLUX_TOKEN"  # noqa: S105 (a name)
SHAPE: Final = "influx://HOST:PORT/ORGANISATION/BUCKET"
FAST: Final = "-fast"
"""What the name of the bucket of readings ends in: these go after ``keep_raw_days``."""
TIMEOUT_MS: Final = 30_000
SHOWN: Final = 200
TAGS: Final = Series._fields[1:]
_TAGS: Final = ", ".join(f'"{name}"' for name in TAGS)
_SWITCH: Final = ("true", "false")
RETRY: Final = (408, 425, 429, 500, 502, 503, 504)


class Refused(Exception):
    """The server does not take some of the lines, whether or not it took the others; ``old``: it keeps none so old."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.old = "outside retention policy" in text


class Address(NamedTuple):
    """Where the shared signals are; ``looks`` is whether the server can be asked what it holds."""

    host: str
    organisation: str
    bucket: str
    tls: bool
    looks: bool

    @property
    def url(self) -> str:
        """The server's address."""
        return f"{'https' if self.tls else 'http'}://{self.host}"

    def bucket_of(self, measurement: str) -> str:
        """The bucket of a measurement: some go in time, the rest stays."""
        return f"{self.bucket}{FAST}" if measurement in PASSING else self.bucket


def address_of(text: str, key: str = "forward_url") -> Address:
    """The address of a URL, which stands under ``key``. Raises ``UsageError``.

    >>> address_of("influx://127.0.0.1:8086/plant/bladewatch").url
    'http://127.0.0.1:8086'
    >>> address_of("influx://db.invalid/plant/bladewatch?tls=true").url
    'https://db.invalid'
    """
    parts = urlsplit(text)
    names = [unquote(name) for name in parts.path.split("/")[1:]]
    if parts.scheme != "influx" or not parts.hostname or len(names) != 2 or not all(names):
        raise UsageError(f"[store] {key}: found {_without_secret(text)!r}, expected {SHAPE}")
    if parts.username is not None or parts.password is not None:
        raise UsageError(f"[store] {key}: take user and token out of it; the token stands in {TOKEN_FROM}")
    said = {name: values[-1] for name, values in parse_qs(parts.query).items()}
    wrong = [f"{name}={value}" for name, value in said.items() if name not in ("tls", "look") or value not in _SWITCH]
    if wrong:
        raise UsageError(f"[store] {key}: found {wrong[0]!r}, expected tls or look, each true or false")
    tls, look = said.get("tls", "false") == "true", said.get("look", "true") == "true"
    return Address(parts.netloc, names[0], names[1], tls, look)


class Block(NamedTuple):
    """Tables of one shape that a query answers: the names of the columns, what was yielded, the rows as CSV."""

    head: list[str]
    result: str
    rows: list[str]


class Influx:
    """A server, reached with the token of the environment."""

    def __init__(self, address: Address) -> None:
        from ssl import create_default_context

        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        token = os.environ.get(TOKEN_FROM)
        if not token:
            raise UsageError(f"[store] the variable {TOKEN_FROM} is not set: it holds the token of the shared store")
        self.address = address
        self._token = token
        tls: dict[str, Any] = (
            {"ssl_context": create_default_context()} if address.tls else {}
        )  # SSL_CERT_FILE may name a site's own
        self._client: InfluxDBClient = InfluxDBClient(
            url=address.url, token=token, org=address.organisation, timeout=TIMEOUT_MS, enable_gzip=False, **tls
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._query = self._client.query_api()

    def close(self) -> None:
        """Let go of the server."""
        self._client.close()  # type: ignore[no-untyped-call]

    def write(self, measurement: str, lines: bytes) -> None:
        """Write lines of one measurement. Raises ``Refused``, ``UnreachableError`` and ``UsageError``."""
        bucket = self.address.bucket_of(measurement)
        with self._errors(bucket):
            self._write.write(bucket=bucket, record=lines)

    def held(self, measurement: str, first_ns: int, last_ns: int, saw: str | None = None) -> dict[Series, set[int]]:
        """The times [ns] of all points of a measurement between two, by series; of one saw where it is given."""
        bucket, flux, values = self._between(measurement, first_ns, last_ns, saw)
        found: dict[Series, set[int]] = {}
        for head, _, rows in self.tables(f'{flux}|> keep(columns: ["_time", {_TAGS}])', values, bucket):
            place, before, times = head.index("_time"), "", set[int]()
            for row in rows:  # of one series after another, and thousands of each
                cells = row.split(",", place + 1)
                if cells[2] != before:
                    before = cells[2]
                    told = dict(zip(head, next(csv.reader([row])), strict=True))
                    times = found.setdefault(_series(measurement, told), set())
                times.add(nanoseconds(cells[place]))
        return found

    def sums(
        self, measurement: str, first_ns: int, last_ns: int, saw: str | None = None
    ) -> dict[Series, tuple[int, int]]:
        """How many points lie between two times, by series, and the sum of their ``known_us`` as 64 bits hold it."""
        bucket, flux, values = self._between(measurement, first_ns, last_ns, saw)
        flux = "\n".join(
            f'{flux}|> {of}() |> keep(columns: ["_value", {_TAGS}]) |> yield(name: "{of}")' for of in ("count", "sum")
        )
        found: dict[Series, dict[str, int]] = {}
        for cells in self.rows(flux, values, bucket):
            found.setdefault(_series(measurement, cells), {})[cells["result"]] = int(cells["_value"])
        return {series: (told["count"], told["sum"]) for series, told in found.items()}

    def _between(
        self, measurement: str, first_ns: int, last_ns: int, saw: str | None
    ) -> tuple[str, str, dict[str, Any]]:
        """Bucket, start of a query, and values, of when the points between two times became known."""
        flux = (
            "from(bucket: bucket) |> range(start: time(v: first), stop: time(v: last)) "
            '|> filter(fn: (r) => r._measurement == measurement and r._field == "known_us") '
            f"{'' if saw is None else '|> filter(fn: (r) => r.saw == saw) '}"
        )
        bucket = self.address.bucket_of(measurement)
        values: dict[str, Any] = {"bucket": bucket, "first": first_ns, "last": last_ns + 1, "measurement": measurement}
        return bucket, flux, values | ({} if saw is None else {"saw": saw})

    def prepare(self, keep_raw_days: int) -> list[str]:
        """Make the buckets that are missing, set how long each keeps its points, and have hours of readings kept.

        Returns what there is now.

        Raises ``UnreachableError`` and ``UsageError``.
        """
        fast = self.address.bucket_of(READING)
        told = [self._prepare_bucket(self.address.bucket, 0), self._prepare_bucket(fast, keep_raw_days)]
        with self._errors(fast):
            told.append(prepare_task(self._client, self.address.organisation, fast, self.address.bucket))
        return told

    def _prepare_bucket(self, bucket: str, days: int) -> str:
        """A bucket that keeps its points for so many days, nought for good; returns what there is now."""
        from influxdb_client.domain.bucket_retention_rules import BucketRetentionRules

        buckets = self._client.buckets_api()
        rules = BucketRetentionRules(type="expire", every_seconds=days * 86_400)  # type: ignore[no-untyped-call]
        with self._errors(bucket):
            found = buckets.find_bucket_by_name(bucket)  # type: ignore[no-untyped-call]
            if found is None:
                buckets.create_bucket(bucket_name=bucket, retention_rules=[rules], org=self.address.organisation)
            elif [rule.every_seconds for rule in found.retention_rules] != [days * 86_400]:
                found.retention_rules = [rules]
                buckets.update_bucket(found)
        made = "made" if found is None else "there"
        return f"bucket {bucket}: {made}, keeps points {f'{days} days' if days else 'for good'}"

    def rows(self, flux: str, values: dict[str, Any], bucket: str) -> Iterator[dict[str, str]]:
        """The rows of a query by the names of their columns; ``result`` names what was yielded."""
        for block in self.tables(flux, values, bucket):
            for row in csv.reader(block.rows):
                yield {**dict(zip(block.head, row, strict=True)), "result": block.result}

    def tables(self, flux: str, values: dict[str, Any], bucket: str) -> Iterator[Block]:
        """The tables of a query; its values are bound and never pasted."""
        where = f"{self.address.url} bucket {bucket}"
        try:
            with self._errors(bucket):
                answer: bytes = self._query.query_raw(flux, params=values).data
        except Refused as error:
            raise UsageError(f"{where}: the query is refused: {error}") from error
        for block in answer.decode().replace("\r\n", "\n").split("\n\n"):
            lines = [line for line in block.split("\n") if line]
            told = [line for line in lines if line.startswith("#")]  # types, groups, and what empty cells mean
            head, *rows = lines[len(told) :] or [""]
            names = head.split(",")
            if "error" in names and rows:  # told while rows stream, after an answer of 200
                raise UnreachableError(f"{where}: the query failed: {self._shown(' '.join(rows))}")
            if rows:
                result = next((line.split(",")[1] for line in told if line.startswith("#default")), "")
                yield Block(names, result, rows)

    def _errors(self, bucket: str) -> _Errors:
        return _Errors(self, bucket)

    def told(self, error: ApiException, bucket: str) -> Exception:
        """What an answer means for whoever writes or asks."""
        text = self._shown(_message(error))
        where = f"{self.address.url} bucket {bucket}"
        if error.status == 0:  # the client's number for what ends a connection over TLS
            return UnreachableError(f"{self.address.url}: {UNTRUSTED if 'CERTIFICATE' in text else text}")
        if error.status in (400, 413, 422):
            return Refused(text)
        if error.status == 401:
            return UsageError(f"{where}: the token in {TOKEN_FROM} is not known there")
        if error.status == 403:
            return UsageError(f"{where}: the token in {TOKEN_FROM} may not write this bucket")
        if error.status == 404:
            return UsageError(
                f"{where}: not found: there is no such bucket or organisation, or the token may not see it; "
                "'bladewatch store init' makes the buckets"
            )
        if error.status in RETRY or error.status is None:
            return UnreachableError(f"{where}: {error.status or ''} {text}".strip())
        return UsageError(f"{where}: {error.status} {text}")

    def _shown(self, text: str) -> str:
        """An error's text without the token, and not with all that was sent."""
        plain = " ".join(text.replace(self._token, "…").split())
        return plain if len(plain) <= SHOWN else f"{plain[:SHOWN]} …"


def _series(measurement: str, cells: dict[str, str]) -> Series:
    return Series(measurement, *(cells.get(name) or "" for name in TAGS))


class _Errors:
    """Tells errors of the client as ours."""

    def __init__(self, server: Influx, bucket: str) -> None:
        self._server, self._bucket = server, bucket

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        if isinstance(error, ApiException):
            raise self._server.told(error, self._bucket) from None  # the client's text repeats what was sent
        if isinstance(error, HTTPError | OSError):
            raise UnreachableError(f"{self._server.address.url}: no answer ({type(error).__name__})") from error


def _message(error: ApiException) -> str:
    import json

    body = error.body.decode("utf-8", "replace") if isinstance(error.body, bytes) else error.body or ""
    try:
        return str(json.loads(body)["message"])
    except (ValueError, KeyError, TypeError):
        return body or str(error.reason or "")


def _without_secret(text: str) -> str:
    return text.rsplit("@", maxsplit=1)[-1]


def nanoseconds(text: str) -> int:
    """Nanoseconds of RFC 3339 text in UTC, as this server writes it: a second, and a fraction without noughts behind.

    >>> nanoseconds("2031-01-01T00:00:00.000001Z") - nanoseconds("2031-01-01T00:00:00Z")
    1000
    """
    fraction = text[20:-1]
    return _second(text[:19]) + (int(fraction) * _TENS[len(fraction)] if fraction else 0)


_TENS: Final = [10 ** (9 - digits) for digits in range(10)]


@lru_cache(maxsize=8192)
def _second(text: str) -> int:
    from datetime import datetime

    return int(datetime.fromisoformat(f"{text}+00:00").timestamp()) * 1_000_000_000
