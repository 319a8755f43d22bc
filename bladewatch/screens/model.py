"""What the blade types have learnt, as people read it: rates by alloy, then what saws and blades have of their own."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from bladewatch.assess.learnt import Learnt, Own, Rate
from bladewatch.config.tables import Config
from bladewatch.format import some_text, year_text
from bladewatch.screens.words import Line, caution, wrapped
from bladewatch.units import IN2_PER_M2, NO_BREAK, percent, round_to
from models.forecast import Quantity

ENDS: Final = {
    "wear_um": "with a bench reading of wear",
    "edge_index": "with a load that tells the end",
    "area": "declared dull",
}
TABLE_WIDTH: Final = 78
STANDS_OUT: Final = 1.1
"""A saw or a blade is named where its whole range lies this far from a mean one."""


def render(config: Config, models: Sequence[Learnt], at_us: int, width: int) -> list[Line]:
    """One block a blade type."""
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   what the blades have taught"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for model in models:
        lines.extend((*_block(config.site.units, model, width), Line("")))
    return [*lines, *caution(width)]


def _block(units: str, model: Learnt, width: int) -> Iterator[Line]:
    if model.lack is not None:
        yield from (Line(text, "bold") for text in _hanging(f"{model.blade_type}   cannot tell", width))
        yield from (Line(text) for text in wrapped(model.lack, width, "  "))
        return
    told = f"{model.blade_type}   from {some_text(model.cycles, 'cycle')} {ENDS[model.scale]}"
    if model.censored:
        told += f"; {model.censored} more only say at least"
    yield from (Line(text, "bold") for text in _hanging(told, width))
    unit = "in²" if units == "inch" else "m²"
    per = f"µm per {unit}" if model.scale == "wear_um" else f"% of the life per {unit}"
    factor = (1.0 if model.scale == "wear_um" else 100.0) / (IN2_PER_M2 if units == "inch" else 1.0)
    if width >= TABLE_WIDTH:
        head = f"  {'alloy':<10} {per + ', 90 % range':<28} {f'beside {model.base}':<24} {'cycles':>6}"
        yield Line(head, "dim")
    for rate in model.rates:
        yield from _rate(rate, factor, per, model.base, width)
    yield from (Line(text) for text in wrapped(_spread(model), width, "  "))
    for what, named in _standing_out(model):
        if named:
            yield from (Line(text) for text in _hanging(f"  {what}: {', '.join(named)}", width))


def _rate(rate: Rate, factor: float, per: str, base: str | None, width: int) -> Iterator[Line]:
    wear = "cannot tell" if rate.per_m2 is None else _range(rate.per_m2, factor)
    beside = "1" if rate.alloy == base else "cannot tell" if rate.ratio is None else _range(rate.ratio)
    if width >= TABLE_WIDTH:
        yield Line(f"  {rate.alloy:<10} {wear:<28} {beside:<24} {rate.cycles:>6}".rstrip())
    else:
        text = f"  {rate.alloy}: {wear} {per}; beside {base} {beside}; {some_text(rate.cycles, 'cycle')}"
        yield from (Line(part) for part in _hanging(text, width))
    if rate.note:
        yield from (Line(text, "dim") for text in wrapped(rate.note, width, "    "))


def _range(q: Quantity, factor: float = 1.0) -> str:
    """A middle with its range.

    >>> _range(Quantity(34.81, 32.11, 37.92, 33.0))
    '34.8 (32.1 to 37.9)'
    """
    middle, low, high = (round_to(value * factor, 3) for value in (q.estimate, q.low, q.high))
    return f"{middle} ({low} to {high})"


def _spread(model: Learnt) -> str:
    spreads, rise = model.spreads or {}, model.rise
    words = {"cycle": "cycles", "blade": "blades", "bench": "the bench", "row": "the energy of a stint"}
    parts = [f"{word} by {percent(spreads[name], 0 if spreads[name] > 0.02 else 1)}" for name, word in words.items()]
    text = f"each alloy at its own feed; spread of {', '.join(parts)}"
    if rise is not None:
        text += f"; edge force at the limit {round_to(1 + rise.estimate, 2)}{NO_BREAK}times sharp"
    return text


def _standing_out(model: Learnt) -> Iterator[tuple[str, list[str]]]:
    """Saws and blades that are surely not like a mean one, each with how many times as fast."""

    def named(owns: Sequence[Own], rise: bool = False) -> list[str]:
        found = [(own.name, own.rise if rise else own.pace) for own in owns]
        return [f"{name} {_range(q)}" for name, q in found if q and (q.low > STANDS_OUT or q.high < 1 / STANDS_OUT)]

    yield "saws on which blades wear at another pace, beside a mean saw", named(model.saws)
    yield "blades that wear at another pace, beside a mean blade", named(model.blades)
    yield "blades whose load rises otherwise with wear, beside a mean blade", named(model.blades, rise=True)


def _hanging(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(width, 20), subsequent_indent="    ", break_on_hyphens=False)
