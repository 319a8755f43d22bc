"""Sheets: what a collector's file holds of an ended hour, in one point."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from forwarded import take
from shops import HOUR_US, Shop, minute, stroke
from test_answers import load, troubled_facts

from bladewatch.errors import UnreachableError
from bladewatch.stores.lines import HOUR, SHEET, Point, joined, known_by_series
from bladewatch.stores.orders import order_hours, order_sums
from bladewatch.stores.sheets import Folded, folded_of, kept_of, readings_of, sheet_of, strokes_of
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Sample, Stroke

SPOT = ("S1", "1")
ALWAYS = 2**62
DAY = 24 * 60
FIRST = minute(0) // HOUR_US


def texts_of(sheet: Point) -> dict[str, str]:
    """The texts of a sheet's line, put together again."""
    found: dict[str, dict[str, str]] = {"folded": {}, "rows": {}, "kept": {}}
    body = sheet.line[sheet.line.index(" ") + 1 : sheet.line.rindex(" ")]
    while body:
        name, _, rest = body.partition("=")
        if rest[0] == '"':
            end = next(n for n in range(1, len(rest)) if rest[n] == '"' and rest[n - 1] != "\\")
            found[name.partition("_")[0]][name] = json.loads(rest[: end + 1])
            body = rest[end + 2 :]
        else:
            body = rest.partition(",")[2]
    return {name: joined(parts) for name, parts in found.items()}


def made(store: SqliteStore, now_us: int) -> list[Point]:
    """The sheets that are due."""
    with store.transaction():
        return [both.sheet for both in store.signals.sheets(now_us, 1000)[1]]


def folded(sheet: Point) -> Folded:
    return folded_of(texts_of(sheet)["folded"])


