"""What every store owes. New stores join the list of fixtures and run all of this."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from forwarded import ForwardedStore
from shops import HOUR_US, minute, stroke

from bladewatch.errors import UnreachableError, UsageError
from bladewatch.ledger.events import Event
from bladewatch.stores.protocols import Store
from bladewatch.stores.sqlite import SqliteStore, open_store
from bladewatch.stores.tables import SCHEMA_VERSION
from collectors.facts import BladeNote, Check, Rejected, Sample, Waveform

SPOT = ("S1", "1")
ALWAYS = 2**62


NOT_OF_A_SERVER = {
    "test_roll_ups_are_the_same_in_order_out_of_order_and_rebuilt": "a desk works roll-ups out from what it reads",
    "test_fast_readings_go_after_their_time_and_leave_a_summary_a_minute": "the server lets readings go by itself",
}


@pytest.fixture(params=["sqlite", "sqlite and postgresql", "tape", "tape with sheets", "live", "live with sheets"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Every kind of store, empty."""
    kind = request.param.partition(" ")[0]
    if kind in ("tape", "live"):
        if (why := NOT_OF_A_SERVER.get(request.node.originalname)) is not None:
            pytest.skip(why)
        server = request.getfixturevalue("taped" if kind == "tape" else "live")
        file = SqliteStore(tmp_path / "store.db", "hall", 10**9)
        yield ForwardedStore(file, server, "sheets" in request.param)  # type: ignore[misc]
        file.close()
        return
    ledger_url = request.getfixturevalue("postgres_url") if "postgresql" in request.param else None
    opened = open_store("sqlite:///store.db", tmp_path, "hall", ledger_url)
    yield opened
    opened.close()


def sample(
    at_minute: float, value: float, known_minute: float | None = None, signal: str = "power_kw", point: str = ""
) -> Sample:
    return Sample(
        "S1", "1", signal, point, minute(at_minute), value, minute(at_minute if known_minute is None else known_minute)
    )


def test_a_stroke_told_twice_is_stored_once_and_known_from_its_first_telling(store: Store) -> None:
    """Same identity and content: nothing new, and the earlier known holds, whichever came first."""
    with store.transaction():
        assert store.signals.append_strokes([stroke(1, 0, 5, part="P1")]).taken == 1
        outcome = store.signals.append_strokes([stroke(1, 0, 3, part="P1"), stroke(1, 0, 9, part="P1")])
    assert (outcome.taken, outcome.repeated, outcome.conflicts) == (0, 2, [])
    assert [s.known_us for s in store.signals.strokes(SPOT, 0, ALWAYS, ALWAYS)] == [minute(3)]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_of_two_reports_of_one_stroke_the_one_known_earlier_stays_whole(store: Store, order: tuple[int, int]) -> None:
    """Whichever arrived first; the other is handed back as a conflict."""
    reports = [stroke(1, 0, 3, part="P1"), stroke(1, 0, 5, part="P2", pieces=4)]
    gone = []
    with store.transaction():
        for place in order:
            gone += store.signals.append_strokes([reports[place]]).conflicts
    assert list(store.signals.strokes(SPOT, 0, ALWAYS, ALWAYS)) == [reports[0]]
    assert [conflict.gone for conflict in gone] == [reports[1]]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_of_two_reports_known_at_once_the_smaller_text_stays(store: Store, order: tuple[int, int]) -> None:
    """A tie is broken by content, so that the order of arrival does not show."""
    reports = [stroke(1, 0, 3, part="P1"), stroke(1, 0, 3, part="P2")]
    with store.transaction():
        for place in order:
            store.signals.append_strokes([reports[place]])
    assert list(store.signals.strokes(SPOT, 0, ALWAYS, ALWAYS)) == [reports[0]]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_samples_follow_the_same_rule_one_by_one(store: Store, order: tuple[int, int]) -> None:
    """Overlapping fast blocks: the same, sample by sample."""
    runs = [[sample(0, 1.0, 3), sample(1, 2.0, 3)], [sample(1, 9.0, 5), sample(2, 3.0, 5)]]
    conflicts = []
    with store.transaction():
        for place in order:
            conflicts += store.signals.append_samples(runs[place]).conflicts
    assert [r.value for r in store.signals.readings(SPOT, "power_kw", "", 0, ALWAYS, ALWAYS)] == [1.0, 2.0, 3.0]
    assert [conflict.gone for conflict in conflicts] == [runs[1][0]]


