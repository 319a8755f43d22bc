"""The ledger row by row: late rows, corrections of corrections, rows that come before what they correct."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bladewatch.ledger import book as book_module
from bladewatch.ledger.book import Book, fold
from bladewatch.ledger.events import Event

HOUR = 3_600_000_000


def event(number: int, at: int, name: str, plate: str, known: int | None = None, **cells: object) -> Event:
    known_us = (at if known is None else known) * HOUR
    return Event(id=f"e{number}", at_us=at * HOUR, event=name, known_us=known_us, plate=plate, **cells)  # type: ignore[arg-type]


ROWS = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.sampled_from(
            ["opened", "mounted", "mounted", "dismounted", "dismounted", "sent", "returned", "accepted", "corrected",
             "lost", "found", "counted", "inspected"]
        ),
        st.sampled_from("ABC"),
        st.sampled_from(["S1", "S2"]),
        st.sampled_from(["worn-plan", "job-swap", "cracked"]),
        st.integers(0, 30),
        st.booleans(),
        st.booleans(),
    ),
    max_size=30,
)  # fmt: skip


def rows_of(drawn: list) -> list[Event]:
    """Rows of which some correct others, by number, also ones that never come, and some are a saw's own word."""
    found = []
    for number, (at, name, plate, saw, reason, target, corrects, message) in enumerate(drawn):
        cells: dict[str, object] = {"saw": saw} if name in ("mounted", "dismounted") else {}
        if name == "dismounted":
            cells["reason"] = reason
        if name == "inspected":
            cells["findings"] = "tips pass; cracks fail" if reason == "cracked" else "tips pass"
        if (corrects and target < number + 3) or name == "corrected":
            cells["corrects"] = f"e{target}"
            cells["by"] = "E1" if message else None
        elif message and name in ("mounted", "dismounted"):
            cells["witness"] = "message"
        found.append(event(number, at, name, plate, known=at + target % 7, **cells))
    return found


@given(ROWS, st.randoms())
def test_row_by_row_in_any_order_is_the_same_as_all_at_once(drawn: list, rng: random.Random) -> None:
    """Corrections before what they correct, two witnesses hours apart, cracks that nobody may clear: one fleet."""
    events = rows_of(drawn)
    whole = fold(events, may_clear_cracks={"E1"})
    shuffled = events.copy()
    rng.shuffle(shuffled)
    book = Book(may_clear_cracks={"E1"})
    while shuffled:
        count = rng.randint(1, 4)
        book.add(shuffled[:count])
        del shuffled[:count]
    assert book.fleet == whole


@given(ROWS, st.integers(1, 6))
def test_a_book_that_keeps_little_to_undo_says_the_same(drawn: list, kept: int) -> None:
    """Older rows have all folded anew."""
    events = rows_of(drawn)
    before = book_module.UNDO_ROWS
    book_module.UNDO_ROWS = kept  # type: ignore[misc]
    try:
        book = Book()
        for one in reversed(events):
            book.add([one])
    finally:
        book_module.UNDO_ROWS = before  # type: ignore[misc]
    assert book.fleet == fold(events)


def test_a_row_that_takes_the_place_of_another_of_its_id_is_folded_anew() -> None:
    """Known earlier, with other content: it stands, and what it corrected stands no more."""
    first = [
        event(1, 0, "opened", "A"),
        event(2, 1, "mounted", "A", saw="S1"),
        event(3, 2, "mounted", "A", saw="S2", corrects="e2"),
    ]
    book = Book()
    book.add(first)
    assert book.fleet.on("S2", "1") is not None
    other = event(3, 3, "lost", "B")
    book.add([other])
    assert book.fleet == fold([*first[:2], other])


def test_a_correction_that_comes_before_its_row_says_so_until_it_comes() -> None:
    """The remark goes when the row is there."""
    book = Book()
    book.add([event(1, 0, "opened", "A"), event(3, 2, "mounted", "A", saw="S2", corrects="e2")])
    assert any("no row has as its id" in problem.message for problem in book.fleet.problems)
    book.add([event(2, 1, "mounted", "A", saw="S1")])
    assert book.fleet.problems == []
    assert book.fleet.on("S1", "1") is None


@pytest.mark.parametrize("by", [None, "M7", "E1"])
def test_only_a_named_role_takes_a_crack_back(by: str | None) -> None:
    """By a correction, a withdrawal, or a correction of a correction; the others are told, and without effect."""
    base = [
        event(1, 0, "opened", "A"),
        event(2, 1, "mounted", "A", saw="S1"),
        event(3, 2, "dismounted", "A", saw="S1", reason="cracked"),
    ]
    for taken_back in (
        [event(4, 2, "dismounted", "A", known=9, saw="S1", reason="worn-plan", corrects="e3", by=by)],
        [event(4, 9, "corrected", "A", corrects="e3", by=by)],
        [
            event(4, 2, "dismounted", "A", known=5, saw="S1", reason="cracked", corrects="e3"),
            event(5, 2, "dismounted", "A", known=9, saw="S1", reason="worn-plan", corrects="e3", by=by),
        ],
    ):
        fleet = fold([*base, *taken_back], may_clear_cracks={"E1"})
        assert fleet.plates["A"].cracked == (by != "E1")
        assert any("takes back a crack" in problem.message for problem in fleet.problems) == (by != "E1")


