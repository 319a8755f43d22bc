"""Several collectors of one site, each with a part of the messages; a desk that answers as one with all would."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

import pytest
import tapes
from broker import Mosquitto
from forwarded import FAR_US, KEEP_US
from shops import CONFIG, Shop, minute
from test_answers import DAY, answer, load, troubled_facts
from test_broker import Collector as Process
from test_broker import cut
from test_desk import url_of
from typer.testing import CliRunner

from bladewatch.cli.app import app
from bladewatch.config.decode import parse
from bladewatch.errors import UsageError
from bladewatch.forwarding import Forwarder
from bladewatch.living import Collector
from bladewatch.pipeline import enter, ingest
from bladewatch.service import Service
from bladewatch.stores.influx import TOKEN_FROM, Influx
from collectors.facts import Batch, Fact

DAYS = 2
STROKES = 6000
PART = """
[store]
url = "sqlite:///{name}.db"
forward_url = "{url}"
ledger_url = "{ledger}"
part = true
[mqtt]
client_id = "{name}"
shared_group = "hall"
[site]
"""


@dataclass
class Plant:
    """Two collectors that hear a part each, and a desk, over shared stores."""

    desk: Service
    collectors: Sequence[Service]
    server: Influx

    def take(self, facts: Sequence[Fact], rng: random.Random) -> None:
        """Each fact is heard by one of them."""
        batches = [Batch() for _ in self.collectors]
        for fact in facts:
            rng.choice(batches).add([fact])
        for batch, service in zip(batches, self.collectors, strict=True):
            ingest(batch, service.store, "hall")

    def forward(self) -> None:
        """What waits goes to the server."""
        for number, service in enumerate(self.collectors):
            service.store._put_sheets(FAR_US + number)  # type: ignore[attr-defined]
            Forwarder(service.store, self.server, lambda: FAR_US, KEEP_US).drain()  # type: ignore[arg-type]


@pytest.fixture
def plant(tmp_path: Path, influx: Influx, postgres_url: str) -> Iterator[Plant]:
    """A plant with nothing in it."""
    with ExitStack() as opened:

        def start(name: str, text: str) -> Service:
            path = tmp_path / f"{name}.toml"
            path.write_text(text)
            return opened.enter_context(closing(Service(parse(text, path), clock=lambda: minute(10**6))))

        parts = []
        for name in ("c1", "c2"):
            told = PART.format(name=name, url=url_of(influx), ledger=postgres_url)
            parts.append(start(name, CONFIG.replace("[site]\n", told, 1)))
            parts[-1].store._connection.execute("UPDATE meta SET value = ? WHERE name = 'collector'", (name,))  # type: ignore[attr-defined]
        store = f'[store]\nurl = "{url_of(influx)}"\nledger_url = "{postgres_url}"\n[site]\n'
        yield Plant(start("desk", CONFIG.replace("[site]\n", store, 1)), parts, influx)


def test_a_desk_of_several_collectors_answers_as_one_with_all(make_shop: Callable[..., Shop], plant: Plant) -> None:
    """Its checkpoints go when a late fact reaches the server, also one that was stored long before."""
    rng = random.Random(8)
    facts, events = troubled_facts(12)
    facts = sorted((one for one in facts if one.ts_us < minute(DAYS * DAY)), key=lambda one: one.known_us)
    events = [one for one in events if one.at_us < minute(DAYS * DAY)]
    late = {rng.randrange(len(facts)) for _ in range(40)}
    first = [one for place, one in enumerate(facts) if place not in late]
    second = [facts[place] for place in sorted(late)]
    enter(events, plant.desk.store)
    plant.take(first, rng)
    plant.forward()
    for _ in plant.desk.bring_up_to_date():
        pass
    assert kept(plant.desk) > 0
    desk, at_us = Shop(plant.desk), minute(10**6 - 10)
    assert answer(desk, at_us) == answer(load(make_shop(), first, events), at_us)
    plant.take(second, rng)
    for _ in plant.desk.bring_up_to_date():  # the server knows nothing of them yet
        pass
    before = kept(plant.desk)
    plant.forward()
    assert kept(plant.desk) < before
    assert answer(desk, at_us) == answer(load(make_shop(), facts, events), at_us)


def kept(service: Service) -> int:
    """How many checkpoints stand."""
    with service.store.snapshot():
        plates = [f"A{number}" for number in range(9)]
        return sum(len(service.store.books.checkpoints(plate, n, 2**62)) for plate in plates for n in range(9))


def test_a_part_answers_nothing_and_looks_at_nothing(plant: Plant) -> None:
    """Half of the strokes would be half of the wear."""
    (service, _) = plant.collectors
    path = str(service.config.path)
    for command in (["status"], ["why", "S1"], ["questions"], ["report", "spend"]):
        told = CliRunner().invoke(app, ["--config", path, *command])
        assert isinstance(told.exception, UsageError), command
        assert "hears a part of the site; ask a desk" in str(told.exception)
    assert list(service.bring_up_to_date()) == []
    said: list[str] = []
    collector = Collector(service, said.append, said.append)
    collector._fresh = True
    collector._turn()
    assert said == []
    assert collector._fresh, "nobody looked"


@pytest.mark.parametrize("key", ["forward_url", "ledger_url", "client_id"])
def test_a_part_needs_to_be_told_where_the_rest_is(make_shop: Callable[..., Shop], key: str) -> None:
    """Without a server or the books of the site it would be alone, without a name of its own at the broker cut off."""
    text = PART.format(name="c1", url="influx://127.0.0.1:1/a/b", ledger="postgresql://x@127.0.0.1/y")
    lines = [line for line in text.splitlines() if not line.startswith(key)]
    with pytest.raises(UsageError, match=rf"{key}: missing; with \[store\] part = true"):
        make_shop(CONFIG.replace("[site]\n", "\n".join([*lines, ""]), 1))


@pytest.mark.broker
def test_a_shared_subscription_over_a_kill(
    tmp_path: Path, mosquitto: Mosquitto, live: Influx, postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two collectors as processes, one killed in the middle and started again: nothing lost, nothing doubled."""
    monkeypatch.setenv(TOKEN_FROM, os.environ[tapes.TOKEN])
    paths = []
    for name in ("c1", "c2"):
        text = PART.format(name=name, url=url_of(live), ledger=postgres_url)
        text = text.replace("[mqtt]\n", f"[mqtt]\nport = {mosquitto.port}\n")
        paths.append(tmp_path / f"{name}.toml")
        paths[-1].write_text(CONFIG.replace("[site]\n", text, 1))
    running = [Process(path) for path in paths]
    try:
        for one in running:
            one.wait_ready()
        for start in range(0, STROKES, 500):
            lines = "\n".join(cut(number) for number in range(start, start + 500))
            mosquitto.publish("bladewatch/1/hall/S1/cut", lines)
            if start == STROKES // 2:
                running[0].kill()
            if start == STROKES - 1000:
                running[0] = Process(paths[0])
                running[0].wait_ready()
        deadline = time.monotonic() + 90
        while (held := strokes_on(live)) < STROKES and time.monotonic() < deadline:
            time.sleep(1)
        assert held == STROKES
    finally:
        for one in running:
            one.kill()
    text = CONFIG.replace("[site]\n", f'[store]\nurl = "{url_of(live)}"\nledger_url = "{postgres_url}"\n[site]\n', 1)
    with Service(parse(text, tmp_path / "desk.toml")) as desk, desk.store.snapshot():
        found = list(desk.store.signals.strokes(("S1", "1"), 0, 2**62, 2**62))
    assert [one.stroke for one in found] == list(range(STROKES))
    parts = [Service.open(path) for path in paths]
    heard = [part.store.signals.count(("S1", "1"), 0, 2**62, 2**62) for part in parts]
    for part in parts:
        part.close()
    assert all(count > STROKES // 10 for count in heard), "each had its part"


def strokes_on(server: Influx) -> int:
    """How many strokes the server holds."""
    return sum(map(len, server.held("stroke", 0, 9 * 10**18).values()))
