"""A month's tooling spend as one page of text: what was spent and why, what it came to a cut, what blades are worth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.format import date_text, some_text, year_text
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.screens.figures import Figures, count_of
from bladewatch.screens.words import Line, wrapped
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import Month
from bladewatch.spending.sharing import DIMENSIONS, CostOf, costs_by
from bladewatch.spending.story import KIND_WORDS, part_text, story
from bladewatch.units import IN2_PER_M2, round_to
from collectors.instants import HOUR_US

BAR: Final = 12
LEAST_ROOM: Final = 24
"""Where less room is left beside the sums, words there are left out."""
LEFT: Final = 24
RIGHT: Final = 12
RATES: Final = 31
MOST_LISTED: Final = 12
"""So many restated lines and remarks stand on the page; all are in the JSON."""


def render(config: Config, months: Sequence[Month], at_us: int, width: int) -> list[Line]:
    """The page."""
    lines: list[Line] = []
    for month in months:
        lines.extend(Page(config, month, at_us, width).lines())
    return lines


class Page:
    """One month on a page of a width."""

    def __init__(self, config: Config, month: Month, at_us: int, width: int) -> None:
        self._config, self._month, self._at_us, self._width = config, month, at_us, width
        self._figures = Figures(config, month)
        self._money = self._figures.money

    def lines(self) -> Iterator[Line]:
        """All of it, from the sentence that answers to the rows that do not fit."""
        month, config = self._month, self._config
        head = (
            f"{config.site.name}   tooling spend {month.period.label}   {date_text(month.period.first)} to "
            f"{date_text(month.period.last)} {month.period.last.year}   known by {year_text(self._at_us, config.zone)}"
        )
        yield from self._text(head, "bold")
        yield Line("")
        money, pieces = month.roll.off
        if money or pieces:
            yield from self._text(
                f"THIS REPORT DOES NOT TIE: values off by {self._money(money)} {month.currency}, plates by {pieces}. "
                "It is not to be used. A fault of bladewatch: please report it with the ledger.",
                "bold red",
            )
            return
        for sentence in story(config, month, self._at_us):
            yield from self._text(sentence, "bold")
        yield Line("")
        yield from self._spend()
        yield from self._bridge()
        yield from self._rates()
        yield from self._values()
        yield from self._blades()
        yield from self._rest()

    def _spend(self) -> Iterator[Line]:
        month = self._month
        yield Line(f"{'Spent':<{LEFT}}{month.currency:>{RIGHT}}", "bold")
        for kind in KINDS:
            if month.spend[kind]:
                yield self._row(KIND_WORDS[kind], month.spend[kind])
        past = month.past[-1] if month.past else None
        beside = [f"last month {self._money(past.total)}"] if past is not None else []
        if self._config.budget.month is not None:
            beside.insert(0, f"budget {self._money(self._config.budget.month)}")
        yield self._row("total, without tax", month.total, ", ".join(beside), "bold")
        if month.accrued.standing or month.accrued.opening:
            count = some_text(len(month.accrued.standing), "plate")
            yield self._row("done, not invoiced", month.accrued.closing, f"{count}; in no sum above")
        roll = month.roll.flows
        if month.total != month.amortised:
            bought, used = roll["purchases"] + roll["retips"], roll["consumption"] + roll["write_offs"]
            words = f"bought {self._money(bought)}, used up or gone {self._money(used)}"
            yield self._row("if paid for as used", month.amortised, words)
        yield Line("")

    def _bridge(self) -> Iterator[Line]:
        told = self._month.bridge
        yield Line("From plan to spend", "bold")
        largest = max((abs(amount) for amount in told.parts.values() if amount is not None), default=ZERO)
        if told.plan is not None:
            yield self._row("plan", told.plan)
        for name, amount in told.parts.items():
            if amount is None:
                continue
            mark = "▇" * round(BAR * abs(amount) / largest) if largest else ""
            words = part_text(self._config, self._month, name)
            room = self._width - LEFT - RIGHT - 2
            lines = wrapped(f"{mark} {words}".strip(), room, "") if room >= LEAST_ROOM else [mark[: max(room, 0)]]
            text = f"{name:<{LEFT - 2}}{self._money(amount, sign=True):>{RIGHT}}"
            yield Line(f"  {text}  {lines[0] if lines else ''}".rstrip())
            yield from (Line(" " * (LEFT + RIGHT + 2) + line) for line in lines[1:])
        yield self._row("spent", told.spent, "", "bold")
        if told.lack is not None:
            yield from self._text(f"Cannot tell all parts: {told.lack}.", indent="  ")
        yield Line("")

    def _rates(self) -> Iterator[Line]:
        yield Line("What it came to", "bold")
        if not self._month.work.total.cuts:
            yield from self._text("Cannot tell: no cut of this month is stored.", indent="  ")
            yield Line("")
            return
        for rate in self._figures.rates():
            if rate.cost is None:
                yield from self._text(f"{rate.what}: cannot tell, none is known", indent="  ")
            else:
                yield self._row(rate.what, rate.cost, rate.of)
        marks = ", ".join(f"{'~ ' if one.low else ''}{one.what} {one.share}" for one in self._figures.known())
        yield from self._text(f"{marks}; shared out by {' and '.join(self._month.shared.rules)}", indent="  ")
        for name in ("alloy", "saw", "part"):
            yield from self._dearest(name, costs_by(self._month.shared, DIMENSIONS[name]))
        if self._month.told.orders:
            yield from self._dearest("order", self._month.told.orders)
        yield Line("")

    def _dearest(self, name: str, costs: Sequence[CostOf]) -> Iterator[Line]:
        wide = self._width >= LEFT + RIGHT + RATES
        area = "per k in²" if self._figures.inch else "per m²"
        heads = f"{'cuts':>10}{'per 1 000':>11}{area:>10}" if wide else ""
        yield Line(f"  {f'by {name}':<{LEFT - 2}}{self._month.currency:>{RIGHT}}{heads}", "bold")
        for what, cost, one, low in self._figures.dearest(costs):
            text = f"{'~ ' if low else '  '}{what[: LEFT - 3]:<{LEFT - 2}}{self._money(cost):>{RIGHT}}"
            if wide and one is not None:
                per = one.per(one.cuts, 1000)
                text += f"{count_of(one.cuts):>10}{self._short(per):>11}{self._short(self._figures.per_area(one)):>10}"
            yield Line(text)

    def _values(self) -> Iterator[Line]:
        roll = self._month.roll
        yield Line(f"{'Plates':<{LEFT}}{self._month.currency:>{RIGHT}}{'plates':>8}", "bold")
        opening = "first of all" if roll.begins else "at the beginning"
        yield self._row(opening, roll.opening, f"{roll.opening_plates:>6}")
        for words, amount, plates in self._figures.flows():
            yield self._row(words, amount, f"{plates:>+6}" if plates else "")
        states = ", ".join(f"{count} {state}" for state, count in roll.states.items())
        yield self._row("at the end", roll.closing, f"{roll.closing_plates:>6}", "bold")
        yield from self._text(states or "no plate on record", indent="  ")
        left = self._month.regrinds_left
        if left:
            told = ", ".join(f"{count} with {some_text(regrinds, 'regrind')} left" for regrinds, count in left.items())
            yield from self._text(told, indent="  ")
        yield Line("")

    def _blades(self) -> Iterator[Line]:
        month, units = self._month, self._config.site.units
        changes = month.changes
        yield Line("Blades", "bold")
        for one in month.ended:
            reasons = ", ".join(f"{count} {reason}" for reason, count in one.reasons.items())
            mean = ""
            if one.cuts is not None and one.area_m2 is not None:
                area = one.area_m2 * IN2_PER_M2 if units == "inch" else one.area_m2
                unit = "in²" if units == "inch" else "m²"
                mean = f"; a cycle cut {round_to(one.cuts)} times, {round_to(area)} {unit}"
                if one.before_m2 is not None:
                    earlier = one.before_m2 * IN2_PER_M2 if units == "inch" else one.before_m2
                    mean += f" ({round_to(earlier)} in the half year before)"
            count = some_text(sum(one.reasons.values()), "cycle")
            yield from self._text(f"{one.blade_type}: {count} ended ({reasons}){mean}", indent="  ")
        told = f"{some_text(changes.taken_off, 'blade')} came off, {changes.minutes:g} min"
        told += f"; {changes.unplanned} unplanned, {changes.unplanned_minutes:g} min" if changes.unplanned else ""
        yield from self._text(told, indent="  ")
        extra = self._extra()
        if extra is not None:
            words = "what unplanned changes cost beyond planned ones, in no sum"
            yield from self._text(f"{self._money(extra)} {month.currency}: {words}", indent="    ")
        for saw, reason, times in changes.causes[:3]:
            yield from self._text(f"unplanned: {saw} {reason}, {some_text(times, 'time')}", indent="    ")
        for supplier in month.suppliers:
            yield from self._text(self._figures.supplier(supplier), indent="  ")
        for wait in month.waits:
            end = "still waits" if wait.to_us is None else f"for {(wait.to_us - wait.from_us) / HOUR_US:.1f} h"
            when = year_text(wait.from_us, self._config.zone)
            yield from self._text(f"{wait.saw} waited for a sharp {wait.blade_type} from {when}, {end}", indent="  ")
        if month.kerf_kg:
            told = ", ".join(f"{alloy} {round_to(kg)} kg" for alloy, kg in month.kerf_kg.items())
            value = f", worth {self._money(month.kerf_value)} {month.currency}" if month.kerf_value is not None else ""
            yield from self._text(f"metal that became chips: {told}{value}", indent="  ")
        for scrap in month.told.scraps:
            mass = f", {round_to(scrap.kg)} kg" if scrap.kg else ""
            untold = f", {scrap.untold} without a length" if scrap.untold else ""
            yield from self._text(f"{scrap.alloy}: {some_text(scrap.strokes, scrap.kind)}{mass}{untold}", indent="  ")
        yield Line("")

    def _extra(self) -> Decimal | None:
        """What the month's unplanned changes cost more than planned ones, by the configured costs of both."""
        budget, count = self._config.budget, self._month.changes.unplanned
        if budget.planned_change is None or budget.unplanned_change is None or not count:
            return None
        return rounded(count * (budget.unplanned_change - budget.planned_change), places_of(self._month.currency))

    def _rest(self) -> Iterator[Line]:
        month = self._month
        closed = month.closed
        if closed is not None and (closed.come or closed.gone):
            yield Line("Since the month was closed", "bold")
            changed = [(1, line) for line in closed.come] + [(-1, line) for line in closed.gone]
            for sign, line in changed[:MOST_LISTED]:
                yield self._row("come" if sign > 0 else "gone", sign * line.amount, line.document or line.row)
                when = year_text(line.known_us, self._config.zone)
                text = f"{KIND_WORDS[line.kind]}, entered {when}, {closed.reasons[line.row]}"
                yield from self._text(text, indent=" " * min(LEFT + RIGHT + 4, self._width // 3))
            if len(changed) > MOST_LISTED:
                yield Line(f"  and {len(changed) - MOST_LISTED} more: --json")
        for remark in month.remarks[:MOST_LISTED]:
            yield from self._text(f"row {remark.row}: {remark.text}", indent="  ")
        if len(month.remarks) > MOST_LISTED:
            yield Line(f"  and {len(month.remarks) - MOST_LISTED} more: --json")
        if month.actions:
            yield Line("To be done, as said when the month before was closed", "bold")
            for action in month.actions:
                yield from self._text(f"[ ] {action}", indent="  ")
        yield from self._text(
            "Documents count on the production day of their date; tax is in no sum. Every row: --json.", "dim"
        )

    def _row(self, what: str, amount: Decimal, told: str = "", style: str = "") -> Line:
        told = told if self._width - LEFT - RIGHT - 2 >= LEAST_ROOM else ""
        return Line(f"  {what:<{LEFT - 2}}{self._money(amount):>{RIGHT}}  {told}".rstrip(), style)

    def _short(self, amount: Decimal | None) -> str:
        return "" if amount is None else self._money(amount)

    def _text(self, text: str, style: str = "", indent: str = "") -> Iterator[Line]:
        yield from (Line(line, style) for line in wrapped(text, self._width, indent))