def cracked_shop(*rows: Event) -> Book:
    """A plate, opened and mounted on S1, and further rows."""
    book = Book(may_clear_cracks={"E1"})
    book.add([event(1, 0, "opened", "A"), event(2, 1, "mounted", "A", saw="S1"), *rows])
    return book


@pytest.mark.parametrize("name", ["corrected", "month-closed", "invoiced"])
def test_a_row_that_tells_of_no_crack_takes_one_back_whatever_its_reason_column(name: str) -> None:
    """A withdrawal with reason 'cracked' is a withdrawal."""
    book = cracked_shop(
        event(3, 2, "dismounted", "A", saw="S1", reason="cracked"),
        event(4, 3, name, "A", corrects="e3", reason="cracked"),
        event(5, 4, "accepted", "A"),
    )
    assert (book.fleet.plates["A"].state, book.fleet.plates["A"].cracked) == ("quarantined", True)


def test_a_crack_that_the_saw_told_stays_though_a_person_wrote_another_reason() -> None:
    """Time and reason are the person's; the crack is not taken back by it."""
    book = cracked_shop(
        event(3, 2, "dismounted", "A", saw="S1", reason="cracked", witness="message", counter=100),
        event(4, 2, "dismounted", "A", saw="S1", reason="worn-plan"),
        event(5, 4, "accepted", "A"),
    )
    plate = book.fleet.plates["A"]
    assert (plate.state, plate.cracked, plate.cycles[0].reason) == ("quarantined", True, "worn-plan")
    assert plate.cycles[0].mounts[0].counter_off == 100


def test_a_row_without_a_plate_and_the_saws_own_word_are_one_dismount() -> None:
    """The reason that a person gave is kept though he wrote no number."""
    book = cracked_shop(
        event(3, 2, "dismounted", "A", saw="S1", witness="message"),
        Event(
            id="e4", at_us=2 * HOUR + HOUR // 30, event="dismounted", known_us=2 * HOUR, saw="S1", reason="worn-plan"
        ),
    )
    plate = book.fleet.plates["A"]
    assert (plate.state, plate.cycles[0].reason) == ("dull", "worn-plan")
    assert not book.fleet.problems


@pytest.mark.parametrize("before", ["sharp", "part-used", "inspected"])
def test_a_plate_found_cracked_at_hand_is_set_apart(before: str) -> None:
    """On the rack, off a saw, at an inspection: never sharp or part-used with a crack."""
    rows = {
        "sharp": [event(3, 2, "dismounted", "B", saw="S2", reason="cracked")],
        "part-used": [event(3, 2, "dismounted", "B", saw="S2", reason="job-swap"),
                      event(4, 3, "inspected", "B", findings="tips pass; cracks fail")],
        "inspected": [event(3, 2, "inspected", "B", findings="cracks 2 fail")],
    }[before]  # fmt: skip
    first = [event(1, 0, "opened", "B")]
    if before == "part-used":
        first.append(event(2, 1, "mounted", "B", saw="S2"))
    plate = fold([*first, *rows]).plates["B"]
    assert (plate.state, plate.cracked) == ("quarantined", True)


def test_a_correction_of_a_row_that_does_not_hold_has_no_effect() -> None:
    """A was put on S1, no, S2, no, S3; then the first row was corrected anew to S4: only S4 holds."""
    book = Book()
    book.add(
        [
            event(1, 0, "opened", "A"),
            event(2, 1, "mounted", "A", saw="S1"),
            event(3, 1, "mounted", "A", known=2, saw="S2", corrects="e2"),
            event(4, 1, "mounted", "A", known=3, saw="S3", corrects="e3"),
            event(5, 1, "mounted", "A", known=4, saw="S4", corrects="e2"),
        ]
    )
    assert [mount.saw for mount in book.fleet.plates["A"].on] == ["S4"]
    book.add([event(6, 1, "corrected", "A", known=5, corrects="e5")])
    assert [mount.saw for mount in book.fleet.plates["A"].on] == ["S3"]


def test_a_long_chain_of_corrections_folds() -> None:
    """Two thousand corrections, each of the one before."""
    rows = [event(0, 0, "mounted", "A", saw="S1")]
    rows += [event(n, 0, "mounted", "A", known=n, saw=f"S{n % 2 + 1}", corrects=f"e{n - 1}") for n in range(1, 2001)]
    assert [mount.saw for mount in fold(rows).plates["A"].on] == ["S1"]


def test_a_crack_told_by_a_correction_of_a_correction_is_not_passed_by() -> None:
    """A new correction of the first row would leave the crack below another one: it needs the role too."""
    book = cracked_shop(
        event(3, 2, "dismounted", "A", saw="S1", reason="worn-plan"),
        event(4, 2, "dismounted", "A", known=3, saw="S1", reason="worn-burr", corrects="e3"),
        event(5, 2, "dismounted", "A", known=4, saw="S1", reason="cracked", corrects="e4"),
        event(6, 2, "dismounted", "A", known=5, saw="S1", reason="worn-plan", corrects="e3"),
        event(7, 6, "accepted", "A"),
    )
    assert (book.fleet.plates["A"].state, book.fleet.plates["A"].cracked) == ("quarantined", True)
    book.add([event(8, 2, "dismounted", "A", known=7, saw="S1", reason="worn-plan", corrects="e3", by="E1")])
    assert (book.fleet.plates["A"].state, book.fleet.plates["A"].cracked) == ("sharp", False)
