"""The month's tooling spend: documents, values, accruals, closings; what ties, ties to the cent and to the piece."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from paying import SHOP, month, row, run
from shops import Shop, minute, stroke
from typer.testing import CliRunner

from bladewatch.cli.app import app
from bladewatch.config.decode import parse
from bladewatch.errors import UsageError
from bladewatch.ledger.book import Book
from bladewatch.ledger.events import Event, event_of
from bladewatch.money import rounded, shared
from bladewatch.papers.saving import save_month
from bladewatch.papers.sheets import write_workbook
from bladewatch.reporting import beside_account, journal_of, spend
from bladewatch.screens.spend import render
from bladewatch.service import Service
from bladewatch.spending.account import Entry, journal, read_account
from bladewatch.spending.accruals import accruals_of, accrued
from bladewatch.spending.answer import as_json
from bladewatch.spending.assets import roll_forward, valued
from bladewatch.spending.documents import KINDS, by_kind, documents_of, within
from bladewatch.spending.grinding import Jobs
from bladewatch.spending.month import Month
from bladewatch.spending.periods import period_of
from bladewatch.spending.story import story
from bladewatch.spending.suppliers import sharpened_by, sharpness_of
from collectors.facts import Sample
from collectors.instants import parse_text


def money(month: Month) -> dict[str, str]:
    """What was spent, without noughts."""
    return {kind: str(amount) for kind, amount in month.spend.items() if amount}


@pytest.fixture
def shop(make_shop: Callable[..., Shop]) -> Shop:
    """A shop with prices."""
    return make_shop(SHOP)


def march(shop: Shop) -> None:
    """A month with three batches not invoiced, a credit note, a new set of tips and a cracked plate; invented."""
    for number in range(1, 7):
        row(shop, "2026-02-10 09:00", "opened", f"A-{number}", blade_type="T", regrinds="1", cost="304.00")
    row(shop, "2026-02-20 09:00", "sent", "A-5", batch="B-0", supplier="grinder-a", work="retip")
    run(shop, "A-1", "2026-03-02 06:00", "2026-03-04 06:00")
    run(shop, "A-2", "2026-03-04 06:10", "2026-03-06 06:00", "chipped", tips_chipped="2", planned="no", minutes="35")
    run(shop, "A-3", "2026-03-06 06:40", "2026-03-09 06:00", minutes="12")
    run(shop, "A-4", "2026-03-09 06:10", "2026-03-10 06:00", "cracked", planned="no", minutes="40")
    bought = {"cost": "380.00", "tax": "72.20", "freight": "12.00", "document": "INV-1"}
    row(shop, "2026-03-03 10:00", "bought", "A-7", blade_type="T", **bought)
    row(shop, "2026-03-05 08:00", "returned", "A-5", batch="B-0")
    row(shop, "2026-03-05 08:01", "retipped", "A-5")
    row(shop, "2026-03-05 08:02", "accepted", "A-5")
    row(shop, "2026-03-08 08:00", "invoiced", "A-5", batch="B-0", document="INV-R", cost="195.00")
    for number, (sent, back) in enumerate((("05", "12"), ("07", "14"), ("10", "17")), 1):
        row(shop, f"2026-03-{sent} 07:00", "sent", f"A-{number}", batch=f"B-{number}", supplier="grinder-a")
        tips = {"tips_replaced": "2"} if number == 2 else {}
        row(shop, f"2026-03-{back} 07:00", "returned", f"A-{number}", batch=f"B-{number}", **tips)
    row(shop, "2026-03-11 08:00", "scrapped", "A-4", reason="cracked")
    row(shop, "2026-03-20 08:00", "credited", "A-7", document="INV-1", cost="20.00")


def test_a_month_with_all_that_can_be_ties_to_the_cent_and_to_the_piece(shop: Shop) -> None:
    """A plate of 304.00 with four cycles left uses up 76.00 a cycle; worked by hand."""
    march(shop)
    told = month(shop)
    assert money(told) == {"new": "360.00", "retip": "195.00", "freight": "12.00"}
    assert told.total == Decimal("567.00")
    assert told.tax == Decimal("72.20")
    assert told.accrued.closing == Decimal("162.00")  # 48, 48 + 2 · 9, 48
    assert told.roll.opening == 6 * 304
    assert {flow: str(amount) for flow, amount in told.roll.flows.items() if amount} == {
        "purchases": "360.00", "retips": "195.00", "consumption": "304.00", "write_offs": "228.00",
    }  # fmt: skip
    assert told.roll.closing == 3 * 228 + 499 + 304 + 360
    assert (told.roll.opening_plates, told.roll.closing_plates) == (6, 6)
    assert (told.roll.plates["purchases"], told.roll.plates["write_offs"]) == (1, 1)
    assert told.roll.off == (0, 0)
    assert told.amortised == told.total - 360 - 195 + 304 + 228
    assert (told.changes.taken_off, told.changes.unplanned, told.changes.unplanned_minutes) == (4, 2, 75)


def test_the_invoice_reverses_what_was_accrued(shop: Shop) -> None:
    """Of three batches one comes as a lump that names no plate, one dearer than expected, one not at all."""
    march(shop)
    row(shop, "2026-04-02 08:00", "invoiced", batch="B-1", document="INV-B1", cost="47.00")
    row(shop, "2026-04-03 08:00", "invoiced", "A-2", batch="B-2", document="INV-B2", cost="77.00")
    told = month(shop, "2026-04")
    assert (told.accrued.opening, told.accrued.reversed, told.accrued.closing) == (162, 114, 48)
    assert money(told) == {"grind": "103.00", "tips": "21.00"}  # 77 as 48 to 18
    assert told.roll.opening == month(shop).roll.closing


def test_a_lump_is_split_over_its_batch_by_expected_prices(shop: Shop) -> None:
    """100.00 over 48, 48 and 66: cents by the largest remainder, and each part where it belongs."""
    for number in (1, 2, 3):
        row(shop, "2026-02-10 09:00", "opened", f"A-{number}", blade_type="T", cost="100.00")
        row(shop, "2026-03-03 08:00", "sent", f"A-{number}", batch="B-9", supplier="grinder-a")
        tips = {"tips_replaced": "2"} if number == 3 else {}
        row(shop, "2026-03-10 08:00", "returned", f"A-{number}", batch="B-9", **tips)
    row(shop, "2026-03-12 08:00", "invoiced", batch="B-9", document="L", cost="100.00", freight="5.00")
    told = month(shop)
    by_plate = {(line.plate, line.kind): str(line.amount) for line in told.lines}
    assert by_plate == {
        (None, "freight"): "5.00", ("A-1", "grind"): "29.63", ("A-2", "grind"): "29.63",
        ("A-3", "grind"): "29.63", ("A-3", "tips"): "11.11",
    }  # fmt: skip
    assert told.accrued.closing == 0


def test_bought_and_invoiced_of_one_document_and_plate_are_one_cost(shop: Shop) -> None:
    """The invoiced amount counts, on the invoice's day, with the freight that only the order told."""
    row(shop, "2026-03-30 10:00", "bought", "N-1", blade_type="T", cost="380.00", freight="9.00", document="D-1")
    row(shop, "2026-04-02 10:00", "invoiced", "N-1", cost="371.50", document="D-1")
    row(shop, "2026-03-30 10:00", "bought", "N-2", blade_type="T", cost="390.00", document="D-2")
    assert money(month(shop)) == {"new": "390.00"}
    assert money(month(shop, "2026-04")) == {"new": "371.50", "freight": "9.00"}
    early = month(shop, at="2026-03-31T00:00:00Z")
    assert money(early) == {"new": "770.00", "freight": "9.00"}


