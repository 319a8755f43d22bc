"""``why``: from the number back to its inputs. What it says must give the number, and what it promises must hold."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from shops import Shop, minute, stroke

from bladewatch.assess.reckoning import Entry
from bladewatch.screens import why as screen
from bladewatch.service import Service

AT = "2026-05-13 14:00"


def tell(example: Path, *words: str, code: int = 0) -> str:
    """What ``why`` prints in the demo's shop."""
    command = [sys.executable, "-m", "bladewatch", "--config", str(example), "why", *words]
    done = subprocess.run(
        command, capture_output=True, check=False, encoding="utf-8", env={"COLUMNS": "100", "PYTHONIOENCODING": "utf-8"}
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout if code == 0 else done.stderr


def numbers(told: dict[str, Any], title: str) -> dict[str, Any]:
    """The entries of a step by name."""
    (step,) = [step for step in told["steps"] if title in step["title"]]
    return {entry["name"]: entry["value"] for entry in step["entries"]}


@pytest.fixture(scope="module")
def told(example: Path) -> dict[str, Any]:
    """The reckoning of the saw whose blade nears its limit."""
    found: dict[str, Any] = json.loads(tell(example, "S1", "--json", "--at", AT))
    return found


def test_the_steps_give_the_answer_that_status_gives(told: dict[str, Any], example: Path) -> None:
    """Area times rate adds up to the wear of a mean cycle; wear, limit, area and cuts left are those of ``status``."""
    command = [sys.executable, "-m", "bladewatch", "--config", str(example), "status", "--json", "--at", AT]
    status = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    (saw,) = [saw for saw in status["saws"] if saw["saw"] == "S1"]
    assert told["assessment"] == saw
    wears, left = numbers(told, "What that area wears"), numbers(told, "What is left")
    together = 0.0
    for alloy, area_m2 in saw["area_by_alloy_m2"].items():
        assert wears[f"{alloy}: its area brings"] == pytest.approx(wears[f"{alloy}: wear per m²"] * area_m2)
        together += wears[f"{alloy}: its area brings"]
    assert wears["together, at a mean cycle"] == pytest.approx(together)
    assert left["wear now, W of it"] == saw["wear_um"]
    assert left["limit"] == saw["wear_limit_um"]
    assert left["cuts left"] == saw["remaining_cuts"]
    assert left["area left"] == saw["remaining_area_m2"]
    factor = left["this cycle's factor c"]["estimate"]
    assert factor * together == pytest.approx(left["exposure now, c · Σ r · a"]["estimate"], rel=0.08)
    cut = numbers(told, "What the blade has cut")
    assert cut["cuts"] == saw["cuts"]
    assert cut["area of 6063"] == saw["area_by_alloy_m2"]["6063"]


def test_the_load_step_says_what_the_load_adds(told: dict[str, Any]) -> None:
    """With the load the range of wear is narrower than by area alone, and it is the one that is said."""
    load, alone = numbers(told, "What its load says"), numbers(told, "What that area wears")["wear by area alone"]
    both = load["wear by area and load"]
    assert both == told["assessment"]["wear_um"]  # nobody has measured this cycle
    assert both["high"] - both["low"] < 0.7 * (alone["high"] - alone["low"])
    assert load["comparable warm cuts"] > 200


def test_nothing_is_asked_for_that_rounds_to_nought(example: Path) -> None:
    """A few strokes of thousands without a blade on record are not "0 %" that somebody should look for."""
    told = json.loads(tell(example, "S4", "--json", "--at", AT))
    assert 0.995 < numbers(told, "What the blade has cut")["coverage of blade"] < 1
    assert not any("which blade cut" in text for text in told["surer"])


def test_rows_and_versions_can_be_followed(told: dict[str, Any], example: Path) -> None:
    """The mount names its ledger row, the fit its key and its cycles, the configuration its rows."""
    (row,) = [entry["value"] for entry in told["steps"][0]["entries"] if entry["name"].startswith("mounted on")]
    with Service.open(example) as service:
        events = {event.id: event for event in service.store.books.events(2**62, 2**62)}
        assert events[row].event == "mounted"
        assert events[row].plate == told["assessment"]["plate"]
        versions = {entry["name"]: entry["value"] for entry in told["versions"]}
        assert service.store.books.fit(versions["fit"]) is not None
        for name in versions["learnt from"].split(", "):
            assert any(event.plate == name.partition("/")[0] for event in events.values())
    assert versions["[[blade_type]] T420x96"] == "row 1 of 1"
    assert told["versions"]
    assert len(versions["learnt from"].split(", ")) >= 9


def test_what_was_said_before_stands_as_it_was_issued(told: dict[str, Any], example: Path) -> None:
    """The collector's forecasts of the day, the newest first, none later than asked."""
    said = told["said"]
    assert len(said) >= 5
    assert [row["at"] for row in said] == sorted((row["at"] for row in said), reverse=True)
    assert {row["assessment"]["saw"] for row in said} == {"S1"}
    early = json.loads(tell(example, "S1", "--json", "--at", "2026-05-13 09:30"))["said"]
    assert early
    assert max(row["at"] for row in early) <= "2026-05-13T09:30"


def test_a_bench_reading_would_narrow_the_answer_as_far_as_it_says(
    told: dict[str, Any], example: Path, tmp_path: Path
) -> None:
    """Record the most likely wear as a bench reading: the range that ``status`` then gives is the one promised."""
    (promise,) = [text for text in told["surer"] if "bench reading" in text]
    found = re.search(r"now (\d+) to (\d+) µm, would be known as about (\d+) to (\d+)", promise)
    assert found is not None
    now_low, now_high, low, high = map(int, found.groups())
    wear = told["assessment"]["wear_um"]
    assert (now_low, now_high) == (round(wear["low"]), round(wear["high"]))
    assert high - low < now_high - now_low
    for name in ("bladewatch.sqlite", "bladewatch.toml"):
        (tmp_path / name).write_bytes((example.parent / name).read_bytes())
    wal = example.parent / "bladewatch.sqlite-wal"
    if wal.exists():
        (tmp_path / wal.name).write_bytes(wal.read_bytes())
    with Service.open(tmp_path / "bladewatch.toml") as service:
        at_us = service.instant(AT)
        from bladewatch.ledger.events import event_of
        from bladewatch.pipeline import enter

        cells = {
            "event": "inspected",
            "plate": told["assessment"]["plate"],
            "at": AT,
            "wear_um": f"{wear['estimate']:.6f}",
        }
        enter([event_of(cells, service.zone, entered_us=at_us)], service.store)
        then = next(a for a in service.review(at_us).assessments if a.saw == "S1").wear_um
    assert then is not None
    assert (round(then.low), round(then.high)) == (pytest.approx(low, abs=1), pytest.approx(high, abs=1))


def test_it_reads_as_a_page(example: Path) -> None:
    """Answer first, numbered steps, formulas with sources; no line wider than the terminal."""
    text = tell(example, "S1", "--at", AT)
    assert text.startswith("S1    A-")
    for word in ("1  What the blade has cut", "formula: w = W(c", "source:", "What would make it surer", "Versions"):
        assert word in text
    assert max(map(len, text.splitlines())) <= 100
    for forbidden in ("safe", "OK to", " go "):
        assert forbidden not in text.replace("goes", "")


def test_a_saw_that_is_not_there_is_named_with_those_that_are(example: Path) -> None:
    """Exit code 2, and the list."""
    assert "expected one of S1, S2, S3, S4, S5" in tell(example, "S9", code=2)


def reckon(shop: Shop, at: float) -> tuple[list[str], list[str]]:
    """Titles of the steps, and what would make the answer surer."""
    found = shop.service.reckon("S1", "1", minute(at))
    screen.render(shop.service.config, found, minute(at), 80)
    return [step.title for step in found.steps], list(found.surer)


def test_without_a_blade_it_says_what_to_record(shop: Shop) -> None:
    """Nothing to work out, and the cure."""
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 10)))
    steps, surer = reckon(shop, 20)
    assert steps == ["What stands beside the blade"]
    assert surer == ["record which blade is on: bladewatch blade mounted PLATE --saw SAW"]


