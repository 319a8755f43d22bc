"""The guided change: few answers, cautions before, what speaks against it first, nothing refused."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from shops import Shop, minute, stroke

from bladewatch.assess.changeover import CAUTIONS, changeover, reminders, rows_of_change, warnings
from bladewatch.pipeline import enter

CONFIG = """
[site]
name = "hall"
[[saw]]
id = "S1"
rated_rpm = 3400
bore_mm = 32
pins = "2/9/50"
diameter_mm = [300, 450]
fits = ["T"]
[[saw]]
id = "S2"
rated_rpm = 2800
[[blade_type]]
id = "T"
kerf_mm = 4.0
diameter_mm = 420
bore_mm = 32
pins = "2/9/50"
max_rpm = 4000
[[blade_type]]
id = "SLOW"
diameter_mm = 500
bore_mm = 30
pins = "4/12/64"
max_rpm = 3000
[[alloy]]
id = "AZ31"
hazard = "magnesium: chips and dust burn"
[[part]]
id = "P1"
alloy = "AZ31"
area_mm2 = 900
"""


@pytest.fixture
def hall(make_shop: Callable[..., Shop]) -> Shop:
    """Two saws, plates of two types; S1 has cut for an hour with A-1 and stood still for twelve minutes."""
    shop = make_shop(CONFIG)
    for plate in ("A-1", "A-2", "A-3"):
        shop.event(-100, "opened", plate, blade_type="T", kerf_mm="3.96" if plate == "A-2" else "4.02")
    shop.event(-100, "opened", "B-1", blade_type="SLOW")
    shop.event(0, "mounted", "A-1", saw="S1")
    shop.take(*(stroke(m, m, part="P1") for m in range(1, 61)), *(stroke(m - 12, m, part="P1") for m in range(73, 80)))
    return shop


def known(shop: Shop, at_minute: float):
    return shop.service.moment(minute(at_minute)).known()


def test_everything_but_the_reason_and_the_plate_is_known_already(hall: Shop) -> None:
    """What comes off is on record, the time is the last stop, its minutes by the strokes, a sharp one offered."""
    now = known(hall, 80)
    change = changeover(now, ("S1", "1"))
    assert change.on_record is not None
    assert change.on_record.plate == "A-1"
    assert change.at_us == (minute(60) + minute(73)) // 2
    assert change.stop is not None
    assert change.stop.minutes == 13
    assert change.sharp == ("A-2", "A-3")
    rows = rows_of_change(change, minute(80), "A-1", "worn-burr", "A-2", False, {"counter": 67, "by": "M7"})
    assert [(row.event, row.plate, row.reason, row.planned) for row in rows] == [
        ("dismounted", "A-1", "worn-burr", False), ("mounted", "A-2", None, False),
    ]  # fmt: skip
    assert (rows[0].minutes, rows[0].counter, rows[0].by) == (13, 67, "M7")
    enter(rows, hall.service.store)
    (status,) = [a for a in hall.service.review(minute(81)).assessments if a.saw == "S1"]
    assert (status.plate, status.strokes) == ("A-2", 7)


def test_a_saw_that_stands_is_changed_now(hall: Shop) -> None:
    """The stop goes on; its minutes are not known yet."""
    change = changeover(known(hall, 95), ("S1", "1"))
    assert change.at_us == minute(95)
    assert change.stop is not None
    assert (change.stop.from_us, change.stop.minutes) == (minute(79), None)


def test_a_plate_marked_too_slow_is_warned_of_first_and_calls_for_somebody(hall: Shop) -> None:
    """Recorded all the same: act. Bore, pins and diameter that do not fit are told too."""
    now = known(hall, 80)
    change = changeover(now, ("S1", "1"))
    told = warnings(now, change, "A-1", "B-1")
    assert told[0] == "plate B-1 is marked for 3000 rpm at most, the spindle is rated 3400 rpm"
    assert any("bore of plate B-1 is 30 mm, the spindle takes 32 mm" in text for text in told)
    assert any("pins of plate B-1" in text for text in told)
    assert any("500 mm across" in text for text in told)
    assert any("type SLOW" in text for text in told)
    enter(rows_of_change(change, minute(80), "A-1", "worn-plan", "B-1", True, {}), hall.service.store)
    (status,) = [a for a in hall.service.review(minute(81)).assessments if a.saw == "S1"]
    assert (status.plate, status.verdict) == ("B-1", "act")


def test_what_is_out_elsewhere_cracked_or_unknown_is_warned_of(hall: Shop) -> None:
    """The most dangerous first; near numbers for a slip of the hand."""
    hall.event(61, "sent", "A-2")
    hall.event(62, "mounted", "A-3", saw="S2")
    hall.event(63, "dismounted", "A-3", saw="S2", reason="cracked")
    now = known(hall, 80)
    change = changeover(now, ("S1", "1"))
    assert "recorded as out" in warnings(now, change, "A-1", "A-2")[0]
    assert "cracked" in warnings(now, change, "A-1", "A-3")[0]
    assert warnings(now, change, "A-1", "A-11")[0].endswith("did you mean A-1?")
    assert warnings(now, change, "A-7", "A-2")[-1] == "plate A-1 is on record here, not A-7"
    assert change.sharp == ()


def test_kerf_is_called_to_mind_and_the_hazard_of_what_was_cut(hall: Shop) -> None:
    """Each plate's own measured kerf; the alloy's hazard where a change is planned."""
    now = known(hall, 80)
    change = changeover(now, ("S1", "1"))
    assert "A-1 4.02 mm, A-2 3.96 mm" in reminders(now, "A-1", "A-2")[0]
    assert change.hazards == ("AZ31: magnesium: chips and dust burn",)


def test_the_usual_cautions_are_all_there() -> None:
    """Isolation with air, full stop, gloves, cracks, collars and arrow, idle run out of line; the site governs."""
    text = " ".join(CAUTIONS)
    for piece in ("site's own procedure governs", "air", "try to start", "full stop", "gloves", "cracks", "Collars",
                  "Arrow", "idle", "out of line"):  # fmt: skip
        assert piece in text, piece
    for word in ("safe", " go ", "OK to"):
        assert word not in text


# By the command itself


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A shop on disk with two plates, one of them on S1."""
    (tmp_path / "bladewatch.toml").write_text(CONFIG)
    for words in (
        ("opened", "A-1", "--type", "T"),
        ("opened", "A-2", "--type", "T"),
        ("mounted", "A-1", "--saw", "S1"),
    ):
        command(tmp_path, "blade", *words)
    return tmp_path