def test_money_of_another_currency_is_rounded_once_with_its_rate(shop: Shop) -> None:
    """120.50 at 0.9137 is 110.10085; a row without a rate is in no sum, and said."""
    row(shop, "2026-03-03 10:00", "invoiced", document="U-1", cost="120.50", currency="USD", fx_rate="0.9137")
    lost = row(shop, "2026-03-04 10:00", "invoiced", document="U-2", cost="99.00", currency="USD")
    told = month(shop)
    assert money(told) == {"grind": "110.10"}
    assert [remark.row for remark in told.remarks] == [lost.id]
    assert "no fx_rate" in told.remarks[0].text


def test_a_credit_goes_where_its_document_went(shop: Shop) -> None:
    """Over the lines of the document, or of its plate; one that nothing tells is other; a sign is no second credit."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="100.00")
    row(shop, "2026-03-01 08:00", "sent", "A-1", batch="B", supplier="grinder-a")
    row(shop, "2026-03-04 08:00", "returned", "A-1", batch="B", tips_replaced="2")
    row(shop, "2026-03-05 08:00", "invoiced", "A-1", batch="B", document="D", cost="66.00", freight="6.00")
    row(shop, "2026-03-06 08:00", "credited", document="D", cost="11.00", freight="6.00")
    row(shop, "2026-03-07 08:00", "credited", document="X", cost="-3.00")
    told = month(shop)
    assert money(told) == {"grind": "40.00", "tips": "15.00", "other": "-3.00"}
    assert ["positive" in remark.text for remark in told.remarks] == [True]


def test_documents_count_on_their_production_day(shop: Shop) -> None:
    """At 02:00 on the first it is the month before; dated by the day alone it is that day."""
    row(shop, "2026-04-01 02:00", "invoiced", document="night", cost="10.00")
    row(shop, "2026-04-01 06:00", "invoiced", document="day", cost="20.00")
    row(shop, "2026-04-01", "invoiced", document="date", cost="40.00")
    row(shop, "2026-04-01", "bought", "N-1", blade_type="T", cost="400.00", document="new")
    assert month(shop).total == 10
    april = month(shop, "2026-04")
    assert april.total == 460
    assert (april.roll.plates["purchases"], april.roll.off) == (1, (0, 0))


def test_a_closed_month_says_what_came_since(shop: Shop) -> None:
    """A late invoice and a corrected one: the sum at the close stays told, with each row that came and went."""
    row(shop, "2026-03-03 10:00", "invoiced", document="A", cost="50.00")
    wrong = row(shop, "2026-03-04 10:00", "invoiced", document="B", cost="60.00")
    row(shop, "2026-04-03 10:00", "month-closed", by="M7")
    right = row(shop, "2026-03-04 10:00", "invoiced", document="B", cost="66.00", corrects=wrong.id,
                entered="2026-04-08 09:00")  # fmt: skip
    late = row(shop, "2026-03-30 10:00", "invoiced", document="C", cost="7.00", entered="2026-04-09 09:00")
    before = month(shop, at="2026-04-05T00:00:00Z")
    assert before.closed is not None
    assert (before.total, before.closed.total, before.closed.come, before.closed.gone) == (110, 110, (), ())
    told = month(shop)
    assert told.closed is not None
    assert (told.total, told.closed.total, told.closed.by) == (123, 110, "M7")
    assert {line.row for line in told.closed.come} == {right.id, late.id}
    assert [line.row for line in told.closed.gone] == [wrong.id]
    assert month(shop, "2026-04").closed is None


def test_a_month_is_closed_by_name_too(shop: Shop) -> None:
    """A row that names the month in its document closes that one, whenever it is written."""
    row(shop, "2026-06-03 10:00", "month-closed", document="2026-03", by="M7")
    assert month(shop).closed is not None
    assert month(shop, "2026-05").closed is None


def test_what_was_cut_is_told_by_saw_and_blade_and_shared_out_to_the_cent(shop: Shop) -> None:
    """10.01 over 4000 mm² of 6063 and as much of 6082, which wears 1.5 times as fast; a cut with no blade has none."""
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="0")
    row(shop, "2026-03-02 06:00", "mounted", "A-1", saw="S1")
    row(shop, "2026-03-02 06:12", "dismounted", "A-1", saw="S1", reason="worn-plan")
    row(shop, "2026-03-20 06:00", "invoiced", "A-1", document="G", cost="10.01")
    shop.take(*(stroke(n, n, part="P1" if n <= 4 else "P2", pieces=2) for n in range(1, 14)))
    shop.take(stroke(14, 60 * 24 * 40, part="P1"))  # in April
    told = month(shop)
    assert (told.work.strokes, told.work.seen, told.work.bare, told.work.total.pieces) == (13, 13, 1, 26)
    assert [(w.plate, w.part, w.made.cuts) for w in told.work.worked] == [
        ("A-1", "P1", 4),
        ("A-1", "P2", 8),
        (None, "P2", 1),
    ]
    costs = {(w.plate, w.part): str(cost) for w, cost in told.shared.costs}
    assert costs == {("A-1", "P1"): "4.00", ("A-1", "P2"): "6.01", (None, "P2"): "0"}
    assert told.shared.rules == ("wear share (area by the stated wear ratios)",)
    assert str(told.per(told.work.total.cuts, 1000)) == "770.0000"


def test_orders_the_way_of_a_tooth_and_trims_are_told(make_shop: Callable[..., Shop]) -> None:
    """Of 10.00 over four cuts three are one order's; A·n/(60·v) a cut; a trim of 100 mm of 1000 mm² is 0.27 kg."""
    shop = make_shop(SHOP.replace('aliases = ["EN AW-6063"]\n', 'aliases = ["EN AW-6063"]\ndensity = 2.7\n'))
    row(shop, "2026-03-01 08:00", "invoiced", document="G", cost="10.00")
    orders = ["O-1", "O-1", "O-1", "O-2"]
    shop.take(*(stroke(n, n, part="P1", order=order, feed_mm_s=10.0) for n, order in enumerate(orders, 1)))
    shop.take(stroke(5, 5, part="P1", kind="air"))
    told = month(shop).told
    assert [(one.name, str(one.cost), one.cuts) for one in told.orders] == [("O-1", "7.50", 3), ("O-2", "2.50", 1)]
    assert told.travel_m == pytest.approx(4 * 1000 * 2800 / (60 * 10) / 1000)
    assert (told.orders_known, told.travel_known) == (1, 1)
    ways = {one.name: one.travel_m for one in month(shop).by("order")}
    assert ways == {"O-1": pytest.approx(3 * 1000 * 2800 / 600_000), "O-2": pytest.approx(1000 * 2800 / 600_000)}
    assert [str(one.per_km) for one in month(shop).by("order")] == ["535.7143", "535.7143"]
    for what in ("saw", "alloy", "part", "blade_type", "supplier"):
        (one,) = month(shop).by(what)
        assert (one.travel_m, one.feed_known) == (pytest.approx(told.travel_m), 1)
    shop.take(
        stroke(6, 6, part="P1", kind="trim", length_mm=100.0),
        stroke(7, 7, alloy="6063", area_cmm2=100_000, kind="trim"),
    )
    told = month(shop).told
    assert [(one.kind, one.strokes, round(one.kg, 9), one.untold) for one in told.scraps] == [("trim", 2, 0.27, 1)]
    assert told.orders_known == pytest.approx(4 / 6)


