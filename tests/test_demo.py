"""The demo: a minute over a real broker that leaves a shop behind, and truth beside what was said."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from broker import Mosquitto
from conftest import Demo

from bladewatch.assess.assessment import Assessment
from bladewatch.assess.moment import EndedCycle
from bladewatch.demo import broker, minute, score
from bladewatch.demo.clock import Pace, PacedClock
from bladewatch.demo.play import entries
from bladewatch.demo.truth import CycleTruth, Mounted, Point, Truth
from bladewatch.service import Service
from collectors.instants import parse_text
from models.forecast import Quantity

AT = "2026-05-13 14:00"


def start(folder: Path, *words: str, **env: str) -> subprocess.Popen[str]:
    """The demo as a process, in an empty folder."""
    command = [sys.executable, "-m", "bladewatch", *words]
    return subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
        env=os.environ | {"COLUMNS": "80", "PYTHONIOENCODING": "utf-8"} | env,
    )  # fmt: skip


def children() -> list[str]:
    """Command lines of the demo's helpers that still run."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = path.read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if "bladewatch.demo" in words:
            found.append(words)
    return found


def test_it_opens_with_what_to_look_at_and_says_how_hard_the_shop_is(demo: Demo) -> None:
    """Three numbered lines first; then the hardness; then that the day goes over MQTT, on this machine only."""
    assert re.findall(r"^(\d)  ", demo.said, re.MULTILINE)[:3] == ["1", "2", "3"]
    assert demo.said.startswith("1  ")
    assert re.search(r"How hard this shop is to guess: \d+ grind cycles, half-way", demo.said)
    assert re.search(r"embedded broker on 127\.0\.0\.1:\d+", demo.said)


def test_the_alerts_appear_in_the_course_of_the_day(demo: Demo) -> None:
    """The mist, the silent saw and the blade that nears its limit, each once and in its time; the slow feed never."""
    said = re.findall(r"^(\d\d:\d\d)  alert (\w+): saw (\w+)", demo.said, re.MULTILINE)
    found: dict[tuple[str, str], list[str]] = {}
    for clock, level, saw in said:
        found.setdefault((level, saw), []).append(clock)
    assert all(len(clocks) == 1 for clocks in found.values()), found
    assert found["act", "S2"][0] >= "08:30"
    assert found["data", "S5"][0] >= "11:15"
    assert found["change", minute.NEAR][0] >= "06:00"
    assert not [key for key in found if key[1] == "S3"]


def test_every_message_of_the_day_is_stored_and_known_in_its_order(demo: Demo) -> None:
    """What the saws published over MQTT is in the store, once, known not before it happened."""
    sent = list(entries(demo.config.parent / "last-day.jsonl"))
    strokes = {entry.payload for entry in sent if entry.topic.endswith("/cut")}
    with Service.open(demo.config) as service:
        day_us = service.instant("2026-05-13 00:00")
        stored = [
            s
            for saw in ("S1", "S2", "S3", "S4", "S5")
            for s in service.store.signals.strokes((saw, "1"), day_us, 2**62, 2**62)
        ]
        assert service.store.books.rejections() == []
    assert len(stored) == len(strokes)
    assert all(s.ts_us <= s.known_us <= parse_text("2026-05-13T14:00:00+02:00") for s in stored)
    first, last = min(s.known_us for s in stored), max(s.known_us for s in stored)
    assert last - first > 7 * 3_600_000_000


