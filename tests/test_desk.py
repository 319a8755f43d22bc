"""A desk whose collectors are elsewhere: what it reads from the shared server is what the collector's file holds."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator
from contextlib import closing
from decimal import Decimal
from importlib import resources
from pathlib import Path

import pytest
from forwarded import FAR_US, KEEP_US
from shops import CONFIG, Shop, minute, stroke
from test_answers import DAY, answer, load, troubled_facts

from bladewatch.config.decode import parse
from bladewatch.errors import UsageError
from bladewatch.forwarding import Forwarder
from bladewatch.living import collect
from bladewatch.looking import Looking
from bladewatch.pipeline import ingest
from bladewatch.reporting import spend
from bladewatch.service import Service
from bladewatch.spending.answer import as_json
from bladewatch.stores.copying import copy_books
from bladewatch.stores.copying_signals import ToServer, copy_signals
from bladewatch.stores.influx import Influx
from bladewatch.stores.lines import Point, points_of
from bladewatch.stores.points import Points
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.protocols import Signals, Spot
from bladewatch.stores.shared_signals import SharedSignals
from bladewatch.stores.sheets import sheet_of
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Batch, Fact, Sample, Stroke

HOUR_US = 3_600_000_000
ALWAYS = 2**62
ROOM = 10**9
SPOT = ("S1", "1")
DAYS = 5


@pytest.fixture
def troubled(make_shop: Callable[..., Shop]) -> Shop:
    """Some days with every trouble in a file."""
    facts, events = troubled_facts(11)
    before = minute(DAYS * DAY)
    return load(
        make_shop(), [one for one in facts if one.ts_us < before], [one for one in events if one.at_us < before]
    )


def sheets(signals: Signals, spot: Spot = SPOT, by: str = "a") -> list[Point]:
    """The sheets of all hours."""
    series = sorted(signals.latest(spot, ALWAYS, ALWAYS))
    hours = range(minute(-3 * DAY) // HOUR_US, minute((DAYS + 3) * DAY) // HOUR_US)
    made = (sheet_of(signals, spot, hour, series, by, FAR_US) for hour in hours)
    return [both.sheet for both in made if both is not None]


def facts_in(signals: Signals) -> Iterator[Stroke | Sample]:
    """Every stroke and reading."""
    for spot in signals.spots():
        yield from signals.strokes(spot, 0, ALWAYS, ALWAYS)
        for signal, point in signals.latest(spot, ALWAYS, ALWAYS):
            for one in signals.readings(spot, signal, point, 0, ALWAYS, ALWAYS):
                yield Sample(*spot, signal, point, one.ts_us, one.value, one.known_us)


def write(server: Influx, points: list[Point]) -> None:
    """Put points on the server."""
    for measurement in sorted({point.series.measurement for point in points}):
        lines = [point.line for point in points if point.series.measurement == measurement]
        for place in range(0, len(lines), 5000):
            server.write(measurement, "\n".join(lines[place : place + 5000]).encode())


def garbled(sheet: Point) -> Point:
    """A sheet whose packed fields cannot be unpacked."""
    return sheet._replace(line=sheet.line.replace('rows="', 'rows="x').replace('kept="', 'kept="x'))


WHICH: dict[str, Callable[[list[Point]], list[Point]]] = {
    "sheets": lambda all_of_them: all_of_them,
    "no sheets": lambda _all: [],
    "some sheets": lambda all_of_them: all_of_them[10:30:2],
    "damaged sheets": lambda all_of_them: [garbled(one) if n % 2 else one for n, one in enumerate(all_of_them)],
}


@pytest.mark.parametrize("which", WHICH)
def test_every_question_has_the_answer_of_the_file(troubled: Shop, influx: Influx, which: str) -> None:
    """Spans and instants at random, whatever sheets there are: strokes, roll-ups, readings, idle power, the last."""
    file = troubled.service.store.signals
    write(influx, points_of(facts_in(file)))
    write(influx, WHICH[which](sheets(file)))
    shared = SharedSignals(influx)
    rng = random.Random(3)
    assert shared.spots() == sorted(file.spots())
    for _ in range(12):
        start, end = sorted(minute(rng.uniform(-100, (DAYS + 1) * DAY)) for _ in range(2))
        known = rng.choice([ALWAYS, end, minute(rng.uniform(0, (DAYS + 1) * DAY))])
        same_answers(shared, file, rng.choice(file.spots()), start, end, known)
    assert shared.summarised_to(SPOT, ALWAYS) is None
    assert list(shared.waveforms(SPOT)) == []


def same_answers(shared: Signals, file: Signals, spot: Spot, start: int, end: int, known: int) -> None:
    """Every question about a span, as it was known at a moment."""
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
    idle = (spot, "power_kw", first, last, known)
    assert shared.idle_hours(*idle) == file.idle_hours(*idle)


def test_several_collectors_of_one_site(
    troubled: Shop, influx: Influx, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shared subscription: each holds a part and makes sheets of its own, and a desk sees the whole.

    It makes sheets of the whole itself.
    """
    whole = troubled.service.store.signals
    parts: list[list[Fact]] = [[], []]
    rng = random.Random(5)
    for fact in facts_in(whole):
        parts[rng.random() < 0.5].append(fact)
    for number, part in enumerate(parts):
        with closing(SqliteStore(tmp_path / f"{number}.db", "hall", ROOM)) as store:
            store._connection.execute("UPDATE meta SET value = ? WHERE name = 'collector'", (f"c{number}",))
            batch = Batch()
            batch.add(part)
            ingest(batch, store, "hall")
            store._put_sheets(FAR_US + number)
            Forwarder(store, influx, lambda: FAR_US, KEEP_US).drain()
    shared = SharedSignals(influx)
    same_answers(shared, whole, SPOT, minute(-100), minute((DAYS + 1) * DAY), ALWAYS)
    same_answers(shared, whole, SPOT, minute(3 * DAY), minute(4 * DAY), minute(4.5 * DAY))
    assert shared.make_sheets(FAR_US - 5, KEEP_US, 10**6) > 20
    assert shared.make_sheets(FAR_US + 6, KEEP_US, 10**6) == 0
    for name in ("strokes", "readings"):
        monkeypatch.setattr(Points, name, lambda *_: pytest.fail("asked for points of hours that have sheets"))
    for at_us in (ALWAYS, minute(4 * DAY)):
        span = (SPOT, minute(-100), minute((DAYS + 1) * DAY), at_us)
        assert list(shared.strokes(*span)) == list(whole.strokes(*span))
        assert shared.readings(SPOT, "mist_ok", "", *span[1:]) == whole.readings(SPOT, "mist_ok", "", *span[1:])
    hours = (minute(0) // HOUR_US, minute(DAYS * DAY) // HOUR_US, ALWAYS)
    assert shared.idle_hours(SPOT, "power_kw", *hours) == whole.idle_hours(SPOT, "power_kw", *hours)


def test_an_hour_whose_sum_is_more_than_64_bits(
    influx: Influx, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Server and sheet count on from the least number: the sheet of a very fast saw holds."""
    strokes = [stroke(n, n / 100) for n in range(5400)]
    assert sum(one.known_us for one in strokes) > 2**63
    with closing(SqliteStore(tmp_path / "a.db", "hall", ROOM)) as store:
        store._connection.execute("UPDATE meta SET value = 'a' WHERE name = 'collector'")
        batch = Batch()
        batch.add(strokes)
        ingest(batch, store, "hall")
        store._put_sheets(FAR_US)
        Forwarder(store, influx, lambda: FAR_US, KEEP_US).drain()
    monkeypatch.setattr(Points, "strokes", lambda *_: pytest.fail("asked for points of an hour that has a sheet"))
    shared = SharedSignals(influx)
    assert shared.count(SPOT, 0, ALWAYS, ALWAYS) == 5400
    assert [one.stroke for one in shared.strokes(SPOT, 0, ALWAYS, ALWAYS)] == list(range(5400))


def test_what_stays_when_the_readings_are_gone(troubled: Shop, influx: Influx) -> None:
    """Sheets keep idle power, slow readings and words, and what strokes need of their power."""
    file = troubled.service.store.signals
    write(influx, [point for point in points_of(facts_in(file)) if point.series.measurement != "reading"])
    write(influx, sheets(file))
    shared = SharedSignals(influx)
    first, last = minute(0) // HOUR_US, minute(DAYS * DAY) // HOUR_US
    assert shared.idle_hours(SPOT, "power_kw", first, last, ALWAYS) == file.idle_hours(
        SPOT, "power_kw", first, last, ALWAYS
    )
    series = file.latest(SPOT, ALWAYS, ALWAYS)
    assert len(series) > 2
    for signal, point in series:
        kept, all_of_it = (s.readings(SPOT, signal, point, 0, ALWAYS, ALWAYS) for s in (shared, file))
        assert kept == all_of_it if signal != "power_kw" else set(kept) < set(all_of_it)
    assert shared.latest(SPOT, ALWAYS, ALWAYS).keys() == series.keys()


def test_an_hour_that_got_another_stroke_is_worked_out_again(influx: Influx) -> None:
    """Remembered while nothing comes."""
    shared = SharedSignals(influx)
    with closing(SqliteStore(":memory:", "hall", ROOM)) as store:
        for number in (1, 2):
            batch = Batch()
            batch.add([stroke(number, number, part="P1")])
            ingest(batch, store, "hall")
            Forwarder(store, influx, lambda: FAR_US, KEEP_US).drain()
            shared.look_again()
            (works,) = shared.work_hours(("S1", "1"), 0, ALWAYS // HOUR_US).values()
            assert [row.strokes for row in works] == [number]


def test_a_desk_answers_what_the_collectors_host_answers(troubled: Shop, influx: Influx, postgres_url: str) -> None:
    """Status, alerts, questions and the month, byte for byte; books in a shared database, signals on the server."""
    shop = troubled
    file = shop.service.store.signals
    write(influx, [*points_of(facts_in(file)), *sheets(file)])
    with closing(PostgresBooks(postgres_url, "hall")) as books:
        books.begin(write=True)
        assert all(
            part.differ == () for part in copy_books(shop.service.store.books.connection, books.books.connection)
        )
        books.commit()
    text = CONFIG.replace("[site]\n", f'[store]\nurl = "{url_of(influx)}"\nledger_url = "{postgres_url}"\n[site]\n', 1)
    with Service(parse(text, shop.service.config.path), clock=lambda: minute(10**6)) as service:
        desk = Shop(service)
        for at_us in (minute((DAYS + 1) * DAY), minute(2 * DAY + 200)):
            assert answer(desk, at_us) == answer(shop, at_us)
            here, there = (as_json(spend(one.service, "2026-03", at_us), one.service.zone) for one in (shop, desk))
            assert alike(here, there), "but for the order of sums"
        with pytest.raises(UsageError, match="a desk collects nothing; 'bladewatch alert follow'"):
            collect(service, print, print)
        with pytest.raises(UsageError, match="signals are written by collectors"):
            service.store.signals.append_strokes([stroke(1, 1)])


def url_of(server: Influx) -> str:
    """Where a server is, as a configuration says it."""
    told = server.address
    return f"influx://{told.host}/{told.organisation}/{told.bucket}"


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


def test_types(influx: Influx) -> None:
    """Every field of a stroke comes back as it was, and a reading whose value is whole is a number still."""
    told = {"part": 'a,"b"', "alloy": "6063", "area_cmm2": 1, "height_mm": 2.0, "bars": 3, "kind": "trim", "seq": 4}
    one = Stroke("S 1", "2", minute(1), 65_535, minute(2), clock_from_receipt=1, **told)
    with closing(SqliteStore(":memory:", "hall", ROOM)) as store:
        batch = Batch()
        batch.add([one, Sample("S 1", "2", "rpm", "", minute(1), 2800.0, minute(1))])
        ingest(batch, store, "hall")
        Forwarder(store, influx, lambda: FAR_US, KEEP_US).drain()
    shared = SharedSignals(influx)
    assert list(shared.strokes(("S 1", "2"), 0, ALWAYS, ALWAYS)) == [one]
    assert [reading.value for reading in shared.readings(("S 1", "2"), "rpm", "", 0, ALWAYS, ALWAYS)] == [2800.0]


def examples(language: str) -> list[str]:
    """The guide's examples in a language."""
    guide = resources.files("bladewatch").joinpath("guide/operation.md").read_text("utf-8")
    return re.findall(rf"```{language}\n(.*?)```", guide, re.DOTALL)


def test_the_guides_example_for_tools_that_plot_signals(troubled: Shop, influx: Influx) -> None:
    """Area by saw and day is what the file's roll-ups add up to."""
    file = troubled.service.store.signals
    list(copy_signals(file, ToServer(influx, file, "a", FAR_US), 0, FAR_US))
    (flux,) = examples("flux")
    flux = flux.replace('"BUCKET"', f'"{influx.address.bucket}"')
    flux = flux.replace("start: -7d", "start: 2026-03-01T00:00:00Z, stop: 2026-03-15T00:00:00Z")
    rows = list(influx.rows(flux, {}, influx.address.bucket))
    days: dict[int, int] = {}
    for hour, works in file.work_hours(SPOT, 0, ALWAYS // HOUR_US).items():
        day = hour // 24
        days[day] = days.get(day, 0) + sum(row.area_cmm2 for row in works)
    assert [row["saw"] for row in rows] == ["S1"] * DAYS
    assert [float(row["_value"]) for row in rows] == pytest.approx([area / 1e8 for _, area in sorted(days.items())])


def test_the_guides_examples_for_tools_that_speak_sql(make_shop: Callable[..., Shop], postgres_url: str) -> None:
    """What was paid by kind, and what was said of a saw's blade."""
    store = f'[store]\nurl = "sqlite:///a.sqlite"\nledger_url = "{postgres_url}"\n[site]\n'
    shop = make_shop(CONFIG.replace("[site]\n", store, 1))
    shop.event(0, "opened", "A-1", blade_type="T", cost="100.10")
    shop.event(0, "opened", "A-2", blade_type="T", cost="0.20")
    shop.event(1, "mounted", "A-1", saw="S1")
    shop.take(*(stroke(n, n + 1, part="P1") for n in range(9)))
    Looking(shop.service, lambda _text: None).look()
    paid, said = " ".join(examples("sql")).strip().rstrip(";").split(";")
    with closing(PostgresBooks(postgres_url, "hall")) as books:
        rows = books.books.connection.exec_driver_sql(paid).fetchall()
        assert [tuple(row) for row in rows] == [("opened", Decimal("100.30"))]
        forecasts = books.books.connection.exec_driver_sql(said).fetchall()
    assert [(row[1], row[2], row[3]) for row in forecasts if row[1] == "S1"] == [("S1", "cannot-tell", None)]