def test_the_way_of_a_tooth_is_told_apart_with_what_is_known_of_it(shop: Shop) -> None:
    """Of four cuts of P1 two tell their feed, of one of P2 none; money goes to the way of what is known alone."""
    row(shop, "2026-03-01 08:00", "invoiced", document="G", cost="12.00")
    feeds = {1: 10.0, 2: 10.0}
    shop.take(*(stroke(n, n, part="P1" if n < 5 else "P2", feed_mm_s=feeds.get(n)) for n in range(1, 6)))
    parts = {one.name: one for one in month(shop).by("part")}
    way_m = 2 * 1000 * 2800 / 600_000
    assert (parts["P1"].travel_m, parts["P1"].feed_known) == (pytest.approx(way_m), 0.5)
    assert parts["P1"].per_km == pytest.approx(parts["P1"].cost / 2 / Decimal(repr(way_m / 1000)), abs=Decimal("1e-4"))
    assert (parts["P2"].travel_m, parts["P2"].feed_known, parts["P2"].per_km) == (0, 0, None)
    (saw,) = month(shop).by("saw")
    assert (saw.travel_m, saw.feed_known) == (pytest.approx(way_m), 0.4)


def test_months_stand_in_a_line_each_with_its_strokes(shop: Shop) -> None:
    """Ten strokes and a rest of seven that the counter tells in March, five in April; one in air is no stroke."""
    row(shop, "2026-03-05 08:00", "invoiced", document="M", cost="34.00")
    row(shop, "2026-04-05 08:00", "invoiced", document="A", cost="20.00")
    shop.take(*(stroke(n, n, part="P1") for n in range(1, 10)), stroke(17, 20, part="P1"))
    april = minute_of("2026-04-06T08:00:00Z")
    shop.take(*(stroke(17 + n, april + n, part="P1") for n in range(1, 6)), stroke(23, april + 9, kind="air"))
    line = month(shop, "2026-04").line
    assert [(one.label, str(one.total), one.strokes, str(one.per_1000)) for one in line] == [
        ("2026-03", "34.00", 17, "2000.0000"),
        ("2026-04", "20.00", 5, "4000.0000"),
    ]


def test_the_month_says_how_far_its_record_can_be_trusted(shop: Shop) -> None:
    """Strokes unseen or with no blade, a row that contradicts another, one entered after a day; questions answered."""
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="0")
    row(shop, "2026-03-02 06:00", "mounted", "A-1", saw="S1")
    row(shop, "2026-03-02 06:05", "sent", "A-1", entered="2026-03-03 06:05")
    shop.take(*(stroke(n, n, part="P1") for n in (1, 2, 3, 4, 8)))
    assert month(shop).record._asdict() == {
        "unseen": 3, "bare": 3, "confirmed": 0, "contradictions": 1, "late": 1,
    }  # fmt: skip
    assert month(shop, "2026-04").record == (0, 0, 0, 0, 0)


def test_an_answer_about_then_is_that_of_a_store_that_knew_no_more(make_shop: Callable[..., Shop]) -> None:
    """Byte for byte, with a late invoice, a late stroke and a correction after the moment."""
    then = "2026-04-02T00:00:00Z"
    shops = [make_shop(SHOP) for _ in range(2)]
    for one in shops:
        march(one)
        one.take(*(stroke(n, n * 3, part="P1") for n in range(1, 40)))
    row(shops[0], "2026-03-21 08:00", "invoiced", "A-1", batch="B-1", cost="48.00", entered="2026-04-02 09:00")
    shops[0].take(stroke(40, 1000, minute_of("2026-04-03T00:00:00Z"), part="P2"))
    texts = [json.dumps(as_json(month(one, at=then), one.service.zone)) for one in shops]
    assert texts[0] == texts[1]
    assert json.dumps(as_json(month(shops[0]), shops[0].service.zone)) != texts[0]


def minute_of(text: str) -> float:
    """Minutes after Monday morning."""
    return (parse_text(text) - minute(0)) / 60_000_000


def test_the_command_answers_as_the_contract_says(shop: Shop) -> None:
    """All keys, money as text; and a page that an 80 column terminal holds."""
    march(shop)
    shop.take(*(stroke(n, n * 3, part="P1") for n in range(1, 40)))
    asked = ["--config", str(shop.service.config.path), "report", "spend", "--at", "2026-12-31", "--month"]
    runner = CliRunner(env={"COLUMNS": "80"})
    told: dict[str, Any] = json.loads(runner.invoke(app, [*asked, "2026-03", "--json"]).stdout)
    kinds = {"new": "360.00", "grind": "0.00", "tips": "0.00", "retip": "195.00", "freight": "12.00", "other": "0.00"}
    assert told["spend"] == kinds | {"total": "567.00"}
    named = {name: told[name] for name in ("month", "currency", "opening", "closing", "cuts", "accrued", "ties")}
    assert named == {
        "month": "2026-03", "currency": "EUR", "opening": "1824.00", "closing": "1847.00", "cuts": 39,
        "accrued": "162.00", "ties": True,
    }  # fmt: skip
    assert told["plates"]["closing"] == 6
    assert len(told["rows"]["new"]) == 2
    narrow = CliRunner(env={"COLUMNS": "40"}).invoke(app, [*asked, "2026-03"]).stdout
    assert max(map(len, narrow.splitlines())) <= 46
    page = runner.invoke(app, [*asked, "2026-03"]).stdout
    assert "Spent 567.00 EUR" in page
    assert "DOES NOT TIE" not in page
    assert max(map(len, page.splitlines())) <= 80
    rows = runner.invoke(app, [*asked, "2026-03", "--rows", "new"]).stdout.splitlines()
    assert [line.split()[-2] for line in rows[1:3]] == ["380.00", "−20.00"]
    assert rows[-1].split() == ["sum", "360.00"]
    assert "expected one of new, grind" in str(runner.invoke(app, [*asked, "2026-03", "--rows", "x"]).exception)
    assert "2026-13" in str(runner.invoke(app, [*asked, "2026-13"]).exception)