def test_the_shop_that_is_left_answers_and_importing_the_day_again_changes_nothing(demo: Demo) -> None:
    """The six commands that it prints, as printed."""
    commands = re.findall(r"^  \S*bladewatch (.*?)(?:   \(.*)?$", demo.said, re.MULTILINE)
    assert len(commands) == 6
    for words in commands:
        done = subprocess.run(
            f"{sys.executable} -m bladewatch {words}",
            shell=True,
            cwd=demo.config.parent,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, (words, done.stderr)
        if words.startswith("import"):
            assert ": jsonl, 0 taken" in done.stdout


def test_the_score_is_worked_out_from_the_truth_that_it_left(demo: Demo) -> None:
    """The table's true wear is in truth.json, its estimates are what ``status`` says, its count is right."""
    truth = json.loads((demo.config.parent / "truth.json").read_text("utf-8"))
    rows = re.findall(r"^(S\d)\s+(A-\d{4})\s+(\d+)\s+(\S+) \((\S+) to (\S+)\)\s+(yes|NO)", demo.said, re.MULTILINE)
    assert len(rows) == 5
    command = [sys.executable, "-m", "bladewatch", "--config", str(demo.config), "status", "--json", "--at", AT]
    status = {
        saw["saw"]: saw for saw in json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["saws"]
    }
    within = 0
    for saw, plate, true, said, low, high, word in rows:
        (wear,) = [
            c["points"][-1][3] for c in truth["cycles"] if c["plate"] == plate and not c["reason"] and saw in c["saws"]
        ]
        assert float(true) == round(wear)
        quantity = status[saw]["wear_um"]
        for shown, exact in ((said, quantity["estimate"]), (low, quantity["low"]), (high, quantity["high"])):
            assert float(shown) == pytest.approx(exact, rel=0.06)
        assert (word == "yes") == (quantity["low"] <= wear <= quantity["high"])
        within += word == "yes"
    assert f"lies in the 90 % range on {within} of 5 saws" in demo.said


def test_ctrl_c_ends_it_cleanly(tmp_path: Path) -> None:
    """In the middle of the day: exit code 0, no traceback, broker and saws gone."""
    process = start(tmp_path, "demo", "--quick")
    assert process.stdout is not None
    for line in process.stdout:
        if re.match(r"0[6-9]:", line):
            break
    assert any("demo.broker" in words for words in children())
    process.send_signal(signal.SIGINT)
    said, trouble = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "Ended early" in said
    assert "Traceback" not in trouble + said
    until = time.monotonic() + 20
    while children() and time.monotonic() < until:
        time.sleep(0.1)
    assert children() == []


def test_a_broker_that_dies_in_the_middle_is_told_and_no_score_is_shown(tmp_path: Path) -> None:
    """Exit code 3, what is gone, nothing left running: a day with a hole in it proves nothing."""
    process = start(tmp_path, "demo")
    assert process.stdout is not None
    for line in process.stdout:
        if re.match(r"0[6-9]:", line):
            break
    (pid,) = [
        int(path.parent.name) for path in Path("/proc").glob("[0-9]*/cmdline") if b"demo.broker" in path.read_bytes()
    ]
    os.kill(pid, signal.SIGKILL)
    said, trouble = process.communicate(timeout=120)
    assert process.returncode == 3, (said, trouble)
    assert "the saws ended in the middle of their day" in trouble.replace("\n", " ")
    assert "Traceback" not in trouble
    assert "The true wear lies" not in said
    assert children() == []


def test_where_there_is_no_embedded_broker_it_says_so_and_does_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The MQTT leg is skipped by name; everything else is the same, up to the score."""
    monkeypatch.setattr(broker, "PACKAGE", "no-such-broker")
    monkeypatch.setenv("COLUMNS", "80")
    assert minute.run(minute.Choice(tmp_path / "shop", quick=True)) == 0
    said = capsys.readouterr().out
    assert "The MQTT leg is skipped: there is no embedded broker (no-such-broker)" in said.replace("\n", " ")
    assert "The true wear lies in the 90 % range" in said


@pytest.mark.broker
def test_a_broker_of_the_users_own_is_used(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """``--config`` lends its [mqtt]; the shop that is left names that broker, and all of the day is stored."""
    config = tmp_path / "mine.toml"
    config.write_text(f'[site]\nname="mine"\n[mqtt]\nport={mosquitto.port}\n[[saw]]\nid="S1"\n[[blade_type]]\nid="T"\n')
    process = start(tmp_path, "--config", "mine.toml", "demo", "--quick")
    said, trouble = process.communicate(timeout=240)
    assert process.returncode == 0, trouble
    assert f"The saws publish to the broker 127.0.0.1:{mosquitto.port}." in said
    folder = tmp_path / "bladewatch-demo"
    assert f"port = {mosquitto.port}" in (folder / "bladewatch.toml").read_text("utf-8")
    sent = [entry for entry in entries(folder / "last-day.jsonl") if entry.topic.endswith("/cut")]
    with Service.open(folder / "bladewatch.toml") as service:
        day_us = service.instant("2026-05-13 00:00")
        counted = sum(service.store.signals.count((f"S{n}", "1"), day_us, 2**62, 2**62) for n in range(1, 6))
    assert counted == len(sent)


@pytest.mark.broker
def test_a_log_can_be_played_to_a_collector(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """``demo make`` writes it, ``collect`` hears it, ``demo play`` publishes it in fast time."""
    made = start(tmp_path, "demo", "make", "hall", "--saws", "1", "--weeks", "0.2", "--trouble", "duplicate=strong")
    assert made.communicate(timeout=60)[0].startswith("How hard this shop is to guess")
    config = tmp_path / "hall" / "bladewatch.toml"
    config.write_text(config.read_text() + f"[mqtt]\nport = {mosquitto.port}\n")
    collector = start(tmp_path, "--config", "hall/bladewatch.toml", "collect")
    assert collector.stdout is not None
    assert collector.stdout.readline().startswith("ready")
    played = start(
        tmp_path, "--config", "hall/bladewatch.toml", "demo", "play", "hall/last-day.jsonl", "--speed", "20000"
    )
    said = played.communicate(timeout=60)[0]
    lines = (tmp_path / "hall" / "last-day.jsonl").read_text().splitlines()
    assert said.startswith(f"{len(lines)} messages published")
    strokes = {json.dumps(json.loads(line)["payload"]) for line in lines if "/cut" in line}
    until = time.monotonic() + 30
    count = 0
    while count < len(strokes) and time.monotonic() < until:
        with Service.open(config) as service:
            count = service.store.signals.count(("S1", "1"), 0, 2**62, 2**62)
        time.sleep(0.2)
    collector.send_signal(signal.SIGTERM)
    collector.communicate(timeout=30)
    assert count == len(strokes)
    assert collector.returncode == 0


def test_a_folder_with_anything_of_the_users_in_it_is_left_alone(tmp_path: Path) -> None:
    """Exit code 2, where and what to do; nothing is deleted."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep")
    process = start(tmp_path, "demo", "--folder", "mine")
    _, trouble = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "give another folder" in trouble
    assert (tmp_path / "mine" / "notes.txt").read_text() == "keep"
    process = start(tmp_path, "demo", "make", "mine", "--trouble", "rain")
    _, trouble = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "expected NAME=STRENGTH" in trouble


