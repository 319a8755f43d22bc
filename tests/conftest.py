"""What the tests share: small invented shops, a clock that is set by hand, a real broker."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import tapes
from broker import Mosquitto, needs
from hypothesis import HealthCheck, settings
from servers import new_database, postgres
from shops import CONFIG, Shop, minute

from bladewatch.config.decode import parse
from bladewatch.service import Service
from bladewatch.stores.influx import Influx

settings.register_profile("bladewatch", deadline=None, suppress_health_check=list(HealthCheck))
settings.load_profile("bladewatch")


@pytest.fixture
def make_shop(tmp_path: Path) -> Iterator[Callable[..., Shop]]:
    """Shops of a configuration, each in a folder of its own, closed at the end."""
    opened: list[Service] = []

    def make(text: str = CONFIG) -> Shop:
        folder = tmp_path / f"shop{len(opened)}"
        folder.mkdir()
        path = folder / "bladewatch.toml"
        path.write_text(text)
        service = Service(parse(text, path), clock=lambda: minute(10**6))
        opened.append(service)
        return Shop(service)

    yield make
    for service in opened:
        service.close()


@pytest.fixture
def shop(make_shop: Callable[..., Shop]) -> Shop:
    """A shop of the common configuration."""
    return make_shop()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker of this test alone."""
    server, publisher = needs("mosquitto"), needs("mosquitto_pub")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = tmp_path / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 200\n"
    )
    process = subprocess.Popen([server, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(200):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield Mosquitto(port, publisher)
    finally:
        process.terminate()
        process.wait(10)


@dataclass(frozen=True)
class Demo:
    """What the demo printed, and the shop it left."""

    said: str
    config: Path


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo, run once for all tests by the command itself, over MQTT, in an empty folder."""
    folder = tmp_path_factory.mktemp("demo")
    env = {name: value for name, value in os.environ.items() if name not in ("BLADEWATCH_CONFIG", "COLUMNS")}
    env |= {"COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        [sys.executable, "-m", "bladewatch", "demo", "--quick"],
        cwd=folder, env=env, capture_output=True, check=False, timeout=240, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return Demo(done.stdout, folder / "bladewatch-demo" / "bladewatch.toml")


@pytest.fixture(scope="session")
def example(demo: Demo) -> Path:
    """The configuration of the shop that the demo left."""
    return demo.config


def pytest_addoption(parser: pytest.Parser) -> None:
    """``--update-golden`` writes the snapshots anew, ``--record-influx`` the exchanges with a real server."""
    parser.addoption("--update-golden", action="store_true", help="write golden files anew")
    parser.addoption("--record-influx", action="store_true", help="write tapes anew, from a live InfluxDB")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare text with a file in tests/golden, or write it anew with --update-golden."""

    def check(name: str, text: str) -> None:
        path = Path(__file__).parent / "golden" / name
        if request.config.getoption("--update-golden"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8")

    return check


@pytest.fixture
def live() -> Iterator[Influx]:
    """Buckets of this test alone on a server that is given by the environment."""
    if tapes.given() is None:
        pytest.skip(f"no InfluxDB: {tapes.URL} (influx://HOST:PORT/ORGANISATION) and {tapes.TOKEN} are not set")
    with tapes.live_server(f"test-{uuid.uuid4().hex}") as server:
        yield server


@pytest.fixture
def taped(request: pytest.FixtureRequest) -> Iterator[Influx]:
    """A real server's answers from a tape of this test, recorded anew with --record-influx."""
    name = re.sub(r"[^a-z0-9]+", "-", f"{Path(request.node.path).stem}-{request.node.name}".lower()).strip("-")
    with (tapes.recording if request.config.getoption("--record-influx") else tapes.playing)(name) as server:
        yield server


@pytest.fixture(params=["tape", "live"])
def influx(request: pytest.FixtureRequest) -> Influx:
    """A server, from a tape and live."""
    return request.getfixturevalue("taped" if request.param == "tape" else "live")  # type: ignore[no-any-return]


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """A PostgreSQL server; the test is skipped where there is none."""
    with postgres() as url:
        if url is None:
            pytest.skip("no PostgreSQL server is installed")
        yield url


@pytest.fixture
def postgres_url(postgres_server: str) -> Iterator[str]:
    """The URL of an empty database for books."""
    with new_database(postgres_server) as url:
        yield url