def test_a_late_sample_into_a_packed_hour_is_compared_with_what_is_packed(store: Store) -> None:
    """Packing is no reason to forget an identity."""
    run = [sample(i, 1.0 + i / 100) for i in range(50)]
    with store.transaction():
        store.signals.append_samples(run)
    assert store.tidy(minute(0) + 100 * HOUR_US, 90, 2**40, 2**40)["hours"] == 1
    before = store.signals.readings(SPOT, "power_kw", "", 0, ALWAYS, ALWAYS)
    assert [r.value for r in before] == [s.value for s in run]
    with store.transaction():
        outcome = store.signals.append_samples([run[7], sample(8, 77.0, 500), sample(8.5, 5.0, 500)])
    assert (outcome.taken, outcome.repeated, len(outcome.conflicts)) == (1, 1, 1)
    assert store.signals.latest(SPOT, minute(49), ALWAYS)["power_kw", ""].value == run[49].value


def test_fast_readings_go_after_their_time_and_leave_a_summary_a_minute(store: Store) -> None:
    """Slow readings stay, and those that alone tell a stroke's energy; the expired ones again change nothing."""
    fast = [sample(i / 10, 2.0 + i % 3, signal="load_pct") for i in range(100)]
    slow = [sample(i * 5, 40.0, signal="bearing_c") for i in range(10)]
    with store.transaction():
        store.signals.append_strokes([stroke(1, 1.0, duration_s=30.0)])
        store.signals.append_samples([*fast, *slow])
    store.refresh_idle(ALWAYS // 2)
    hour = minute(0) // HOUR_US
    idle = store.signals.idle_hours(SPOT, "load_pct", hour, hour, ALWAYS)
    later = minute(0) + 100 * 24 * HOUR_US
    store.tidy(later, 90, 2**40, 2**40)
    assert len(store.signals.readings(SPOT, "load_pct", "", 0, ALWAYS, ALWAYS)) == 100, "packed, not yet let go"
    last = store.signals.latest(SPOT, ALWAYS, ALWAYS)["load_pct", ""]
    later += 3 * 24 * HOUR_US
    store.tidy(later, 90, 2**40, 2**40)
    kept = store.signals.readings(SPOT, "load_pct", "", 0, ALWAYS, ALWAYS)
    assert [r.ts_us for r in kept] == [s.ts_us for s in fast if minute(0.5) <= s.ts_us <= minute(1.0)]
    assert 0 <= last.ts_us - store.signals.latest(SPOT, ALWAYS, ALWAYS)["load_pct", ""].ts_us < 60_000_000
    assert len(store.signals.readings(SPOT, "bearing_c", "", 0, ALWAYS, ALWAYS)) == 10
    with store.transaction():
        assert store.signals.append_samples(fast).taken == 0
    store.tidy(later, 90, 2**40, 2**40)
    with store.transaction():
        store.signals.append_strokes([stroke(2, 59.0)])
    again = store.signals.idle_hours(SPOT, "load_pct", hour, hour, ALWAYS)
    assert (again[0].n, again[0].total) == (idle[0].n, idle[0].total)


def test_two_upkeeps_at_once_do_not_trip_over_each_other(tmp_path: Path) -> None:
    """What another process has packed or let go meanwhile is done."""
    one, other = SqliteStore(tmp_path / "a.db"), SqliteStore(tmp_path / "a.db")
    with one.transaction():
        one.signals.append_samples([sample(i / 2, 1.0) for i in range(3600)])
    now_us = minute(0) + 200 * 24 * HOUR_US
    for later in (0, 5 * 24 * HOUR_US):
        steps = one.signals.pack_steps(now_us + later, 90 * 24 * HOUR_US)
        with one.transaction():
            next(steps)
        other.tidy(now_us + later, 90, 2**40, 2**40)
        with one.transaction():
            assert len(list(steps)) > 10
    assert one.signals.readings(SPOT, "power_kw", "", 0, ALWAYS, ALWAYS) == []
    one.close()
    other.close()


def test_idle_power_leaves_out_what_lies_in_strokes(store: Store) -> None:
    """Readings inside a stroke are cutting, not idling; a late stroke takes its readings out again."""
    with store.transaction():
        store.signals.append_samples([sample(i, 2.0 if i % 10 else 9.0) for i in range(60)])
        store.signals.append_strokes([stroke(i, i * 10 + 0.1, duration_s=12.0) for i in range(5)])
    hour = minute(0) // HOUR_US
    store.refresh_idle(ALWAYS // 2)
    first = store.signals.idle_hours(SPOT, "power_kw", hour, hour, ALWAYS)[0]
    assert (first.n, first.total) == (55, 55 * 2_000_000 - 2_000_000 + 9_000_000)
    with store.transaction():
        store.signals.append_strokes([stroke(5, 50.1, 300, duration_s=12.0)])
    now = store.signals.idle_hours(SPOT, "power_kw", hour, hour, ALWAYS)[0]
    assert (now.n, now.total) == (54, 54 * 2_000_000)
    then = store.signals.idle_hours(SPOT, "power_kw", hour, hour, minute(200))[0]
    assert (then.n, then.total) == (first.n, first.total)


def test_nothing_of_a_failed_transaction_stays(store: Store) -> None:
    """All or nothing, signals and books alike."""

    def half() -> None:
        with store.transaction():
            store.signals.append_strokes([stroke(1, 0)])
            store.signals.append_samples([sample(0, 1.0)])
            store.books.append_events([Event(id="x", at_us=0, event="opened", known_us=0, plate="A")])
            store.books.reject([Rejected("broker", "t", b"x", "why", 0)])
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError):
        half()
    assert list(store.signals.strokes(SPOT, 0, ALWAYS, ALWAYS)) == []
    assert store.books.events(ALWAYS, ALWAYS) == []
    assert store.books.rejections() == []
    with store.transaction():
        assert store.signals.append_samples([sample(0, 1.0)]).taken == 1


def test_a_full_disk_is_told_as_such_and_leaves_the_store_usable(tmp_path: Path) -> None:
    """The transaction is undone, and when there is room again the same facts are taken."""
    opened = SqliteStore(tmp_path / "a.db")
    pages = opened._connection.execute("PRAGMA page_count").fetchone()[0]
    opened._connection.execute(f"PRAGMA max_page_count = {pages}")
    strokes = [stroke(i, i, part="P" * 100) for i in range(3000)]

    def fill() -> None:
        with opened.transaction():
            opened.signals.append_strokes(strokes)

    with pytest.raises(UnreachableError, match="full"):
        fill()
    opened._connection.execute("PRAGMA max_page_count = 1000000")
    opened.signals.append_strokes([stroke(1, 0, saw="S2")])
    fill()
    assert [s.saw for s in opened.signals.strokes(("S2", "1"), 0, ALWAYS, ALWAYS)] == ["S2"]
    assert len(list(opened.signals.strokes(SPOT, 0, ALWAYS, ALWAYS))) == 3000
    opened.close()


def test_roll_ups_are_the_same_in_order_out_of_order_and_rebuilt(store: Store) -> None:
    """Onto what stands, or anew from the rows: one result."""
    strokes = [
        stroke(i + (i > 20) * 3, i * 1.7, part="P1" if i % 9 else "P2", area_cmm2=100 * i, energy_kj=1.5)
        for i in range(1, 60)
    ]
    with store.transaction():
        store.signals.append_strokes(strokes[::2])
        store.signals.append_strokes(strokes[1::2])
    first, last = minute(0) // HOUR_US, minute(110) // HOUR_US
    told = store.signals.work_hours(SPOT, first, last), store.signals.counter_hours(SPOT, first, last)
    store.clear_derived()
    assert store.signals.work_hours(SPOT, first, last) == {}
    assert list(store.rebuild_hours()) == ["saw S1 spindle 1: 59 strokes"]
    assert (store.signals.work_hours(SPOT, first, last), store.signals.counter_hours(SPOT, first, last)) == told


def test_strokes_of_hours_are_counted_as_they_were_known(store: Store) -> None:
    """From the roll-ups, with what the counter tells between; of an hour that got one late, as many as were known."""
    with store.transaction():
        store.signals.append_strokes([stroke(n, n, part="P1") for n in (1, 2, 3, 7)])
        store.signals.append_strokes([stroke(8, 8, kind="air"), stroke(9, 61), stroke(10, 62)])
        store.signals.append_strokes([stroke(11, 63, known_minute=5000)])
    first = minute(0) // HOUR_US
    made = store.signals.strokes_made
    assert made(SPOT, first, first, ALWAYS) == 7
    assert made(SPOT, first, first + 1, ALWAYS) == 10
    assert made(SPOT, first, first + 1, minute(4000)) == 9
    assert made(SPOT, first + 1, first + 9, minute(0)) == 0
    assert made(("S9", "1"), first, first + 1, ALWAYS) == 0


def test_alike_rejections_from_the_broker_share_a_row_and_a_file_adds_none(store: Store) -> None:
    """Every delivery counts; a file's line counts once."""
    live = Rejected("broker", "t", b"x", "why", 5)
    filed = Rejected("file:abc:3", "t", b"x", "why", 5)
    with store.transaction():
        store.books.reject([live, live, filed])
        store.books.reject([live, filed])
    assert sorted((row.source, row.count) for row in store.books.rejections()) == [("broker", 3), ("file:abc:3", 1)]


def test_rejections_and_waveforms_over_their_quota_lose_bytes_and_keep_their_count(store: Store) -> None:
    """The oldest go first."""
    with store.transaction():
        store.books.reject([Rejected("broker", "t", bytes([i]) * 1000, "why", i) for i in range(10)])
        store.signals.append_waveforms(
            [Waveform("S1", "1", "front", i, 1000.0, "g", (0.1, float(i)), i) for i in range(10)]
        )
    done = store.tidy(0, 90, 3500, 60)
    assert done["rejections"] == 7
    assert done["waveforms"] > 0
    assert [row.payload is None for row in store.books.rejections()] == [True] * 7 + [False] * 3


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_of_two_waveforms_of_one_instant_the_one_known_earlier_stays(store: Store, order: tuple[int, int]) -> None:
    """And the other is kept as a conflict, whichever came first."""
    waves = [Waveform("S1", "1", "front", 5, 100.0, "g", (0.1, float(i)), 10 + i) for i in range(2)]
    gone = []
    with store.transaction():
        for place in order:
            gone += store.signals.append_waveforms([waves[place]]).conflicts
    assert [conflict.gone for conflict in gone] == [waves[1]]


def test_a_conflict_is_listed_once_however_often_its_file_is_imported(store: Store) -> None:
    """First as the one that had stood, later by its file and line: one row."""
    stood = Rejected("store", "t", b"x", "conflict: told with other content; it had stood", 5)
    filed = Rejected("file:abc:3", "t", b"x", "conflict: told with other content", 5)
    with store.transaction():
        for item in (stood, filed, stood, filed):
            store.books.reject([item])
    assert [(row.source, row.count) for row in store.books.rejections()] == [("file:abc:3", 1)]


def test_a_second_process_sees_hours_that_the_first_one_packed(tmp_path: Path) -> None:
    """A late repeat into an hour packed meanwhile is a repeat, not a second fact."""
    one, other = SqliteStore(tmp_path / "a.db"), SqliteStore(tmp_path / "a.db")
    run = [sample(i, 2.0) for i in range(60)]
    with one.transaction():
        one.signals.append_samples([sample(-5, 1.0)])
    with other.transaction():
        other.signals.append_samples(run)
    other.tidy(minute(0) + 100 * HOUR_US, 90, 2**40, 2**40)
    with one.transaction():
        outcome = one.signals.append_samples([run[3], sample(4, 9.0, 900)])
    assert (outcome.taken, outcome.repeated, len(outcome.conflicts)) == (0, 1, 1)
    assert len(one.signals.readings(SPOT, "power_kw", "", minute(-1), ALWAYS, ALWAYS)) == 60
    one.close()
    other.close()


def test_money_is_summed_as_decimal(store: Store) -> None:
    """Three times a tenth is three tenths."""
    events = [Event(id=f"e{i}", at_us=i, event="invoiced", known_us=i, cost=Decimal("0.10")) for i in range(3)]
    with store.transaction():
        store.books.append_events(events)
    assert sum(event.cost or 0 for event in store.books.events(ALWAYS, ALWAYS)) == Decimal("0.30")


def test_events_notes_and_checks_keep_the_rule_of_identity(store: Store) -> None:
    """A ledger id, a blade message and a check are each one fact."""
    early = Event(id="e", at_us=1, event="opened", known_us=1, plate="A", note="first")
    late = Event(id="e", at_us=1, event="opened", known_us=2, plate="A", note="second")
    with store.transaction():
        assert store.books.append_events([late]) == (1, 0, [])
        assert store.books.append_events([early]) == (1, 0, [(early, late)])
        assert store.books.append_events([late]) == (0, 0, [(early, late)])
        note = BladeNote("S1", "1", 5, "mounted", "A", 9, kerf_mm=3.9)
        assert store.books.append_notes([note, note]).repeated == 1
        check = Check("S1", "1", 5, "burr_mm", 9, value=0.12)
        assert store.books.append_checks([check, check]).taken == 1
    assert [event.note for event in store.books.events(1, 1)] == ["first"]
    assert store.books.last_report_us(SPOT, 10, 8) is None
    assert store.books.last_report_us(SPOT, 10, 9) == 5


def test_a_reader_that_took_no_snapshot_holds_no_transaction(tmp_path: Path) -> None:
    """Between two answers the write-ahead log can be folded back."""
    writer, reader = SqliteStore(tmp_path / "a.db"), SqliteStore(tmp_path / "a.db")
    with reader.snapshot():
        list(reader.signals.strokes(SPOT, 0, ALWAYS, ALWAYS))
    with writer.transaction():
        writer.signals.append_strokes([stroke(i, i) for i in range(100)])
    probe = sqlite3.connect(tmp_path / "a.db")
    busy, _, _ = probe.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    probe.close()
    reader.close()
    writer.close()


def test_every_schema_version_left_a_database_that_opens(tmp_path: Path) -> None:
    """fixtures/schema holds a small database of each version."""
    folder = Path(__file__).parent.parent / "fixtures" / "schema"
    for version in range(1, SCHEMA_VERSION + 1):
        path = tmp_path / f"v{version}.db"
        shutil.copy(folder / f"v{version}.sqlite", path)
        opened = SqliteStore(path)
        assert len(list(opened.signals.strokes(SPOT, 0, ALWAYS, ALWAYS))) == 3
        assert [event.plate for event in opened.books.events(ALWAYS, ALWAYS)] == ["A"]
        answers = opened._connection.execute("SELECT asked FROM answer").fetchall()
        assert answers == []
        assert opened._version() == SCHEMA_VERSION
        opened.close()


def test_a_migration_and_its_record_are_one_transaction(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step that fails leaves the version it found; one that succeeds is recorded and not run again."""
    from bladewatch.stores import migrations, tables

    path = tmp_path / "a.db"
    SqliteStore(path).close()
    runs = []

    def step(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE added (x)")
        runs.append(1)
        if len(runs) == 1:
            raise RuntimeError("half way")

    monkeypatch.setitem(migrations.STEPS, 99, step)
    monkeypatch.setattr(tables, "SCHEMA_VERSION", 99)
    with pytest.raises(RuntimeError):
        SqliteStore(path)
    for _ in range(2):
        opened = SqliteStore(path)
        assert opened._version() == 99
        opened.close()
    assert len(runs) == 2


def test_a_newer_schema_and_a_foreign_file_are_refused_with_the_cure(tmp_path: Path) -> None:
    """Somebody who downgrades is told what to do."""
    opened = SqliteStore(tmp_path / "a.db")
    opened.close()
    raw = sqlite3.connect(tmp_path / "a.db")
    raw.execute("UPDATE meta SET value = '999' WHERE name = 'schema_version'")
    raw.commit()
    raw.close()
    with pytest.raises(UsageError, match="newer bladewatch"):
        SqliteStore(tmp_path / "a.db")
    (tmp_path / "b.db").write_text("no database at all, " * 100)
    with pytest.raises(UnreachableError):
        open_store("sqlite:///b.db", tmp_path)
    with pytest.raises(UnreachableError, match="cannot be opened"):
        open_store("sqlite:///none/c.db", tmp_path)
    with pytest.raises(UsageError, match="expected sqlite:///FILE"):
        open_store("mysql://somewhere", tmp_path)


@pytest.mark.parametrize("span", ["snapshot", "transaction"])
def test_ctrl_c_in_a_query_is_told_as_itself(tmp_path: Path, span: str) -> None:
    """The books close a connection that an interrupt found at work; nothing hides the interrupt."""
    store = open_store("sqlite:///x.sqlite", tmp_path, "hall")

    def interrupted() -> None:
        with getattr(store, span)():
            store._connection.close()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
