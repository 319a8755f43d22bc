"""A month's tooling spend as one page of text: what was spent and why, what it came to a cut, what blades are worth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from bladewatch.config.tables import Config
from bladewatch.format import date_text, some_text, year_text
from bladewatch.money import ZERO
from bladewatch.screens.figures import Figures, count_of
from bladewatch.screens.words import Line, wrapped
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import Month
from bladewatch.spending.sharing import CostOf
from bladewatch.spending.story import KIND_WORDS, part_text, story

BAR: Final = 12
LEAST_ROOM: Final = 24
"""Where less room is left beside the sums, words there are left out."""
COUNT: Final = 6
"""As much room takes a count of plates."""
LEFT: Final = 24
RIGHT: Final = 12
RATES: Final = 31
MORE_RATES: Final = 28
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
        beside = [f"last month {self._money(month.line[-2].total)}"] if len(month.line) > 1 else []
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
                yield self._row(f"{'~ ' if rate.low else ''}{rate.what}", rate.cost, rate.of)
        marks = ", ".join(f"{'~ ' if one.low else ''}{one.what} {one.share}" for one in self._figures.known())
        yield from self._text(f"{marks}; shared out by {' and '.join(self._month.shared.rules)}", indent="  ")
        for name in ("alloy", "saw", "part"):
            yield from self._dearest(name, self._month.by(name))
        if self._month.told.orders:
            yield from self._dearest("order", self._month.told.orders)
        if len(self._month.line) > 1:
            yield from self._months()
        yield Line("")

    def _dearest(self, name: str, costs: Sequence[CostOf]) -> Iterator[Line]:
        wide = self._width >= LEFT + RIGHT + RATES
        area = "per k in²" if self._figures.inch else "per m²"
        widest = self._width >= LEFT + RIGHT + RATES + MORE_RATES
        heads = f"{'cuts':>10}{'per 1 000':>11}{area:>10}" if wide else ""
        heads += f"{'per k pieces':>14}{'per tooth km':>14}" if widest else ""
        yield Line(f"  {f'by {name}':<{LEFT - 2}}{self._month.currency:>{RIGHT}}{heads}", "bold")
        for what, cost, one, low in self._figures.dearest(costs):
            text = f"{'~ ' if low else '  '}{what[: LEFT - 3]:<{LEFT - 2}}{self._money(cost):>{RIGHT}}"
            if wide and one is not None:
                per = one.per(one.cuts, 1000)
                text += f"{count_of(one.cuts):>10}{self._short(per):>11}{self._short(self._figures.per_area(one)):>10}"
            if widest and one is not None:
                text += f"{self._short(one.per(one.pieces, 1000)):>14}{self._short(one.per_km):>14}"
            yield Line(text)

    def _months(self) -> Iterator[Line]:
        wide = self._width >= LEFT + RIGHT + RATES
        heads = f"{'strokes':>10}{'per 1 000':>11}" if wide else ""
        yield Line(f"  {'month by month':<{LEFT - 2}}{self._month.currency:>{RIGHT}}{heads}", "bold")
        for one in self._month.line:
            rates = f"{count_of(one.strokes):>10}{self._short(one.per_1000):>11}" if wide and one.strokes else ""
            yield Line(f"  {one.label:<{LEFT - 2}}{self._money(one.total):>{RIGHT}}{rates}")

    def _values(self) -> Iterator[Line]:
        roll = self._month.roll
        count = f"{'plates':>8}" if self._width >= LEFT + RIGHT + 2 + COUNT else ""
        yield Line(f"{'Plates':<{LEFT}}{self._month.currency:>{RIGHT}}{count}", "bold")
        opening = "first of all" if roll.begins else "at the beginning"
        yield self._row(opening, roll.opening, f"{roll.opening_plates:>6}", least=COUNT)
        for words, amount, plates in self._figures.flows():
            yield self._row(words, amount, f"{plates:>+6}" if plates else "", least=COUNT)
        states = ", ".join(f"{count} {state}" for state, count in roll.states.items())
        yield self._row("at the end", roll.closing, f"{roll.closing_plates:>6}", "bold", COUNT)
        yield from self._text(states or "no plate on record", indent="  ")
        if self._month.regrinds_left:
            yield from self._text(self._figures.regrinds_left(), indent="  ")
        yield Line("")

    def _blades(self) -> Iterator[Line]:
        yield Line("Blades", "bold")
        for sentence in self._figures.blades():
            yield from self._text(sentence, indent="  ")
        yield Line("")

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

    def _row(self, what: str, amount: Decimal, told: str = "", style: str = "", least: int = LEAST_ROOM) -> Line:
        told = told if self._width - LEFT - RIGHT - 2 >= least else ""
        return Line(f"  {what:<{LEFT - 2}}{self._money(amount):>{RIGHT}}  {told}".rstrip(), style)

    def _short(self, amount: Decimal | None) -> str:
        return "" if amount is None else self._money(amount)

    def _text(self, text: str, style: str = "", indent: str = "") -> Iterator[Line]:
        yield from (Line(line, style) for line in wrapped(text, self._width, indent))
