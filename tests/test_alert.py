"""``alert list`` and ``alert try``: what stands, what has gone, and what the present rules would have called."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from bladewatch import trying
from bladewatch.alerts import LEVELS, Alert, Raised, judge
from bladewatch.cli.app import app
from bladewatch.pipeline import issue
from bladewatch.recalling import alerts_at
from bladewatch.screens.alerts import render, render_trial
from bladewatch.service import Service
from bladewatch.trying import Judged, lives, score, try_alerts
from collectors.instants import DAY_US

SINCE, MIDDLE, UNTIL = "2026-04-14 05:00", "2026-04-14 20:00", "2026-04-15 20:00"
SPOT = ("S1", "1")


@pytest.fixture(scope="module")
def tried(example: Path) -> list[Raised]:
    """Two days of the demo's shop."""
    with Service.open(example) as service:
        return try_alerts(service, service.instant(SINCE), service.instant(UNTIL))


def alert(level: str, key: str = "S1/1/A/1/wear", at_us: int = 0) -> Alert:
    """A call of a blade."""
    return Alert(key, level, "wear", "S1", "A", at_us, "words")


def hour(number: int, level: str | None = None) -> Judged:
    """A judged hour of one blade, with the alert that it calls."""
    call = ("S1/1/A/1/wear", level) if level is not None else None
    return Judged(number, SPOT, call, alert(level) if level is not None else None)


def test_one_cause_is_raised_once_and_again_only_at_a_higher_level() -> None:
    """A verdict that falls back and comes again calls nobody twice."""
    levels = ["prepare", "prepare", None, "prepare", "change", "prepare", "change", "prepare"]
    found = lives(hour(number, *([level] if level else [])) for number, level in enumerate(levels))
    assert [(one.alert.level, one.alert.raised_us, one.returned_us) for one in found] == [
        ("prepare", 0, None),
        ("change", 4, 7),
    ]


def test_a_cause_that_is_gone_has_its_hour() -> None:
    """The hour in which it was no longer seen, and not a later one."""
    found = lives([hour(1, "change"), hour(2), hour(3)])
    assert [(one.alert.raised_us, one.returned_us) for one in found] == [(1, 2)]


@given(st.lists(st.sampled_from(["", "prepare", "change", "act"]), max_size=30))
def test_levels_of_one_key_only_rise(levels: list[str]) -> None:
    """Whatever the verdicts: no level twice, none below one before, and what stands at the end is what is judged."""
    found = lives(hour(number, *([level] if level else [])) for number, level in enumerate(levels))
    ranks = [LEVELS[one.alert.level] for one in found]
    assert all(later < earlier for earlier, later in pairwise(ranks))
    last = levels[-1] if levels else ""
    standing = [one for one in found if one.returned_us is None]
    assert all(LEVELS[one.alert.level] >= LEVELS[last] for one in standing) if last else not standing


def test_a_trial_says_what_status_said_at_each_of_its_moments(example: Path, tried: list[Raised]) -> None:
    """Every alert of a blade that ``status --at`` shows at a full hour is in the trial, and no other."""
    raised = {(one.alert.key, one.alert.level): one for one in tried}
    seen: set[tuple[str, str]] = set()
    with Service.open(example) as service:
        for at_us, spots in trying._hours(service, service.instant(SINCE), service.instant(UNTIL)):
            assessments = [a for a in service.review(at_us).assessments if (a.saw, a.spindle) in spots]
            for one in judge(assessments, at_us, service.zone):
                higher = any(key == one.key and LEVELS[level] <= LEVELS[one.level] for key, level in seen)
                if one.cause in ("wear", "record") and not higher:
                    seen.add((one.key, one.level))
                    assert raised[one.key, one.level].alert.raised_us == at_us
    assert seen == set(raised)
    assert seen


