"""What only a person can settle: asked once, with both stories; nothing is reassigned until somebody answers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.alerts import judge
from bladewatch.assess.question import Question, as_json, from_json
from bladewatch.assess.recent import recent_work
from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.errors import UsageError
from bladewatch.reporting import spend
from bladewatch.service import Service
from collectors.facts import BladeNote, Sample

DAY = 24 * 60


def at(shop: Shop, at_minute: float) -> list[Question]:
    """The questions known at a minute."""
    return shop.service.questions(minute(at_minute))


def answered(shop: Shop, at_minute: float, question: Question, word: str, **cells: object) -> list:
    """Answer at a minute; the rows written."""
    shop.service.clock = lambda: minute(at_minute)
    return shop.service.answer(question.id, word, **cells).events  # type: ignore[arg-type]


def cutting(shop: Shop, first: int, last: int, counter: int = 0, saw: str = "S1", part: str = "P1") -> None:
    """A stroke a minute."""
    shop.take(*(stroke(counter + m - first + 1, m, saw=saw, part=part) for m in range(first, last + 1)))


def stocked(shop: Shop, *plates: str) -> None:
    """Plates on the rack before the first minute."""
    for plate in plates:
        shop.event(-100, "opened", plate, blade_type="T")


def kinds(questions: list[Question]) -> list[tuple[str, bool]]:
    return [(question.kind, question.open) for question in questions]


# Strokes with no blade on record


def test_strokes_after_a_recorded_dismount_ask_which_blade_is_on(shop: Shop) -> None:
    """One question, its window the stop whatever minute was written; asked from the first stroke on."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(31, "dismounted", "A-1", saw="S1", reason="worn-plan")
    assert at(shop, 44) == []
    cutting(shop, 45, 60, counter=30)
    (asked,) = at(shop, 60.5)
    assert (asked.kind, asked.saw, asked.plate, asked.open) == ("probable-change", "S1", None, True)
    assert (asked.from_us, asked.to_us) == (minute(30), minute(45))
    assert asked.raised_us == minute(45) + 1_000_000
    assert any("16 strokes" in line for line in asked.evidence)
    assert any("taken off at" in line for line in asked.evidence)
    (again,) = at(shop, 2000)
    assert again.id == asked.id


def test_an_answer_assigns_the_strokes_and_a_correction_takes_them_back(shop: Shop) -> None:
    """Nothing moves before; the rows that an answer writes are rows like any other."""
    test_strokes_after_a_recorded_dismount_ask_which_blade_is_on(shop)
    (asked,) = at(shop, 60)
    assert shop.status(60)["S1", "1"].plate is None
    rows = answered(shop, 70, asked, "yes", plate="A-2", by="M7")
    assert [(row.event, row.plate, row.by) for row in rows] == [("mounted", "A-2", "M7")]
    now = shop.status(71)["S1", "1"]
    assert (now.plate, now.strokes) == ("A-2", 16)
    settled = at(shop, 71)
    assert kinds(settled) == [("probable-change", False)]
    assert settled[0].settled is not None
    assert (settled[0].settled.word, settled[0].settled.plate) == ("yes", "A-2")
    assert [spend(shop.service, "2026-03", minute(known)).record.confirmed for known in (69, 71)] == [0, 1]
    assert kinds(at(shop, 69)) == [("probable-change", True)]  # what was known then
    shop.event(72, "corrected", "A-2", corrects=rows[0].id)
    assert shop.status(73)["S1", "1"].plate is None
    assert kinds(at(shop, 73)) == [("probable-change", True)]  # taken back: it is asked again


def test_a_mount_that_is_written_late_answers_by_itself(shop: Shop) -> None:
    """A change entered hours late moves its strokes, and the question is gone."""
    test_strokes_after_a_recorded_dismount_ask_which_blade_is_on(shop)
    shop.event(44, "mounted", "A-2", known_minute=400, saw="S1")
    assert kinds(at(shop, 399)) == [("probable-change", True)]
    assert at(shop, 401) == []
    assert shop.status(401)["S1", "1"].strokes == 16
    assert any("entered later" in reason for reason in shop.status(401)["S1", "1"].reasons)


