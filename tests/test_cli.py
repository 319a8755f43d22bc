"""The commands as a user runs them."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from shops import T0_US

from collectors.instants import text_of

CONFIG = """
[site]
name = "hall"
[[saw]]
id = "S1"
rated_rpm = 2800
[[blade_type]]
id = "T"
site_limit_area_m2 = 0.5
[[part]]
id = "P1"
alloy = "6063"
area_mm2 = 1000
"""
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """``bladewatch`` in a shop's folder."""
    (tmp_path / "bladewatch.toml").write_text(CONFIG)

    def call(*words: str, code: int = 0, folder: Path = tmp_path) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "bladewatch", *words], cwd=folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
        assert "Traceback" not in done.stderr
        return done

    return call


def log(path: Path, count: int = 400, first: int = 1) -> Path:
    lines = []
    for i in range(first, first + count):
        ts = text_of(T0_US + i * 60_000_000)
        message = {
            "topic": "bladewatch/1/hall/S1/cut",
            "received": ts,
            "payload": {"ts": ts, "stroke": i, "part": "P1"},
        }
        lines.append(json.dumps(message))
    path.write_text("\n".join(lines) + "\n")
    return path


def test_from_files_to_a_named_blade_and_what_to_do(run: Run, tmp_path: Path) -> None:
    """Log and ledger in, one assessment and one alert out; importing again changes nothing."""
    log(tmp_path / "log.jsonl")
    (tmp_path / "ledger.csv").write_text(
        f"at,event,plate,saw,blade_type\n{text_of(T0_US)},opened,A-1,,T\n{text_of(T0_US)},mounted,A-1,S1,\n"
        f"{text_of(T0_US)},opened,A-2,,T\n"
    )
    first = json.loads(run("import", "--json", "log.jsonl", "ledger.csv").stdout)
    assert first["files"] == [
        {"file": "log.jsonl", "kind": "jsonl", "taken": 400, "repeated": 0, "rejected": 0},
        {"file": "ledger.csv", "kind": "ledger", "taken": 3, "repeated": 0, "rejected": 0},
    ]
    at = text_of(T0_US + 401 * 60_000_000)
    told = run("status", "--json", "--at", at).stdout
    answer = json.loads(told)
    (saw,) = answer["saws"]
    assert (saw["plate"], saw["cuts"], saw["verdict"], saw["basis"], saw["limit_kind"]) == (
        "A-1", 400, "prepare", "site-rule", "area"
    )  # fmt: skip
    assert saw["area_m2"] == pytest.approx(0.4)
    assert saw["remaining_cuts"]["estimate"] == pytest.approx(100)
    assert saw["wear_um"] is None
    (alert,) = answer["alerts"]
    assert alert["level"] == "prepare"
    assert alert["text"].startswith("saw S1: get a spare ready for blade A-1")
    assert "Spare: A-2" in alert["text"]
    assert len(alert["text"]) <= 300
    again = json.loads(run("import", "--json", "log.jsonl", "ledger.csv").stdout)
    assert [(f["taken"], f["repeated"]) for f in again["files"]] == [(0, 400), (0, 3)]
    assert run("status", "--json", "--at", at).stdout == told
    screen = " ".join(run("status", "--at", at).stdout.split())
    assert "blade: prepare a change" in screen
    assert "by the site's rule" in screen


def test_a_terminal_that_can_show_only_ascii_is_served(run: Run, tmp_path: Path) -> None:
    """Every sign has a plain form."""
    import os

    log(tmp_path / "log.jsonl")
    run("import", "log.jsonl")
    run("blade", "opened", "A-1", "--type", "T", "--at", "2026-03-02T06:00:00Z")
    run("blade", "mounted", "A-1", "--saw", "S1", "--at", "2026-03-02T06:00:00Z")
    command = [sys.executable, "-m", "bladewatch", "status"]
    env = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True, env=env)
    assert b"m2 in 400 cuts" in done.stdout


def test_several_moments_are_answered_a_line_each_in_the_order_asked(run: Run, tmp_path: Path) -> None:
    """``--at`` repeated; a time without offset is site time."""
    log(tmp_path / "log.jsonl")
    run("import", "log.jsonl")
    done = run("status", "--json", "--at", "2026-03-02 07:00", "--at", "2026-03-02T06:30:00Z")
    assert [json.loads(line)["at"] for line in done.stdout.splitlines()] == [
        "2026-03-02T07:00:00+00:00", "2026-03-02T06:30:00+00:00"
    ]  # fmt: skip


