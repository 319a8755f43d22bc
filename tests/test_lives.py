"""``model life`` and ``model compare``: ends and their costs, trials, and what is missing for them."""

from __future__ import annotations

import json
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pytest
from shops import CONFIG, Shop, minute, stroke
from typer.testing import CliRunner

from bladewatch.assess.lives import as_json, verdict_json
from bladewatch.cli.app import app
from bladewatch.screens.lives import render, render_verdicts
from models.survival import Cause, age_replacement, best_age

COSTS = """
[budget]
planned_change = 40
unplanned_change = "420.00"
"""
PRICED = CONFIG.replace('id = "T"', 'id = "T"\nprice = 390\ngrind_price = 50\ntip_price = 9.5\nregrinds_expected = 12')
DAY = 1440


def fill(shop: Shop, cycles: list[tuple[str, int, str, float | None]]) -> None:
    """Cycles of plates on S1, one after the other: plate, cuts of part P1, why it came off, wear on the bench."""
    made, opened = 0, set()
    for number, (plate, cuts, reason, wear) in enumerate(cycles):
        first = number * DAY
        if plate not in opened:
            shop.event(first, "opened", plate, blade_type="T")
            opened.add(plate)
        shop.event(first + 1, "mounted", plate, saw="S1")
        shop.take(*(stroke(made + i, first + 1 + i / 10, part="P1") for i in range(1, cuts + 1)))
        made += cuts
        shop.event(first + 200, "dismounted", plate, saw="S1", reason=reason)
        if wear is not None:
            shop.event(first + 210, "inspected", plate, wear_um=f"{wear:.1f}")
        shop.event(first + 220, "sent", plate, supplier="one" if number % 2 else "two")
        shop.event(first + 300, "returned", plate)
        shop.event(first + 301, "accepted", plate)


LIVES = [
    ("A", 800, "worn-burr", 240.0), ("B", 1000, "worn-load", 255.0), ("A", 600, "worn-plan", 150.0),
    ("B", 500, "chipped", None), ("A", 900, "worn-burr", 250.0), ("B", 1100, "worn-burr", 260.0),
    ("A", 700, "worn-plan", None), ("B", 950, "worn-length", 245.0),
]  # fmt: skip


@pytest.fixture
def priced(make_shop: Callable[..., Shop]) -> Shop:
    """A shop with prices, and what a change costs."""
    shop = make_shop(PRICED + COSTS)
    fill(shop, LIVES)
    return shop


def test_work_of_several_lives_is_some_other_blades(priced: Shop) -> None:
    """One cycle of nearly five times the middle life, by a change that nobody wrote down: it is left out."""
    before = priced.service.lives(minute(20 * DAY))[0]
    priced.event(21 * DAY, "mounted", "A", saw="S1")
    priced.take(*(stroke(6550 + i, 21 * DAY + i / 10, part="P1") for i in range(1, 4501)))
    priced.event(22 * DAY, "dismounted", "A", saw="S1", reason="worn-burr")
    after = priced.service.lives(minute(25 * DAY))[0]
    assert (after.cycles, after.ends, after.steps) == (before.cycles, before.ends, before.steps)


def test_reasons_are_competing_ends_and_plans_only_say_at_least(priced: Shop) -> None:
    """Five declared dull, one chipped, two by plan; all shares with what still runs make one."""
    (told,) = priced.service.lives(minute(20 * DAY))
    assert (told.cycles, dict(told.ends)) == (8, {"dull": 5, "damage": 1})
    assert [age.cause for age in told.ageing] == ["dull"]
    assert told.ageing[0].fit.ends == 5
    assert sum(told.shares.values()) + told.steps[-1].survival == pytest.approx(1.0)
    assert [step.life for step in told.steps] == sorted(step.life for step in told.steps)


def test_what_an_end_costs_is_change_grind_carbide_and_tip(priced: Shop) -> None:
    """390 over 13 grinds is 30 a grind: planned 40 + 50 + 30, unplanned 420 + 50 + 30, with a tip 9.50 more."""
    (told,) = priced.service.lives(minute(20 * DAY))
    assert told.costs == (Decimal("120"), Decimal("500.00"), Decimal("509.5"))
    assert told.best is not None
    fit = told.ageing[0].fit
    alone = age_replacement(120.0, [Cause(fit.shape, fit.scale, 500.0)])
    assert told.best.age == alone.age
    assert told.band_m2 is not None
    assert told.band_m2[0] < alone.age < told.band_m2[1]  # type: ignore[operator]