def test_minutes_written_by_hand_ask_nothing(shop: Shop) -> None:
    """A few strokes between a dismount and a mount that both stand on record are a matter of watches."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(25, "dismounted", "A-1", saw="S1", reason="worn-plan")
    shop.event(40, "mounted", "A-2", saw="S1")
    cutting(shop, 41, 50, counter=30)
    assert at(shop, 60) == []


def test_a_plate_put_on_elsewhere_while_its_saw_cuts_on_asks_once(shop: Shop) -> None:
    """The two records contradict each other and the strokes say so: one question, not a conflict beside it."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(40, "mounted", "A-1", saw="S2")
    assert kinds(at(shop, 50)) == [("conflict", True)]
    cutting(shop, 55, 70, counter=30)
    (asked,) = at(shop, 75)
    assert (asked.kind, asked.saw, asked.plate) == ("probable-change", "S1", "A-1")
    assert (asked.from_us, asked.to_us) == (minute(30), minute(55))
    answered(shop, 80, asked, "yes", plate="A-2")
    assert {spot: a.plate for spot, a in shop.status(81).items() if a.plate} == {
        ("S1", "1"): "A-2",
        ("S2", "1"): "A-1",
    }


def test_a_plate_that_was_sent_while_its_saw_cuts_on_asks_once(shop: Shop) -> None:
    """It cannot be at the grinder and in the bar: the change is asked about, its row is not doubted beside."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(40, "sent", "A-1", batch="B-1")
    cutting(shop, 41, 60, counter=30)
    (asked,) = at(shop, 75)
    assert (asked.kind, asked.open) == ("probable-change", True)
    (withdrawn,) = answered(shop, 80, asked, "no")
    assert (withdrawn.event, withdrawn.corrects) == ("corrected", asked.anchor)
    assert kinds(at(shop, 81)) == [("probable-change", False)]
    assert shop.status(81)["S1", "1"].plate == "A-1"
    shop.event(82, "corrected", "A-1", corrects=withdrawn.id)
    assert kinds(at(shop, 83)) == [("probable-change", True)]


# Records that contradict each other


def test_a_dismount_that_names_another_plate_is_a_conflict_with_both_stories(shop: Shop) -> None:
    """Asked once; "no" mends the number, "yes" mends the mount that it contradicts."""
    stocked(shop, "A-17", "A-71")
    shop.event(0, "mounted", "A-17", saw="S1")
    cutting(shop, 1, 30)
    row = shop.event(31, "dismounted", "A-71", saw="S1", reason="worn-burr")
    (asked,) = at(shop, 40)
    assert (asked.kind, asked.plate, asked.rows[0]) == ("conflict", "A-71", row.id)
    assert any("mounted A-17" in line for line in asked.evidence)
    assert "A-17?" in asked.stories[1]
    (mended,) = answered(shop, 50, asked, "no")
    assert (mended.event, mended.plate, mended.corrects) == ("dismounted", "A-17", row.id)
    known = shop.service.moment(minute(60)).known()
    (cycle,) = known.fleet.plates["A-17"].cycles
    assert (cycle.reason, cycle.ended_us) == ("worn-burr", minute(31))
    assert known.fleet.problems == []


def test_if_the_row_was_right_the_mount_is_mended(shop: Shop) -> None:
    """The plate that came off is the one that was on."""
    stocked(shop, "A-17", "A-71")
    mount = shop.event(0, "mounted", "A-17", saw="S1")
    cutting(shop, 1, 30)
    shop.event(31, "dismounted", "A-71", saw="S1", reason="worn-burr")
    (mended,) = answered(shop, 50, at(shop, 40)[0], "yes")
    assert (mended.event, mended.plate, mended.corrects) == ("mounted", "A-71", mount.id)
    known = shop.service.moment(minute(60)).known()
    assert known.fleet.plates["A-71"].cycles[0].reason == "worn-burr"
    assert known.fleet.plates["A-17"].cycles == []


def test_a_mistyped_plate_is_asked_with_the_near_numbers(shop: Shop) -> None:
    """A-0471 for A-0417; without a number the row is withdrawn."""
    stocked(shop, "A-0417", "A-0999")
    shop.event(0, "mounted", "A-0471", saw="S1")
    (asked,) = at(shop, 5)
    assert "A-0417?" in asked.stories[1]
    assert "A-0999" not in asked.stories[1]
    answered(shop, 6, asked, "no", plate="A-0417")
    assert shop.status(7)["S1", "1"].plate == "A-0417"
    assert kinds(at(shop, 7)) == [("conflict", False)]


@pytest.mark.parametrize(
    ("before", "said"),
    [("sent", "recorded as out"), ("quarantined", "recorded as quarantined"), ("scrapped", "recorded as scrapped")],
)
def test_what_cannot_be_mounted_is_recorded_and_asked(shop: Shop, before: str, said: str) -> None:
    """The user may still record what is true."""
    stocked(shop, "A-1")
    shop.event(0, before, "A-1")
    shop.event(5, "mounted", "A-1", saw="S1")
    assert shop.status(6)["S1", "1"].plate == "A-1"
    (asked,) = at(shop, 6)
    assert asked.kind == "conflict"
    assert any(said in line for line in asked.evidence)
    answered(shop, 7, asked, "yes")
    assert all(said not in reason for reason in shop.status(8)["S1", "1"].reasons)


def test_a_foreign_plate_that_comes_back_is_asked(shop: Shop) -> None:
    """Nobody sent it, no row knows it: another shop's, or a slip of the hand."""
    stocked(shop, "A-17")
    shop.event(0, "sent", "A-17", batch="B-1")
    shop.event(100, "returned", "A-71", batch="B-1")
    (asked,) = at(shop, 101)
    assert asked.kind == "conflict"
    assert any("never here before" in line for line in asked.evidence)
    assert "A-17?" in asked.stories[1]


