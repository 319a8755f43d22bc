"""``model check``: how well cycles are foretold by fits that never saw them, and by what was said at the time."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_joint import STATED, cycles
from typer.testing import CliRunner

from bladewatch.assess.checking import as_json
from bladewatch.cli.app import app
from bladewatch.pipeline import issue
from bladewatch.screens.check import _decided, render
from bladewatch.service import Service
from models.evidence import BY_ALLOY, CycleEvidence, Reading, Work, after, design_of, names_of, up_to
from models.fitting import fit_joint
from models.forecast import Quantity
from models.joint import JointFit
from models.usage import choose
from models.validation import SHARES, Ended, Forecast, Plan, Trial, decision, figures, trial

AT = "2026-05-13 14:00"


def fitted(evidence: list[CycleEvidence]) -> JointFit | None:
    """A fit, where there are three cycles."""
    names = names_of(evidence, STATED)
    return fit_joint(design_of(evidence, names), names) if len(evidence) >= 3 else None


def ended(count: int, seed: int) -> list[Ended]:
    """Cycles one after the other on twelve blades."""
    return [Ended(one.evidence, 10 * n, 10 * n + 9) for n, one in enumerate(cycles(count, seed))]


def test_each_way_keeps_from_a_fit_what_it_is_asked_of() -> None:
    """No fit has seen the cycle, its blade, or what came later; all that may be seen is."""
    made = ended(14, 3)
    seen: list[set[tuple[str, int]]] = []

    def spying(evidence: list[CycleEvidence]) -> JointFit | None:
        seen.append({one.key for one in evidence})
        return fitted(evidence)

    for way in ("cycle", "blade", "forward"):
        seen.clear()
        told = trial(way, made, spying, STATED)
        asked = {forecast.cycle for forecast in told.forecasts}
        assert asked
        if way == "cycle":
            assert seen == [{c.evidence.key for c in made} - {c.evidence.key} for c in made if (c.worn or 0) >= 0.8]
        if way == "blade":
            assert all(len(others) in (12, 13) for others in seen)  # two blades have two cycles
        if way == "forward":
            numbers = [len(others) for others in seen]
            assert numbers == [n for n, c in enumerate(made) if (c.worn or 0) >= 0.8]
            assert min(int(key[1]) for key in asked) >= 3


def test_a_model_that_knows_alloys_and_load_foretells_better_than_plain_rules() -> None:
    """Forty cycles of a known shop: at every share the error is below both rules', and four in five are in range."""
    told = trial("cycle", ended(40, 5), fitted, STATED)
    for share in SHARES:
        rows = [one for one in told.forecasts if one.share == share]
        model = figures([(one.said_m2, one.left_m2) for one in rows])
        assert model is not None
        assert model.covered >= 0.8
        for rule in ("mean_area", "mean_cuts"):
            plain = figures([(one.rules_m2[rule], one.left_m2) for one in rows])
            assert plain is not None
            assert model.error < 0.7 * plain.error
    wear = figures([(one.said_wear, one.wear) for one in told.forecasts])
    assert wear is not None
    assert wear.error < 0.05


def test_figures_and_decisions_by_hand() -> None:
    """Two forecasts and two plans, worked out on paper."""
    band = Quantity(10.0, 8.0, 13.0, 9.0)
    found = figures([(band, 9.0), (band, 14.0)])
    assert found is not None
    assert (found.number, found.error, found.bias, found.covered, found.width) == (2, 2.5, -1.5, 0.5, 5.0)
    assert found.error_share == pytest.approx(5 / 23)
    assert found.widening is None
    plans = [Plan(("A", 1), 10.0, 100.0, {"model": 9.0}), Plan(("A", 2), 10.0, 100.0, {"model": 10.5})]
    made = decision(plans, "model")
    assert made is not None
    assert (made.number, made.late, made.wasted_cuts) == (2, 1, 100.0)