def strokes_in(sheet: Point) -> int:
    work = folded(sheet).work
    return 0 if work is None else sum(row.strokes for row in work.works)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A file whose signals are forwarded."""
    with closing(SqliteStore(tmp_path / "a.db", "hall", 10**9)) as opened:
        yield opened


def test_a_sheet_holds_what_the_file_holds(make_shop: Callable[..., Shop]) -> None:
    """Of two weeks with every trouble, hour by hour: roll-ups, strokes, order sums, idle power, readings."""
    signals = load(make_shop(), *troubled_facts(7)).service.store.signals
    series = sorted(signals.latest(SPOT, ALWAYS, ALWAYS))
    works, counters = signals.work_hours(SPOT, 0, ALWAYS), {c.hour: c for c in signals.counter_hours(SPOT, 0, ALWAYS)}
    for hour, counter in counters.items():
        both = sheet_of(signals, SPOT, hour, series, "a", 5)
        assert both is not None
        sheet = both.sheet
        assert sheet.time_ns // (HOUR_US * 1000) == hour
        texts = texts_of(sheet)
        told = folded_of(texts["folded"])
        start, end = hour * HOUR_US - 1, (hour + 1) * HOUR_US - 1
        assert told.work is not None
        assert (told.by, told.work.works, told.work.counter) == ("a", works[hour], counter)
        assert strokes_of(texts["rows"], SPOT) == list(signals.strokes(SPOT, start, end, ALWAYS))
        theirs = signals.order_sums(SPOT, start, end, ALWAYS, 2800.0)
        for row, other in zip(order_sums(told.work.orders, 2800.0), theirs, strict=True):
            assert row[:4] == other[:4]
            assert row[4:] == pytest.approx(other[4:])
        assert [*told.idle.values()] == signals.idle_hours(SPOT, "power_kw", hour, hour, ALWAYS)
        kept = {series: readings_of(rows) for series, rows in kept_of(texts["kept"]).items()}
        for signal, point, count, whole in told.told:
            rows = signals.readings(SPOT, signal, point, start, end, ALWAYS)
            assert (count, whole) == (len(rows), len(rows) <= 60)
            assert kept[signal, point] == rows if whole else set(kept.get((signal, point), [])) <= set(rows)


def test_order_sums_of_hours_joined_are_those_of_all(store: SqliteStore) -> None:
    """Random strokes, with and without area, feed, speed: by hour and joined, and by SQL at once."""
    rng = random.Random(4)
    some = lambda value: value if rng.random() < 0.7 else None  # noqa: E731
    strokes = [
        stroke(
            n, n * 3, order=some("K1"), part=some("P1"), area_cmm2=some(rng.randint(1, 10**6)),
            length_mm=some(rng.uniform(1, 900)), feed_mm_s=some(rng.choice([0.0, 20.0, 31.7])),
            spindle_rpm=some(rng.uniform(2000, 3000)),
        )
        for n in range(300)
    ]  # fmt: skip
    take(store, *strokes)
    for rated in (2800.0, None):
        hours: dict[int, list[Stroke]] = {}
        for one in strokes:
            hours.setdefault(one.ts_us // HOUR_US, []).append(one)
        ours = order_sums([row for rows in hours.values() for row in order_hours(rows)], rated)
        theirs = store.signals.order_sums(SPOT, 0, ALWAYS, ALWAYS, rated)
        for row, other in zip(ours, theirs, strict=True):
            assert row[:4] == other[:4]
            assert row[4:] == pytest.approx(other[4:])


def test_sheets_are_made_of_hours_that_have_ended_and_anew_when_they_change(store: SqliteStore) -> None:
    """An hour is left until the next has ended too, whose first stroke may have begun in it."""
    take(store, stroke(1, 1, part="P1"), Sample("S1", "1", "power_kw", "", minute(2), 2.0, minute(2)))
    assert made(store, minute(119)) == []
    (first,) = made(store, minute(120))
    assert (first.series.measurement, first.series.saw) == (SHEET, "S1")
    assert made(store, minute(500)) == []
    take(store, stroke(2, 70, part="P1"))
    again, second = made(store, minute(500))
    assert again.time_ns != first.time_ns, "its idle power rests on that stroke too"
    same = sheet_of(store.signals, SPOT, FIRST, [("power_kw", "")], "b", minute(501))
    assert same is not None
    assert same.sheet.time_ns == again.time_ns, "the same content is the same point, whoever makes it"
    assert strokes_in(second) == 1
    take(store, stroke(3, 10, 800, part="P1"))
    third = made(store, minute(900))[0]
    assert third.time_ns != first.time_ns
    assert strokes_in(third) == 2
    assert folded(third).made_us > folded(first).made_us
    take(store, stroke(3, 10, 800, part="P1"), stroke(1, 1, part="P1"))
    assert made(store, minute(900)) == [], "nothing new"


def test_no_sheets_are_due_where_nothing_is_forwarded(tmp_path: Path) -> None:
    """A shop on its own pays nothing for them."""
    with closing(SqliteStore(tmp_path / "a.db", "hall")) as store:
        take(store, stroke(1, 1), Sample("S1", "1", "power_kw", "", minute(2), 2.0, minute(2)))
        store.tidy(minute(10 * DAY), 90, 2**40, 2**40)
        assert store._connection.execute("SELECT count(*) FROM due_hour").fetchone() == (0,)
        assert store.outbox.backlog().rows == 0


def test_upkeep_puts_them_into_the_outbox_and_a_full_one_leaves_them_due(tmp_path: Path) -> None:
    """Nothing is lost of what waits, sheets no more than strokes."""
    with closing(SqliteStore(tmp_path / "a.db", "hall", 1000)) as store:
        take(store, *(stroke(n, n, part="P1") for n in range(60)))
        room = store.outbox.size()
        assert 500 < room < 1000
        with pytest.raises(UnreachableError, match="the spool is full"):
            store.tidy(minute(10 * DAY), 90, 2**40, 2**40)
        assert store.outbox.size() == room
        store.outbox.release([row.id for row in store.outbox.unsent(1000)])
        store.tidy(minute(10 * DAY), 90, 2**40, 2**40)
        for measurement in (SHEET, HOUR):
            (row,) = store.outbox.unsent(1000)
            ((series, times),) = known_by_series(row.text.decode()).items()
            assert (series.measurement, [time // 1000 // HOUR_US for time in times]) == (measurement, [FIRST])
            store.outbox.release([row.id])
        head, told, _ = row.text.decode().split(" ")
        assert head == f"hour,collector={store.signals.collector},saw=S1,spindle=1"
        assert told.partition(",")[2] == "strokes=60i,area_cmm2=0i,energy_j=0i,pieces=0i"


def test_a_long_sheet_goes_on_in_further_fields(store: SqliteStore) -> None:
    """A server takes no text of more than 64 kB; a fast saw of an hour is longer."""
    rng = random.Random(1)
    strokes = [stroke(n, n / 60, part="P1", energy_kj=rng.random(), feed_mm_s=rng.random()) for n in range(3600)]
    take(store, *strokes)
    (sheet,) = made(store, minute(300))
    assert " rows" in sheet.line or ",rows_2=" in sheet.line
    assert max(len(part) for part in sheet.line.split('"')) <= 60_000
    assert strokes_of(texts_of(sheet)["rows"], SPOT) == strokes