# What finance and breakers tried


def test_rows_without_a_document_are_no_pair(shop: Shop) -> None:
    """A plate bought with no document, and an invoice for its grinding with none: two costs."""
    row(shop, "2026-03-02 10:00", "bought", "A-1", blade_type="T", cost="380.00")
    row(shop, "2026-03-02 11:00", "received", "A-1")
    row(shop, "2026-03-20 10:00", "invoiced", "A-1", cost="48.00")
    told = month(shop)
    assert money(told) == {"new": "380.00", "grind": "48.00"}
    assert told.accrued.closing == 0


def test_two_invoices_of_a_plate_carry_the_orders_freight_once(shop: Shop) -> None:
    """380 with 15 of freight ordered, billed in two halves."""
    row(shop, "2026-03-02 10:00", "bought", "A-1", blade_type="T", cost="380.00", freight="15.00", document="D")
    row(shop, "2026-03-20 10:00", "invoiced", "A-1", cost="200.00", document="D")
    row(shop, "2026-03-21 10:00", "invoiced", "A-1", cost="180.00", document="D")
    assert money(month(shop)) == {"new": "380.00", "freight": "15.00"}


def test_a_credit_note_has_its_own_number_and_takes_its_tax_back(shop: Shop) -> None:
    """Naming the plate alone it goes over the whole of the last document; dated before its invoice it finds it too."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="100.00")
    row(shop, "2026-02-20 08:00", "sent", "A-1", batch="B", supplier="grinder-a")
    row(shop, "2026-02-26 08:00", "returned", "A-1", batch="B", tips_replaced="2")
    row(shop, "2026-02-27 08:00", "invoiced", "A-1", batch="B", document="INV", cost="66.00", tax="12.54")
    row(shop, "2026-03-06 08:00", "credited", "A-1", document="CN-7", cost="66.00", tax="12.54")
    told = month(shop)
    assert money(told) == {"grind": "-48.00", "tips": "-18.00"}
    assert {line.document for line in told.lines} == {"CN-7"}
    assert told.tax == Decimal("-12.54")
    row(shop, "2026-03-08 08:00", "credited", "N-1", document="E", cost="80.00")
    row(shop, "2026-03-10 08:00", "bought", "N-1", blade_type="T", cost="380.00", document="E")
    assert month(shop).spend["new"] == 300
    assert month(shop).roll.off == (0, 0)


def test_an_invoice_pays_the_oldest_job_that_is_back(shop: Shop) -> None:
    """Sent again before the first invoice came; later with a batch that the record does not know."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="100.00")
    for sent, back in (("2026-03-01", "2026-03-08"), ("2026-03-20", "2026-04-08")):
        row(shop, f"{sent} 08:00", "sent", "A-1", supplier="grinder-a")
        row(shop, f"{back} 08:00", "returned", "A-1")
    row(shop, "2026-03-25 08:00", "invoiced", "A-1", document="I-1", cost="48.00")
    assert month(shop).accrued.closing == 0
    assert month(shop, "2026-04").accrued.closing == 48
    row(shop, "2026-05-02 08:00", "invoiced", "A-1", batch="B7", document="I-2", cost="48.00")
    assert month(shop, "2026-05").accrued.closing == 0


def test_a_plate_that_came_without_a_price_is_new_and_an_order_is_no_work_done(shop: Shop) -> None:
    """Received and billed it is a new plate; only ordered it is neither here nor accrued."""
    row(shop, "2026-03-02 10:00", "received", "A-9", blade_type="T")
    row(shop, "2026-03-03 10:00", "bought", "A-8", blade_type="T")
    assert month(shop, at="2026-03-04T00:00:00Z").accrued.closing == 380
    row(shop, "2026-03-10 10:00", "invoiced", "A-9", cost="371.00", document="D")
    told = month(shop)
    assert (money(told), told.accrued.closing, told.roll.closing) == ({"new": "371.00"}, 0, 371)
    row(shop, "2026-03-20 10:00", "accepted", "A-8")
    assert month(shop).accrued.closing == 380


