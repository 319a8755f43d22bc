"""``model show`` and ``model fit``: what the cycles have taught, beside what is true in the invented shop."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.assess.learnt import as_json
from bladewatch.demo.metal import METALS
from bladewatch.screens.model import render
from bladewatch.service import Service

AT = "2026-05-13 14:00"


@pytest.fixture(scope="module")
def taught(example: Path) -> dict[str, Any]:
    """What the demo's shop has taught, as JSON."""
    import msgspec

    with Service.open(example) as service:
        (model,) = service.models(service.instant(AT))
        found: dict[str, Any] = json.loads(msgspec.json.encode(as_json(model)))
        return found


def test_true_ratios_lie_near_and_every_rate_has_its_range_and_cycles(taught: dict[str, Any]) -> None:
    """Nineteen bench readings of a shop whose edges wear in five unlike ways: ratios within a quarter of the truth."""
    assert taught["cycles"] >= 15
    assert taught["base_alloy"] == "6063"
    for rate in taught["rates"]:
        assert rate["cycles"] > 0
        if rate["alloy"] not in METALS:
            continue
        q = rate["um_per_m2"]
        assert q["low"] < q["at_least"] < q["estimate"] < q["high"]
        true = METALS[rate["alloy"]].um_per_m2 / METALS["6063"].um_per_m2
        assert rate["ratio"]["estimate"] == pytest.approx(true, rel=0.25)


def test_the_same_facts_give_the_same_fit_to_the_last_byte(example: Path) -> None:
    """Made anew, with nothing stored, and named by the same fingerprint."""
    with Service.open(example) as service:
        at_us = service.instant(AT)
        one = service.models(at_us)
        service.store.books.fit = lambda _key: None  # type: ignore[attr-defined, method-assign]
        assert service.models(at_us) == one


def test_few_cycles_are_held_to_the_stated_ratios_and_say_how_many_are_missing(example: Path) -> None:
    """As it was in the third week."""
    with Service.open(example) as service:
        at_us = service.instant("2026-03-20 14:00")
        models = service.models(at_us)
        (model,) = models
        text = " ".join(line.text for line in render(service.config, models, at_us, 100))
        assert 3 <= model.cycles < 9
        assert f"{9 - model.cycles} more cycles with a known end" in text
        ratio = next(rate.ratio for rate in model.rates if rate.alloy == "6082")
        assert ratio is not None
        assert ratio.estimate == pytest.approx(1.25, rel=0.2)


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_it_fits_the_terminal(example: Path, width: int) -> None:
    """No line is wider, and the alloys are all there."""
    with Service.open(example) as service:
        at_us = service.instant(AT)
        lines = render(service.config, service.models(at_us), at_us, width)
    assert max(len(line.text) for line in lines) <= width
    assert all(any(alloy in line.text for line in lines) for alloy in METALS)


def ended(shop: Shop, number: int, reason: str, cuts: int = 60, other: int = 0) -> None:
    """A cycle of plate A: so many cuts of part P1 and of P2, then off with a reason, ground and accepted."""
    first = number * 1000
    shop.event(first, "mounted" if number else "opened", "A", **({"saw": "S1"} if number else {"blade_type": "T"}))
    if not number:
        return
    parts = ["P1"] * cuts + ["P2"] * other
    made = shop.service.store.signals.count(("S1", "1"), 0, 2**62, 2**62)
    shop.take(*(stroke(made + i, first + i, part=part) for i, part in enumerate(parts, 1)))
    shop.event(first + 200, "dismounted", "A", saw="S1", reason=reason)
    shop.event(first + 300, "sent", "A")
    shop.event(first + 400, "returned", "A")
    shop.event(first + 401, "accepted", "A")


@pytest.fixture
def lived(make_shop: Callable[..., Shop]) -> Shop:
    """Six cycles of one plate without a bench, four of them declared dull."""
    shop = make_shop(CONFIG)
    for number in range(7):
        ended(shop, number, "worn-burr" if number < 5 else "worn-plan", cuts=60 if number < 5 else 30)
    return shop


