"""A shop moves to another store: nothing is missing, nothing doubled, and both are the same day by day."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from forwarded import Model
from shops import CONFIG, Shop, minute, stroke
from typer.testing import CliRunner

from bladewatch.cli.app import app
from bladewatch.errors import UnreachableError
from bladewatch.stores.copying import copy_signals
from bladewatch.stores.postgres import PostgresBooks
from collectors.facts import BladeNote, Check, Rejected, Sample

DAY = 24 * 60
ALWAYS = 2**62


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


def test_signals_go_to_a_server_a_saw_and_a_day_at_a_time(shop: Shop) -> None:
    """Stopped in the middle and begun again: only what is missing goes; readings that it keeps no more stay here."""
    server, signals = Model(), shop.service.store.signals
    written = []

    def stops(measurement: str, lines: bytes) -> None:
        if len(written) == 2:
            raise UnreachableError("stopped")
        written.append(lines)
        Model.write(server, measurement, lines)

    server.write = stops  # type: ignore[method-assign]
    since_us, until_us = minute(DAY), minute(9 * DAY)
    with pytest.raises(UnreachableError):
        list(copy_signals(signals, server, since_us, until_us, "a"))
    half = len(server.points)
    del server.write
    parts = {
        part.name: (part.copied, part.rows, part.differ)
        for part in copy_signals(signals, server, since_us, until_us, "a")
    }
    strokes = sum(rows for name, (_, rows, _) in parts.items() if name.startswith("strokes"))
    assert (strokes, half + sum(copied for copied, _, _ in parts.values())) == (3 * 59, len(server.points))
    assert 0 < parts["readings of saw S1 spindle 1"][1] < 180
    assert all(differ == () for _, _, differ in parts.values())
    assert all(part.copied == 0 for part in copy_signals(signals, server, since_us, until_us, "a"))


def test_days_that_the_server_lost_again_are_told(shop: Shop) -> None:
    """It took them and does not hold them."""
    server = Model()
    server.forgets = 1
    (first, *_) = copy_signals(shop.service.store.signals, server, minute(0), minute(9 * DAY), "a")
    assert first.differ == ("2026-03-02",)


@pytest.mark.parametrize(
    ("source", "target", "text"),
    [
        ("sqlite:///a.sqlite", "sqlite:///b.sqlite", "found sqlite to sqlite, expected sqlite:///FILE to postgresql"),
        ("influx://h/a/b", "sqlite:///b.sqlite", "found influx to sqlite"),
        ("sqlite:///none.sqlite", "influx://h/a/b", "BLADEWATCH_INFLUX_TOKEN is not set"),
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