def test_a_job_is_planned_once_however_it_is_billed(shop: Shop) -> None:
    """In two halves, or billed too high, credited and billed again: one grind of 48.00 at planned price."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", cost="0")
    row(shop, "2026-03-01 08:00", "sent", "A-1", batch="B", supplier="grinder-a")
    row(shop, "2026-03-08 08:00", "returned", "A-1", batch="B")
    for document, event, cost in (("I-1", "invoiced", "58"), ("I-1", "credited", "58"), ("I-2", "invoiced", "48")):
        row(shop, "2026-03-10 08:00", event, "A-1", batch="B", document=document, cost=cost)
    told = month(shop)
    assert told.total == 48
    assert told.bridge.parts["price"] == 0


def test_a_set_of_tips_begins_anew_with_the_work_that_was_asked(shop: Shop) -> None:
    """Sent for a new set and back, with no row of its own: 300 over five cycles, the first takes 60."""
    row(shop, "2026-02-10 09:00", "opened", "A-1", blade_type="T", regrinds="4", cost="100.00")
    row(shop, "2026-03-01 08:00", "sent", "A-1", batch="B", work="retip")
    row(shop, "2026-03-08 08:00", "returned", "A-1", batch="B")
    row(shop, "2026-03-09 08:00", "invoiced", "A-1", batch="B", document="I", cost="200.00")
    run(shop, "A-1", "2026-03-10 08:00", "2026-03-12 08:00")
    told = month(shop)
    assert (told.roll.flows["consumption"], told.roll.closing) == (60, 240)


def test_what_cannot_be_counted_is_said(shop: Shop) -> None:
    """Money on rows that are no documents, a book value without its rate; a plate opened twice is worth once."""
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="380.00", currency="USD")
    row(shop, "2026-03-02 08:00", "opened", "A-2", blade_type="T", cost="100.00")
    row(shop, "2026-03-02 09:00", "opened", "A-2", blade_type="T", cost="90.00")
    row(shop, "2026-03-03 08:00", "returned", "A-1", cost="48.00")
    told = month(shop)
    assert (told.total, told.roll.closing, told.roll.off) == (0, 90, (0, 0))
    assert ["no fx_rate" in told.remarks[0].text, "in no sum" in told.remarks[1].text] == [True, True]


@pytest.mark.parametrize(
    ("decimal", "text", "amount"),
    [("point", "1,234.50", "1234.50"), ("point", "105,00", None), ("point", "1.105,00", None), ("comma", "48.50", None),
     ("comma", "1.234,50", "1234.50"), ("point", "(5.00)", "-5.00"), ("point", "5.00-", "-5.00"),
     ("point", "1_05", None),
     ("point", "1e30", None), ("comma", "1 234,5", "1234.50")],
)  # fmt: skip
def test_an_amount_of_another_decimal_sign_is_a_mistake(
    tmp_path: Path, decimal: str, text: str, amount: str | None
) -> None:
    """What no grouping of thousands explains is refused, with the line."""
    config = parse(SHOP.replace('name = "hall"\n', f'name = "hall"\ndecimal = "{decimal}"\n'), tmp_path / "x.toml")
    path = tmp_path / "account.csv"
    path.write_text(f"Document;Amount\nD1;{text}\n")
    if amount is None:
        with pytest.raises(UsageError, match="line 2: amount"):
            read_account(config, path)
    else:
        assert read_account(config, path) == {"D1": Decimal(amount)}


def test_a_month_is_closed_once_and_when_it_is_over(shop: Shop) -> None:
    """The running month and one that was closed are refused, with the cure; one thing at a time is saved."""
    base = ["--config", str(shop.service.config.path), "report"]
    runner = CliRunner()
    assert "when it is over" in str(runner.invoke(app, [*base, "close", "--month", "2190-01"]).exception)
    assert runner.invoke(app, [*base, "close", "--month", "2026-03"]).exit_code == 0
    assert "was closed" in str(runner.invoke(app, [*base, "close", "--month", "2026-03"]).exception)
    both = [*base, "spend", "--month", "2026-03", "--save", "x.csv", "--journal", "y.csv"]
    assert "one of these at a time" in str(runner.invoke(app, both).exception)
    assert "expected a year" in str(runner.invoke(app, [*base, "spend", "--month", "9999-12"]).exception)


# Whatever the ledger says

STEPS = st.lists(
    st.tuples(
        st.integers(0, 150 * 24 * 60),
        st.sampled_from(
            ["opened", "bought", "received", "mounted", "dismounted", "sent", "returned", "accepted", "retipped",
             "scrapped", "lost", "found", "counted", "invoiced", "credited", "rejected", "quarantined"]
        ),
        st.sampled_from(["A", "B", "C", None]),
        st.decimals(0, 500, places=2),
        st.sampled_from(["D-1", "D-2", "B-1", None]),
        st.sampled_from(["worn-plan", "chipped", "job-swap", "cracked", "unknown"]),
    ),
    max_size=40,
)  # fmt: skip


def random_rows(steps: list[tuple[int, str, str | None, Decimal, str | None, str]]) -> list[Event]:
    """Rows of an invented ledger that makes little sense."""
    zone = parse(SHOP, Path("x")).zone
    found = []
    for number, (at, event, plate, amount, document, reason) in enumerate(steps):
        cells = {"id": f"r{number}", "event": event, "plate": plate or "", "document": document or ""}
        cells |= {"batch": document or "", "blade_type": "T" if number % 3 else "", "tips_replaced": str(number % 4)}
        if event in ("opened", "bought", "invoiced", "credited"):
            cells |= {"cost": str(amount), "freight": str(amount / 50) if number % 2 else ""}
        if event in ("mounted", "dismounted"):
            cells |= {"saw": "S1", "reason": reason if event == "dismounted" else ""}
        cells["at"] = (
            f"2026-{1 + at // (30 * 1440):02d}-{1 + at // 1440 % 28:02d}T{at // 60 % 24:02d}:{at % 60:02d}:00Z"
        )
        found.append(event_of(cells, zone))
    return found


def expected_total(rows: list[Event]) -> Decimal:
    """The contract's sum, worked out anew: bought and invoiced with freight, less credits; of a pair the invoice."""
    billed = {(r.document, r.plate) for r in rows if r.event == "invoiced" and r.document and r.cost is not None}
    orders = {(r.document, r.plate): r for r in rows if r.event == "bought" and r.document}
    total, carried = Decimal(0), set[tuple[str | None, str | None]]()
    for one in rows:
        key = (one.document, one.plate)
        if one.event == "bought" and key not in billed:
            total += (one.cost or 0) + rounded(one.freight or Decimal(0))
        elif one.event == "invoiced" and (one.cost is not None or one.freight is not None):
            freight = one.freight
            if freight is None and key in orders and key not in carried:
                freight = orders[key].freight
            if key in orders:
                carried.add(key)
            total += (one.cost or 0) + rounded(freight or Decimal(0))
        elif one.event == "credited":
            total -= (one.cost or 0) + rounded(one.freight or Decimal(0))
    return total


@given(STEPS)
@settings(max_examples=200, deadline=None)
def test_every_ledger_rolls_forward(steps: list[tuple[int, str, str | None, Decimal, str | None, str]]) -> None:
    """Each month ties in money and plates, ends where the next begins, and all months hold all money."""
    config = parse(SHOP, Path("x"))
    book = Book()
    book.add(random_rows(steps))
    rows = [standing.event for standing in book.line if standing.void is None]
    types = {plate.id: plate.blade_type for plate in book.fleet.plates.values()}
    jobs = Jobs(config, rows, types)
    documents = documents_of(config, rows, types, jobs)
    months = [period_of(config, 2025, 12), *(period_of(config, 2026, number) for number in range(1, 8))]
    instants = sorted({us for one in months for us in (one.from_us, one.to_us)})
    told = valued(config, book.held, documents.lines, book.fleet, instants)
    accruals = accruals_of(config, rows, documents.lines, jobs, types)
    end, plates, stood, total = Decimal(0), 0, Decimal(0), Decimal(0)
    for period in months:
        roll = roll_forward(told, period.from_us, period.to_us)
        assert roll.off == (0, 0)
        if not roll.begins:
            assert (roll.opening, roll.opening_plates) == (end, plates)
        end, plates = roll.closing, roll.closing_plates
        open_work = accrued(accruals, period.from_us, period.to_us)
        assert open_work.opening == stood
        assert open_work.closing == sum((one.amount or Decimal(0) for one in open_work.standing), Decimal(0))
        stood = open_work.closing
        total += sum(by_kind(within(documents.lines, period.from_us, period.to_us)).values())
    assert total == sum((line.amount for line in documents.lines), Decimal(0))
    assert total == expected_total(rows)
    assert plates == sum(plate.owned for plate in book.fleet.plates.values())


