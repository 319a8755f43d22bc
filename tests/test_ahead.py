"""What blades will cost: the months to come, and the blades of an order; with ranges, or with what is missing."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shops import CONFIG, Shop, minute, stroke
from typer.testing import CliRunner

from bladewatch.cli.app import app
from bladewatch.errors import UsageError
from bladewatch.reporting import coming, quoted

DAY = 24 * 60
PRICES = 'price = 380\ngrind_price = 48\ntip_price = 9\nregrinds_expected = 3\nsupplier = "grinder-a"\n'
SHOP = CONFIG.replace("wear_limit_um = 250\n", PRICES)


@pytest.fixture
def hall(make_shop: Callable[..., Shop]) -> Shop:
    """A blade a week comes off S1, is back in a week, and its invoice of 50.00 comes two days later; invented."""
    shop = make_shop(SHOP)
    for number in range(4):
        shop.event(-DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="0")
    for week in range(13):
        plate, start = f"A-{week % 4}", week * 7 * DAY
        shop.event(start, "mounted", plate, saw="S1")
        shop.take(*(stroke(week * 10 + n, start + 60 * n, part="P1") for n in range(1, 11)))
        shop.event(start + 7 * DAY - 60, "dismounted", plate, saw="S1", reason="worn-plan")
        shop.event(start + 7 * DAY, "sent", plate, batch=f"B-{week}", supplier="grinder-a")
        if week < 12:
            shop.event(start + 14 * DAY, "returned", plate, batch=f"B-{week}")
            shop.event(start + 14 * DAY + 1, "accepted", plate)
            paid = {"batch": f"B-{week}", "document": f"I-{week}", "cost": "50.00", "freight": "2.00"}
            shop.event(start + 16 * DAY, "invoiced", plate, **paid)
    return shop


def test_a_steady_shop_goes_on_as_it_was(hall: Shop) -> None:
    """Four or five grinds of 52.00 a month, thirteen a quarter; the true pace lies in the range."""
    told = coming(hall.service, minute(13 * 7 * DAY + 60))
    assert (told.lack, told.jobs) == (None, 13)
    month, quarter = told.spans
    assert (month.label, quarter.label) == ("2026-07", "2026-07 to 2026-09")
    assert month.grinds.low <= 4.4 <= month.grinds.high
    assert quarter.grinds.low <= 13 <= quarter.grinds.high
    assert quarter.grinds.high < 26
    for span in (month, quarter):
        likely = span.grinds.estimate * 52 + span.plates.estimate * 380
        assert span.spend.low <= likely <= span.spend.high
        assert span.spend.at_least <= span.spend.estimate


def test_plates_at_the_end_of_their_tips_are_bought_anew(hall: Shop) -> None:
    """Three regrinds each are behind all four. None was seen to go, or to go on: the quarter may buy all, or none.

    When one was scrapped at its end, and its place was taken, more are bought; where all go on, hardly any is.
    """
    at_us = minute(13 * 7 * DAY + 60)
    first = coming(hall.service, at_us).spans[1].plates
    assert (first.low, first.high) == (0, 4)
    for number in range(4, 8):
        hall.event(13 * 7 * DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="3")
        hall.event(13 * 7 * DAY + 1, "scrapped", f"A-{number}", reason="worn-plan")
    went = coming(hall.service, at_us).spans[1].plates
    assert went.estimate > first.estimate
    for number in range(8, 28):
        hall.event(13 * 7 * DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="4")
    gone_on = coming(hall.service, at_us).spans[1].plates
    assert gone_on.estimate == 0


def test_too_few_jobs_tell_no_pace(make_shop: Callable[..., Shop]) -> None:
    """A shop of two days has none, whatever it sent; one that sends only plates to be looked at neither."""
    shop = make_shop(SHOP)
    assert coming(shop.service, minute(2 * DAY)).lack == "no plate of a configured blade type is on record"
    for number in range(6):
        shop.event(-DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="0")
        shop.event(0, "sent", f"A-{number}", batch="B", supplier="grinder-a")
    told = coming(shop.service, minute(2 * DAY))
    assert (told.spans, told.lack) == ((), "T: 6 plates went to the grinder in 2 days; 3 in 28 tell a pace")
    looked = make_shop(SHOP)
    for week in range(12):
        looked.event(-DAY, "opened", f"A-{week}", blade_type="T", cost="100.00", regrinds="0")
        looked.event(week * 7 * DAY, "sent", f"A-{week}", batch="B", supplier="grinder-a", work="check")
    assert (
        coming(looked.service, minute(90 * DAY)).lack
        == "T: 0 plates went to the grinder in 0 days; 3 in 28 tell a pace"
    )


def test_a_pace_rests_on_trips_and_not_on_changes(hall: Shop, make_shop: Callable[..., Shop]) -> None:
    """A shop that writes trips and no changes of blade has the pace of its trips."""
    shop = make_shop(SHOP)
    for number in range(4):
        shop.event(-DAY, "opened", f"A-{number}", blade_type="T", cost="100.00", regrinds="0")
    for week in range(13):
        plate = f"A-{week % 4}"
        shop.event((week + 1) * 7 * DAY, "sent", plate, batch=f"B-{week}", supplier="grinder-a")
        shop.event((week + 2) * 7 * DAY - 60, "accepted", plate)
    at_us = minute(14 * 7 * DAY)
    bare, whole = coming(shop.service, at_us).spans[1].grinds, coming(hall.service, at_us).spans[1].grinds
    assert bare.estimate == pytest.approx(whole.estimate, rel=0.4)


def test_plates_are_bought_as_they_were(hall: Shop) -> None:
    """Two a month for 300.00 each, whatever regrinds are left: about six in the quarter, and they are in the money."""
    before = coming(hall.service, minute(13 * 7 * DAY + 60)).spans[1]
    for number in range(3):
        for plate in range(2):
            cells = {"blade_type": "T", "cost": "300.00", "document": f"N-{number}"}
            hall.event(30 * DAY * number + 20, "bought", f"N-{number}{plate}", **cells)
    quarter = coming(hall.service, minute(13 * 7 * DAY + 60)).spans[1]
    assert quarter.plates.low <= 6 <= quarter.plates.high
    assert 4 <= quarter.plates.estimate <= 9
    assert quarter.spend.estimate > before.spend.estimate


def test_without_a_price_no_money_is_told(make_shop: Callable[..., Shop]) -> None:
    """Neither an invoice nor a grind price: said, not nought."""
    shop = make_shop(SHOP.replace("grind_price = 48\n", ""))
    for week in range(12):
        shop.event(-DAY, "opened", f"A-{week}", blade_type="T", cost="100.00", regrinds="0")
        shop.event(week * 7 * DAY, "sent", f"A-{week}", batch="B", supplier="grinder-a")
    assert coming(shop.service, minute(90 * DAY)).lack == "T: no invoice and no grind_price tells what a grind costs"


def test_an_order_takes_its_share_of_grind_cycles(hall: Shop) -> None:
    """A cycle of ten cuts of 1000 mm² costs 95 + 36 + 2: 50 cuts are five of them, alike as all past ones were."""
    (told,) = quoted(hall.service, "P1", 50, minute(13 * 7 * DAY + 60))
    assert told.lack is None
    assert told.parts == {"plate": 95.0, "grind": 36.0, "tips": 0.0, "freight": 2.0, "change": 0.0}
    assert told.cycles is not None
    assert told.money is not None
    assert told.cycles.estimate == pytest.approx(5)
    assert told.money.estimate == pytest.approx(5 * 133)
    assert "past cycles" in told.basis
    with pytest.raises(UsageError, match="part P9: not in the part table"):
        quoted(hall.service, "P9", 50, minute(13 * 7 * DAY + 60))


def test_what_a_quote_lacks_is_said(make_shop: Callable[..., Shop]) -> None:
    """Without prices, and without ended cycles."""
    (bare,) = quoted(make_shop().service, "P1", 50, minute(2 * DAY))
    assert bare.lack == "blade type T has no price, grind_price, regrinds_expected in the configuration"
    (new,) = quoted(make_shop(SHOP).service, "P1", 50, minute(2 * DAY))
    assert new.lack is not None
    assert "fewer than 3 of its cycles have ended" in new.lack


def test_the_commands_answer_on_the_invented_shop(example: Path) -> None:
    """By what the model learnt of the alloy, with a range; pages that an 80 column terminal holds."""
    runner = CliRunner(env={"COLUMNS": "80"})
    base = ["--config", str(example), "report"]
    at = ["--at", "2026-05-13 14:00"]
    told = json.loads(runner.invoke(app, [*base, "quote", "P-110", "2000", *at, "--json"]).stdout)
    assert [one["lack"] for one in told] == [None]
    assert 0 < told[0]["cost"]["low"] < told[0]["cost"]["estimate"] < told[0]["cost"]["high"]
    assert "the wear of" in told[0]["basis"]
    spans = json.loads(runner.invoke(app, [*base, "ahead", *at, "--json"]).stdout)["spans"]
    assert [span["months"] for span in spans] == ["2026-06", "2026-06 to 2026-08"]
    assert 0 < spans[0]["spend"]["low"] < spans[0]["spend"]["high"] < spans[1]["spend"]["high"]
    for command in (["quote", "P-110", "2000"], ["ahead"], ["spend", "--month", "2026-05"]):
        page = runner.invoke(app, [*base, *command, *at]).stdout
        assert page
        assert max(map(len, page.splitlines())) <= 80
