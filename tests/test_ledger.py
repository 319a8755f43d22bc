"""The blade ledger: events, corrections, witnesses, and what they fold to."""

from __future__ import annotations

import io
import random
from datetime import UTC
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bladewatch.ledger.book import fold
from bladewatch.ledger.events import Event, event_of, from_note
from bladewatch.ledger.fleet import Fleet
from bladewatch.ledger.rows import read, write
from collectors.facts import BladeNote
from collectors.logfile import open_log

HOUR = 3_600_000_000


def book(text: str) -> list[Event]:
    """Events written as lines: hour, event, plate, then column=value."""
    found = []
    for place, line in enumerate(text.strip().splitlines()):
        hour, name, plate, *cells = line.split()
        row = {"at": "2026-01-01T00:00:00Z", "event": name, "plate": "" if plate == "-" else plate, "id": f"e{place}"}
        row |= dict(cell.split("=") for cell in cells)
        event = event_of(row, UTC)
        at_us = int(float(hour) * HOUR)
        found.append(
            Event(**{**{f: getattr(event, f) for f in event.__struct_fields__}, "at_us": at_us, "known_us": at_us})
        )
    return found


def spans(fleet: Fleet, saw: str = "S1", spindle: str = "1") -> list[tuple[str, float, float | None, int]]:
    return [
        (m.plate, m.from_us / HOUR, None if m.to_us is None else m.to_us / HOUR, m.cycle)
        for m in fleet.mounts.get((saw, spindle), [])
    ]


def test_a_plain_life_folds_to_cycles_and_mounts() -> None:
    """Opened, mounted, worn, ground, mounted again: two cycles, the first with its bench reading."""
    fleet = fold(book("""
        0 opened A blade_type=T regrinds=3
        1 mounted A saw=S1
        9 dismounted A saw=S1 reason=worn-plan
        10 sent A supplier=g
        50 returned A wear_um=212 stock_removed_um=300
        51 accepted A place=rack
        60 mounted A saw=S1
    """))  # fmt: skip
    assert spans(fleet) == [("A", 1, 9, 1), ("A", 60, None, 2)]
    first, second = fleet.plates["A"].cycles
    assert (first.reason, first.ended_us, first.readings[0].wear_um) == ("worn-plan", 9 * HOUR, 212.0)
    assert (second.open, second.regrinds, fleet.plates["A"].state) == (True, 4, "mounted")
    assert fleet.problems == []


def test_a_job_swap_keeps_the_cycle_open_over_two_mounts() -> None:
    """A blade taken off for another job goes on where it was."""
    fleet = fold(book("""
        0 opened A
        1 mounted A saw=S1
        3 dismounted A saw=S1 reason=job-swap
        5 mounted A saw=S2
    """))  # fmt: skip
    assert [(m.saw, m.cycle) for m in fleet.plates["A"].cycles[0].mounts] == [("S1", 1), ("S2", 1)]
    assert fleet.problems == []


def test_the_grinder_ends_a_cycle_that_was_only_swapped() -> None:
    """Sent ends the cycle in any case."""
    fleet = fold(book("0 opened A\n1 mounted A saw=S1\n3 dismounted A saw=S1 reason=unknown\n4 sent A"))
    assert fleet.plates["A"].cycles[0].reason == "unknown"
    assert fleet.plates["A"].cycles[0].ended_us == 4 * HOUR


def test_a_remount_without_acceptance_reopens_the_cycle() -> None:
    """Nobody ground it in between, so it is the same edge."""
    fleet = fold(book("0 opened A\n1 mounted A saw=S1\n3 dismounted A saw=S1 reason=worn-burr\n4 mounted A saw=S1"))
    assert [cycle.open for cycle in fleet.plates["A"].cycles] == [True]
    assert "runs on" in fleet.problems[0].message


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("5 dismounted B saw=S1 reason=worn-plan", "the mount ends here"),
        ("5 mounted B saw=S1", "was still recorded there"),
        ("5 sent A", "until now"),
        ("5 scrapped A", "until now"),
        ("5 lost A", "until now"),
        ("5 quarantined A", "until now"),
    ],
)
def test_a_mount_ends_at_the_first_sign_and_says_so(line: str, said: str) -> None:
    """Whatever ends it beside its own dismount is told as a problem."""
    fleet = fold(book(f"0 opened A\n0 opened B\n1 mounted A saw=S1\n{line}"))
    assert spans(fleet)[0][:3] == ("A", 1, 5)
    assert any(said in problem.message for problem in fleet.problems)


def test_a_plate_on_two_saws_keeps_both_mounts_as_a_conflict() -> None:
    """The record is not guessed at; both stories stay."""
    fleet = fold(book("0 opened A\n1 mounted A saw=S1\n2 mounted A saw=S2"))
    assert spans(fleet, "S1")[0][2] is None
    assert spans(fleet, "S2")[0][2] is None
    assert "also recorded on saw S1" in fleet.problems[0].message


def test_a_plate_that_nobody_accepted_opens_a_cycle_with_a_problem() -> None:
    """What is on the saw is on the saw."""
    fleet = fold(book("1 mounted A saw=S1"))
    assert spans(fleet) == [("A", 1, None, 1)]
    assert "no row accepted or opened it" in fleet.problems[0].message


def test_events_of_one_instant_fold_the_dismount_first() -> None:
    """Off and on at one minute is a change, whatever the order of the rows."""
    fleet = fold(
        book("0 opened A\n0 opened B\n1 mounted A saw=S1\n5 mounted B saw=S1\n5 dismounted A saw=S1 reason=worn-plan")
    )
    assert spans(fleet) == [("A", 1, 5, 1), ("B", 5, None, 1)]
    assert fleet.problems == []