@given(st.decimals(-10000, 10000, places=2), st.lists(st.decimals(0, 1000, places=3), min_size=1, max_size=12))
def test_parts_are_the_whole(total: Decimal, weights: list[Decimal]) -> None:
    """To the cent, none off its share by a cent or more."""
    parts = shared(total, weights)
    assert sum(parts) == total
    whole = sum(weights)
    for part, weight in zip(parts, weights, strict=True):
        exact = total * weight / whole if whole else total / len(weights)
        assert abs(part - exact) < Decimal("0.01")


@pytest.mark.outside
@pytest.mark.parametrize(
    ("number", "places", "expected"),
    [("12.223", 1, "12.2"), ("12.251", 1, "12.3"), ("12.275", 1, "12.3"), ("12.25", 1, "12.2"), ("12.35", 1, "12.4"),
     ("1223.3", -1, "1220"), ("1225.1", -1, "1230"), ("1227.5", -1, "1230"), ("1225.0", -1, "1220"),
     ("1235.0", -1, "1240")],
)  # fmt: skip
def test_money_is_rounded_by_the_standard(number: str, places: int, expected: str) -> None:
    """ISO 80000-1:2009, B.2 and B.3 rule A: the examples there (from memory)."""
    assert rounded(Decimal(number), places) == Decimal(expected)


def test_savings_are_claimed_against_a_named_baseline_at_this_months_volume(make_shop: Callable[..., Shop]) -> None:
    """February: 30.00 for 3000 mm²; March 8.00 for 1000 mm², where 10.00 would have been the rate: 2.00 saved."""
    shop = make_shop(SHOP + '[budget]\nbaseline = "2026-02 to 2026-02"\n')
    row(shop, "2026-02-05 08:00", "invoiced", document="F", cost="30.00")
    row(shop, "2026-03-05 08:00", "invoiced", document="M", cost="8.00")
    row(shop, "2026-03-06 08:00", "bought", "N-1", blade_type="T", cost="380.00", document="N")  # not used up yet
    shop.take(*(stroke(n, n - 20 * 24 * 60, part="P1") for n in range(1, 4)), stroke(4, 60, part="P1"))
    told = month(shop)
    assert told.saving is not None
    assert (told.saving.saved, told.saving.baseline) == (Decimal("2.00"), "2026-02 to 2026-02")
    assert month(shop, "2026-02").saving is None
    (sentence,) = (text for text in story(shop.service.config, told, told.at_us) if text.startswith("Against"))
    assert sentence.replace("\u00a0", " ") == (
        "Against 2026-02 to 2026-02, for the same area: 2.00 saved (8 000.00 a m² as used up, then 10 000.00)."
    )


def test_an_inch_shop_reads_inches(make_shop: Callable[..., Shop], tmp_path: Path) -> None:
    """One square metre is 1 550.0031 in²: 8 000 a m² are 5 161.28 for 1 000 in² on the screen and the page alike."""
    extra = '[budget]\nbaseline = "2026-02 to 2026-02"\n'
    shop = make_shop(SHOP.replace('name = "hall"\n', 'name = "hall"\nunits = "inch"\n') + extra)
    row(shop, "2026-02-05 08:00", "invoiced", document="F", cost="30.00")
    row(shop, "2026-03-05 08:00", "invoiced", document="M", cost="8.00")
    shop.take(*(stroke(n, n - 20 * 24 * 60, part="P1") for n in range(1, 4)), stroke(4, 60, part="P1"))
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="0")
    run(shop, "A-1", "2026-03-02 05:00", "2026-03-04 06:00")
    told = month(shop)
    screen = "\n".join(line.text for line in render(shop.service.config, [told], told.at_us, 120))
    (file,) = save_month(shop.service.config, told, tmp_path / "march.html", told.at_us)
    for text in (screen, file.read_text(encoding="utf-8")):
        plain = text.replace("\u00a0", " ")
        assert "m²" not in plain
        assert "5 161.28" in plain
        assert "a cycle cut 1 times, 1.6 in²" in plain


def test_closing_names_what_is_to_be_done(shop: Shop) -> None:
    """The command writes a row of the month; the next month's page lists its actions."""
    march(shop)
    shop.service.clock = lambda: parse_text("2026-04-03T09:00:00Z")
    asked = ["--config", str(shop.service.config.path), "report", "close", "--month", "2026-03", "--by", "M7"]
    told = CliRunner().invoke(app, [*asked, "--action", "M7: check the clamp of S1", "--action", "E2: ask for prices"])
    assert told.exit_code == 0
    assert month(shop).closed is not None
    assert month(shop, "2026-04").actions == ("M7: check the clamp of S1", "E2: ask for prices")
    assert month(shop).actions == ()


# What is kept of it


def test_the_workbook_holds_values_and_what_the_rows_add_up_to(shop: Shop, tmp_path: Path) -> None:
    """Read back: each figure of the cover is a number, its formula gives the same over the rows; no text computes."""
    march(shop)
    row(shop, "2026-03-21 08:00", "invoiced", document="=1+1", cost="10.00", supplier="+grinder")
    shop.take(*(stroke(n, n * 3, part="P1") for n in range(1, 40)))
    told = month(shop)
    path = tmp_path / "march.xlsx"
    write_workbook(shop.service.config, told, path, told.at_us)
    book = load_workbook(path)
    cover = {
        str(cells[0].value): [cell.value for cell in cells]
        for cells in book["month"].iter_rows()
        if cells[1].value is not None
    }
    assert cover["spent in all"][1] == 577
    assert cover["plates: value at the end"][1] == 1847
    checked = 0
    for name, (_, value, formula, difference) in cover.items():
        if name not in ("", "None") and formula is not None and str(formula).startswith("="):
            assert summed(book, str(formula)) == pytest.approx(float(value)), name
            assert str(difference).startswith("=ROUND(")
            checked += 1
    assert checked >= 16
    texts = [
        cell
        for sheet in book
        for cells in sheet.iter_rows(min_row=4)
        for cell in cells
        if cell.value in ("=1+1", "+grinder")
    ]
    assert [(cell.data_type, cell.quotePrefix) for cell in texts] == [("s", True), ("s", True)]


def summed(book: Any, formula: str) -> float:
    """What a formula of the cover gives, worked out here."""
    found = re.fullmatch(r"=(?:(-?[\d.]+)\+)?SUM\('(.+)'!\$(\w+)\$(\d+):\$\w+\$(\d+)\)", formula)
    if found is not None:
        begin, sheet, letter, first, last = found.groups()
        return float(begin or 0) + sum(book[sheet][f"{letter}{n}"].value or 0 for n in range(int(first), int(last) + 1))
    told = re.fullmatch(r"=SUMIFS\('(.+)'!\$(\w+)\$(\d+):\$\w+\$(\d+),'.+'!\$(\w+)\$\d+:\$\w+\$\d+,\"(.*)\"\)", formula)
    assert told is not None, formula
    sheet, letter, first, last, by, name = told.groups()
    rows = range(int(first), int(last) + 1)
    return sum((book[sheet][f"{letter}{n}"].value or 0 for n in rows if book[sheet][f"{by}{n}"].value == name), 0.0)