def test_a_reason_that_is_changed_changes_the_estimate(lived: Shop) -> None:
    """A removal by plan says "at least"; declared dull it would say that blades last half as long."""
    (before,) = lived.service.models(minute(9000))
    assert (before.scale, before.cycles, before.censored) == ("area", 4, 2)
    for number in (5, 6):
        off = number * 1000 + 200
        row = next(
            event
            for event in lived.service.store.books.events(2**62, 2**62)
            if event.event == "dismounted" and event.at_us == minute(off)
        )
        lived.event(off, "dismounted", "A", known_minute=9001, saw="S1", reason="worn-burr", corrects=row.id)
    (after,) = lived.service.models(minute(9100))
    assert (after.cycles, after.censored) == (6, 0)
    rates = [next(rate.per_m2 for rate in model.rates if rate.alloy == "6063") for model in (before, after)]
    assert rates[0] is not None
    assert rates[1] is not None
    assert rates[1].estimate > 1.1 * rates[0].estimate


def test_with_two_cycles_it_says_what_is_missing(make_shop: Callable[..., Shop]) -> None:
    """No rates, and the lack in words."""
    shop = make_shop(CONFIG)
    for number in range(3):
        ended(shop, number, "worn-burr")
    (model,) = shop.service.models(minute(9000))
    assert model.rates == ()
    assert model.lack is not None
    assert "1 more with a reason" in model.lack


def test_an_alloy_that_the_cycles_do_not_tell_apart_is_not_told(make_shop: Callable[..., Shop]) -> None:
    """Ten cycles that all cut the same mix: nobody can say which alloy wore the blade."""
    shop = make_shop(CONFIG)
    for number in range(11):
        ended(shop, number, "worn-burr", cuts=40, other=40)
    (model,) = shop.service.models(minute(20_000))
    assert model.cycles == 10
    (other,) = [rate for rate in model.rates if rate.alloy == "6082"]
    assert other.per_m2 is None
    assert "cannot tell" in other.note


def test_stock_that_the_grinder_removed_tells_wear_where_its_allowance_is_known(
    make_shop: Callable[..., Shop],
) -> None:
    """Three cycles with bench and stock teach the allowance of 100 µm; two more are told by stock, one without is not.

    With two such cycles only, nothing is learnt from stock.
    """
    for both, told in ((3, 5), (2, 2)):
        shop = make_shop(CONFIG)
        made = 0
        for number in range(6):
            first = number * 1440
            if not number:
                shop.event(first, "opened", "A", blade_type="T")
            shop.event(first + 1, "mounted", "A", saw="S1")
            shop.take(*(stroke(made + i, first + 1 + i / 10, part="P1") for i in range(1, 601)))
            made += 600
            shop.event(first + 200, "dismounted", "A", saw="S1", reason="worn-plan")
            if number < both:
                shop.event(first + 210, "inspected", "A", wear_um=str(200 + number))
            if number < 5:
                shop.event(first + 300, "returned", "A", stock_removed_um=str(300 + number))
            else:
                shop.event(first + 300, "returned", "A")
            shop.event(first + 301, "accepted", "A")
        (training,) = [t for _, t in shop.service.moment(minute(9000)).models()]
        if both < 3:
            assert training.fit is None
            continue
        assert training.counted == told
        kinds = sorted(reading.kind for cycle in training.evidence for reading in cycle.readings)
        assert kinds == ["measured"] * 3 + ["removed"] + ["stock"] * 2
        wears = [r.wear * 250 for c in training.evidence for r in c.readings if r.kind == "stock"]
        assert wears == pytest.approx([203, 204])


def test_work_of_many_lives_is_not_believed(lived: Shop) -> None:
    """A counter set up again and again, each time by less than is asked about: nothing can be told, and why."""
    lived.event(8000, "mounted", "A", saw="S1")
    made = lived.service.store.signals.count(("S1", "1"), 0, 2**62, 2**62)
    lived.take(*(stroke(made + i, 8000 + i, part="P1") for i in range(1, 11)))
    before = lived.status(8020)["S1", "1"]
    assert before.used_share is not None
    lived.take(*(stroke(made + 10 + 999 * night, 8000 + 960 * night, part="P1") for night in range(1, 12)))
    after = lived.status(8970 + 960 * 10)["S1", "1"]
    assert after.used_share is None
    assert any("more than two whole lives" in reason for reason in after.reasons)
    assert any("10978 of its 10999 strokes are known from the counter alone" in reason for reason in after.reasons)
    assert after.wear_verdict == "cannot-tell"