def test_a_correction_replaces_a_row_whole_and_can_be_corrected() -> None:
    """The last correction holds; ``corrected`` withdraws."""
    base = "0 opened A\n0 opened B\n1 mounted A saw=S1"
    assert spans(fold(book(f"{base}\n2 mounted B saw=S1 corrects=e2"))) == [("B", 2, None, 1)]
    assert spans(fold(book(f"{base}\n2 mounted B saw=S1 corrects=e2\n3 mounted A saw=S2 corrects=e3"))) == []
    assert spans(fold(book(f"{base}\n2 corrected A corrects=e2"))) == []
    assert spans(fold(book(f"{base}\n2 mounted B saw=S1 corrects=e2\n3 corrected B corrects=e3"))) == [
        ("A", 1, None, 1)
    ]
    rivals = f"{base}\n2 mounted B saw=S1 corrects=e2\n3 mounted A saw=S1 corrects=e2"
    assert spans(fold(book(rivals))) == [("A", 3, None, 1)]


def test_a_saw_and_a_person_telling_one_change_are_one_event() -> None:
    """Within half an hour, same plate and saw: the person's row gives time and reason."""
    note = BladeNote("S1", "1", int(1.4 * HOUR), "mounted", "A", 0)
    far = BladeNote("S1", "1", int(8.6 * HOUR), "dismounted", "A", 0)
    fleet = fold(
        [
            *book("0 opened A\n1 mounted A saw=S1\n9 dismounted A saw=S1 reason=worn-plan"),
            from_note(note),
            from_note(far),
        ]
    )
    assert spans(fleet) == [("A", 1, 9, 1)]
    assert fleet.problems == []


def test_a_row_without_spindle_or_saw_takes_it_from_the_saws_message() -> None:
    """Two witnesses of one change complete each other."""
    on = BladeNote("S2", "2", int(1.1 * HOUR), "mounted", "A", 0)
    off = BladeNote("S2", "2", int(9.1 * HOUR), "dismounted", "A", 0)
    fleet = fold(
        [*book("0 opened A\n1 mounted A saw=S2\n9 dismounted A reason=worn-burr"), from_note(on), from_note(off)]
    )
    assert spans(fleet, "S2", "2") == [("A", 1, 9, 1)]
    assert fleet.plates["A"].cycles[0].reason == "worn-burr"
    assert fleet.problems == []


def test_saws_are_known_by_their_aliases_and_odd_corrections_are_told() -> None:
    """Names are resolved when the ledger is read; a correction of nothing is a problem."""
    fleet = fold(book("0 opened A\n1 mounted A saw=Saw1\n2 corrected A\n3 lost B corrects=e77"), {"Saw1": "S1"})
    assert spans(fleet) == [("A", 1, None, 1)]
    assert ["does not say which" in p.message or "no row has" in p.message for p in fleet.problems] == [True, True]


def test_money_survives_csv_to_the_last_digit(tmp_path: Path) -> None:
    """Out and in again: the same events."""
    events = book("0 bought A cost=380.10 tax=72.22 currency=EUR\n1 invoiced - cost=1234567890.05 document=R-1")
    stream = io.StringIO()
    write(events, stream, ZoneInfo("Europe/Berlin"))
    path = tmp_path / "ledger.csv"
    path.write_text(stream.getvalue())
    again = [row.event for row in read(open_log(path), UTC)]
    assert again == events
    assert again[0].cost + again[0].tax == Decimal("452.32")


def test_equal_rows_without_an_id_are_one_event() -> None:
    """The id is a hash of what the row says, not of how it is written."""
    one = event_of({"at": "2026-01-01T01:00:00+01:00", "event": "sent", "plate": "A", "cost": "48.0"}, UTC)
    two = event_of({"at": "2026-01-01 00:00", "event": "sent", "plate": "A", "cost": "48.00", "note": " "}, UTC)
    assert one.id == two.id


def test_every_mistake_of_a_row_is_told() -> None:
    """Column, finding, expectation."""
    with pytest.raises(ValueError, match=r"cost: found 'lots'.*event: found 'mount'.*reason: found 'tired'"):
        event_of({"at": "2026-01-01", "event": "mount", "reason": "tired", "cost": "lots"}, UTC)


_LINES = st.lists(
    st.tuples(
        st.integers(0, 30),
        st.sampled_from(
            ["opened", "mounted", "dismounted", "sent", "returned", "accepted", "scrapped", "lost", "found"]
        ),
        st.sampled_from("ABC"),
        st.sampled_from(["S1", "S2"]),
        st.sampled_from(["worn-plan", "job-swap", "unknown", "cracked"]),
    ),
    max_size=25,
)


@given(_LINES, st.randoms())
def test_the_order_of_rows_does_not_matter_and_mounts_never_overlap(lines: list, rng: random.Random) -> None:
    """Any ledger folds, in any order to the same, and no spindle carries two blades at once."""
    text = "\n".join(
        f"{hour} {name} {plate} saw={saw}" + (f" reason={reason}" if name == "dismounted" else "")
        for hour, name, plate, saw, reason in lines
    )
    events = book(text)
    shuffled = events.copy()
    rng.shuffle(shuffled)
    fleet = fold(events)
    assert fold(shuffled) == fleet
    for mounts in fleet.mounts.values():
        for a, b in pairwise(mounts):
            assert a.to_us is not None
            assert a.to_us <= b.from_us
    for plate in fleet.plates.values():
        assert [cycle.number for cycle in plate.cycles] == list(range(1, len(plate.cycles) + 1))
        assert all(not cycle.open for cycle in plate.cycles[:-1])