# Cracks


CRACKED = CONFIG + '[[person]]\nid = "M7"\nname = "Maintenance"\n[[person]]\nid = "E1"\nrole = "tooling engineer"\n'


def test_a_cracked_plate_is_never_sharp_again_unless_a_named_role_takes_the_crack_back(
    make_shop: Callable[..., Shop],
) -> None:
    """Accepted, found mounted, corrected by somebody without a role: it stays cracked, and calls for somebody."""
    shop = make_shop(CRACKED)
    stocked(shop, "A-1")
    shop.event(0, "mounted", "A-1", saw="S1")
    crack = shop.event(10, "dismounted", "A-1", saw="S1", reason="cracked")

    def plate(minutes: float) -> tuple[str, bool]:
        found = shop.service.moment(minute(minutes)).known().fleet.plates["A-1"]
        return found.state, found.cracked

    assert plate(11) == ("quarantined", True)
    shop.event(20, "accepted", "A-1")
    assert plate(21) == ("quarantined", True)
    shop.event(30, "dismounted", "A-1", saw="S1", reason="worn-plan", corrects=crack.id, by="M7")
    shop.event(31, "corrected", "A-1", corrects=crack.id)
    assert plate(32) == ("quarantined", True)
    shop.event(40, "mounted", "A-1", saw="S1")
    found = shop.status(41)["S1", "1"]
    assert (found.plate, found.verdict) == ("A-1", "act")
    assert judge([found], minute(41), shop.service.zone)[0].level == "act"
    shop.event(10, "dismounted", "A-1", 50, saw="S1", reason="worn-plan", corrects=crack.id, by="E1")
    assert plate(51) == ("mounted", False)
    assert shop.status(51)["S1", "1"].verdict != "act"


# Counters, units, clocks


def test_a_counter_set_by_hand_counts_one_stroke_and_is_asked(shop: Shop) -> None:
    """Quarantined until somebody says that the strokes were made: then they are counted."""
    stocked(shop, "A-1")
    shop.event(-1, "mounted", "A-1", saw="S1")
    shop.take(
        *(stroke(m, m, part="P1") for m in range(1, 11)), *(stroke(40 + 480 * 60 + m, m, part="P1") for m in (11, 12))
    )
    (asked,) = at(shop, 20)
    assert (asked.kind, asked.saw, asked.from_us, asked.to_us) == ("counter", "S1", minute(10), minute(11))
    assert shop.status(20)["S1", "1"].strokes == 12
    answered(shop, 30, asked, "no")
    assert shop.status(31)["S1", "1"].strokes == 10 + 40 + 480 * 60 + 1 + 1
    assert kinds(at(shop, 31)) == [("counter", False)]
    assert shop.status(29)["S1", "1"].strokes == 12


def test_a_feed_in_inches_is_asked_and_not_taken_over(shop: Shop) -> None:
    """From 40 mm/s to 1.57 in/s: the feed counts as unknown until it is back."""
    stocked(shop, "A-1")
    shop.event(-1, "mounted", "A-1", saw="S1")
    feeds = [40.0] * 20 + [40.0 / 25.4] * 10 + [40.0] * 10
    shop.take(*(stroke(m, m, part="P1", feed_mm_s=feed) for m, feed in enumerate(feeds, 1)))
    (asked,) = at(shop, 30)
    assert (asked.kind, asked.to_us) == ("unit-step", minute(21))
    assert shop.status(30.5)["S1", "1"].coverage.feed == pytest.approx(20 / 30)
    assert shop.status(41)["S1", "1"].coverage.feed == pytest.approx(30 / 40)


