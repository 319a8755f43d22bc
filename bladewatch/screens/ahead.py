"""What blades will cost: the months to come, and the blades of an order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any

from bladewatch.assess.assessment import quantity_json
from bladewatch.config.tables import Config
from bladewatch.format import band_text, time_text, year_text
from bladewatch.screens.words import Line, wrapped
from bladewatch.spending.ahead import Ahead
from bladewatch.spending.quote import Quote
from bladewatch.units import area_text, round_to
from models.forecast import Quantity


def ahead_json(told: Ahead, zone: tzinfo, currency: str) -> dict[str, Any]:
    """The months to come as JSON."""
    return {
        "at": time_text(told.at_us, zone),
        "currency": currency,
        "jobs": told.jobs,
        "spans": [
            {
                "months": one.label, "from": time_text(one.from_us, zone), "to": time_text(one.to_us, zone),
                "spend": quantity_json(one.spend), "grinds": quantity_json(one.grinds),
                "plates": quantity_json(one.plates),
            }
            for one in told.spans
        ],
        "lack": told.lack,
        "left_out": list(told.left_out),
    }  # fmt: skip


def render_ahead(config: Config, told: Sequence[Ahead], at_us: int, width: int) -> list[Line]:
    """The months to come."""
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   tooling spend to come, {config.site.currency}"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for one in told:
        if one.lack is not None:
            lines.extend(Line(text) for text in wrapped(f"Cannot tell: {one.lack}.", width, ""))
        for span in one.spans:
            text = (
                f"{span.label}: most likely {_by_site(config, band_text(span.spend))}; plates ground "
                f"{_count(span.grinds)}, bought {_count(span.plates)}"
            )
            lines.extend(Line(part) for part in wrapped(text, width, "  "))
        if one.spans:
            text = (
                f"From {one.jobs} plates that went to the grinder in the last quarter, forecasts of the running "
                "blades, prices and regrinds left. In brackets the 90 % range."
            )
            if one.left_out:
                text += f" In no figure: {'; '.join(one.left_out)}."
            lines.extend((Line(""), *(Line(part) for part in wrapped(text, width, ""))))
    return lines


def _by_site(config: Config, text: str) -> str:
    """Numbers by the site's decimal sign."""
    return text.replace(".", ",") if config.site.decimal == "comma" else text


def _count(told: Quantity) -> str:
    return f"{told.estimate:.0f} ({told.low:.0f} to {told.high:.0f})"


def quote_json(told: Quote) -> dict[str, Any]:
    """A quote as JSON."""
    return {
        "blade_type": told.blade_type,
        "area_m2": told.area_m2,
        "cycles": quantity_json(told.cycles),
        "cycle_cost": told.cycle_cost,
        "cycle_cost_parts": told.parts,
        "cost": quantity_json(told.money),
        "per_1000_pieces": quantity_json(told.per_1000),
        "basis": told.basis,
        "lack": told.lack,
    }


def render_quotes(config: Config, told: Sequence[Quote], _at_us: int, width: int) -> list[Line]:
    """Quotes by blade type."""
    return [line for one in told for line in _quote(config, one, width)]


def _quote(config: Config, one: Quote, width: int) -> Iterator[Line]:
    money = config.site.currency
    if one.money is None or one.per_1000 is None or one.cycles is None or one.cycle_cost is None:
        yield from (Line(text) for text in wrapped(f"{one.blade_type}: cannot tell. {one.lack}.", width, ""))
        return
    area, cost = area_text(one.area_m2, config.site.units), band_text(one.money, money)
    head = f"{one.blade_type}: blades for {_by_site(config, area)} cost {_by_site(config, cost)}"
    yield from (Line(text, "bold") for text in wrapped(head, width, ""))
    parts = ", ".join(f"{name} {round_to(value, 3)}" for name, value in one.parts.items() if value)
    for text in (
        _by_site(config, f"{band_text(one.per_1000, money)} for 1 000 pieces"),
        _by_site(config, f"{band_text(one.cycles)} grind cycles at {round_to(one.cycle_cost, 3)} {money} ({parts})"),
        f"by {one.basis}; in brackets the 90 % range",
    ):
        yield from (Line(line) for line in wrapped(text, width, "  "))