def test_plain_tables_speak_the_sites_numbers(make_shop: Callable[..., Shop], tmp_path: Path) -> None:
    """A decimal comma parts columns by semicolons; dates day first; a text that would compute has an apostrophe."""
    shop = make_shop(SHOP.replace('name = "hall"\n', 'name = "hall"\ndecimal = "comma"\ndates = "day-first"\n'))
    march(shop)
    row(shop, "2026-03-21 08:00", "invoiced", document="=1+1", cost="10.00")
    files = list(save_month(shop.service.config, month(shop), tmp_path / "march.csv", 0))
    assert [file.name for file in files] == [
        "march.csv",
        "march-plates.csv",
        "march-not-invoiced.csv",
        "march-work.csv",
        "march-cost-by.csv",
    ]
    lines = files[0].read_text(encoding="utf-8-sig").splitlines()
    assert lines[0] == "day;document;kind;plate;blade_type;supplier;batch;amount;currency;fx_rate;row"
    assert any(line.startswith("03.03.2026;INV-1;new;A-7;T;;;380,00;") for line in lines)
    assert any(line.startswith("21.03.2026;'=1+1;grind;;;;;10,00;") for line in lines)


def test_the_page_holds_all_that_the_screen_says(shop: Shop, tmp_path: Path) -> None:
    """One file that needs nothing else: no address, no script; names are escaped."""
    march(shop)
    row(shop, "2026-03-21 08:00", "dismounted", "A-6", saw="<b>", reason="chipped", planned="no")
    told = month(shop)
    (file,) = save_month(shop.service.config, told, tmp_path / "march.html", told.at_us)
    page = file.read_text(encoding="utf-8")
    assert "Spent 567.00 EUR" in page.replace("\u00a0", " ")
    assert page.count("<svg") == 2
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org", "")
    assert "&lt;b&gt;" in page
    assert "<b>" not in page


# Beside finance


def test_the_account_of_finance_is_matched_by_document(shop: Shop, tmp_path: Path) -> None:
    """One agrees, one differs by a cent, each side lacks one, and theirs is ours of another month."""
    for day, document, cost in (("03", "A", "10.00"), ("04", "B", "20.00"), ("05", "C", "30.00")):
        row(shop, f"2026-03-{day} 10:00", "invoiced", document=document, cost=cost)
    row(shop, "2026-03-06 10:00", "invoiced", cost="5.00")
    row(shop, "2026-04-06 10:00", "invoiced", document="D", cost="40.00")
    path = tmp_path / "account.csv"
    path.write_text(
        "posted;document;amount;text\n3;A;6.00;x\n3;A;4.00;rest\n4;B;20.01;x\n6;D;40.00;x\n7;Z;1,000.00;x\n"
    )
    told = beside_account(shop.service, path, "2026-03")
    assert [one.document for one in told.agree] == ["A"]
    assert [(one.document, str(one.ours), str(one.theirs)) for one in told.differ] == [("B", "20.00", "20.01")]
    assert [one.document for one in told.only_ours] == ["C"]
    assert [(one.document, one.month) for one in told.only_theirs] == [("D", "2026-04"), ("Z", None)]
    assert [str(line.amount) for line in told.nameless] == ["5.00"]
    assert (told.ours, told.theirs) == (65, Decimal("1070.01"))
    asked = ["--config", str(shop.service.config.path), "report", "spend", "--month", "2026-03", "--account", str(path)]
    page = CliRunner(env={"COLUMNS": "80"}).invoke(app, asked).stdout
    assert "The account lacks" in page
    assert "ours is of 2026-04" in page
    assert json.loads(CliRunner().invoke(app, [*asked, "--json"]).stdout)["agree"] == 1
    path.write_text("document,amount\nA,ten\n")
    with pytest.raises(UsageError, match=r"line 2: amount: found 'ten'"):
        beside_account(shop.service, path, "2026-03")
    path.write_text("number,sum\nA,10\n")
    with pytest.raises(UsageError, match="expected document and amount among them"):
        beside_account(shop.service, path, "2026-03")


def balance(entries: list[Entry]) -> Decimal:
    """What debits are above credits."""
    return sum((entry.debit - entry.credit for entry in entries), Decimal(0))


def test_journal_lines_balance_and_carry_the_cost_centres(make_shop: Callable[..., Shop], tmp_path: Path) -> None:
    """The spend by kind over the saws' cost centres, against payables; what is not invoiced against its own account."""
    accounts = ", ".join(f'{kind} = "70{place}"' for place, kind in enumerate((*KINDS, "payable", "expected")))
    text = SHOP.replace('id = "S1"\n', 'id = "S1"\ncost_centre = "K1"\n', 1)
    text = text.replace("spindles = 2\n", 'spindles = 2\ncost_centre = "K2"\n')
    shop = make_shop(text + f"[budget]\naccounts = {{ {accounts} }}\n")
    march(shop)
    row(shop, "2026-03-02 05:00", "mounted", "A-6", saw="S2")
    shop.take(*(stroke(n, n * 3, part="P1") for n in range(1, 31)))
    shop.take(*(stroke(n, n * 3, part="P1", saw="S2") for n in range(1, 11)))
    told = month(shop)
    entries = journal(shop.service.config, told)
    assert balance(entries) == 0
    of_new = {entry.cost_centre: str(entry.debit) for entry in entries if entry.account == "700"}
    assert sum(map(Decimal, of_new.values())) == 360
    assert of_new.keys() == {"K1", "K2"}
    assert [str(entry.credit) for entry in entries if entry.account == "706"] == ["567.00"]
    assert [str(entry.credit) for entry in entries if entry.account == "707"] == ["162.00"]
    path = tmp_path / "journal.csv"
    asked = ["--config", str(shop.service.config.path), "report", "spend", "--month", "2026-03"]
    assert CliRunner().invoke(app, [*asked, "--at", "2026-12-31", "--journal", str(path)]).exit_code == 0
    assert path.read_text(encoding="utf-8-sig").splitlines()[0] == "day,account,cost_centre,debit,credit,text"
    bare = make_shop(SHOP)
    march(bare)
    with pytest.raises(UsageError, match="new, grind, retip, freight, payable, expected missing"):
        journal(bare.service.config, month(bare))