@pytest.mark.parametrize("factor", [1.341, 0.7457])
def test_a_power_in_horsepower_is_asked(shop: Shop, factor: float) -> None:
    """A step of idle power by 1.341 from a day on, and never taken over silently."""
    for day in range(9):
        kw = 2.0 if day < 6 else 2.0 * factor
        shop.take(
            *(
                Sample("S1", "1", "power_kw", "", minute(day * DAY + m), kw, minute(day * DAY + m))
                for m in range(5, 240, 10)
            )
        )
    shop.service.store.refresh_idle(2**62)
    (asked,) = at(shop, 9 * DAY)
    assert (asked.kind, asked.saw) == ("unit-step", "S1")
    assert "hp" in asked.text


def test_a_clock_that_goes_ahead_is_asked(shop: Shop) -> None:
    """Ninety seconds ahead of receipt on the last twenty strokes."""
    shop.take(*(stroke(m, m, m - 1.5, part="P1") for m in range(1, 41)))
    assert ("clock", True) in kinds(at(shop, 60))
    assert all(kind != "clock" for kind, _ in kinds(at(shop, 15)))


# By the signals


def night(folder: Path) -> tuple[Setting, Service, object]:
    """Two saws for seven weeks; some changes nobody wrote down."""
    setting = Setting(seed=3, saws=2, kinds=1, days=45, form="straight", troubles={"unrecorded": "strong"})
    papers = write(setting, folder)
    service = Service.open(papers.config, lambda: setting.ends_us)
    service.import_files([papers.log, papers.ledger, papers.last_day])
    return setting, service, papers.truth


def test_a_shift_that_wrote_nothing_is_asked_by_the_next_one_and_settled_with_the_plates_number(tmp_path: Path) -> None:
    """Proposed within eight hours of the change, with window and evidence; cuts move only with the answer, and back."""
    _, service, truth = night(tmp_path)
    with service:
        change = next(m for m in truth.mounts if not m.recorded and m.from_us > truth.mounts[0].from_us)  # type: ignore[attr-defined]
        before = next(m for m in truth.mounts if m.saw == change.saw and m.to_us and m.to_us < change.from_us and  # type: ignore[attr-defined]
                      change.from_us - m.to_us < 3_600_000_000)  # fmt: skip
        shift_us = change.from_us + 8 * 3_600_000_000
        assert [q for q in service.questions(change.from_us) if q.saw == change.saw] == []
        (asked,) = [q for q in service.questions(shift_us) if q.saw == change.saw and q.kind == "probable-change"]
        assert asked.from_us <= before.to_us <= asked.to_us
        assert asked.from_us <= change.from_us <= asked.to_us
        assert asked.plate == before.plate
        told = " ".join(asked.evidence)
        for piece in ("no stroke for", "guard last reported open", "load of part"):
            assert piece in told
        shown = {a.saw: a for a in service.review(shift_us).assessments}[change.saw]
        assert shown.plate == before.plate
        assert asked.text in shown.reasons
        assert any(a.cause == "question" for a in judge([shown], shift_us, service.zone))
        service.clock = lambda: shift_us
        rows = service.answer(asked.id, "yes", plate=change.plate).events
        assert [(row.event, row.plate) for row in rows] == [("dismounted", before.plate), ("mounted", change.plate)]
        now = {a.saw: a for a in service.review(shift_us).assessments}[change.saw]
        assert now.plate == change.plate
        assert now.strokes == service.store.signals.count((change.saw, "1"), change.from_us, shift_us, shift_us)
        assert now.used_share is None or now.used_share.estimate < 0.4
        for row in rows:
            service.record({"event": "corrected", "corrects": row.id, "plate": row.plate or ""})
        back = {a.saw: a for a in service.review(shift_us).assessments}[change.saw]
        assert (back.plate, back.strokes) == (shown.plate, shown.strokes)