def test_the_list_of_troubles_is_whole() -> None:
    """Every trouble with its three sizes, as text and as JSON."""
    from bladewatch.demo.troubles import TROUBLES

    command = [sys.executable, "-m", "bladewatch", "demo", "troubles"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert [line.split()[0] for line in text.splitlines()[1:] if not line.startswith(" ")] == list(TROUBLES)
    rows = json.loads(subprocess.run([*command, "--json"], capture_output=True, check=True).stdout)
    assert {row["name"]: (row["weak"], row["strong"]) for row in rows} == {
        name: (trouble.sizes[0], trouble.sizes[2]) for name, trouble in TROUBLES.items()
    }


def test_the_shops_clock_never_goes_back_and_a_pace_ends_at_its_end() -> None:
    """Whoever moves it; and a stretch of shop time is covered in its seconds, however often it is asked."""
    clock = PacedClock(10)
    assert [clock.move(us) for us in (30, 20, 40)] == [30, 30, 40]
    slow, fast = Pace(0, 1_000_000, 1000.0), Pace(0, 1_000_000, 1e-6)
    time.sleep(0.01)
    assert 0 < slow.due_us < 1_000_000
    assert fast.due_us == 1_000_000


def point(at_us: int, cuts: int, area_m2: float, wear_um: float, left_cuts: float) -> Point:
    """A point whose mean cut is a hundredth of a square metre."""
    return Point(at_us, cuts, area_m2, wear_um, left_cuts / 100, left_cuts)


def cycle_of(plate: str) -> CycleTruth:
    """A cycle of two points."""
    return CycleTruth(plate, "T", 250.0, [point(0, 0, 0.0, 0.0, 3000), point(100, 500, 5.0, 60.0, 2000)])


def test_a_wrong_plate_on_record_is_a_miss_and_a_saw_without_an_answer_is_named() -> None:
    """Nothing hard is left out of the score, and everybody's mean error is over the same saws."""
    truth = Truth(
        [cycle_of(f"A-{n}") for n in (1, 2, 3)], [Mounted(f"S{n}", f"A-{n}", -1, None, n - 1, True) for n in (1, 2, 3)]
    )
    said = Assessment(
        "S1", "1", plate="A-1", blade_type="T", cuts=500, area_by_alloy_cmm2={"6063": 500_000_000},
        wear_um=Quantity(80.0, 55.0, 100.0, 65.0), remaining_cuts=Quantity(1500.0, 900.0, 2000.0, 1000.0),
    )  # fmt: skip
    ended = (("worn-plan", 20.0, 2000), ("worn-burr", 30.0, 3000), ("chipped", 1.0, 9))
    rules = score.rules_of([EndedCycle("T", *row) for row in ended])
    others = [replace(said, saw="S2", plate="A-9"), Assessment("S3", "1")]
    right, wrong, silent = score.scores(truth, [said, *others], 100, rules)
    assert (right.within, wrong.within, silent.within) == (True, False, None)
    assert (right.true_um, right.true_cuts, right.said_cuts) == (60.0, 2000.0, 1500.0)
    assert (right.by_area, right.by_cuts) == (pytest.approx(2000.0), pytest.approx(2000.0))
    text = "\n".join(score.table([right, wrong, silent]))
    assert "1 of 2 saws" in text
    assert "Nothing could be told of 1 more." in text
    assert "A-9 is on record" in text
    assert "no blade is on record" in text
    assert "bladewatch 500 cuts" in text
    assert max(map(len, text.splitlines())) <= 80


def test_the_truth_between_two_points_lies_between_them() -> None:
    """A score at any moment of a cycle."""
    cycle = cycle_of("A-1")
    assert cycle.at(50) == Point(50, 250, 2.5, 30.0, 25.0, 2500.0)
    assert cycle.at(-1).cuts == 0
    assert cycle.at(1000).cuts == 500


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("demo", "make", "file"), 2, "cannot be a folder"),
        (("demo", "make", "file/x"), 2, "cannot be a folder"),
        (("demo", "make", "users"), 2, "no invented shop's"),
        (("demo", "make", "w", "--weeks", "nan"), 2, "--weeks: found nan"),
        (("demo", "make", "w", "--weeks", "inf"), 2, "--weeks: found inf"),
        (("demo", "play", "nothing.jsonl"), 2, "cannot be read as a log"),
        (("demo", "play", "file"), 2, "cannot be read as a log"),
        (("demo", "play", "one.jsonl"), 3, "not reached"),
        (("--config", "bladewatch.toml", "demo"), 3, "not reached"),
        (("--config", "secret.toml", "demo"), 2, "NO_SUCH_VARIABLE is not set"),
    ],
)
def test_a_mistake_is_told_before_anything_is_made(
    tmp_path: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    """What was found, no fault report, and the user's own files untouched."""
    (tmp_path / "file").write_text("mine")
    (tmp_path / "users").mkdir()
    (tmp_path / "users" / "ledger.csv").write_text("mine")
    (tmp_path / "users" / "truth.json").write_text("mine")
    (tmp_path / "one.jsonl").write_text('{"topic":"t","received":"2026-03-02T06:00:00Z","payload":{}}\n')
    config = '[site]\nname="mine"\n[mqtt]\nport=1\n{}[[saw]]\nid="S1"\n[[blade_type]]\nid="T"\n'
    (tmp_path / "bladewatch.toml").write_text(config.format(""))
    (tmp_path / "secret.toml").write_text(config.format('username="u"\npassword_env="NO_SUCH_VARIABLE"\n'))
    process = start(tmp_path, *words)
    _, trouble = process.communicate(timeout=60)
    assert process.returncode == code, trouble
    assert says in trouble.replace("\n", " ")
    assert (tmp_path / "users" / "ledger.csv").read_text() == "mine"
    assert (tmp_path / "users" / "truth.json").read_text() == "mine"


def test_a_new_shop_takes_the_place_of_an_old_one_whole(tmp_path: Path) -> None:
    """The store of the shop before goes too: two shops would be mixed."""
    for seed in ("1", "2"):
        made = start(tmp_path, "demo", "make", "hall", "--seed", seed, "--saws", "1", "--weeks", "1")
        made.communicate(timeout=60)
        assert made.returncode == 0
        assert "bladewatch.sqlite" not in {path.name for path in (tmp_path / "hall").iterdir()}
        read = start(tmp_path / "hall", "import", "--strict", "log.jsonl.gz", "last-day.jsonl", "ledger.csv")
        read.communicate(timeout=60)
        assert read.returncode == 0
    with Service.open(tmp_path / "hall" / "bladewatch.toml") as service:
        truth = json.loads((tmp_path / "hall" / "truth.json").read_text())
        assert service.store.signals.count(("S1", "1"), 0, 2**62, 2**62) == truth["strokes"]