def test_journals_together_are_what_is_known(make_shop: Callable[..., Shop]) -> None:
    """Ordered at 350 in March and posted, billed at 360 in April; a late bill of March: nothing is left over."""
    accounts = ", ".join(f'{kind} = "{kind}"' for kind in (*KINDS, "payable", "expected"))
    shop = make_shop(SHOP + f"[budget]\naccounts = {{ {accounts} }}\n")
    row(shop, "2026-03-02 10:00", "bought", "A-1", blade_type="T", cost="350.00", document="PO")
    row(shop, "2026-03-03 10:00", "received", "A-1")
    row(shop, "2026-04-02 10:00", "month-closed", document="2026-03")
    row(shop, "2026-04-25 10:00", "invoiced", "A-1", blade_type="T", cost="360.00", document="PO")
    row(shop, "2026-03-30 10:00", "invoiced", entered="2026-04-26 10:00", document="late", cost="7.00")
    sums: dict[str, Decimal] = {}
    for label, at in (("2026-03", "2026-04-02T12:00:00Z"), ("2026-04", "2026-05-02T12:00:00Z")):
        _, entries = journal_of(shop.service, label, parse_text(at))
        assert balance(entries) == 0
        for entry in entries:
            sums[entry.account] = sums.get(entry.account, Decimal(0)) + entry.debit - entry.credit
    assert {account: str(amount) for account, amount in sums.items() if amount} == {
        "new": "360.00", "grind": "7.00", "payable": "-367.00",
    }  # fmt: skip


# What happened beside money


def test_suppliers_are_told_by_days_tips_price_and_first_cuts(make_shop: Callable[..., Shop]) -> None:
    """Edges of one grinder take a fifth more energy in their first cuts than those of another; four of each."""
    shop = make_shop(SHOP)
    for number in range(8):
        plate, start = f"A-{number}", number * 1440
        grinder = "grinder-a" if number % 2 else "grinder-b"
        row(shop, "2026-02-10 09:00", "opened", plate, blade_type="T", cost="100.00")
        row(shop, "2026-02-11 09:00", "sent", plate, batch=f"B-{number}", supplier=grinder)
        row(shop, f"2026-02-{15 + number % 2} 09:00", "accepted", plate)
        shop.event(start, "mounted", plate, saw="S1")
        level = 12.0 if number % 2 else 10.0
        idle = (minute(start - 60 + n) for n in range(5))
        shop.take(*(Sample("S1", "1", "power_kw", "", us, 2.0, us) for us in idle))
        cut = {"part": "P1", "duration_s": 2.0, "energy_kj": 4.0 + level, "feed_mm_s": 10.0, "height_mm": 20.0}
        shop.take(*(stroke(number * 200 + n, start + 30 + n, **cut) for n in range(1, 121)))
        shop.event(start + 600, "dismounted", plate, saw="S1", reason="worn-plan")
    row(shop, "2026-03-04 09:00", "invoiced", "A-1", batch="B-1", supplier="grinder-a", document="I", cost="48.00")
    told = {one.name: one for one in month(shop).suppliers}
    assert told["grinder-a"].per_plate == 48
    ratio = (told["grinder-a"].sharpness or 0) / (month_sharpness(shop, "grinder-b"))
    assert ratio == pytest.approx(1.2, rel=0.02)
    february = {one.name: one for one in month(shop, "2026-02").suppliers}
    assert (february["grinder-a"].plates, february["grinder-a"].median_days) == (4, 5)
    assert (february["grinder-b"].plates, february["grinder-b"].worst_days) == (4, 4)


def month_sharpness(shop: Shop, supplier: str) -> float:
    """How sharp a supplier's edges were, as the month of March tells it."""
    known = shop.service.moment(parse_text("2026-12-31T00:00:00Z")).known()
    rows = [standing.event for standing in known.book.line]
    jobs = Jobs(shop.service.config, rows, {p.id: p.blade_type for p in known.fleet.plates.values()})
    period = period_of(shop.service.config, 2026, 3)
    return sharpness_of(known, sharpened_by(known, jobs, rows), period.to_us, known.state_of)[supplier].ratio


def test_a_saw_that_waits_for_a_sharp_blade_is_told(shop: Shop) -> None:
    """Off at 06:00 with none on the rack, the next at 10:30; with one on the rack a stop is no wait."""
    row(shop, "2026-03-01 08:00", "opened", "A-1", blade_type="T", cost="100.00")
    row(shop, "2026-03-02 06:00", "mounted", "A-1", saw="S1")
    row(shop, "2026-03-03 06:00", "dismounted", "A-1", saw="S1", reason="worn-plan")
    row(shop, "2026-03-03 10:00", "bought", "A-2", blade_type="T", cost="380.00")
    row(shop, "2026-03-03 10:10", "accepted", "A-2")
    row(shop, "2026-03-03 10:30", "mounted", "A-2", saw="S1")
    row(shop, "2026-03-04 10:00", "accepted", "A-1")
    row(shop, "2026-03-05 06:00", "dismounted", "A-2", saw="S1", reason="worn-plan")
    row(shop, "2026-03-05 09:00", "mounted", "A-1", saw="S1")
    (wait,) = month(shop).waits
    assert (wait.saw, wait.blade_type, (wait.to_us or 0) - wait.from_us) == ("S1", "T", round(4.5 * 3.6e9))


def test_a_restatement_gives_its_reason(shop: Shop) -> None:
    """The note of the late row, or of the row that corrects."""
    wrong = row(shop, "2026-03-04 10:00", "invoiced", document="B", cost="60.00")
    row(shop, "2026-04-03 10:00", "month-closed")
    cells = {"document": "B", "cost": "66.00", "corrects": wrong.id, "note": "typing error"}
    right = row(shop, "2026-03-04 10:00", "invoiced", entered="2026-04-08 09:00", **cells)
    cells = {"document": "C", "cost": "7.00", "note": "post"}
    late = row(shop, "2026-03-30 10:00", "invoiced", entered="2026-04-09 09:00", **cells)
    closed = month(shop).closed
    assert closed is not None
    assert closed.reasons == {
        wrong.id: f"corrected by row {right.id}: typing error",
        right.id: f"corrects row {wrong.id}: typing error",
        late.id: "entered late: post",
    }


def test_a_new_price_has_no_stroke_read_again(make_shop: Callable[..., Shop]) -> None:
    """What checkpoints depend on names no money; it does name the teeth."""
    texts = (SHOP, SHOP.replace("price = 380", "price = 399"), SHOP.replace("teeth = 96", "teeth = 80"))
    marks = [make_shop(text).service.moment(minute(0)).known().reader._rows_of("S1", "T") for text in texts]
    assert marks[0] == marks[1] != marks[2]


def test_the_invented_shops_months_are_what_it_truly_paid(example: Path) -> None:
    """By kind and month, to the cent, beside the truth that the shop wrote down of itself."""
    truth = json.loads((example.parent / "truth.json").read_text("utf-8"))["spend"]
    assert len(truth) >= 3
    with Service.open(example) as service:
        at_us = service.instant("2026-05-13 14:00")
        for label, kinds in truth.items():
            told = spend(service, label, at_us)
            assert {kind: str(amount) for kind, amount in told.spend.items() if amount} == kinds
            assert told.roll.off == (0, 0)
