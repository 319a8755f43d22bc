"""What plates are worth through odd records: every cycle that ends is used up, every row counts in its order."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from paying import SHOP, month, row, run
from shops import Shop, stroke

from bladewatch.reporting import close
from bladewatch.screens.figures import Figures
from bladewatch.spending.story import story
from collectors.instants import parse_text


@pytest.fixture
def shop(make_shop: Callable[..., Shop]) -> Shop:
    """A shop with prices; a set of tips has five cycles."""
    return make_shop(SHOP)


def flows(shop: Shop, label: str = "2026-03") -> dict[str, str]:
    """What flowed in a month that ties, without noughts."""
    roll = month(shop, label).roll
    assert roll.off == (0, 0)
    return {flow: str(amount) for flow, amount in roll.flows.items() if amount}


def sentences(shop: Shop) -> list[str]:
    """What the page says of blades."""
    told = month(shop)
    return [text.replace("\u00a0", " ") for text in Figures(shop.service.config, told).blades()]


@pytest.mark.parametrize("end", ["sent", "no reason", "job-swap"])
def test_a_cycle_that_ends_by_the_way_to_the_grinder_is_used_up_too(shop: Shop, end: str) -> None:
    """500.00 over five cycles: nothing is left, whatever the reason on the row, and the page counts five cycles."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="500.00")
    for day in range(2, 7):
        row(shop, f"2026-03-0{day} 06:00", "mounted", "A-1", saw="S1")
        if end != "sent":
            reason = {} if end == "no reason" else {"reason": end}
            row(shop, f"2026-03-0{day} 10:00", "dismounted", "A-1", saw="S1", **reason)
        row(shop, f"2026-03-0{day} 12:00", "sent", "A-1", batch=f"B-{day}", supplier="grinder-a")
        row(shop, f"2026-03-0{day} 20:00", "accepted", "A-1")
    assert flows(shop) == {"consumption": "500.00"}
    told = month(shop)
    assert told.roll.closing == 0
    assert sum(sum(one.reasons.values()) for one in told.ended) == 5


def test_rows_dated_by_the_day_keep_their_order_with_the_changes_of_that_day(make_shop: Callable[..., Shop]) -> None:
    """The production day begins at six: opened and mounted that day, off at half past four the next morning."""
    shop = make_shop(SHOP.replace('name = "hall"\n', 'name = "hall"\nproduction_day_start = "06:00"\n'))
    row(shop, "2026-03-01 00:00", "opened", "A-1", blade_type="T", cost="500.00")
    row(shop, "2026-03-01 00:00", "mounted", "A-1", saw="S1")
    row(shop, "2026-03-01 04:30", "dismounted", "A-1", saw="S1", reason="worn-plan")
    assert (flows(shop), month(shop).roll.closing) == ({"consumption": "100.00"}, Decimal("400.00"))
    assert flows(shop, "2026-02") == {}
    row(shop, "2026-03-30 08:00", "mounted", "A-1", saw="S1")
    row(shop, "2026-04-01 00:00", "sent", "A-1", supplier="grinder-a")
    assert flows(shop, "2026-04") == {"consumption": "100.00"}
    assert [one.reasons for one in month(shop, "2026-04").ended] == [{"unknown": 1}]


def test_a_row_that_says_no_cost_changes_no_value(shop: Shop) -> None:
    """Bought for 380.00 and opened the next day: worth 380.00; opened anew at 200.00: worth that."""
    row(shop, "2026-03-02 08:00", "bought", "B-1", blade_type="T", cost="380.00", document="D")
    row(shop, "2026-03-03 08:00", "opened", "B-1")
    assert (flows(shop), month(shop).roll.closing) == ({"purchases": "380.00"}, Decimal("380.00"))
    row(shop, "2026-03-04 08:00", "opened", "B-1", cost="200.00")
    assert month(shop).roll.closing == Decimal("200.00")


def test_a_plate_that_is_opened_twice_was_there_once(shop: Shop) -> None:
    """In the first month of the record: opened, scrapped, opened again."""
    row(shop, "2026-03-02 08:00", "opened", "A-1", blade_type="T", cost="100.00")
    row(shop, "2026-03-03 08:00", "scrapped", "A-1", reason="worn-plan")
    row(shop, "2026-03-04 08:00", "opened", "A-1", cost="100.00")
    roll = month(shop).roll
    assert (roll.begins, roll.off) == (True, (0, 0))
    assert (roll.opening, roll.opening_plates, roll.closing, roll.closing_plates) == (100, 1, 100, 1)


def test_no_plate_is_worth_less_than_nothing(shop: Shop) -> None:
    """Lost, then credited more than it had cost, then found: the rest made what was used up cheaper."""
    row(shop, "2026-03-02 08:00", "bought", "B-1", blade_type="T", cost="380.00", document="D")
    row(shop, "2026-03-03 08:00", "lost", "B-1")
    row(shop, "2026-03-04 08:00", "credited", "B-1", document="D", cost="380.00")
    row(shop, "2026-03-05 08:00", "credited", "B-1", document="D", cost="20.00")
    row(shop, "2026-03-06 08:00", "found", "B-1")
    roll = month(shop).roll
    assert (roll.off, roll.closing, roll.closing_plates) == ((0, 0), 0, 1)