def command(folder: Path, *words: str, code: int = 0) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "COLUMNS": "80", "BLADEWATCH_CONFIG": str(folder / "bladewatch.toml")}
    done = subprocess.run(
        [sys.executable, "-m", "bladewatch", *words], capture_output=True, text=True, env=env, check=False
    )
    assert done.returncode == code, done.stderr + done.stdout
    return done


def test_without_a_terminal_it_takes_options_and_warns_in_its_first_line(folder: Path) -> None:
    """Nothing is asked; a plate that no row knows is written and warned of first."""
    said = command(folder, "change", "S1", "--reason", "worn-burr", "--on", "A-22", "--unplanned").stdout
    assert said.splitlines()[0].startswith("WARNING: no row knows plate A-22; did you mean A-2")
    assert "A-22 on saw S1" in said
    told = command(folder, "change", "S1", "--reason", "chipped", "--on", "A-2", "--tips-chipped", "2", "--json")
    off, on = json.loads(told.stdout)
    assert (off["plate"], off["reason"], off["tips_chipped"], on["plate"]) == ("A-22", "chipped", "2", "A-2")
    assert "expected one of S1, S2" in command(folder, "change", "S9", "--on", "A-1", code=2).stderr
    assert "expected one of S1, S2" in command(folder, "change", "--on", "A-1", code=2).stderr
    (folder / "bladewatch.toml").write_text(CONFIG.replace('id = "S2"\n', 'id = "S2"\nspindles = 2\n'))
    assert "add --spindle 1" in command(folder, "change", "s2", "--on", "A-1", code=2).stderr
    assert (
        "--reason: found 'tired'" in command(folder, "change", "S1", "--reason", "tired", "--on", "A-1", code=2).stderr
    )


