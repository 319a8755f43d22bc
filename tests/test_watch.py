"""The living screen: of any size, never wider, never taller, and a saw that is not seen never looks healthy."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from shops import CONFIG, Shop, minute, stroke
from test_screens import NOW_US, spindle
from test_screens import shop as kinds

from bladewatch.alerts import judge
from bladewatch.assess.assessment import Assessment
from bladewatch.assess.condition import Condition
from bladewatch.config.decode import parse
from bladewatch.config.tables import Config
from bladewatch.screens.watch import render
from bladewatch.screens.words import in_order
from bladewatch.watching import Watch

CONDITIONS = (
    Condition("idle", "normal", 1.92, 1.9, 2.2, NOW_US),
    Condition("vibration", "alert", 3.3, 2.0, 3.0, NOW_US, point="front"),
    Condition("mist", "normal", 1.0, at_us=NOW_US - 600_000_000),
)
FAILED = Condition("mist", "act", 0.0, at_us=NOW_US, since_us=NOW_US - 1_200_000_000, strokes=14)


@pytest.fixture
def config() -> Config:
    """The configuration of the common test shop."""
    return parse(CONFIG, Path("c.toml"))


def hall(count: int = 7) -> list[Assessment]:
    """One saw of each kind, with conditions; the last of them with a dead mist; then more that are good."""
    found = [replace(a, conditions=CONDITIONS) for a in kinds()]
    found.append(spindle("S7", "act", 0.4, wear_verdict="good", conditions=(*CONDITIONS[:2], FAILED)))
    found.extend(spindle(f"S{number}", "good", 0.3, conditions=CONDITIONS) for number in range(8, count + 1))
    return found[:count]


@pytest.mark.parametrize("width", [60, 80, 100, 120, 160, 197, 200, 250])
@pytest.mark.parametrize("height", [12, 24, 40, None])
@pytest.mark.parametrize("count", [1, 7, 100])
def test_no_line_is_wider_and_no_screen_taller_than_the_terminal(
    config: Config, width: int, height: int | None, count: int
) -> None:
    """At any size, for one saw and for a hundred; the saw that needs somebody first is always on it."""
    saws = hall(count)
    for plain in (False, True):
        lines = render(config, saws, judge(saws, NOW_US, config.zone), NOW_US, width, height, plain)
        assert max(len(line.text) for line in lines) <= width
        assert height is None or len(lines) <= height
        text = "\n".join(line.text for line in lines)
        assert f"A-{in_order(saws)[0].saw}" in text
        if plain:
            assert not any(mark in text for mark in "├┤━●")


def test_every_saw_is_shown_or_counted(config: Config) -> None:
    """A hundred saws on forty lines: what is not shown is counted in words."""
    saws = hall(100)
    lines = [line.text for line in render(config, saws, (), NOW_US, 120, 40)]
    shown = sum(f"A-{a.saw} " in line for a in saws for line in lines) + sum(
        "no blade on record" in line for line in lines
    )
    (rest,) = [line for line in lines if " more: " in line]
    assert shown + int(rest.split()[1]) == 100
    assert "blade: good" in rest


def test_urgent_saws_keep_their_detail_longest(config: Config) -> None:
    """On a low terminal the good saws are one line while the one that needs somebody keeps its ruler."""
    saws = hall(7)
    lines = [line.text for line in render(config, saws, (), NOW_US, 80, 26)]
    (good,) = [place for place, line in enumerate(lines) if "blade: good" in line]
    assert "├" not in lines[good + 1]
    (first,) = [place for place, line in enumerate(lines) if "mist: failed, check it now" in line]
    assert "├" in lines[first + 1]


def test_an_unseen_saw_has_no_mark_on_its_ruler_and_no_promise(config: Config) -> None:
    """Neither in lines nor in columns: its share is the last known one, its cuts and its date are not told."""
    (blind,) = [a for a in hall() if a.seen == "blind"]
    for width in (80, 200):
        text = "\n".join(line.text for line in render(config, [blind], (), NOW_US, width))
        assert "├ ? ─" in text
        assert "●" not in text
        assert "NOT SEEN since" in text
        assert "last 40 %" in text
        assert "cuts" not in text.replace("cuts left", "", 1)
        assert "good" not in text


def test_words_carry_everything_that_colour_says(config: Config, golden: Callable[[str, str], None]) -> None:
    """At 80 and at 200 columns, word for word."""
    for width in (80, 200):
        saws = hall()
        alerts = judge(saws, NOW_US, config.zone)
        text = "\n".join(line.text for line in render(config, saws, alerts, NOW_US, width))
        golden(f"watch{width}.txt", text + "\n")
        for forbidden in ("safe", "OK to", " go "):
            assert forbidden not in text


def test_the_mist_comes_first_and_the_blade_keeps_its_own_verdict(config: Config) -> None:
    """One alert for the mist, none for the blade that is good by its wear."""
    saws = hall()
    assert in_order(saws)[0].saw == "S7"
    found = [alert for alert in judge(saws, NOW_US, config.zone) if alert.saw == "S7"]
    assert [(alert.level, alert.cause) for alert in found] == [("act", "mist")]
    assert found[0].text.startswith("saw S7: check the mist before it cuts on. Mist failed at 15:40")


TEN = CONFIG + "".join(f'[[saw]]\nid = "S{n}"\n' for n in range(3, 11))


def test_a_short_frame_looks_at_every_saw_in_turn_and_at_urgent_ones_more_often(make_shop: Callable[..., Shop]) -> None:
    """With no time at all it looks at one saw a frame; none waits for ever."""
    shop = make_shop(TEN)
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(1, "mounted", "A", saw="S1")
    shop.event(2, "dismounted", "A", saw="S1", reason="cracked")
    shop.event(3, "mounted", "A", saw="S1")
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 30)))
    watch = Watch(shop.service)
    spots = 11
    seen: list[int] = []
    for frame in range(spots):
        assert watch.whole == (frame >= spots)
        watch.look(0.0)
        seen.append(len(watch.assessments))
    assert seen == list(range(1, spots + 1))
    assert watch.whole
    looked: dict[tuple[str, str], int] = {}
    for _ in range(200):
        before = dict(watch._looked)
        watch.look(0.0)
        for spot, when in watch._looked.items():
            looked[spot] = looked.get(spot, 0) + (when != before[spot])
    assert min(looked.values()) >= 5
    assert looked["S1", "1"] > 2 * max(count for spot, count in looked.items() if spot != ("S1", "1"))


def test_a_watch_says_what_status_says(make_shop: Callable[..., Shop]) -> None:
    """Look by look, while strokes and blade events come in, the same assessments as an answer made anew."""
    shop = make_shop()
    watch = Watch(shop.service)
    clock = [minute(0)]
    shop.service.clock = lambda: clock[0]
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(0, "opened", "B", blade_type="T")
    shop.event(0, "accepted", "C", blade_type="T")
    for step in range(1, 30):
        clock[0] = minute(step * 20 + 0.5)
        shop.take(*(stroke(i, i, part="P1") for i in range(step * 20 - 19, step * 20 + 1)))
        if step % 5 == 1:
            shop.event(step * 20 - 10, "mounted", "ABC"[step // 5 % 3], saw="S1")
        watch.look(float("inf"))
        assert watch.assessments == list(shop.service.review().assessments), step


def run(*words: str, folder: Path, **env: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "bladewatch", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=os.environ | env)


def test_watch_into_a_file_is_one_picture(example: Path) -> None:
    """So that it can be printed; ``--json`` with ``--once`` is what ``status`` gives."""
    done = run("watch", folder=example.parent, COLUMNS="100")
    assert done.returncode == 0
    assert done.stdout.count("data until") == 1
    assert max(map(len, done.stdout.splitlines())) <= 100
    told = json.loads(run("watch", "--once", "--json", folder=example.parent).stdout)
    assert [saw["saw"] for saw in told["saws"]] == ["S1", "S2", "S3", "S4", "S5"]


def test_watch_goes_on_until_it_is_told_to_end(example: Path) -> None:
    """A line of JSON a look; Ctrl-C ends it with 0."""
    command = [sys.executable, "-m", "bladewatch", "watch", "--json", "--every", "0.1"]
    with subprocess.Popen(command, cwd=example.parent, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(3)]
        process.send_signal(signal.SIGINT)
        process.stdout.read()
        assert process.wait(20) == 0
    assert all(json.loads(line)["site"] == "invented-hall" for line in lines)


def test_the_screen_lives_on_a_terminal_and_leaves_it_as_it_was(example: Path) -> None:
    """On a pseudo-terminal: the other screen is entered, drawn on more than once, and left again at Ctrl-C."""
    import pty

    process_id, terminal = pty.fork()
    if process_id == 0:
        os.chdir(example.parent)
        os.environ |= {"COLUMNS": "100", "LINES": "30", "TERM": "xterm-256color", "LANG": "C.UTF-8"}
        os.execv(sys.executable, [sys.executable, "-m", "bladewatch", "watch", "--every", "0.2"])
    said = b""
    until = time.monotonic() + 60
    while said.count(b"invented-hall") < 3 and time.monotonic() < until:
        said += os.read(terminal, 65_536)
    os.write(terminal, b"\x03")
    try:
        while chunk := os.read(terminal, 65_536):
            said += chunk
    except OSError:  # the terminal is gone with its program
        pass
    assert os.waitstatus_to_exitcode(os.waitpid(process_id, 0)[1]) == 0
    assert said.count(b"invented-hall") >= 3
    assert said.index(b"\x1b[?1049h") < said.rindex(b"\x1b[?1049l")
    assert b"Traceback" not in said
