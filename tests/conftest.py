"""What the tests share: small invented shops, a clock that is set by hand, a real broker."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from broker import Mosquitto, needs
from hypothesis import HealthCheck, settings
from shops import CONFIG, Shop, minute

from bladewatch.config.decode import parse
from bladewatch.service import Service

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


@pytest.fixture(scope="session")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The configuration of the example shop, imported once for all tests by the command itself."""
    folder = tmp_path_factory.mktemp("example")
    source = Path(__file__).parent.parent / "fixtures" / "example"
    for name in ("bladewatch.toml", "strokes.jsonl.gz", "ledger.csv"):
        (folder / name).write_bytes((source / name).read_bytes())
    command = [sys.executable, "-m", "bladewatch", "--config", str(folder / "bladewatch.toml"), "import"]
    subprocess.run([*command, str(folder / "strokes.jsonl.gz"), str(folder / "ledger.csv")], check=True)
    return folder / "bladewatch.toml"


def pytest_addoption(parser: pytest.Parser) -> None:
    """``--update-golden`` writes the snapshots anew."""
    parser.addoption("--update-golden", action="store_true", help="write golden files anew")


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
