"""The crib: stock by type, counts, batches out and back, inspections, histories; plain files out and in."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path

import msgspec
import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.assess.batches import batch_lines, compare, rows_sent, suggest
from bladewatch.assess.counting import count, rows_of_count
from bladewatch.assess.crib import crib_of
from bladewatch.assess.history import history_of
from bladewatch.assess.inspection import form_of, inspected
from bladewatch.assess.question import as_json
from bladewatch.errors import UsageError
from bladewatch.exporting import export, write_cycles
from bladewatch.ledger.events import Event
from bladewatch.pipeline import enter
from bladewatch.screens import crib as screen
from collectors.facts import BladeNote, Check, Sample, Waveform

DAY = 24 * 60
SHOP = CONFIG.replace(
    "wear_limit_um = 250\n",
    "wear_limit_um = 250\nsupplier = \"grinder-a\"\nregrinds_expected = 4\ngrind_price = 48\ntip_price = 9\n"
    'inspect = ["tips", "run_out_mm <= 0.10", "kerf_mm 3.7 to 4.1", "cracks"]\n',
) + (
    '[[supplier]]\nid = "grinder-a"\nvan_weekday = "thu"\nminimum_charge = 200\nturnround_days = 7\n'
    '[[alloy]]\nid = "CuBe2"\nhazard = "beryllium copper: fine particles harm the lungs"\n'
)  # fmt: skip


@pytest.fixture
def hall(make_shop: Callable[..., Shop]) -> Shop:
    """A shop with a grinder, a hazard alloy and lines of inspection; its clock stands at day 60."""
    shop = make_shop(SHOP)
    shop.service.clock = lambda: minute(60 * DAY)
    return shop


def lived(shop: Shop, plates: int = 6, cycles: int = 12) -> None:
    """Plates in turn on one saw, a change every five days, a week at the grinder; invented."""
    names = [f"A-{number:02d}" for number in range(1, plates + 1)]
    for name in names:
        shop.event(-DAY, "opened", name, blade_type="T", place="rack 2")
    for number in range(cycles):
        plate, start = names[number % plates], number * 5 * DAY
        shop.event(start, "mounted", plate, saw="S1")
        shop.take(stroke(number * 10 + 1, start + 60, part="P1"), stroke(number * 10 + 2, start + 70, part="P1"))
        shop.event(start + 5 * DAY - 60, "dismounted", plate, saw="S1", reason="worn-plan")
        if start + 12 * DAY < 60 * DAY:
            shop.event(start + 5 * DAY, "sent", plate, batch=f"B-{number:03d}", supplier="grinder-a")
            shop.event(start + 12 * DAY, "returned", plate, batch=f"B-{number:03d}")
            shop.event(start + 12 * DAY + 1, "accepted", plate, place="rack 2")


def known(shop: Shop, at_minute: float = 60 * DAY):
    return shop.service.moment(minute(at_minute)).known()


def test_sharps_minimum_and_pipeline_follow_from_what_the_shop_did(hall: Shop) -> None:
    """Rate from ended cycles, turn-round from returns, a weekly van on top; totals by state are the plates owned."""
    lived(hall)
    (stock,) = crib_of(known(hall)).types
    assert stock.changes == 12
    assert stock.per_day == pytest.approx(0.2)
    assert stock.turnround_days == pytest.approx(7.0)
    assert "median of 10 returns" in stock.turnround_from
    assert stock.pipeline is not None
    assert (stock.pipeline.away_days, stock.pipeline.mean) == (14.0, pytest.approx(2.8))
    assert (stock.pipeline.spares, stock.pipeline.late_spares) == (6, 8)
    assert stock.minimum == 6
    assert stock.owned == sum(stock.states.values()) == 6


def test_with_fewer_than_three_changes_nothing_is_made_up(hall: Shop) -> None:
    """The minimum cannot be told, and says what speaks until it can."""
    lived(hall, cycles=2)
    crib = crib_of(known(hall, 12 * DAY))
    (stock,) = crib.types
    assert (stock.pipeline, stock.minimum, stock.short, stock.buy) == (None, None, 0, 0)
    text = "\n".join(line.text for line in screen.render(hall.service.config, crib, {}, 90))
    assert "minimum cannot be told" in text
    assert "min_sharps" in text


def test_a_minimum_set_by_hand_holds_with_its_note(make_shop: Callable[..., Shop]) -> None:
    """Overridden, and said so."""
    shop = make_shop(
        SHOP.replace("regrinds_expected", 'min_sharps = 9\nmin_sharps_note = "sole saw"\nregrinds_expected')
    )
    shop.service.clock = lambda: minute(60 * DAY)
    lived(shop)
    (stock,) = crib_of(known(shop)).types
    assert (stock.minimum, stock.by_hand) == (9, "sole saw")


def test_a_batch_past_its_day_is_overdue_with_its_plates(hall: Shop) -> None:
    """Days late, by the promised day, else by the turn-round."""
    lived(hall, cycles=10)
    hall.event(55 * DAY, "sent", "A-05", batch="B-77", supplier="grinder-a", due="2026-04-27")
    crib = crib_of(known(hall, 60 * DAY))
    (late,) = [batch for batch in crib.batches if batch.id == "B-77"]
    assert (late.due, late.overdue_days, late.away) == (date(2026, 4, 27), 4, ("A-05",))
    text = "\n".join(line.text for line in screen.render(hall.service.config, crib, {}, 90))
    assert "4 days overdue" in text


def test_plates_near_their_last_regrind_are_named_and_bought(hall: Shop) -> None:
    """Regrinds left against the grinds to come."""
    lived(hall)
    (stock,) = crib_of(known(hall)).types
    assert set(stock.ending) == {"A-01", "A-02", "A-03", "A-04"}
    assert stock.lost > 0
    assert stock.buy >= 1


def test_a_van_brings_seven_of_eight_and_one_foreign_plate(hall: Shop) -> None:
    """Ticked, missing, foreign with the near number; the foreign one is recorded and asked about."""
    names = [f"A-041{number}" for number in range(8)]
    for place, name in enumerate(names):
        hall.event(0, "opened", name, blade_type="T")
        hall.event(2 * place + 1, "mounted", name, saw="S1")
        hall.event(2 * place + 2, "dismounted", name, saw="S1", reason="worn-plan")
    now = known(hall, 20)
    (suggestion,) = suggest(now)
    assert [line.plate for line in suggestion.lines] == names
    assert (suggestion.cost, suggestion.minimum_charge) == (8 * 48, 200)
    enter(rows_sent(now, suggestion.lines, "B-001", "grinder-a", None, minute(20), None), hall.service.store)
    assert {p.state for p in known(hall, 21).fleet.plates.values()} == {"out"}
    came = [*names[:6], names[7], "A-0461"]
    found = compare(known(hall, 30), "B-001", came)
    assert found.ticked == (*names[:6], names[7])
    assert found.missing == ("A-0416",)
    assert found.foreign == {"A-0461": ("A-0416",)}
    for plate in came:
        hall.event(40, "returned", plate, batch="B-001")
    (asked,) = hall.service.questions(minute(50))
    assert (asked.kind, asked.plate) == ("conflict", "A-0461")
    assert "A-0416?" in asked.stories[1]
    hall.service.clock = lambda: minute(60)
    hall.service.answer(asked.id, "no", plate="A-0416")
    assert all(p.state == "returned" for p in known(hall, 61).fleet.plates.values() if p.id in names)


def test_the_packing_list_names_work_chipped_tips_and_hazard_alloys(hall: Shop) -> None:
    """What the grinder must know; a cracked plate is kept apart."""
    for name in ("A-1", "A-2", "A-3"):
        hall.event(0, "opened", name, blade_type="T", regrinds="4" if name == "A-3" else "0")
    hall.event(10, "mounted", "A-1", saw="S1")
    hall.take(stroke(1, 20, alloy="CuBe2", area_cmm2=5000))
    hall.event(30, "dismounted", "A-1", saw="S1", reason="chipped", tips_chipped="3")
    hall.event(31, "mounted", "A-2", saw="S1")
    hall.event(40, "dismounted", "A-2", saw="S1", reason="cracked")
    hall.event(41, "mounted", "A-3", saw="S1")
    hall.event(50, "dismounted", "A-3", saw="S1", reason="worn-plan")
    (one,) = suggest(known(hall, 60))
    assert [(line.plate, line.work, line.chipped) for line in one.lines] == [("A-1", "tips", 3), ("A-3", "retip", 0)]
    assert one.lines[0].hazards == ("CuBe2: beryllium copper: fine particles harm the lungs",)
    assert one.kept == ("A-2",)
    text = "\n".join(
        line.text
        for line in screen.packing_list(hall.service.config, "B-1", "grinder-a", None, one.lines, minute(60), 80)
    )
    for piece in (
        "replace tips, grind, 3 chipped",
        "beryllium copper",
        "stock removed",
        "cobalt",
        "Edge guards",
        "[ ] A-1",
    ):
        assert piece in text, piece
    assert all(len(line) <= 80 for line in text.splitlines())


def test_retipping_opens_a_new_tip_set_and_counts_regrinds_from_zero(hall: Shop) -> None:
    """History of the old tips is not mixed in."""
    hall.event(0, "opened", "A-1", blade_type="T", regrinds="4")
    hall.event(1, "sent", "A-1", work="retip")
    hall.event(2, "returned", "A-1")
    hall.event(3, "retipped", "A-1")
    hall.event(4, "accepted", "A-1")
    hall.event(5, "mounted", "A-1", saw="S1")
    plate = known(hall, 6).fleet.plates["A-1"]
    assert (plate.tip_set, plate.regrinds, plate.cycles[0].tip_set) == (2, 0, 2)


# Inspection


def test_an_inspection_that_passes_makes_the_plate_sharp_and_one_that_fails_rejects_it(hall: Shop) -> None:
    """By the lines of its type, with their limits."""
    hall.event(0, "opened", "A-1", blade_type="T")
    hall.event(1, "sent", "A-1")
    hall.event(2, "returned", "A-1")
    now = known(hall, 3)
    form = form_of(now, "A-1")
    assert [line.name for line in form.lines] == ["tips", "run_out_mm", "kerf_mm", "cracks"]
    some = inspected(now, form, ["tips=pass"], minute(3), None, None, None)
    assert [event.event for event in some.events] == ["inspected"]
    bad = inspected(
        now, form, ["tips=pass", "run_out_mm=0.14", "kerf_mm=3.9", "cracks=pass"], minute(3), None, "C1", None
    )
    assert bad.failed == ("run_out_mm",)
    assert [event.event for event in bad.events] == ["inspected", "rejected"]
    good = inspected(
        now, form, ["tips=pass", "run_out_mm=0.06", "kerf_mm=3.94", "cracks=pass"], minute(4), "rack 1", "C1", None
    )
    enter([*bad.events, *good.events], hall.service.store)
    plate = known(hall, 61 * DAY).fleet.plates["A-1"]
    assert (plate.state, plate.place, plate.kerf_mm) == ("sharp", "rack 1", 3.94)
    with pytest.raises(UsageError, match="expected LINE=pass"):
        inspected(now, form, ["colour=pass"], minute(3), None, None, None)
    with pytest.raises(UsageError, match="expected pass, fail or a number"):
        inspected(now, form, ["tips=well"], minute(3), None, None, None)


def test_a_crack_found_at_the_inspection_marks_the_plate(hall: Shop) -> None:
    """It is not sharp again by a later acceptance."""
    hall.event(0, "opened", "A-1", blade_type="T")
    now = known(hall, 1)
    result = inspected(now, form_of(now, "A-1"), ["cracks=fail"], minute(1), None, None, None)
    enter(list(result.events), hall.service.store)
    hall.event(61 * DAY, "accepted", "A-1")
    plate = known(hall, 62 * DAY).fleet.plates["A-1"]
    assert (plate.cracked, plate.state) == (True, "quarantined")


# Counting


def test_a_stock_count_shows_differences_and_writes_them_with_a_reason(hall: Shop) -> None:
    """Missing becomes lost, lost becomes found, elsewhere becomes a question."""
    for name in ("A-1", "A-2", "A-3", "A-4"):
        hall.event(0, "opened", name, blade_type="T", place="rack 2")
    hall.event(1, "sent", "A-3")
    hall.event(1, "lost", "A-4")
    now = known(hall, 10)
    found = count(now, "rack 2", ["A-1", "A-3", "A-4", "A-1"])
    assert (found.seen, found.missing) == (("A-1",), ("A-2",))
    assert set(found.strange) == {"A-3", "A-4"}
    assert [row.event for row in rows_of_count(now, found, None, None)] == ["counted"]
    enter(rows_of_count(now, found, "count of March", "C1"), hall.service.store)
    states = {plate.id: plate.state for plate in known(hall, 20).fleet.plates.values()}
    assert states == {"A-1": "sharp", "A-2": "lost", "A-3": "out", "A-4": "found"}
    (asked,) = hall.service.questions(minute(20))
    assert any("counted in rack 2, and is recorded as out" in line for line in asked.evidence)


# History, and files


def test_an_old_change_list_comes_in_as_coarse_cycles(hall: Shop) -> None:
    """No stroke of it is stored: cuts by the counters that were written down, marked, and never learnt from."""
    hall.event(0, "opened", "A-1", blade_type="T")
    hall.event(10, "mounted", "A-1", saw="S1", counter="1000")
    hall.event(5 * DAY, "dismounted", "A-1", saw="S1", counter="8400", reason="worn-plan")
    (row,) = history_of(known(hall), "A-1").cycles
    assert (row.coarse, row.cuts, row.strokes, row.area_m2) == (True, 7400, None, None)
    (ended,) = hall.service.ended_cycles(minute(60 * DAY))
    assert ended.cuts == 0
    with pytest.raises(UsageError, match="did you mean A-1"):
        history_of(known(hall), "A-2")


def test_what_is_exported_comes_in_again_as_the_same_store(
    hall: Shop, make_shop: Callable[..., Shop], tmp_path: Path
) -> None:
    """Ledger, answers, strokes, readings, messages: the same events, the same answers, the same assessments."""
    lived(hall)
    hall.event(61 * DAY, "mounted", "A-99", saw="S2", spindle="2", note='he said "new", perhaps', cost="380.10")
    hall.take(
        Sample("S1", "1", "power_kw", "", minute(5), 2.0125, minute(6)),
        Sample("S1", "1", "state", "", minute(7), 3.0, minute(7)),
        Sample("S1", "1", "velocity_mm_s", "front", minute(8), 1.25, minute(9)),
        BladeNote("S1", "1", minute(3), "mounted", "A-01", minute(4), kerf_mm=3.96),
        Check("S1", "1", minute(70), "burr_mm", minute(71), side="exit", value=0.12, by="O2"),
        Waveform("S1", "1", "front", minute(72), 25600.0, "g", (0.5, -0.25, 0.125), minute(73)),
    )
    hall.service.clock = lambda: minute(62 * DAY)
    asked = next(q for q in hall.service.questions() if q.open)
    hall.service.answer(asked.id, "unknown", by="M7")
    folder = tmp_path / "out"
    for _ in export(hall.service.store, known(hall, 62 * DAY), folder, "hall"):
        pass
    other = make_shop(SHOP)
    other.service.clock = lambda: minute(62 * DAY)
    names = ("ledger.csv", "answers.csv", "strokes.csv", "readings.csv", "messages.jsonl")
    reports = other.service.import_files([folder / name for name in names])
    assert [(report.kind, report.rejected, report.error) for report in reports] == [
        ("ledger", 0, None), ("answers", 0, None), ("csv-wide", 0, None), ("csv-long", 0, None), ("jsonl", 0, None),
    ]  # fmt: skip
    always = 2**62

    def events(shop: Shop) -> list:
        return sorted(shop.service.store.books.events(always, always), key=lambda event: event.id)

    assert events(other) == events(hall)
    assert other.service.store.books.answers(always) == hall.service.store.books.answers(always)
    assert other.service.store.books.checks() == hall.service.store.books.checks()
    for at in (10 * DAY, 33 * DAY, 62 * DAY):
        assert other.service.review(minute(at)) == hall.service.review(minute(at))
    assert other.service.questions() == hall.service.questions()
    again = other.service.import_files([folder / name for name in names])
    assert sum(report.taken for report in again) == 0
    with (folder / "cycles.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 13
    assert json.loads(rows[0]["area_by_alloy_m2"]) == {"6063": 0.01}


def test_one_row_a_grind_cycle(hall: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """To any stream, in the order of plates."""
    import sys

    lived(hall, cycles=3)
    assert write_cycles(known(hall), sys.stdout) == 3
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("plate,blade_type,cycle,tip_set")
    assert [line.split(",")[0] for line in lines[1:]] == ["A-01", "A-02", "A-03"]


# What a slip of the pen must not do


def test_a_batch_lists_the_rows_that_hold(hall: Shop) -> None:
    """Withdrawn is not on the list, corrected stands once."""
    hall.event(0, "opened", "A-1", blade_type="T")
    hall.event(0, "opened", "A-2", blade_type="T")
    first = hall.event(10, "sent", "A-1", batch="B-1", work="grind")
    second = hall.event(10, "sent", "A-2", batch="B-1", work="grind")
    hall.event(20, "corrected", "A-1", corrects=first.id)
    hall.event(10, "sent", "A-2", known_minute=21, batch="B-1", work="tips", corrects=second.id)
    now = known(hall, 30)
    assert [(line.plate, line.work) for line in batch_lines(now, "B-1")] == [("A-2", "tips")]
    (batch,) = crib_of(now).batches
    assert batch.plates == ("A-2",)
    assert compare(now, "B-1", ["A-1"]).foreign.keys() == {"A-1"}


def test_a_day_two_centuries_off_and_a_shop_of_an_hour_break_nothing(hall: Shop) -> None:
    """The usual turn-round counts instead; a rate is told from a week of record on."""
    lived(hall)
    hall.event(58 * DAY, "sent", "A-06", batch="B-9", due="2206-03-12")
    (row,) = crib_of(known(hall)).types
    assert row.pipeline is not None
    assert row.next_return is None
    assert row.due_back == (date(2206, 3, 12),)


def test_three_changes_in_a_first_hour_are_no_rate(hall: Shop) -> None:
    """A minimum from an hour of record would be made up."""
    for number in range(3):
        hall.event(-10, "opened", f"A-{number}", blade_type="T")
        hall.event(number * 10, "mounted", f"A-{number}", saw="S1")
        hall.event(number * 10 + 5, "dismounted", f"A-{number}", saw="S1", reason="chipped")
    (row,) = crib_of(known(hall, 60)).types
    assert (row.changes, row.pipeline, row.minimum) == (3, None, None)


@pytest.mark.parametrize(
    ("told", "said"),
    [("kerf_mm=NaN", "kerf_mm: found 'NaN'"), ("cracks=2", "cracks: found '2', expected pass or fail")],
)
def test_an_inspection_takes_no_value_that_is_none(hall: Shop, told: str, said: str) -> None:
    """What the ledger would refuse is refused before; a crack is there or not."""
    hall.event(0, "opened", "A-1", blade_type="T")
    now = known(hall, 1)
    with pytest.raises(UsageError, match=said):
        inspected(now, form_of(now, "A-1"), [told], minute(1), None, None, None)


def test_a_decimal_comma_is_a_decimal_comma(hall: Shop) -> None:
    """As people write it here."""
    hall.event(0, "opened", "A-1", blade_type="T")
    now = known(hall, 1)
    row = inspected(now, form_of(now, "A-1"), ["kerf_mm=3,92"], minute(1), None, None, None).events[0]
    assert (str(row.kerf_mm), row.findings) == ("3.92", "kerf_mm 3,92 pass")


@pytest.mark.parametrize("kerf", ["NaN", "-5", "1e999999"])
def test_no_command_writes_a_row_that_an_import_would_refuse(hall: Shop, kerf: str) -> None:
    """One rule for rows, whoever writes them."""
    row = Event(id="x", at_us=minute(1), event="mounted", known_us=minute(1), plate="A-1", kerf_mm=Decimal(kerf))
    with pytest.raises(UsageError, match="kerf_mm"):
        hall.service.write([row])
    hall.service.write([msgspec.structs.replace(row, plate=" A-1 ", kerf_mm=None, note="burnt\r\nat the hub")])
    (written,) = hall.service.store.books.events(2**62, 2**62)
    assert (written.plate, written.note) == ("A-1", "burnt at the hub")


@pytest.mark.parametrize(
    ("asked", "word"), [("{}", "yes"), ("null", "no"), ("[1]", "no"), ('{"kind":"counter"}', "no"), ("GOOD", "maybe")]
)
def test_answers_that_are_none_are_refused_with_their_line(hall: Shop, tmp_path: Path, asked: str, word: str) -> None:
    """A file edited by hand must not make the store unreadable."""
    hall.take(stroke(1, 1), stroke(2_000_001, 2))
    good = json.dumps(as_json(hall.service.questions(minute(3))[0], hall.service.zone))
    path = tmp_path / "answers.csv"
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["question", "word", "plate", "at", "by", "entered", "asked"])
        writer.writerow(["q1", word, "", "", "", "2026-03-02T06:00:00Z", good if asked == "GOOD" else asked])
    (report,) = hall.service.import_files([path])
    assert report.taken == 0
    assert "line 2" in (report.error or "")
    assert hall.service.review(minute(10)).assessments
