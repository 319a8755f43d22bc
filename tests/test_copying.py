"""A shop moves to another store: nothing is missing, nothing doubled, and both are the same day by day."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from msgspec import structs
from servers import new_database
from shops import CONFIG, Shop, minute, stroke
from typer.testing import CliRunner

from bladewatch.cli.app import app
from bladewatch.errors import UnreachableError
from bladewatch.stores.copying import Part
from bladewatch.stores.copying_signals import ToFile, ToServer, copy_signals
from bladewatch.stores.influx import Influx
from bladewatch.stores.lines import points_of
from bladewatch.stores.postgres import PostgresBooks
from bladewatch.stores.protocols import Signals
from bladewatch.stores.shared_signals import SharedSignals
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import BladeNote, Check, Rejected, Sample, Waveform

DAY = 24 * 60
ALWAYS = 2**62


def to_server(signals: Signals, server: Influx, since_us: int, now_us: int) -> Iterator[Part]:
    """Copy signals to a server."""
    return copy_signals(signals, ToServer(server, signals, "a", now_us), since_us, now_us)


@pytest.fixture
def shop(make_shop: Callable[..., Shop]) -> Shop:
    """Books of every kind, strokes and readings of three days on two saws; invented."""
    shop = make_shop()
    for number in range(4):
        shop.event(-10, "opened", f"A-{number}", blade_type="T", cost="100.10", note="rack 2; späne")
    for day in range(3):
        start, times = day * DAY, range(1, 60)
        shop.event(start, "mounted", f"A-{day}", saw="S1")
        shop.take(*(stroke(100 * day + n, start + n, part="P1", saw=f"S{n % 2 + 1}") for n in times))
        shop.take(*(Sample("S1", "1", "power_kw", "", minute(start + n), 2.5, minute(start + n)) for n in times))
        off = {"saw": "S1", "reason": "worn-plan", "planned": "yes", "minutes": "12.5"}
        shop.event(start + 100, "dismounted", f"A-{day}", **off)
    shop.take(BladeNote("S1", "1", minute(5), "mounted", "A-9", minute(5), kerf_mm=4.02))
    shop.take(Check("S1", "1", minute(6), "burr", minute(6), value=0.08, by="M7"))
    with shop.service.store.transaction():
        shop.service.store.books.reject([Rejected("broker", "t", b"\x00\xff", "bad", minute(7))])
        shop.service.store.books.note_file("abc", "log.jsonl")
    return shop


def command(shop: Shop, *arguments: str, code: int = 0) -> str:
    """A command on the shop's configuration."""
    told = CliRunner().invoke(app, ["--config", str(shop.service.config.path), *arguments])
    text = f"{told.output}{told.exception or ''}"
    assert getattr(told.exception, "exit_code", told.exit_code) == code, text
    return text


def test_books_go_there_and_back_again(shop: Shop, postgres_url: str) -> None:
    """Into PostgreSQL, again (nothing more), and into a new file: the same rows, and the same answers."""
    first = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", postgres_url)
    assert "ledger: 10 copied, 10 there; the same day by day" in first
    assert "rejection: 1 copied, 1 there; the same day by day" in first
    assert "DIFFERS" not in first
    again = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", postgres_url)
    assert "ledger: 0 copied, 10 there; the same day by day" in again
    there = PostgresBooks(postgres_url)
    mine = shop.service.store.books
    assert sorted(there.books.events(ALWAYS, ALWAYS), key=str) == sorted(mine.events(ALWAYS, ALWAYS), key=str)
    assert (there.books.checks(), there.books.file_names()) == (mine.checks(), mine.file_names())
    with_number = there.books.rejections()
    there.begin(write=True)
    there.books.reject([Rejected("broker", "t", b"new", "bad", minute(8))])
    there.commit()
    assert len(there.books.rejections()) == len(with_number) + 1
    there.close()
    back = command(shop, "store", "copy", postgres_url, "sqlite:///back.sqlite")
    assert "ledger: 10 copied, 10 there; the same day by day" in back
    folder = shop.service.config.path.parent
    (folder / "back.toml").write_text(CONFIG.replace("[site]\n", '[store]\nurl = "sqlite:///back.sqlite"\n[site]\n', 1))
    answer = CliRunner().invoke(app, ["--config", str(folder / "back.toml"), "plate", "A-1"])
    rows = [text.partition("Rows, as they happened")[2] for text in (answer.output, command(shop, "plate", "A-1"))]
    assert rows[0] == rows[1] != ""