def test_a_question_survives_its_json() -> None:
    """What was asked is kept with the answer."""
    from datetime import UTC

    one = Question("conflict", "S1", "1", "A", 1, 2, "t?", ("a", "b"), ("e",), 3, ("r1", "r2"))
    assert from_json(as_json(one, UTC)) == one


def test_a_saws_own_word_contradicting_the_record_is_a_conflict(shop: Shop) -> None:
    """A message is a witness too."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    shop.take(BladeNote("S1", "1", minute(60), "dismounted", "A-2", minute(60)))
    (asked,) = at(shop, 61)
    assert asked.kind == "conflict"
    assert "told by the saw" in asked.text


# What hands write at the wrong minute, and answers beside them


def test_a_dismount_written_some_minutes_late_is_moved_by_the_answer(shop: Shop) -> None:
    """The row that took the last blade off tells of the same stop: the new one is on from there, with every stroke."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 20)
    cutting(shop, 35, 60, counter=20)
    shop.event(40, "dismounted", "A-1", saw="S1", reason="worn-plan")
    (asked,) = at(shop, 61)
    assert (asked.from_us, asked.to_us) == (minute(20), minute(35))
    answered(shop, 62, asked, "yes", plate="A-2")
    assert kinds(at(shop, 63)) == [("probable-change", False)]
    now = shop.status(63)["S1", "1"]
    assert (now.plate, now.strokes) == ("A-2", 26)
    fleet = shop.service.moment(minute(63)).known().fleet
    assert (fleet.plates["A-1"].state, fleet.plates["A-1"].cycles[0].reason) == ("dull", "worn-plan")


def test_the_first_blade_of_a_saw_owns_its_first_stroke_too(shop: Shop) -> None:
    """Strokes before any mount: the answer puts the plate on before the first of them."""
    stocked(shop, "A-1")
    cutting(shop, 1, 30)
    (asked,) = at(shop, 31)
    answered(shop, 32, asked, "yes", plate="A-1")
    now = shop.status(33)["S1", "1"]
    assert (now.strokes, now.coverage.blade) == (30, 1.0)
    assert kinds(at(shop, 33)) == [("probable-change", False)]


def test_no_to_strokes_without_a_blade_puts_the_last_one_back_on(shop: Shop) -> None:
    """The row that took it off is withdrawn, and the saw's own word beside it."""
    stocked(shop, "A-1")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.take(BladeNote("S1", "1", minute(31), "dismounted", "A-1", minute(31)))
    shop.event(32, "dismounted", "A-1", saw="S1", reason="worn-plan")
    cutting(shop, 45, 60, counter=30)
    (asked,) = at(shop, 61)
    assert len(answered(shop, 62, asked, "no")) == 2
    now = shop.status(63)["S1", "1"]
    assert (now.plate, now.strokes) == ("A-1", 46)
    assert kinds(at(shop, 63)) == [("probable-change", False)]


def test_no_never_takes_a_crack_back_unless_a_role_says_it(make_shop: Callable[..., Shop]) -> None:
    """The row that took the last blade off tells of a crack: it stays."""
    shop = make_shop(CONFIG + '[[person]]\nid = "M1"\nrole = "engineer"\n')
    stocked(shop, "A-1")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(31, "dismounted", "A-1", saw="S1", reason="cracked")
    cutting(shop, 45, 60, counter=30)
    (asked,) = at(shop, 61)
    for by in (None, "M7"):
        with pytest.raises(UsageError, match="crack"):
            answered(shop, 62, asked, "no", by=by)
    answered(shop, 62, asked, "no", by="M1")
    assert shop.status(63)["S1", "1"].plate == "A-1"


