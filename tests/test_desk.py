"""A desk whose collectors are elsewhere: what it reads from the shared server is what the collector's file holds."""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import closing

import pytest
from shops import CONFIG, Shop, minute, stroke
from test_answers import DAY, answer, load, troubled_facts
from test_forwarding import live, now_us, url_of

from bladewatch.config.decode import parse
from bladewatch.errors import UsageError
from bladewatch.forwarding import Forwarder
from bladewatch.pipeline import ingest
from bladewatch.reporting import spend
from bladewatch.service import Service
from bladewatch.spending.answer import as_json
from bladewatch.stores.copying import copy_books, copy_signals
from bladewatch.stores.influx import Influx
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.shared_signals import SharedSignals
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Batch, Sample, Stroke

__all__ = ["live"]
HOUR_US = 3_600_000_000
ALWAYS = 2**62
ROOM = 10**9


@pytest.fixture
def troubled(make_shop: Callable[..., Shop], live: Influx) -> tuple[Shop, SharedSignals]:
    """Two weeks with every trouble in a file, and the same facts on the server."""
    live.prepare(36_500)
    facts, events = troubled_facts(11)
    shop = load(make_shop(), facts, events)
    list(copy_signals(shop.service.store.signals, live, 0, now_us(), "a"))
    return shop, SharedSignals(live)


def test_every_question_has_the_answer_of_the_file(troubled: tuple[Shop, SharedSignals]) -> None:
    """Spans and instants at random: strokes, counts, roll-ups, readings, idle power, the last of each."""
    shop, shared = troubled
    file = shop.service.store.signals
    rng = random.Random(3)
    assert shared.spots() == sorted(file.spots())
    for _ in range(12):
        spot = rng.choice(file.spots())
        start, end = sorted(minute(rng.uniform(-100, 15 * DAY)) for _ in range(2))
        known = rng.choice([ALWAYS, end, minute(rng.uniform(0, 15 * DAY))])
        first, last = start // HOUR_US, end // HOUR_US
        assert list(shared.strokes(spot, start, end, known)) == list(file.strokes(spot, start, end, known))
        assert shared.count(spot, start, end, known) == file.count(spot, start, end, known)
        assert shared.strokes_before(spot, end, known, 7) == file.strokes_before(spot, end, known, 7)
        assert shared.stroke_hours(spot, first, last) == file.stroke_hours(spot, first, last)
        assert shared.work_hours(spot, first, last) == file.work_hours(spot, first, last)
        assert shared.counter_hours(spot, first, last) == file.counter_hours(spot, first, last)
        assert shared.strokes_made(spot, first, last, known) == file.strokes_made(spot, first, last, known)
        ours, theirs = (s.order_sums(spot, start, end, known, 2800.0) for s in (shared, file))
        assert [[*row[:6], row.fed] for row in ours] == [[*row[:6], row.fed] for row in theirs]
        for row, other in zip(ours, theirs, strict=True):
            assert row[6:] == pytest.approx(other[6:])
        assert shared.latest(spot, end, known) == file.latest(spot, end, known)
        for signal, point in file.latest(spot, ALWAYS, ALWAYS):
            span = (spot, signal, point, start, end, known)
            assert shared.readings(*span) == file.readings(*span)
        assert shared.idle_hours(spot, "power_kw", first, last, known) == file.idle_hours(
            spot, "power_kw", first, last, known
        )
    assert shared.summarised_to(("S1", "1"), ALWAYS) is None
    assert list(shared.waveforms(("S1", "1"))) == []


def test_an_hour_that_got_another_stroke_is_worked_out_again(live: Influx) -> None:
    """Remembered while nothing comes."""
    live.prepare(36_500)
    shared = SharedSignals(live)
    with closing(SqliteStore(":memory:", "hall", ROOM)) as store:
        for number in (1, 2):
            batch = Batch()
            batch.add([stroke(number, number, part="P1")])
            ingest(batch, store, "hall")
            Forwarder(store, live, now_us, 10**16).drain()
            shared.look_again()
            (works,) = shared.work_hours(("S1", "1"), 0, ALWAYS // HOUR_US).values()
            assert [row.strokes for row in works] == [number]


def test_a_desk_answers_what_the_collectors_host_answers(
    troubled: tuple[Shop, SharedSignals], live: Influx, postgres_url: str
) -> None:
    """Status, alerts, questions and the month, byte for byte; books in a shared database, signals on the server."""
    shop, _ = troubled
    with closing(PostgresBooks(postgres_url, "hall")) as books:
        books.begin(write=True)
        assert all(
            part.differ == () for part in copy_books(shop.service.store.books.connection, books.books.connection)
        )
        books.commit()
    text = CONFIG.replace("[site]\n", f'[store]\nurl = "{url_of(live)}"\nledger_url = "{postgres_url}"\n[site]\n', 1)
    with Service(parse(text, shop.service.config.path), clock=lambda: minute(10**6)) as service:
        desk = Shop(service)
        for at_us in (minute(15 * DAY), minute(6 * DAY + 200)):
            assert answer(desk, at_us) == answer(shop, at_us)
            here, there = (as_json(spend(one.service, "2026-03", at_us), one.service.zone) for one in (shop, desk))
            assert alike(here, there), "but for the order of sums"
        with pytest.raises(UsageError, match="signals are written by collectors"):
            service.store.signals.append_strokes([stroke(1, 1)])


def alike(one: object, other: object) -> bool:
    """The same, numbers but for the last digits."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    return one == other or (isinstance(one, float) and one == pytest.approx(other, rel=1e-12))


def test_a_desk_without_shared_books_is_refused(make_shop: Callable[..., Shop]) -> None:
    """It has no file of its own to keep them in."""
    with pytest.raises(UsageError, match=r"\[store\] ledger_url: missing"):
        make_shop(CONFIG.replace("[site]\n", '[store]\nurl = "influx://127.0.0.1:1/a/b"\n[site]\n', 1))


def test_types(live: Influx) -> None:
    """Every field of a stroke comes back as it was, and a reading whose value is whole is a number still."""
    live.prepare(36_500)
    told = {"part": 'a,"b"', "alloy": "6063", "area_cmm2": 1, "height_mm": 2.0, "bars": 3, "kind": "trim", "seq": 4}
    one = Stroke("S 1", "2", minute(1), 65_535, minute(2), clock_from_receipt=1, **told)
    with closing(SqliteStore(":memory:", "hall", ROOM)) as store:
        batch = Batch()
        batch.add([one, Sample("S 1", "2", "rpm", "", minute(1), 2800.0, minute(1))])
        ingest(batch, store, "hall")
        Forwarder(store, live, now_us, 10**16).drain()
    shared = SharedSignals(live)
    assert list(shared.strokes(("S 1", "2"), 0, ALWAYS, ALWAYS)) == [one]
    assert [reading.value for reading in shared.readings(("S 1", "2"), "rpm", "", 0, ALWAYS, ALWAYS)] == [2800.0]