@pytest.mark.parametrize(
    ("offs", "words"),
    [
        ([1.0, 1.2, 0.8, 1.1], "By mean cuts ends are foretold better than by the model, and by more than chance"),
        ([1.0, -0.9, 0.8, -0.6], "By mean cuts ends are foretold as well as by the model"),
        ([-1.0, -0.9, 0.8, -0.6], None),
        ([1.0], "By mean cuts ends are foretold as well as by the model"),
    ],
)
def test_a_rule_that_comes_nearer_is_named_and_whether_chance_explains_it(offs: list[float], words: str | None) -> None:
    """``offs`` is how much further off the model is than the mean cuts, cycle by cycle; the mean area is far off."""
    sure = Quantity(1.0, 1.0, 1.0, 1.0)

    def said(off: float) -> Quantity:
        return Quantity(10.0 + off, 0.0, 20.0, 5.0)

    forecasts = tuple(
        Forecast(("A", n), 0.5, 10.0, said(2 + off), 0.5, sure, {"mean_cuts": said(2), "mean_area": said(9)})
        for n, off in enumerate(offs)
    )
    plans = (Plan(("A", 1), 10.0, 100.0, {"model": 9.0, "mean_cuts": 9.0, "mean_area": 9.0}),)
    told = " ".join(_decided(Trial("cycle", len(offs), forecasts, plans)))
    assert "ends are foretold" not in told if words is None else words in told


def test_a_cycle_is_cut_where_it_is_asked() -> None:
    """Both parts together are the whole, and a reading is in the part in which it was taken."""
    works = (Work("6063", 2.0, "S1", loaded=40, cuts=40), Work("6082", 2.0, "S1", loaded=40, cuts=40))
    whole = CycleEvidence("A", 1, works, (Reading(0.3, area_m2=1.0), Reading(0.8, area_m2=3.5), Reading(1.0)))
    first, rest = up_to(whole, 3.0), after(whole, 3.0)
    assert [work.area_m2 for work in (*first.works, *rest.works)] == [2.0, 1.0, 1.0]
    assert sum(work.cuts for work in (*first.works, *rest.works)) == 80
    assert [reading.wear for reading in first.readings] == [0.3]
    assert [(reading.wear, reading.area_m2) for reading in rest.readings] == [(0.8, 0.5), (1.0, None)]


def usages(count: int, by: str, seed: int) -> list[CycleEvidence]:
    """Cycles whose wear goes with one thing, and that differ in all of them."""
    rng, found = np.random.default_rng(seed), []
    for number in range(count):
        areas, feeds = rng.uniform(0.5, 4.0, 2), np.exp(rng.normal(-4.6, 0.35, 2))
        cuts = [int(area / 0.002 * math.exp(rng.normal(0, 0.5))) for area in areas]
        use = {
            "alloys": areas[0] + 3 * areas[1],
            "travel": (areas[0] / feeds[0] + 3 * areas[1] / feeds[1]) * math.exp(-4.6),
            "area": areas.sum(),
            "cuts": 0.002 * sum(cuts),
        }[by]
        works = tuple(
            Work(alloy, area, "S1", travel=area / feed, log_fz=math.log(feed), loaded=1, log_u=7.0, cuts=n)
            for alloy, area, feed, n in zip(("6063", "CW724R"), areas, feeds, cuts, strict=True)
        )
        reading = Reading(0.1 * use * math.exp(rng.normal(0, 0.05)))
        found.append(CycleEvidence(f"A-{number}", 1, works, (reading,)))
    return found


@pytest.mark.parametrize("by", ["alloys", "travel", "cuts"])
def test_what_wear_goes_with_is_found_by_leaving_cycles_out(by: str) -> None:
    """Forty cycles of each kind. (Plain area is area by alloy with equal ratios, which the cycles tell as well.)"""
    choice = choose(usages(40, by, 2), {"6063": 1.0, "CW724R": 3.0})
    assert choice.usage == by
    assert choice.errors[by] == min(choice.errors.values()) < 0.08


def test_few_or_undecided_cycles_keep_area_by_alloy() -> None:
    """Eight are too few; where only one alloy is cut at one feed all say the same, and nothing is gained."""
    assert choose(usages(8, "cuts", 1), {}).usage == BY_ALLOY
    rng = np.random.default_rng(4)
    alike = [
        CycleEvidence(
            one.blade,
            1,
            (one.works[0]._replace(travel=None, cuts=round(one.works[0].area_m2 / 0.002)),),
            (Reading(0.2 * one.works[0].area_m2 * math.exp(rng.normal(0, 0.1))),),
        )
        for one in usages(20, "area", 4)
    ]
    assert choose(alike, {}).usage == BY_ALLOY