def test_no_blade_on_record_is_said_and_counted(run: Run, tmp_path: Path) -> None:
    """Strokes outside every mount belong to no plate."""
    log(tmp_path / "log.jsonl", 7)
    run("import", "log.jsonl")
    (saw,) = json.loads(run("status", "--json", "--at", "2026-03-02T07:00:00Z").stdout)["saws"]
    assert (saw["plate"], saw["verdict"], saw["coverage"]["blade"]) == (None, "cannot-tell", 0.0)
    assert saw["reasons"][0].startswith("7 strokes with no blade on record")


def test_a_rejection_is_listed_shown_cured_and_replayed(run: Run, tmp_path: Path) -> None:
    """A saw that the configuration lacks, added, and its strokes taken."""
    log(tmp_path / "log.jsonl", 2)
    text = (tmp_path / "log.jsonl").read_text().replace("/S1/", "/S7/")
    (tmp_path / "log.jsonl").write_text(text + "nonsense\n")
    run("import", "--strict", "log.jsonl", code=1)
    rows = json.loads(run("rejects", "--json").stdout)
    assert [(row["reason"].partition(":")[0], row["count"]) for row in rows] == [
        ("unknown-saw", 1), ("unknown-saw", 1), ("broken-line", 1)
    ]  # fmt: skip
    assert "(log.jsonl, line 3)" in run("rejects").stdout
    assert '"stroke": 1' in run("rejects", "show", str(rows[0]["id"])).stdout
    assert "still refused" in run("rejects", "replay", code=1).stdout
    with (tmp_path / "bladewatch.toml").open("a") as stream:
        stream.write('[[saw]]\nid = "S7"\n')
    assert json.loads(run("rejects", "replay", "--json", code=1).stdout)["taken"] == 2
    assert [row["reason"].partition(":")[0] for row in json.loads(run("rejects", "--json").stdout)] == ["broken-line"]
    run("import", "log.jsonl")
    assert len(json.loads(run("rejects", "--json").stdout)) == 1


def test_a_stroke_with_a_dead_clock_is_taken_with_its_time_of_receipt(run: Run, tmp_path: Path) -> None:
    """On request, in the order of the counter."""
    lines = [
        {
            "topic": "bladewatch/1/hall/S1/cut",
            "received": "2026-03-02T06:00:00Z",
            "payload": {"ts": 0, "stroke": counter},
        }
        for counter in (3, 1, 2)
    ]
    (tmp_path / "log.jsonl").write_text("\n".join(json.dumps(line) for line in lines))
    run("import", "log.jsonl")
    assert json.loads(run("rejects", "replay", "--receipt-time", "--json").stdout) == {"taken": 3, "left": []}
    (saw,) = json.loads(run("status", "--json").stdout)["saws"]
    assert saw["reasons"][0].startswith("3 strokes with no blade")


def test_a_field_cured_too_late_leaves_the_stroke_and_the_list_as_they_are(run: Run, tmp_path: Path) -> None:
    """The stroke stands without the field; taking it again adds no rejection."""
    payload = {"ts": "2026-03-02T06:00:00Z", "stroke": 1, "part": "P1", "feed_mm_s": 2500}
    (tmp_path / "log.jsonl").write_text(json.dumps({"topic": "bladewatch/1/hall/S1/cut", "payload": payload}))
    run("import", "log.jsonl")
    with (tmp_path / "bladewatch.toml").open("a") as stream:
        stream.write("[plausible]\nfeed_mm_s = [0, 3000]\n")
    assert "stays whole" in run("rejects", "replay", code=1).stdout
    assert len(json.loads(run("rejects", "--json").stdout)) == 1
    assert "no open rejection has the id 9" in run("rejects", "replay", "9", code=2).stderr


def test_receipt_time_is_for_dead_clocks_alone(run: Run, tmp_path: Path) -> None:
    """A stroke of an unknown saw keeps its own time."""
    lines = [
        {"topic": "bladewatch/1/hall/S9/cut", "received": "2026-03-02T09:00:00Z",
         "payload": {"ts": "2026-03-02T06:00:00Z", "stroke": 1}},
        {"topic": "bladewatch/1/hall/S1/cut", "received": "2026-03-02T09:00:00Z", "payload": {"ts": 0, "stroke": 1}},
    ]  # fmt: skip
    (tmp_path / "log.jsonl").write_text("\n".join(json.dumps(line) for line in lines))
    run("import", "log.jsonl")
    assert json.loads(run("rejects", "replay", "--receipt-time", "--json").stdout) == {"taken": 1, "left": []}
    assert [row["topic"] for row in json.loads(run("rejects", "--json").stdout)] == ["bladewatch/1/hall/S9/cut"]