def test_processes_and_what_came_later_change_nothing(
    example: Path, tried: list[Raised], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first day alone, in pieces that are shared out, beside both days in a row."""
    monkeypatch.setattr(trying, "LEAST_PIECE_HOURS", 5)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    done: list[tuple[int, int]] = []
    with Service.open(example) as service:
        middle_us = service.instant(MIDDLE)
        found = try_alerts(service, service.instant(SINCE), middle_us, lambda *told: done.append(told))
    assert [one.alert for one in found] == [one.alert for one in tried if one.alert.raised_us <= middle_us]
    assert found
    assert done[-1][0] == done[-1][1] == len(done) > 1


def test_a_trial_counts_how_often_it_was_right(example: Path) -> None:
    """By bench readings after the blades came off; a call of no blade counts as one that nobody measured."""
    with Service.open(example) as service:
        since_us, until_us = service.instant("2026-03-30 05:00"), service.instant("2026-05-01 05:00")
        fleet = service.moment(until_us).known().fleet
        ended = [
            (plate.id, cycle)
            for plate in fleet.plates.values()
            for cycle in plate.cycles
            if cycle.ended_us is not None and since_us < cycle.ended_us <= until_us
        ]
        called = [Raised(alert("change", f"S1/1/{plate}/{cycle.number}/wear")) for plate, cycle in ended]
        called = [Raised(replace(one.alert, plate=plate)) for one, (plate, _) in zip(called, ended, strict=True)]
        every, none = (score(service, alerts, since_us, until_us) for alerts in (called, []))
    assert every.called == len(ended) > 3
    assert every.measured == sum(bool(cycle.readings) for _, cycle in ended)
    assert 0 < every.right <= every.measured
    assert every.missed == 0 < none.missed == none.ended == every.ended
    assert none.called == none.measured == 0


def test_what_a_collector_said_is_listed_with_the_hour_it_had_gone(example: Path, tmp_path: Path) -> None:
    """A blade that called and was changed stands while it called, has gone then, and is forgotten a week later."""
    folder = shutil.copytree(example.parent, tmp_path / "shop")
    with Service.open(folder / example.name) as service:
        span = service.instant("2026-04-13 05:00"), service.instant("2026-04-16 20:00")
        gone = next(one for one in try_alerts(service, *span) if one.returned_us)
        assert gone.returned_us is not None
        hours = [at_us for at_us, _ in trying._hours(service, gone.alert.raised_us - 1, gone.returned_us)]
        for at_us in (hours[0], hours[-1]):
            assessments = service.review(at_us).assessments
            issue(at_us, assessments, judge(assessments, at_us, service.zone), service.store, service.zone)

        def listed(at_us: int) -> dict[tuple[str, str], int | None]:
            return {(one.alert.key, one.alert.level): one.returned_us for one in alerts_at(service, at_us)}

        assert listed(hours[0])[gone.alert.key, gone.alert.level] is None
        assert listed(hours[-1] + 1)[gone.alert.key, gone.alert.level] == gone.returned_us
        assert (gone.alert.key, gone.alert.level) not in listed(hours[-1] + 8 * DAY_US)


@pytest.mark.parametrize("width", [40, 80, 120])
def test_both_screens_fit_the_terminal(example: Path, tried: list[Raised], width: int) -> None:
    """No line is wider; the level stands in words."""
    with Service.open(example) as service:
        since_us, until_us = service.instant(SINCE), service.instant(UNTIL)
        told = score(service, tried, since_us, until_us)
        trial = render_trial(service.config, tried, told, since_us, until_us, width)
        listed = render(service.config, tried, until_us, width)
    for lines in (trial, listed):
        assert max(len(line.text) for line in lines) <= width
        assert any(line.text.startswith(("prepare", "change")) for line in lines)


def test_json_is_the_contracts(example: Path) -> None:
    """Keys and times of both commands."""
    runner = CliRunner()
    base = ["--config", str(example), "alert"]
    tried = json.loads(runner.invoke(app, [*base, "try", "--since", SINCE, "--until", MIDDLE, "--json"]).stdout)
    listed = json.loads(runner.invoke(app, [*base, "list", "--at", "2026-05-13 14:00", "--json"]).stdout)
    keys = {"key", "level", "cause", "saw", "plate", "raised_at", "returned_at", "text"}
    assert tried
    assert listed
    assert all(set(row) == keys for row in (*tried, *listed))
    assert all(row["returned_at"] is None or row["returned_at"] > row["raised_at"] for row in tried)


def test_a_span_that_ends_before_it_begins_is_refused(example: Path) -> None:
    """With both instants named."""
    asked = ["--config", str(example), "alert", "try", "--since", UNTIL, "--until", SINCE]
    assert "expected the first before the second" in str(CliRunner().invoke(app, asked).exception)
