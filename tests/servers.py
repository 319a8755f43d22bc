"""Real servers for the tests: a PostgreSQL of our own in a temporary folder, where its programs are installed."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.request
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from broker import needs

VARIABLE = "BLADEWATCH_TEST_POSTGRES_URL"
PLACES = ("/usr/lib/postgresql/*/bin", "/usr/local/pgsql/bin", "/opt/homebrew/opt/postgresql*/bin")


def programs() -> Path | None:
    """Where the server's programs are."""
    found = shutil.which("pg_ctl")
    if found is not None:
        return Path(found).parent
    roots = [path for place in PLACES for path in Path("/").glob(place.lstrip("/"))]
    return max((path for path in roots if (path / "pg_ctl").exists()), default=None)


@dataclass(frozen=True)
class Certificate:
    """A certificate of 127.0.0.1 with its key, and the authority that signed it; made for one test."""

    authority: Path
    certificate: Path
    key: Path


def certificate(folder: Path) -> Certificate:
    """A new one."""
    program = needs("openssl")

    def run(*words: str) -> None:
        subprocess.run([program, *words], check=True, capture_output=True, cwd=folder)

    new = ("req", "-newkey", "rsa:2048", "-nodes", "-subj")
    run(*new, "/CN=invented authority", "-x509", "-days", "2", "-keyout", "ca.key", "-out", "ca.pem")
    run(*new, "/CN=127.0.0.1", "-keyout", "server.key", "-out", "server.csr")
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    signed = ("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial")
    run(*signed, "-days", "2", "-extfile", "names", "-out", "server.pem")
    return Certificate(folder / "ca.pem", folder / "server.pem", folder / "server.key")


@contextmanager
def postgres(tls: Certificate | None = None) -> Iterator[str | None]:
    """The URL of a server: a given one, else one started here; None where there is neither.

    With ``tls`` one is started here that speaks TLS.
    """
    given = None if tls is not None else os.environ.get(VARIABLE)
    folder = programs()
    if given or folder is None:
        yield given
        return
    with tempfile.TemporaryDirectory(prefix="bladewatch-pg-") as place:
        run = _as_nobody(place)
        data = f"{place}/data"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        run(f"{folder}/initdb", "-D", data, "-U", "invented", "-A", "trust", "-E", "UTF8", "--no-sync")
        options = f"-c listen_addresses=127.0.0.1 -c port={port} -c unix_socket_directories={place} -c fsync=off"
        if tls is not None:
            for source, name in ((tls.certificate, "server.crt"), (tls.key, "server.key")):
                shutil.copy(source, f"{data}/{name}")
                Path(data, name).chmod(0o600)
                if os.geteuid() == 0:
                    shutil.chown(f"{data}/{name}", "nobody")
            options += " -c ssl=on"
        run(f"{folder}/pg_ctl", "-D", data, "-w", "-l", f"{place}/log", "-o", options, "start")
        try:
            yield f"postgresql://invented@127.0.0.1:{port}/postgres"
        finally:
            run(f"{folder}/pg_ctl", "-D", data, "-m", "immediate", "stop")


def _as_nobody(place: str):
    """Runs a program as a user that the server accepts: never as root."""
    user: tuple[str, ...] = ()
    if os.geteuid() == 0:
        shutil.chown(place, "nobody")
        user = ("setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups")

    def run(*command: str) -> None:
        subprocess.run([*user, *command], check=True, capture_output=True, cwd=place)

    return run


@contextmanager
def new_database(server: str) -> Iterator[str]:
    """The URL of an empty database on a server."""
    from sqlalchemy import create_engine

    name = f"test_{uuid.uuid4().hex}"
    engine = create_engine(server.replace("postgresql://", "postgresql+pg8000://"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    try:
        yield f"{server.rpartition('/')[0]}/{name}"
    finally:
        with engine.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
        engine.dispose()


@contextmanager
def plain_writer() -> Iterator[str | None]:
    """HOST:PORT of a server that takes the v2 write interface and has no Flux; None where it is not installed."""
    program = shutil.which("victoria-metrics")
    if program is None:
        yield None
        return
    with tempfile.TemporaryDirectory(prefix="bladewatch-vm-") as place, socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{probe.getsockname()[1]}"
        probe.close()
        options = [f"-httpListenAddr={address}", f"-storageDataPath={place}", "-retentionPeriod=100y"]
        process = subprocess.Popen([program, *options], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            _wait_for(f"http://{address}/health")
            yield address
        finally:
            process.kill()
            process.wait()


def _wait_for(url: str) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError(f"{url} does not answer")
