"""What is kept of the ledger's book: it changes no answer, whatever is written afterwards."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from msgspec.structs import replace
from shops import CONFIG, Shop, minute

from bladewatch.assess import opening
from bladewatch.assess.opening import book_at, keep_book
from bladewatch.ledger.book import Book
from bladewatch.ledger.fold import Fold
from bladewatch.ledger.standing import Standing
from bladewatch.pipeline import enter
from collectors.facts import BladeNote

DAY = 24 * 60
NOW = minute(60 * DAY)


@pytest.fixture
def shop(make_shop: Callable[..., Shop], monkeypatch: pytest.MonkeyPatch) -> Shop:
    """Sixty days of changes on two saws; whatever is older than ten days can be kept. Invented."""
    monkeypatch.setattr(opening, "LATE_US", 10 * DAY * 60_000_000)
    monkeypatch.setattr(opening, "WORTH_ROWS", 20)
    shop = make_shop(CONFIG)
    rng = random.Random(5)
    for number in range(8):
        shop.event(-DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="0")
    for day in range(58):
        plate = f"A-{rng.randrange(8)}"
        shop.event(day * DAY, "mounted", plate, saw=rng.choice(["S1", "S2"]))
        shop.event(day * DAY + 300, "dismounted", plate, reason=rng.choice(["worn-plan", "job-swap", "chipped"]))
        if rng.random() < 0.6:
            shop.event(day * DAY + 400, "sent", plate, batch=f"B-{day}", supplier="grinder-a")
            shop.event(day * DAY + 900, "accepted", plate)
    return shop


def opened(shop: Shop, at_us: int = NOW) -> Book:
    """The book as a moment opens it."""
    return book_at(shop.service.config, shop.service.store.books, at_us)


def folded(shop: Shop, at_us: int = NOW) -> Book:
    """The book of all rows, folded anew."""
    config = shop.service.config
    book = Book(config.saw_of, config.may_clear_cracks())
    book.add(shop.service.store.books.events(at_us, at_us))
    return book


def keep(shop: Shop) -> None:
    """As a collector does."""
    with shop.service.store.transaction():
        keep_book(shop.service.config, shop.service.store.books, opened(shop))


def same(one: Book, other: Book) -> bool:
    """Whether two books say the same."""
    return (one.fleet, one.line, one.held) == (other.fleet, other.line, other.held)


def test_it_is_kept_and_taken_up_and_only_what_is_newer_is_folded(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A month ago at the newest; kept again only where that saves something."""
    books = shop.service.store.books
    assert books.kept_book() is None
    keep(shop)
    kept = books.kept_book()
    assert kept is not None
    whole = folded(shop)
    newer = sum(row.event.at_us > kept.at_us for row in whole.line)
    assert 0 < newer < len(whole.line) / 3
    applied = []
    apply = Fold.apply

    def noted(self: Fold, row: Standing, for_good: bool = False) -> None:
        applied.append(row)
        apply(self, row, for_good)

    monkeypatch.setattr(Fold, "apply", noted)
    assert same(opened(shop), whole)
    assert len(applied) == newer
    keep(shop)
    assert books.kept_book() == kept


@pytest.mark.parametrize("late_days", [0, 5, 30])
def test_rows_written_afterwards_have_their_place(shop: Shop, late_days: int) -> None:
    """Of today, of last week, of a month ago; corrections of old rows; a saw's own message that joins an old row."""
    keep(shop)
    at = (59 - late_days) * DAY
    shop.event(at, "mounted", "A-3", 59 * DAY + 30, saw="S2")
    assert same(opened(shop), folded(shop))
    row = next(event for event in opened(shop).held if event.event == "dismounted")
    shop.event(59 * DAY + 60, "corrected", row.plate, corrects=row.id)
    assert same(opened(shop), folded(shop))
    for at_us in (minute(20 * DAY), minute(49 * DAY), minute(55 * DAY)):
        assert same(opened(shop, at_us), folded(shop, at_us))


def test_a_row_that_takes_the_place_of_another_is_read_anew(shop: Shop) -> None:
    """One id, entered at one instant, other content: no count changes, and what was kept serves no more."""
    keep(shop)
    row = next(event for event in opened(shop).held if event.event == "dismounted" and event.reason == "worn-plan")
    past = shop.service.moment(NOW)
    assert enter([replace(row, reason="cracked")], shop.service.store).taken == 1
    assert same(opened(shop), folded(shop))
    assert same(shop.service.moment(NOW, past=past).known().book, folded(shop))


@pytest.mark.parametrize("first", ["row", "message"])
def test_a_row_with_the_id_of_a_saws_message_is_that_message(shop: Shop, first: str) -> None:
    """Whichever came first, and whatever was kept between."""
    note = BladeNote("S1", "1", minute(3 * DAY), "dismounted", "A-9", minute(3 * DAY), reason="worn-plan")
    cells = {"id": "message/S1/1/" + str(minute(3 * DAY)) + "/dismounted/A-9", "saw": "S1", "reason": "cracked"}
    for turn in ("row", "message") if first == "row" else ("message", "row"):
        if turn == "row":
            shop.event(3 * DAY, "dismounted", "A-9", 59 * DAY, **cells)
        else:
            shop.take(note)
        keep(shop)
        assert same(opened(shop), folded(shop))
    assert not opened(shop).fleet.plates["A-9"].cracked


def test_another_meaning_of_names_or_rules_makes_it_anew(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another alias of a saw, or other code: what was kept serves no more, and is replaced."""
    keep(shop)
    kept = shop.service.store.books.kept_book()
    assert kept is not None
    monkeypatch.setattr(opening, "_rules", lambda: b"other")
    taken = []
    monkeypatch.setattr(Book, "take_up", lambda _self, content: taken.append(content))
    assert same(opened(shop), folded(shop))
    assert not taken
    keep(shop)
    again = shop.service.store.books.kept_book()
    assert again is not None
    assert again.names != kept.names


def test_what_is_damaged_changes_no_answer(shop: Shop) -> None:
    """Half of it, or none."""
    keep(shop)
    books = shop.service.store.books
    kept = books.kept_book()
    assert kept is not None
    for content in (b"", kept.content[: len(kept.content) // 2], b"\x00" * 100):
        with shop.service.store.transaction():
            books.keep_book(kept._replace(content=content))
        assert same(opened(shop), folded(shop))
    shop.service.store.clear_derived()
    assert books.kept_book() is None
