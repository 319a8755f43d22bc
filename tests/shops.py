"""Small invented shops for the tests, their clock set by hand."""

from __future__ import annotations

from dataclasses import dataclass

from bladewatch.assess.assessment import Assessment
from bladewatch.ledger.events import Event, event_of
from bladewatch.pipeline import enter, ingest
from bladewatch.service import Service
from collectors.facts import Batch, Fact, Stroke
from collectors.instants import parse_text, text_of

T0_US = parse_text("2026-03-02T06:00:00Z")
"""Monday morning of the tests."""
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US

CONFIG = """
[site]
name = "hall"
[[saw]]
id = "S1"
rated_rpm = 2800
load_base_kw = 10
[[saw]]
id = "S2"
spindles = 2
aliases = ["Saw 2"]
[[blade_type]]
id = "T"
teeth = 96
kerf_mm = 4.0
wear_limit_um = 250
[[alloy]]
id = "6063"
aliases = ["EN AW-6063"]
[[part]]
id = "P1"
alloy = "6063"
area_mm2 = 1000
bars = 2
[[part]]
id = "P2"
alloy = "6082"
area_mm2 = 500
"""


def minute(number: float) -> int:
    """An instant, in minutes after Monday morning."""
    return T0_US + round(number * MINUTE_US)


def stroke(
    counter: int, at_minute: float, known_minute: float | None = None, saw: str = "S1", **fields: object
) -> Stroke:
    """A stroke, known a second after its cut unless told otherwise."""
    ts_us = minute(at_minute)
    known_us = ts_us + 1_000_000 if known_minute is None else minute(known_minute)
    return Stroke(saw, "1", ts_us, counter, known_us, **fields)  # type: ignore[arg-type]


@dataclass
class Shop:
    """A shop in a temporary folder, its clock set by hand."""

    service: Service

    def take(self, *facts: Fact) -> None:
        """Store facts in one batch."""
        batch = Batch()
        batch.add(facts)
        ingest(batch, self.service.store, "hall")

    def event(
        self, at_minute: float, name: str, plate: str | None = None, known_minute: float | None = None, **cells: str
    ) -> Event:
        """Enter a ledger event."""
        row = {"event": name, "at": text_of(minute(at_minute)), **cells}
        if plate is not None:
            row["plate"] = plate
        known_us = minute(at_minute if known_minute is None else known_minute)
        event = event_of(row, self.service.zone, entered_us=known_us)
        enter([event], self.service.store)
        return event

    def status(self, at_minute: float) -> dict[tuple[str, str], Assessment]:
        """Assessments by saw and spindle."""
        review = self.service.review(minute(at_minute))
        return {(a.saw, a.spindle): a for a in review.assessments}