def test_in_a_terminal_four_answers_write_a_change(folder: Path) -> None:
    """Saw, reason by its number, plate by its default, planned by its default; the cautions came before."""
    leader, follower = pty.openpty()
    env = {**os.environ, "COLUMNS": "80", "BLADEWATCH_CONFIG": str(folder / "bladewatch.toml"), "TERM": "dumb"}
    process = subprocess.Popen(
        [sys.executable, "-m", "bladewatch", "change"], stdin=follower, stdout=follower, stderr=follower, env=env
    )
    os.close(follower)
    said = ""

    def until(piece: str) -> None:
        nonlocal said
        ends = time.monotonic() + 60
        while piece not in said and time.monotonic() < ends:
            said += os.read(leader, 4096).decode()
        assert piece in said, said

    until("Saw (S1, S2) [")
    assert "procedure governs" in said
    os.write(leader, b"s1\n")
    until("number or word [worn-plan]:")
    assert "A-1 comes off" in said
    os.write(leader, b"2\n")
    until("Goes on (A-2; - for none) [A-2]:")
    os.write(leader, b"\n")
    until("Planned, y or n [n]:")
    os.write(leader, b"\n")
    until("To take it back")
    process.wait(30)
    os.close(leader)
    assert "A-1 off saw S1" in said
    assert "worn-burr" in said
    (row,) = [
        row
        for row in json.loads(command(folder, "plate", "A-1", "--json").stdout)["rows"]
        if row["event"] == "dismounted"
    ]
    assert (row["reason"], row["planned"]) == ("worn-burr", "no")


def test_questions_are_listed_and_answered_by_command(folder: Path) -> None:
    """The JSON of the contract; an unknown id says where the ids are."""
    command(folder, "blade", "dismounted", "A-2", "--saw", "S1", "--reason", "worn-plan")
    (asked,) = json.loads(command(folder, "questions", "--json").stdout)
    keys = {"id", "kind", "saw", "plate", "from", "to", "evidence", "raised_at", "settled"}
    assert keys <= asked.keys()
    assert (asked["kind"], asked["saw"], asked["plate"], asked["settled"]) == ("conflict", "S1", "A-2", None)
    text = command(folder, "questions").stdout
    assert "Is this row right: dismounted A-2 from saw S1" in text
    assert f"bladewatch questions answer {asked['id']} no --plate NUMBER" in " ".join(text.split())
    said = command(folder, "questions", "answer", asked["id"], "no", "--by", "M7").stdout
    assert "written: dismounted A-1" in said
    (settled,) = json.loads(command(folder, "questions", "--json").stdout)
    assert (settled["settled"]["word"], settled["settled"]["by"]) == ("no", "M7")
    assert "no question has the id 'x'" in command(folder, "questions", "answer", "x", "yes", code=2).stderr
    assert (
        "expected one of yes, no, unknown"
        in command(folder, "questions", "answer", asked["id"], "maybe", code=2).stderr
    )


def test_a_batch_goes_and_comes_back_by_command(folder: Path) -> None:
    """Suggest, send, receive, inspect, plate: what each prints and what it writes."""
    command(folder, "change", "S1", "--reason", "worn-plan", "--on", "A-2")
    assert "A-1" in command(folder, "batch", "suggest").stdout
    sent = command(folder, "batch", "send", "A-1:tips", "--due", "2031-03-12").stdout
    assert "Packing list B-001" in sent
    assert "replace tips, grind" in sent
    assert "B-001: 1 of 1 away" in command(folder, "crib").stdout
    back = command(folder, "batch", "receive", "B-001", "A-1:stock_removed_um=310,tips_replaced=1").stdout
    assert "[x] A-1" in back
    assert "[ ] pass  [ ] fail   tips" in command(folder, "inspect", "A-1").stdout
    bad = command(
        folder, "inspect", "A-1", "tips=pass", "height=fail", "run_out_mm=0.05", "kerf=pass", "cracks=pass", code=1
    )
    assert "rejected: height failed" in bad.stdout
    good = command(folder, "inspect", "A-1", "tips=pass", "height=pass", "run_out_mm=0.05", "kerf=pass", "cracks=pass")
    assert "accepted as sharp" in good.stdout
    plate = json.loads(command(folder, "plate", "A-1", "--json").stdout)
    assert (plate["state"], plate["regrinds"]) == ("sharp", 1)
    assert "expected one of grind" in command(folder, "batch", "send", "A-1:polish", code=2).stderr
    assert "no batch has the number 'B-9'" in command(folder, "batch", "receive", "B-9", "A-1", code=2).stderr
    seen = command(folder, "crib", "count", "rack 7", "A-1").stdout
    assert "A-1: seen here, recorded as sharp" in seen
    out = command(folder, "export", str(folder / "out")).stdout
    assert "ledger.csv: " in out
    assert command(folder, "export", "cycles").stdout.startswith("plate,blade_type,cycle")