def test_a_misaligned_ledger_row_is_not_taken_by_replay(run: Run, tmp_path: Path) -> None:
    """What nobody cured stays refused."""
    (tmp_path / "l.csv").write_text("at,event,plate,cost\n2026-03-02,invoiced,A-1,1,234.50\n")
    assert json.loads(run("import", "--json", "l.csv").stdout)["files"][0]["rejected"] == 1
    run("rejects", "replay", code=1)
    (tmp_path / "log.jsonl").write_text('{"topic":"csv/ledger","payload":{"cells":{"at":"2026-03-02","event":"lost"}}}')
    run("import", "log.jsonl")
    run("rejects", "replay", code=1)
    assert len(json.loads(run("rejects", "--json").stdout)) == 2


def test_a_file_that_breaks_off_gives_what_stood_before_and_says_so(run: Run, tmp_path: Path) -> None:
    """A truncated archive is exit 2, and its first lines are not lost."""
    import gzip

    whole = gzip.compress(log(tmp_path / "log.jsonl", 5000).read_bytes())
    (tmp_path / "cut.jsonl.gz").write_bytes(whole[: len(whole) * 2 // 3])
    (tmp_path / "bad.zst").write_bytes(b"\x28\xb5\x2f\xfd" + b"nonsense" * 9)
    told = run("import", "--json", "cut.jsonl.gz", "bad.zst", code=2)
    first, second = json.loads(told.stdout)["files"]
    assert 1000 < first["taken"] < 5000
    assert "breaks off" in first["error"]
    assert second["kind"] == "unreadable"


def test_blade_events_by_command(run: Run) -> None:
    """Each is written with the time it was entered; a doubtful record is written and questioned."""
    (event,) = json.loads(run("blade", "opened", "A-1", "--type", "T", "--cost", "380.10", "--json").stdout)
    assert (event["event"], event["plate"], event["cost"]) == ("opened", "A-1", "380.10")
    assert event["entered"] >= event["at"]
    run("blade", "mounted", "A-1", "--saw", "S1")
    done = run("blade", "mounted", "A-2", "--saw", "S1")
    assert "but look: mounted A-2: plate A-1 was still recorded there" in done.stdout
    assert "to take it back: bladewatch blade corrected --corrects " in done.stdout
    wrong = run("blade", "dismounted", "A-77", "--saw", "S1", "--reason", "worn-plan").stdout
    assert "plate A-2 was recorded there, the row names A-77; the mount ends here" in wrong
    told = json.loads(run("status", "--json").stdout)["saws"][0]["reasons"]
    assert any("the row names A-77" in reason for reason in told)
    doubtful = run("blade", "opened", "A-9", "--type", "TT", "--at", "2036-01-01", "--saw", "S7").stdout
    for piece in ("blade type TT is not in", "saw S7 is not in", "more than a day ahead"):
        assert f"but look: {piece}" in doubtful or piece in doubtful
    assert "expected one of opened" in run("blade", "fitted", "A-1", code=2).stderr
    assert "cost: found 'lots'" in run("blade", "bought", "--plate", "A-3", "--cost", "lots", code=2).stderr
    (last,) = json.loads(run("blade", "inspected", "--plate", "A-1", "--wear-um", "212", "--by", "M7", "--json").stdout)
    assert (last["plate"], last["wear_um"], last["by"]) == ("A-1", "212", "M7")


def test_every_column_of_the_ledger_is_an_option(run: Run) -> None:
    """What CSV can say, the command can say."""
    from bladewatch.ledger.events import COLUMNS

    said = run("blade", "--help").stdout
    assert [name for name in COLUMNS if f"--{name.replace('_', '-')}" not in said] == ["event", "entered"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("status", "--at", "yesterday"), "expected a time like"),
        (("--config", "none.toml", "status"), "bladewatch init"),
        (("import", "none.jsonl"), "none.jsonl"),
        (("rejects", "show", "99"), "no rejection has the id 99"),
        (("nonsense",), "No such command"),
        (("import", "--zone", "Mars", "x"), "expected a time zone name"),
        (("import", "--decimal", "x", "y"), "expected , or ."),
        (("blade", "opened", "A-1", "--at", "24.11.2026 08:00"), "found '24.11.2026 08:00', expected a time like"),
    ],
)
def test_a_wrong_call_says_what_would_be_right_and_exits_with_2(run: Run, words: tuple[str, ...], said: str) -> None:
    """Usage and configuration: exit code 2."""
    run("blade", "opened", "A-1")
    assert said in run(*words, code=2).stderr


def test_a_store_that_cannot_be_reached_is_exit_3(run: Run, tmp_path: Path) -> None:
    """The folder of the database is missing: the file is named."""
    (tmp_path / "bladewatch.toml").write_text(CONFIG + '[store]\nurl = "sqlite:///none/a.db"\n')
    assert "none/a.db: cannot be opened" in run("status", code=3).stderr