@pytest.mark.parametrize("seed", range(3))
def test_two_wrong_records_do_not_make_all_alloys_alike(seed: int) -> None:
    """Two of 24 cycles are said to have cut nine times as much of the harder alloy as they did."""
    made = usages(24, "alloys", seed)
    for place, one in enumerate(made[:2]):
        first, other = one.works
        assert other.travel is not None
        wrong = other._replace(area_m2=9 * other.area_m2, travel=9 * other.travel, cuts=2 * other.cuts)
        made[place] = replace(one, works=(first, wrong))
    assert choose(made, {"6063": 1.0, "CW724R": 3.0}).usage == BY_ALLOY


def test_leaving_one_out_by_leverage_is_leaving_it_out() -> None:
    """The error of each end by the hat matrix, beside fits that were made without it (plain area: one number)."""
    made = usages(12, "area", 9)
    use = np.array([sum(work.area_m2 for work in one.works) for one in made])
    left = np.log([one.readings[0].wear for one in made]) - np.log(use)
    by_hand = [left[i] - np.mean(np.delete(left, i)) for i in range(len(left))]
    assert choose(made, {}).errors["area"] == pytest.approx(math.sqrt(np.mean(np.square(by_hand))), rel=1e-9)


def test_the_demos_shop_is_checked_in_three_ways(example: Path) -> None:
    """Keys of the contract, counts that agree, and lines that fit the terminal."""
    with Service.open(example) as service:
        at_us = service.instant("2026-04-20 14:00")
        steps: list[tuple[str, str, int, int]] = []
        checks = service.checks(at_us, progress=lambda *told: steps.append(told))
        (told,) = (as_json(checked) for checked in checks)
        for width in (40, 80, 120):
            lines = render(service.config, checks, at_us, width)
            assert max(len(line.text) for line in lines) <= width
    assert set(told["ways"]) == {"leave-one-cycle-out", "leave-one-blade-out", "forward"}
    assert told["scored"] <= told["cycles"]
    assert told["usage"]["chosen"] in ("alloys", "travel", "area", "cuts")
    for way in told["ways"].values():
        assert [row["share"] for row in way["shares"]] == [0.25, 0.5, 0.75, 0.9]
        for row in way["shares"]:
            for name in ("remaining_area_m2", "wear_um", "mean_area", "mean_cuts"):
                assert set(row[name]) == {
                    "error",
                    "bias",
                    "error_share",
                    "bias_share",
                    "coverage",
                    "width",
                    "within_20_percent",
                    "widening",
                }
    assert {step[1] for step in steps} == set(told["ways"])
    assert all(done <= of for _, _, done, of in steps)


def test_what_was_said_at_the_time_is_scored_and_nothing_else(example: Path, tmp_path: Path) -> None:
    """Nothing issued: cannot tell. Forecasts issued in mid-cycle: these, beside the bench's reading at the end."""
    folder = shutil.copytree(example.parent, tmp_path / "shop")
    with Service.open(folder / example.name) as service:
        at_us = service.instant(AT)
        (before,) = service.checks(at_us, issued=True)
        assert before.lack is not None
        assert "no forecast was issued" in before.lack
        fleet = service.moment(at_us).known().fleet
        cycle = next(
            c
            for plate in sorted(fleet.plates)
            for c in fleet.plates[plate].cycles
            if c.ended_us and c.readings and c.mounts[0].from_us > service.instant("2026-04-06 06:00")
            and max(c.readings).wear_um > 210
        )  # fmt: skip
        first, last = cycle.mounts[0].from_us, cycle.mounts[-1].to_us
        assert last is not None
        said = {}
        for step in range(1, 13):
            us = first + (last - first) * step // 13
            review = service.review(us)
            issue(us, review.assessments, [], service.store, service.zone)
            said[us] = review
        (after_,) = service.checks(at_us, issued=True)
        assert after_.lack is None
        told = {
            a.remaining_area_m2.estimate
            for review in said.values()
            for a in review.assessments
            if a.plate == cycle.plate and a.remaining_area_m2 is not None
        }
        of_it = [one for one in after_.trials[0].forecasts if one.cycle == (cycle.plate, cycle.number)]
        assert of_it
        assert {one.said_m2.estimate for one in of_it} <= told


def test_the_command_answers_in_json_and_in_words(example: Path) -> None:
    """Both, at one moment."""
    asked = ["--config", str(example), "model", "check", "--issued", "--at", AT]
    assert json.loads(CliRunner().invoke(app, [*asked, "--json"]).stdout)[0]["ways"].keys() == {"as issued"}
    assert "cannot tell" in CliRunner().invoke(app, asked).stdout