def test_changing_a_reason_changes_the_estimate(make_shop: Callable[..., Shop]) -> None:
    """The same cycles, two of them declared dull instead of planned: blades last less long."""
    scales = []
    for reason in ("worn-plan", "worn-burr"):
        shop = make_shop(PRICED + COSTS)
        fill(shop, [(plate, cuts, reason if why == "worn-plan" else why, wear) for plate, cuts, why, wear in LIVES])
        (told,) = shop.service.lives(minute(20 * DAY))
        scales.append(told.ageing[0].fit.scale)
    assert scales[1] < 0.95 * scales[0]


@pytest.mark.parametrize(
    ("config", "cycles", "missing"),
    [
        (PRICED, LIVES, "[budget] planned_change, [budget] unplanned_change"),
        (CONFIG + COSTS, LIVES, "[[blade_type]] T grind_price, [[blade_type]] T price"),
        (PRICED + COSTS, LIVES[:3], "2 cycles of 3 ended by one cause"),
        (PRICED + COSTS, [], "0 cycles of 0 ended by one cause"),
    ],
)
def test_what_is_missing_is_named(
    make_shop: Callable[..., Shop], config: str, cycles: list[tuple[str, int, str, float | None]], missing: str
) -> None:
    """Costs, prices or ends."""
    shop = make_shop(config)
    fill(shop, cycles)
    (told,) = shop.service.lives(minute(20 * DAY))
    assert told.best is None
    assert missing in told.lack
    text = " ".join(line.text.strip() for line in render(shop.service.config, [told], minute(20 * DAY), 100))
    assert "cannot tell" in text


def test_a_trial_of_two_grinders_is_undecided_where_they_are_alike_and_decided_where_not(
    make_shop: Callable[..., Shop],
) -> None:
    """Twelve cycles ground by turns at two grinders; those of one last 1.6 times as long, or as long."""
    rng = np.random.default_rng(1)
    for longer, verdict in ((1.0, "undecided"), (1.6, "decided")):
        shop = make_shop(PRICED)
        wears = [230 * float(np.exp(rng.normal(0, 0.08))) / (longer if n % 2 == 0 else 1) for n in range(13)]
        fill(shop, [("A", 600, "worn-plan", wear) for wear in wears])
        (told,) = shop.service.compare("grinder", None, minute(20 * DAY))
        assert verdict_json(told)["verdict"] == verdict
        assert sum(told.cycles) == 12
        if verdict == "decided":
            found = told.compared
            assert found is not None
            ratio = found.ratio if told.second == "one" else 1 / found.ratio
            assert ratio == pytest.approx(1.6, rel=0.2) or ratio == pytest.approx(1 / 1.6, rel=0.2)
        text = " ".join(line.text for line in render_verdicts(shop.service.config, [told], "grinder", 0, 100))
        assert ("undecided" in text) == (verdict == "undecided")


def test_few_measured_cycles_cannot_tell(priced: Shop) -> None:
    """One plate before the date."""
    (told,) = priced.service.compare("date", minute(DAY), minute(20 * DAY))
    assert told.compared is None
    assert "expected 3 or more in each group" in told.lack
    assert priced.service.compare("blade-type", None, minute(20 * DAY)) == []


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_screen_fits_and_marks_the_flat_part(priced: Shop, width: int) -> None:
    """No line is wider; the least and the flat part are words."""
    lives = priced.service.lives(minute(20 * DAY))
    lines = [line.text for line in render(priced.service.config, lives, minute(20 * DAY), width)]
    assert max(map(len, lines)) <= width
    assert any(line.endswith(" least") for line in lines)
    assert any(line.endswith(" flat") for line in lines)


def test_the_quick_age_is_that_of_the_exact_one() -> None:
    """To a part in three hundred, with one cause and with two."""
    for causes in ([Cause(2.5, 1000.0, 5.0)], [Cause(2.0, 900.0, 5.0), Cause(4.0, 1500.0, 8.0)]):
        exact = age_replacement(1.0, causes)
        assert best_age(1.0, causes) == pytest.approx(exact.age, rel=0.02)
        place = int(np.argmin(exact.rates))
        assert exact.rates[place] == pytest.approx(exact.rate, rel=1e-4)


def test_the_commands_answer_in_json_and_refuse_what_makes_no_sense(priced: Shop) -> None:
    """Both commands; a split without a date, and a group that is none."""
    path = str(priced.service.config.path)
    lives = json.loads(CliRunner().invoke(app, ["--config", path, "model", "life", "--json"]).stdout)
    assert lives[0]["costs"]["planned"] == "120.00"
    assert set(lives[0]) == set(as_json(priced.service.lives(minute(20 * DAY))[0]))
    told = CliRunner().invoke(app, ["--config", path, "model", "compare", "--by", "saw", "--json"])
    assert json.loads(told.stdout) == []
    for wrong in (["--by", "moon"], ["--by", "date"], ["--split", "2026-03-03"]):
        assert CliRunner().invoke(app, ["--config", path, "model", "compare", *wrong]).exception is not None
