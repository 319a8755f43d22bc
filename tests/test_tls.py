"""Over TLS with a site's own authority: trusted where it is named, refused where it is not."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import closing

import pytest
import tapes
from servers import Certificate, certificate, postgres

from bladewatch.errors import UnreachableError, UsageError
from bladewatch.stores.influx import Influx, address_of
from bladewatch.stores.postgres import PostgresBooks


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A certificate of this host, signed by an authority that nobody knows."""
    return certificate(tmp_path_factory.mktemp("tls"))


@pytest.fixture
def server(own: Certificate) -> Iterator[str]:
    """HOST:PORT of a server that takes every line, over TLS."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own.certificate, own.key)
    with tapes.serving(lambda *_: {"status": 204, "type": "text/plain", "body": ""}, context) as host:
        yield host


def test_signals_over_tls(own: Certificate, server: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As ``?tls=true`` says."""
    with tapes.token_of("invented-token"):
        monkeypatch.setenv("SSL_CERT_FILE", str(own.authority))
        with closing(Influx(address_of(f"influx://{server}/plant/blade?tls=true"))) as client:
            client.write("stroke", b"stroke,saw=S1,spindle=1 stroke=1i 1")
        with closing(Influx(address_of(f"influx://{server}/plant/blade"))) as plain:
            with pytest.raises(UnreachableError) as told:
                plain.write("stroke", b"stroke,saw=S1,spindle=1 stroke=1i 1")
            assert "invented-token" not in str(told.value)


def test_a_server_of_an_unknown_authority_gets_no_token(server: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The error names the cure."""
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    with (
        tapes.token_of("invented-token"),
        closing(Influx(address_of(f"influx://{server}/plant/blade?tls=true"))) as client,
        pytest.raises(UnreachableError, match="its certificate is not trusted here; SSL_CERT_FILE"),
    ):
        client.write("stroke", b"stroke,saw=S1,spindle=1 stroke=1i 1")


def test_books_over_tls(own: Certificate, monkeypatch: pytest.MonkeyPatch) -> None:
    """``postgresql://…?tls=true``, and the server says that it is so."""
    with postgres(own) as url:
        if url is None:
            pytest.skip("no PostgreSQL server is installed")
        monkeypatch.setenv("SSL_CERT_FILE", str(own.authority))
        with closing(PostgresBooks(f"{url}?tls=true", "hall")) as books:
            query = "SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
            assert books.books.connection.exec_driver_sql(query).scalar_one() is True
            assert "tls" not in books.name
        monkeypatch.delenv("SSL_CERT_FILE")
        with pytest.raises(UnreachableError, match="its certificate is not trusted here"):
            PostgresBooks(f"{url}?tls=true", "hall")
        with pytest.raises(UsageError, match="other words behind its \\?"):
            PostgresBooks(f"{url}?sslmode=require", "hall")