def test_with_too_few_cycles_it_says_what_would_fix_it(make_shop: Callable[..., Shop]) -> None:
    """By the site's rule, with the rule's own numbers; and how many cycles are missing."""
    from shops import CONFIG

    shop = make_shop(CONFIG.replace("wear_limit_um = 250", "wear_limit_um = 250\nsite_limit_area_m2 = 0.5"))
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(1, "mounted", "A", saw="S1")
    shop.take(*(stroke(i, i + 1, part="P1") for i in range(1, 60)))
    steps, surer = reckon(shop, 100)
    assert steps[:3] == [
        "What the blade has cut since it was sharp",
        "The site's rule, as no model can tell",
        "What the wear calls for",
    ]
    assert any("3 more with a reason, best with a bench reading" in text for text in surer)
    assert any("feed of the other 100\u00a0%" in text for text in surer)


def test_strokes_cut_while_no_blade_was_on_record_are_named(shop: Shop) -> None:
    """Three in ten strokes on the saw were made by nobody knows which blade: the share, and what would tell it."""
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(1, "mounted", "A", saw="S1")
    shop.take(*(stroke(i, i + 1, part="P1") for i in range(1, 101)))
    shop.event(41, "dismounted", "A", saw="S1", reason="job-swap")
    shop.event(71, "mounted", "A", saw="S1")
    found = shop.service.reckon("S1", "1", minute(102))
    (share,) = [entry.value for entry in found.steps[0].entries if entry.name == "coverage of blade"]
    assert share == pytest.approx(0.7, abs=0.011)
    assert any("which blade cut the 30" in text for text in found.surer)


def test_areas_are_told_in_the_shops_unit() -> None:
    """An inch shop reads in² and µm per in²; the JSON stays SI."""
    area = screen._in_units(Entry("area of 6063", 1.0, "m²"), "inch")
    assert (area.unit, area.value) == ("in²", pytest.approx(1550.0, rel=1e-4))
    rate = screen._in_units(Entry("6063: wear per m²", 6.0, "µm/m²"), "inch")
    assert (rate.unit, rate.value) == ("µm/in²", pytest.approx(6.0 / 1550.0, rel=1e-4))
    assert screen._in_units(Entry("cuts", 12), "inch") == Entry("cuts", 12)