def test_init_writes_a_shop_that_runs(run: Run, tmp_path: Path) -> None:
    """The sample takes an event and answers; it is never overwritten."""
    run("init", "new")
    path = str(tmp_path / "new" / "bladewatch.toml")
    assert "no message yet" in run("--config", path, "status").stdout
    run("--config", path, "blade", "opened", "A-1", "--type", "T420x96")
    assert json.loads(run("--config", path, "status", "--json").stdout)["site"] == "hall-two"
    assert (tmp_path / "new" / "bladewatch.sqlite").exists()
    assert "stands already" in run("init", "new", code=2).stderr


def test_a_preview_says_per_row_and_column_what_will_not_be_taken(run: Run, tmp_path: Path) -> None:
    """Nothing is stored before the user has seen it."""
    (tmp_path / "wide.csv").write_text(
        "\ufeff# zone=Europe/Berlin\nts;saw;stroke;part;area_mm2;colour\n"
        "2026-03-02 07:00:00;S1;1;P1;564,25;red\n2026-03-02 07:01:00;S1;two;P1;1;red\n"
        "2026-03-02 07:02:00;S1;3;P1;much;red\n",
        encoding="utf-8",
    )
    said = run("import", "--preview", "wide.csv").stdout
    assert "wide.csv:4: wrong-type: found 'two'" in said
    assert "wide.csv:5: wrong-type: area_mm2: found 'much'" in said
    assert "mean nothing here: colour" in said
    done = json.loads(run("import", "--json", "wide.csv").stdout)["files"][0]
    assert (done["kind"], done["taken"], done["rejected"]) == ("csv-wide", 2, 2)


def test_rebuild_and_tidy_change_no_answer(run: Run, tmp_path: Path) -> None:
    """Upkeep is upkeep."""
    log(tmp_path / "log.jsonl")
    run("import", "log.jsonl")
    run("blade", "opened", "A-1", "--type", "T", "--at", "2026-03-02T06:00:00Z")
    at = ("status", "--json", "--at", "2026-03-02T13:00:00Z")
    before = run(*at).stdout
    assert "saw S1 spindle 1: 400 strokes" in run("store", "rebuild").stdout
    assert json.loads(run("store", "tidy", "--json").stdout)["rejections"] == 0
    assert run(*at).stdout == before


def commands() -> list[tuple[str, ...]]:
    """Every command with its words."""
    import typer.main

    from bladewatch.cli.app import app

    found: list[tuple[str, ...]] = []

    def walk(command: object, words: tuple[str, ...]) -> None:
        children = getattr(command, "commands", {})
        if words and (not children or getattr(command, "invoke_without_command", False)):
            found.append(words)
        for name, child in children.items():
            walk(child, (*words, name))

    walk(typer.main.get_command(app), ())
    return found


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_has_help_with_an_example(run: Run, words: tuple[str, ...]) -> None:
    """Nobody has to guess how a command is called."""
    assert "Example: bladewatch" in run(*words, "--help").stdout.replace("\n", " ").replace("  ", " ")


def test_help_names_every_command(run: Run) -> None:
    """The first page is a table of contents."""
    said = run("--help").stdout
    assert {words[0] for words in commands()} <= set(said.split())


def modules_after(*words: str, folder: Path) -> set[str]:
    """Modules that a command has imported when it is done."""
    code = (
        "import sys, json; sys.argv = ['bladewatch', *json.loads(sys.argv[1])]\n"
        "from bladewatch.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print('\\nMODULES', *sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(words)], cwd=folder, capture_output=True, text=True, check=True
    )
    return set(done.stdout.rpartition("MODULES")[2].split())


def test_heavy_libraries_are_imported_only_where_they_are_used(run: Run, tmp_path: Path, example: Path) -> None:
    """``--help`` stays light; ``status`` computes with its fit stored, without scikit-learn, scipy.stats or pandas."""
    light = modules_after("--help", folder=tmp_path)
    assert not light & {"numpy", "sqlalchemy", "rich.console", "paho.mqtt.client", "pint", "sklearn", "scipy", "pandas"}
    at = "2026-05-13 14:00"
    told = json.loads(run("--config", str(example), "status", "--json", "--at", at).stdout)
    assert {saw["basis"] for saw in told["saws"]} <= {"history", "history+load"}
    loaded = modules_after("status", "--json", "--at", at, folder=example.parent)
    assert "numpy" in loaded
    assert not loaded & {"sklearn", "scipy.stats", "pandas"}
    early = modules_after("status", "--json", "--at", "2026-04-17 14:00", folder=example.parent)
    assert not early & {"sklearn", "scipy.stats", "pandas"}  # where a fit is due


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_told_in_words(tmp_path: Path) -> None:
    """Exit code 3 and a cure, not a fault of ours."""
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "bladewatch", "status", "--help"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 3
    assert "make room" in done.stderr
