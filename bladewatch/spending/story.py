"""A month in sentences: did we cut more, or did blades die faster? Nothing is claimed that no figure makes."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.format import some_text, year_text
from bladewatch.money import money_text, places_of, rounded
from bladewatch.spending.baseline import Saving
from bladewatch.spending.month import Month
from bladewatch.spending.variance import LIFE, MIX, PRICE, STOCK, UNPLANNED, VOLUME
from bladewatch.units import IN2_PER_M2, NO_BREAK, round_to

KIND_WORDS: Final = {
    "new": "new plates", "grind": "grinding", "tips": "tips replaced", "retip": "new sets of tips",
    "freight": "freight", "other": "other",
}  # fmt: skip
SMALL: Final = Decimal("0.02")
"""What is less than this share of the spend is not worth a sentence."""
_MORE: Final = {
    VOLUME: ("more was cut than planned", "less was cut than planned"),
    MIX: ("harder alloys were cut", "softer alloys were cut"),
    LIFE: ("blades lasted shorter than planned", "blades lasted longer than planned"),
    PRICE: ("work cost more", "work cost less"),
    UNPLANNED: ("tips and plates were lost", "tips and plates came back"),
    STOCK: ("more was bought than used", "more was used than bought"),
}


def story(config: Config, month: Month, at_us: int) -> Iterator[str]:
    """The sentences at the head of the page."""
    said = _Said(config, month)
    yield said.spent()
    yield from said.why()
    saving = month.saving
    if saving is not None:
        yield said.saved(saving)
    if at_us < month.period.to_us:
        yield f"The month runs until {year_text(month.period.to_us, config.zone)}: this is what is known so far."
    closed = month.closed
    if closed is not None:
        by = f" by {closed.by}" if closed.by is not None else ""
        text = f"Closed {year_text(closed.at_us, config.zone)}{by} at {said.money(closed.total)} {month.currency}"
        change = month.total - closed.total
        count = len({line.row for line in (*closed.come, *closed.gone)})
        if change:
            rows = f"{some_text(count, 'row')} below" if count else "by rows that were entered as of before"
            yield f"{text}; restated by {said.money(change, sign=True)} since, {rows}."
        else:
            yield f"{text}; nothing has changed since." if not count else f"{text}; rows changed, the sum did not."


class _Said:
    def __init__(self, config: Config, month: Month) -> None:
        self._config, self._month = config, month

    def money(self, amount: Decimal, sign: bool = False) -> str:
        return money_text(amount, self._config.site.decimal, sign)

    def spent(self) -> str:
        month, plan = self._month, self._month.bridge.plan
        text = f"Spent {self.money(month.total)} {month.currency}"
        if plan is None:
            return f"{text}."
        off = month.total - plan
        if not off:
            return f"{text}, as planned."
        return f"{text}, {self.money(abs(off))} {'more' if off > 0 else 'less'} than planned."

    def saved(self, saving: Saving) -> str:
        """What was saved against the baseline, or why that cannot be told."""
        if saving.saved is None or saving.per_m2_then is None or saving.per_m2 is None:
            return f"Savings against {saving.baseline}: cannot tell, no money or no area of it is on record."
        word = "saved" if saving.saved >= 0 else "lost"
        inch = self._config.site.units == "inch"
        each = 1000 / Decimal(repr(IN2_PER_M2)) if inch else Decimal(1)
        places = places_of(self._month.currency)
        now, then = (rounded(rate * each, places) for rate in (saving.per_m2, saving.per_m2_then))
        unit = f"for 1{NO_BREAK}000 in²" if inch else "a m²"
        rates = f"{self.money(now)} {unit} as used up, then {self.money(then)}"
        return f"Against {saving.baseline}, for the same area: {self.money(abs(saving.saved))} {word} ({rates})."

    def why(self) -> Iterator[str]:
        """More cut, or blades that died faster? Then what else matters, the largest first."""
        parts = self._month.bridge.parts
        least = SMALL * abs(self._month.total)
        asked = [self._said(name, amount) for name in (VOLUME, LIFE) if (amount := parts[name])]
        if asked:
            yield _sentence(asked)
        rest = [(name, amount) for name, amount in parts.items() if amount and name not in (VOLUME, LIFE)]
        told = sorted((pair for pair in rest if abs(pair[1]) > least), key=lambda pair: (-abs(pair[1]), pair[0]))
        if told:
            yield _sentence([self._said(*pair) for pair in told])

    def _said(self, name: str, amount: Decimal) -> str:
        return f"{_MORE[name][amount < 0]}: {self.money(amount, sign=True)}"


def _sentence(parts: list[str]) -> str:
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def part_text(config: Config, month: Month, name: str) -> str:
    """What a part of the way from plan to spend rests on, in a few words."""
    work, roll, spend = month.work.total, month.roll, month.spend

    def money(amount: Decimal) -> str:
        return money_text(amount, config.site.decimal)

    if name == VOLUME:
        planned = month.bridge.cuts
        return f"{round_to(work.cuts, 3)} cuts" + (f", {round_to(float(planned), 3)} planned" if planned else "")
    if name == MIX:
        return "cost of this mix of alloys beside the planned one"
    if name == LIFE:
        ended = sum(sum(one.reasons.values()) for one in month.ended)
        allowed = month.bridge.allowed
        text = f"{some_text(ended, 'cycle')} ended"
        return text if allowed is None else f"{text}; {money(allowed)} allowed for these cuts"
    if name == PRICE:
        return "grinding, freight and plates beside the configured prices"
    if name == UNPLANNED:
        went = roll.flows["write_offs"]
        return f"tips {money(spend['tips'])}, plates that went {money(went)}"
    return "plates and sets of tips bought, less those used up or gone"
