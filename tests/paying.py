"""A small invented shop with prices, its ledger written row by row."""

from __future__ import annotations

from shops import CONFIG, Shop

from bladewatch.ledger.events import Event, event_of
from bladewatch.pipeline import enter
from bladewatch.reporting import spend
from bladewatch.spending.month import Month
from collectors.instants import parse_text

PRICES = (
    'price = 380\ngrind_price = 48\ntip_price = 9\nretip_price = 200\nregrinds_expected = 4\nsupplier = "grinder-a"\n'
)
SHOP = CONFIG.replace("wear_limit_um = 250\n", "wear_limit_um = 250\n" + PRICES)
SHOP += '[[alloy]]\nid = "6082"\nwear_ratio = 1.5\n'


def row(shop: Shop, at: str, event: str, plate: str | None = None, entered: str | None = None, **cells: str) -> Event:
    """A ledger row, known when it happened unless told otherwise."""
    texts = {"at": at, "event": event, **({} if plate is None else {"plate": plate}), **cells}
    known_us = None if entered is None else parse_text(f"{entered}:00Z")
    made = event_of(texts, shop.service.zone, entered_us=known_us)
    enter([made], shop.service.store)
    return made


def month(shop: Shop, label: str = "2026-03", at: str = "2026-12-31T00:00:00Z") -> Month:
    """The month as it was known at an instant."""
    found: Month = spend(shop.service, label, parse_text(at))
    return found


def run(shop: Shop, plate: str, on: str, off: str, reason: str = "worn-plan", **cells: str) -> None:
    """A grind cycle on S1."""
    row(shop, on, "mounted", plate, saw="S1")
    row(shop, off, "dismounted", plate, saw="S1", reason=reason, **cells)
