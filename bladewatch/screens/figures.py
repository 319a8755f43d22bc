"""The figures of a month's spend as the screen and the printed page both show them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.format import some_text, year_text
from bladewatch.money import ZERO, money_text, places_of, rounded
from bladewatch.spending.assets import FLOWS, sign_of
from bladewatch.spending.happened import Changes, Ended, Record, Wait
from bladewatch.spending.month import Month
from bladewatch.spending.orders import SCRAPS, Scrap
from bladewatch.spending.sharing import CostOf
from bladewatch.spending.suppliers import Supplier
from bladewatch.spending.work import area_m2
from bladewatch.units import IN2_PER_M2, KG_PER_LB, NO_BREAK, percent, round_to
from collectors.instants import HOUR_US

TOP: Final = 5
MOST_WAITS: Final = 3
FLOW_WORDS: Final = {
    "opened": "taken onto the record",
    "purchases": "bought",
    "retips": "new sets of tips",
    "found": "found, or first seen",
    "consumption": "used up by grind cycles",
    "write_offs": "gone: scrapped or lost",
}


class Rate(NamedTuple):
    """The spend for each so many of something, and how much of it there was; None where there was none.

    ``low`` where too little of it is known.
    """

    what: str
    cost: Decimal | None
    of: str
    low: bool = False


class Known(NamedTuple):
    """What share of something is known, and whether that is too little."""

    what: str
    share: str
    low: bool


class Dear(NamedTuple):
    """One of the dearest of its kind, or the rest together (``one`` None); ``low`` where too little of it is known."""

    name: str
    cost: Decimal
    one: CostOf | None
    low: bool


class Flow(NamedTuple):
    """A flow of plates in words, as it changes their value and their number."""

    words: str
    amount: Decimal
    plates: int


class Figures:
    """A month's figures by the site's units, currency and decimal sign."""

    def __init__(self, config: Config, month: Month) -> None:
        self._config, self._month = config, month
        self.inch = config.site.units == "inch"

    def money(self, amount: Decimal, sign: bool = False) -> str:
        """An amount in the currency's places."""
        return money_text(rounded(amount, places_of(self._month.currency)), self._config.site.decimal, sign)

    def rates(self) -> Iterator[Rate]:
        """What the month came to."""
        month, made = self._month, self._month.work.total
        area = area_m2(made) * (IN2_PER_M2 if self.inch else 1)
        unit, each = ("in²", 1000) if self.inch else ("m²", 1)
        yield Rate(f"per 1{NO_BREAK}000 cuts", month.per(float(made.cuts), 1000), f"{count_of(made.cuts)} cuts")
        what = f"per 1{NO_BREAK}000 in²" if self.inch else "per m²"
        yield Rate(what, month.per(area, each), f"{self._number(area)} {unit}")
        pieces = f"{count_of(made.pieces)} pieces"
        seen = month.work.strokes_known
        low = seen is not None and self._low(seen)
        yield Rate(f"per 1{NO_BREAK}000 good pieces", month.per(float(made.pieces), 1000), pieces, low)
        if month.per_km is not None:
            km = self._number(month.told.travel_m / 1000, 2)
            low = month.told.travel_known is not None and self._low(month.told.travel_known)
            yield Rate("per km of a tooth", month.per_km, f"{km} km in metal", low)

    def known(self) -> Iterator[Known]:
        """How much of the strokes, blades, alloys and feeds is known."""
        work, told = self._month.work, self._month.told
        shares = {
            "strokes seen": work.strokes_known, "blade on record": work.blade_known, "alloy known": work.alloy_known,
            "feed known": told.travel_known if told.travel_m else None,
        }  # fmt: skip
        for what, share in shares.items():
            if share is not None:
                yield Known(what, percent(share), self._low(share))

    def dearest(self, costs: Sequence[CostOf]) -> Iterator[Dear]:
        """The dearest few, and the rest together."""
        for one in costs[:TOP]:
            yield Dear(one.name or "not known", one.cost, one, one.known is not None and self._low(one.known))
        if len(costs) > TOP:
            yield Dear(some_text(len(costs) - TOP, "other"), sum((one.cost for one in costs[TOP:]), ZERO), None, False)

    def per_area(self, one: CostOf) -> Decimal | None:
        """What one of them cost a m², or 1 000 in²."""
        return one.per(one.area_m2 * IN2_PER_M2, 1000) if self.inch else one.per(one.area_m2)

    def flows(self) -> Iterator[Flow]:
        """What changed the value or the number of plates."""
        roll = self._month.roll
        for flow in FLOWS:
            if roll.flows[flow] or roll.plates[flow]:
                yield Flow(FLOW_WORDS[flow], sign_of(flow) * roll.flows[flow], sign_of(flow) * roll.plates[flow])

    def regrinds_left(self) -> str:
        """How many plates have how many regrinds left; nothing where no plate is told."""
        pairs = list(self._month.regrinds_left.items())
        if not pairs:
            return ""
        (left, count), *rest = pairs
        first = f"{some_text(count, 'plate')} with {some_text(left, 'regrind')} left"
        return ", ".join([first, *(f"{count} with {left}" for left, count in rest)])

    def blades(self) -> Iterator[str]:
        """What happened to blades, a sentence each."""
        month = self._month
        for ended in month.ended:
            yield self._ended(ended)
        yield from self._changes(month.changes)
        for one in month.suppliers:
            yield self.supplier(one)
        yield from self._waits(month.waits)
        if month.kerf_kg:
            told = ", ".join(f"{alloy} {self._mass(kg)}" for alloy, kg in month.kerf_kg.items())
            value = f", worth {self.money(month.kerf_value)} {month.currency}" if month.kerf_value is not None else ""
            yield f"metal that became chips: {told}{value}"
        for kind in SCRAPS:
            scraps = [scrap for scrap in month.told.scraps if scrap.kind == kind]
            if scraps:
                none = "" if any(scrap.kg for scrap in scraps) else "; none with a length to tell its mass"
                yield f"{kind}s: {', '.join(self._scrap(scrap) for scrap in scraps)}{none}"
        yield self._record(month.record)

    def _waits(self, waits: Sequence[Wait]) -> Iterator[str]:
        """Saws that waited for a sharp blade, the longest first."""
        if not waits:
            return
        hours = {wait: self._hours(wait) for wait in waits}
        longest = sorted(waits, key=lambda wait: -hours[wait])
        for wait in longest[:MOST_WAITS]:
            end = "still waits" if wait.to_us is None else f"for {self._number(hours[wait], 2)} h"
            when = year_text(wait.from_us, self._config.zone)
            yield f"{wait.saw} waited for a sharp {wait.blade_type} from {when}, {end}"
        if len(longest) > MOST_WAITS:
            rest = self._number(sum(hours.values()), 2)
            yield f"and {some_text(len(longest) - MOST_WAITS, 'other wait')}; {rest} h in all"

    def _hours(self, wait: Wait) -> float:
        until_us = self._month.at_us if wait.to_us is None else wait.to_us
        return max(until_us - wait.from_us, 0) / HOUR_US

    def _ended(self, one: Ended) -> str:
        reasons = ", ".join(f"{count} {reason}" for reason, count in one.reasons.items())
        text = f"{one.blade_type}: {some_text(sum(one.reasons.values()), 'cycle')} ended ({reasons})"
        if one.cuts is None or one.area_m2 is None:
            return text
        text += f"; a cycle cut {count_of(one.cuts)} times, {self._area(one.area_m2)}"
        return text if one.before_m2 is None else f"{text} ({self._area(one.before_m2)} in the half year before)"

    def _changes(self, changes: Changes) -> Iterator[str]:
        text = f"{some_text(changes.taken_off, 'blade')} came off"
        if changes.timed:
            text += f", {self._minutes(changes.minutes)} min, {changes.minutes / changes.timed:.0f} each"
            if changes.timed < changes.taken_off:
                text += f" of the {changes.timed} whose minutes are told"
        if not changes.unplanned:
            yield text
            return
        yield f"{text}; {changes.unplanned} unplanned, {self._minutes(changes.unplanned_minutes)} min"
        budget = self._config.budget
        if budget.planned_change is not None and budget.unplanned_change is not None:
            extra = changes.unplanned * (budget.unplanned_change - budget.planned_change)
            yield f"{self.money(extra)} {self._month.currency}: beyond what planned changes cost, in no sum"
        yield "unplanned: " + ", ".join(f"{saw} {reason} {times}" for saw, reason, times in changes.causes[:3])

    def _record(self, record: Record) -> str:
        """How far the record can be trusted."""
        told = (
            ("stroke", "counted and not seen", record.unseen),
            ("stroke", "with no blade on record", record.bare),
            ("change", "of blade nobody had written, confirmed since", record.confirmed),
            ("row", "in contradiction to others", record.contradictions),
            ("row", "entered a day late or later", record.late),
        )
        said = ", ".join(f"{count_of(n)} {noun}{'' if n == 1 else 's'} {what}" for noun, what, n in told if n)
        return f"the record: {said}" if said else "the record: nothing missing, contradicted or late"

    def _scrap(self, scrap: Scrap) -> str:
        text = f"{count_of(scrap.strokes)} of {scrap.alloy}"
        if not scrap.kg:
            return text
        untold = f", {count_of(scrap.untold)} without a length" if scrap.untold else ""
        return f"{text} ({self._mass(scrap.kg)}{untold})"

    def _mass(self, kg: float) -> str:
        return f"{self._number(kg / KG_PER_LB, 2)} lb" if self.inch else f"{self._number(kg, 2)} kg"

    def _minutes(self, minutes: Decimal) -> str:
        whole = minutes == minutes.to_integral_value()
        return count_of(float(minutes)) if whole else money_text(minutes.normalize(), self._config.site.decimal)

    def _area(self, area_m2: float) -> str:
        return f"{self._number(area_m2 * IN2_PER_M2, 2)} in²" if self.inch else f"{self._number(area_m2, 2)} m²"

    def supplier(self, one: Supplier) -> str:
        """A supplier's month in a line."""
        text = f"{one.name}: {some_text(one.plates, 'plate')} came back"
        if one.median_days is not None and one.worst_days is not None:
            text += f", {some_text(round(one.median_days), 'day')} in the middle, {one.worst_days:.0f} at most"
        text += f", {one.rejects} rejected, {some_text(one.tips, 'tip')}"
        if one.per_plate is not None:
            text += f", {self.money(one.per_plate)} a plate"
        if one.sharpness is not None:
            word = "more" if one.sharpness >= 1 else "less"
            text += f"; first cuts took {percent(abs(one.sharpness - 1))} {word} than usual (from {one.edges} edges)"
        return text

    def _low(self, share: float) -> bool:
        return share < self._config.budget.known_share

    def _number(self, value: float, digits: int = 4) -> str:
        text = round_to(value, digits)
        return text.replace(".", ",") if self._config.site.decimal == "comma" else text


def count_of(count: float) -> str:
    """A count, whole, thousands apart."""
    return f"{round(count):,}".replace(",", NO_BREAK)