@pytest.mark.parametrize("told", ["asked", "told while out", "told when back"])
def test_new_tips_are_one_thing_in_money_and_on_the_plate(shop: Shop, told: str) -> None:
    """Asked at the grinder, or told by a row: a new set with all its regrinds, and five cycles to pay for it."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="100.00", regrinds="4")
    run(shop, "A-1", "2026-03-02 06:00", "2026-03-04 06:00")
    work = {"work": "retip"} if told == "asked" else {}
    row(shop, "2026-03-05 08:00", "sent", "A-1", batch="B", supplier="grinder-a", **work)
    if told == "told while out":
        row(shop, "2026-03-08 08:00", "retipped", "A-1")
    row(shop, "2026-03-10 08:00", "returned", "A-1")
    if told == "told when back":
        row(shop, "2026-03-10 08:10", "retipped", "A-1")
    row(shop, "2026-03-10 09:00", "accepted", "A-1")
    row(shop, "2026-03-12 09:00", "invoiced", "A-1", batch="B", document="R", cost="200.00")
    run(shop, "A-1", "2026-03-20 06:00", "2026-03-22 06:00")
    assert flows(shop) == {"retips": "200.00", "consumption": "140.00"}
    assert month(shop).regrinds_left == {4: 1}
    plate = shop.service.moment(parse_text("2026-03-31T00:00:00Z")).known().fleet.plates["A-1"]
    assert (plate.tip_set, plate.regrinds) == (2, 0)


def test_the_way_of_a_tooth_knows_nothing_of_strokes_that_nobody_saw(shop: Shop) -> None:
    """Every second stroke is lost: the feed is known of ten in nineteen, and so much of the money goes to their way."""
    row(shop, "2026-03-05 08:00", "invoiced", document="G", cost="19.00")
    shop.take(*(stroke(2 * n, n, part="P1", feed_mm_s=10.0) for n in range(1, 11)))
    told = month(shop)
    assert told.work.total.cuts == 19
    assert told.told.travel_known == pytest.approx(10 / 19)
    way_km = Decimal(repr(told.told.travel_m / 1000))
    assert told.per_km == pytest.approx(Decimal("10.00") / way_km, abs=Decimal("0.01"))
    assert [one.per_km for one in told.by("saw")] == [told.per_km]
    lows = {rate.what.replace("\u00a0", " "): rate.low for rate in Figures(shop.service.config, told).rates()}
    assert lows == {"per 1 000 cuts": False, "per m²": False, "per 1 000 good pieces": True, "per km of a tooth": True}


def test_minutes_are_shared_by_the_changes_that_tell_them(make_shop: Callable[..., Shop]) -> None:
    """Two changes, one of 12.5 minutes: 12 each of the one; with a decimal comma where the site has one."""
    shop = make_shop(SHOP.replace('name = "hall"\n', 'name = "hall"\ndecimal = "comma"\n'))
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="0")
    row(shop, "2026-03-01 08:00", "opened", "A-2", blade_type="T", cost="0")
    run(shop, "A-1", "2026-03-02 06:00", "2026-03-04 06:00", minutes="12.5")
    run(shop, "A-2", "2026-03-05 06:00", "2026-03-06 06:00")
    assert "2 blades came off, 12,5 min, 12 each of the 1 whose minutes are told" in sentences(shop)


def test_of_many_waits_the_longest_are_named(shop: Shop) -> None:
    """Six times no sharp blade for one to six hours: three named, all counted."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="100.00")
    for day in range(1, 7):
        row(shop, f"2026-03-0{day} 06:00", "mounted", "A-1", saw="S1")
        row(shop, f"2026-03-0{day} 12:00", "dismounted", "A-1", saw="S1", reason="worn-plan")
        row(shop, f"2026-03-0{day} {12 + day}:00", "accepted", "A-1")
        row(shop, f"2026-03-0{day} {12 + day}:00", "mounted", "A-1", saw="S1")
        row(shop, f"2026-03-0{day} 23:00", "dismounted", "A-1", saw="S1", reason="job-swap")
    told = [text for text in sentences(shop) if "wait" in text]
    assert [text.rpartition(", ")[2] for text in told[:3]] == ["for 6.0 h", "for 5.0 h", "for 4.0 h"]
    assert told[3:] == ["and 3 other waits; 21 h in all"]


def test_a_closed_month_keeps_the_sum_that_it_was_closed_at(shop: Shop) -> None:
    """A row that says it was entered before the close, and was not there: the sum then is still what was said."""
    row(shop, "2026-03-04 10:00", "invoiced", document="B", cost="60.00")
    shop.service.clock = lambda: parse_text("2026-04-03T10:00:00Z")
    close(shop.service, "2026-03", "M7", [])
    row(shop, "2026-03-05 10:00", "invoiced", document="C", cost="7.00", entered="2026-03-06 09:00")
    told = month(shop)
    assert told.closed is not None
    assert (told.closed.total, told.total) == (Decimal("60.00"), Decimal("67.00"))
    said = " ".join(story(shop.service.config, told, told.at_us))
    assert "at 60.00 EUR; restated by +7.00 since, by rows that were entered as of before." in said
    assert not told.remarks