def test_books_go_from_one_database_to_another(shop: Shop, postgres_url: str, postgres_server: str) -> None:
    """All of them, and nothing more the second time."""
    command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", postgres_url)
    with new_database(postgres_server) as other:
        told = command(shop, "store", "copy", postgres_url, other)
        assert "ledger: 10 copied, 10 there; the same day by day" in told
        assert "DIFFERS" not in told
        assert "ledger: 0 copied, 10 there" in command(shop, "store", "copy", postgres_url, other)


def test_a_row_that_differs_is_told_with_its_day(shop: Shop, postgres_url: str) -> None:
    """Somebody changed it there: the copy leaves it, says the day, and ends with an error."""
    command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", postgres_url)
    there = PostgresBooks(postgres_url)
    there.begin(write=True)
    there.books.connection.exec_driver_sql("UPDATE ledger SET cost = '1.00' WHERE plate = 'A-1' AND event = 'opened'")
    there.commit()
    there.close()
    told = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", postgres_url, code=3)
    assert "ledger: 0 copied, 10 there; DIFFERS on 2026-03-02" in told


def test_signals_go_to_a_server_a_saw_and_a_day_at_a_time(
    shop: Shop, influx: Influx, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped in the middle and begun again: only what is missing goes; readings that it keeps no more stay here."""
    signals = shop.service.store.signals
    write, written = influx.write, []

    def stops(measurement: str, lines: bytes) -> None:
        if len(written) == 2:
            raise UnreachableError("stopped")
        written.append(lines)
        write(measurement, lines)

    monkeypatch.setattr(influx, "write", stops)
    since_us, now_us = minute(DAY), minute(9 * DAY)
    with pytest.raises(UnreachableError):
        list(to_server(signals, influx, since_us, now_us))
    half = sum(len(lines.split(b"\n")) for lines in written)
    monkeypatch.setattr(influx, "write", write)
    parts = {part.name: part for part in to_server(signals, influx, since_us, now_us)}
    strokes = [part for name, part in parts.items() if name.startswith("strokes")]
    assert (sum(part.rows for part in strokes), sum(part.copied for part in strokes) + half) == (3 * 59, 3 * 59)
    assert 0 < half < 3 * 59
    assert 0 < parts["readings of saw S1 spindle 1"].rows < 180
    assert all(part.differ == () for part in parts.values())
    assert all(part.copied == 0 for part in to_server(signals, influx, since_us, now_us))


def everything(signals: Signals) -> list[object]:
    """All facts of signals."""
    found: list[object] = []
    for spot in signals.spots():
        found += signals.strokes(spot, 0, ALWAYS, ALWAYS)
        series = signals.latest(spot, ALWAYS, ALWAYS)
        found += [(key, signals.readings(spot, *key, 0, ALWAYS, ALWAYS)) for key in sorted(series)]
        found += signals.waveforms(spot)
    return found


def test_a_file_goes_to_another(shop: Shop) -> None:
    """Books and signals; again, nothing more; what differs there is told with its day."""
    told = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", "sqlite:///other.sqlite")
    assert "ledger: 10 copied, 10 there; the same day by day" in told
    assert "strokes of saw S1 spindle 1: 87 copied, 87 there; the same day by day" in told
    again = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", "sqlite:///other.sqlite")
    assert "strokes of saw S1 spindle 1: 0 copied, 87 there; the same day by day" in again
    with closing(SqliteStore(shop.service.config.path.parent / "other.sqlite", "hall")) as other:
        assert everything(other.signals) == everything(shop.service.store.signals)
        with other.transaction():
            other.signals.append_strokes([stroke(9999, DAY + 7)])
    differs = command(shop, "store", "copy", "sqlite:///bladewatch.sqlite", "sqlite:///other.sqlite", code=3)
    assert "strokes of saw S1 spindle 1: 0 copied, 88 there; DIFFERS on 2026-03-03" in differs


def test_signals_come_back_from_a_server(shop: Shop, influx: Influx, tmp_path: Path) -> None:
    """Into a new file all that the first one holds, waveforms too, one longer than a server's text; then once more."""
    signals, now_us = shop.service.store.signals, minute(9 * DAY)
    long = tuple(math.sin(n * n) for n in range(7_000))
    waves = [
        Waveform("S1", "1", "front", minute(n), 25_600.0, "g", long[: 7_000 * (n == 1) + 9], minute(n))
        for n in range(3)
    ]
    shop.take(*waves)
    copied = {part.name: part for part in to_server(signals, influx, 0, now_us)}
    assert copied["waveforms of saw S1 spindle 1"].copied == 3
    assert all(part.differ == () for part in copied.values())
    with closing(SqliteStore(tmp_path / "back.db", "hall")) as back:
        for count in (3 * 59 + 3, 0):
            parts = list(copy_signals(SharedSignals(influx), ToFile(back), None, now_us))
            assert all(part.differ == () for part in parts)
            assert sum(part.copied for part in parts if not part.name.startswith("reading")) == count
        assert everything(back.signals) == everything(signals)


def test_days_that_the_server_lost_or_has_otherwise_are_told(
    shop: Shop, influx: Influx, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It took them and does not hold them; or a point is there with something else in it, which is left."""
    signals, write = shop.service.store.signals, influx.write
    monkeypatch.setattr(influx, "write", lambda *_: None)
    (first, *_) = to_server(signals, influx, minute(0), minute(9 * DAY))
    assert first.differ == ("2026-03-02", "2026-03-03", "2026-03-04")
    monkeypatch.setattr(influx, "write", write)
    (first, *_) = to_server(signals, influx, minute(0), minute(9 * DAY))
    assert first.differ == ()
    one = next(iter(signals.strokes(("S1", "1"), minute(DAY), ALWAYS, ALWAYS)))
    (other,) = points_of([structs.replace(one, part="P9")])
    influx.write("stroke", other.line.encode())
    (first, *_) = to_server(signals, influx, minute(0), minute(9 * DAY))
    assert (first.copied, first.differ) == (0, ("2026-03-03",))


@pytest.mark.parametrize(
    ("source", "target", "text"),
    [
        ("sqlite:///a.sqlite", "sqlite:///a.sqlite", "found sqlite to sqlite: the same"),
        ("influx://h/a/b", "postgresql://u@h/d", "found influx to postgresql: the one holds books, the other signals"),
        ("mysql://u@h/d", "sqlite:///b.sqlite", "found 'mysql', expected sqlite:///FILE, postgresql"),
        ("sqlite:///bladewatch.sqlite", "influx://h/a/b", "BLADEWATCH_INFLUX_TOKEN is not set"),
    ],
)
def test_what_cannot_be_copied_is_said(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, source: str, target: str, text: str
) -> None:
    """With what can."""
    monkeypatch.delenv("BLADEWATCH_INFLUX_TOKEN", raising=False)
    assert text in " ".join(command(shop, "store", "copy", source, target, code=2).split())


def test_a_file_that_is_not_there_is_no_source(shop: Shop, postgres_url: str) -> None:
    """Nothing is made in its place."""
    told = command(shop, "store", "copy", "sqlite:///none.sqlite", postgres_url, code=2)
    assert "there is no such file to copy from" in " ".join(told.split())
    assert not Path(shop.service.config.path.parent / "none.sqlite").exists()