def test_the_id_of_a_change_stays_while_its_stop_is_still_being_found(shop: Shop) -> None:
    """Two strokes, a pause, then work: the window moves, the question is the same."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    cutting(shop, 1, 30)
    shop.event(31, "dismounted", "A-1", saw="S1", reason="worn-plan")
    cutting(shop, 37, 38, counter=30)
    (early,) = at(shop, 40)
    cutting(shop, 59, 75, counter=32)
    (late,) = at(shop, 75)
    assert early.id == late.id
    assert early.to_us != late.to_us


def test_a_crack_written_under_the_wrong_number_marks_the_plate_that_is_meant(shop: Shop) -> None:
    """Whoever answers: A-17 is set apart at once; A-71 stays marked until a role takes its crack back."""
    stocked(shop, "A-17", "A-71")
    shop.event(0, "mounted", "A-17", saw="S1")
    cutting(shop, 1, 30)
    shop.event(31, "dismounted", "A-71", saw="S1", reason="cracked")
    (asked,) = at(shop, 32)
    answered(shop, 33, asked, "no", by="M7")
    plates = shop.service.moment(minute(34)).known().fleet.plates
    assert {name: (plate.state, plate.cracked) for name, plate in plates.items()} == {
        "A-17": ("quarantined", True),
        "A-71": ("quarantined", True),
    }


def test_an_answered_conflict_stays_settled_when_another_of_its_rows_is_corrected(shop: Shop) -> None:
    """The row in doubt is the question; what stands beside it may be mended."""
    stocked(shop, "A-1")
    sent = shop.event(0, "sent", "A-1", batch="B-1")
    shop.event(10, "mounted", "A-1", saw="S1")
    (asked,) = at(shop, 11)
    answered(shop, 12, asked, "yes")
    shop.event(0, "sent", "A-1", known_minute=20, batch="B-2", corrects=sent.id)
    assert kinds(at(shop, 21)) == [("conflict", False)]


def test_a_clock_is_asked_about_once_however_many_days_it_is_wrong(shop: Shop) -> None:
    """Ninety seconds ahead for three days: one question, since the first of them, and an answer settles it."""
    stocked(shop, "A-1")
    shop.event(0, "mounted", "A-1", saw="S1")
    for day in range(3):
        start = day * DAY
        shop.take(*(stroke(100 * day + m, start + m, known_minute=start + m - 1.5) for m in range(1, 61)))
    first, *more = (at(shop, day * DAY + 70) for day in range(3))
    assert [[question.id for question in found] for found in more] == [[first[0].id]] * 2
    assert {found[0].raised_us for found in (first, *more)} == {first[0].raised_us}
    answered(shop, 70, first[0], "no")
    assert kinds(at(shop, 2 * DAY + 70)) == [("clock", False)]


def test_a_unit_in_doubt_is_asked_about_still_after_the_next_change(shop: Shop) -> None:
    """A change of blade does not settle what unit the feed stands in."""
    stocked(shop, "A-1", "A-2")
    shop.event(0, "mounted", "A-1", saw="S1")
    fed = [(m, 40.0 if m <= 20 else 40 / 25.4) for m in range(1, 60)]
    shop.take(*(stroke(m, m, part="P1", feed_mm_s=feed) for m, feed in fed if m != 40))
    shop.event(40, "dismounted", "A-1", saw="S1", reason="worn-plan")
    shop.event(40, "mounted", "A-2", saw="S1")
    assert kinds(at(shop, 61)) == [("unit-step", True)]


@pytest.mark.parametrize(
    ("seen", "jump", "made"),
    [
        (60, 13_000, 1),  # 14 hours at a stroke a minute are 840
        (60, 1_500, 1_500),  # may be: faster work than what was seen
        (60, 500, 500),
        (10, 13_000, 13_000),  # too few strokes to know the pace
    ],
)
def test_over_a_night_a_saw_makes_no_more_strokes_than_its_pace_allows(
    shop: Shop, seen: int, jump: int, made: int
) -> None:
    """A counter that was set up is asked about, and counts one stroke until somebody stands up for the others."""
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(0.5, "mounted", "A", saw="S1")
    cutting(shop, 1, seen)
    morning = seen + 14 * 60
    shop.take(*(stroke(seen + jump + i, morning + i, part="P1") for i in range(30)))
    asked = [question for question in at(shop, morning + 40) if question.kind == "counter"]
    assert shop.status(morning + 40)["S1", "1"].strokes == seen + made + 29
    assert bool(asked) == (made == 1)
    recent = recent_work(shop.service.config, shop.service.store.signals, ("S1", "1"), minute(morning + 40))
    assert sum(hour.strokes for hour in recent.values()) == seen + made + 29
    for question in asked:
        answered(shop, morning + 50, question, "no")
        assert shop.status(morning + 60)["S1", "1"].strokes == seen + jump + 29


def test_a_counter_jump_that_no_saw_makes_cannot_be_called_true(shop: Shop) -> None:
    """Two million strokes in a minute: the answer is refused rather than counted."""
    shop.take(stroke(1, 1), stroke(2_000_001, 2))
    (asked,) = [question for question in at(shop, 3) if question.kind == "counter"]
    with pytest.raises(UsageError, match="2000000 strokes"):
        answered(shop, 4, asked, "no")
