"""A month's spend on one page to print, A4 or letter: HTML with its plots inline, black on white."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from bladewatch.config.tables import Config
from bladewatch.format import date_text, year_text
from bladewatch.money import ZERO, money_text, places_of, rounded
from bladewatch.papers.plots import Step, Steps, bars_of, steps_of
from bladewatch.screens.spend import FLOW_WORDS, count_of, number_text, supplier_text
from bladewatch.spending.assets import TAKES
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import LAST_MONTHS, Month
from bladewatch.spending.sharing import CostOf, costs_by
from bladewatch.spending.story import KIND_WORDS, PART_WORDS, part_text, story
from bladewatch.units import IN2_PER_M2, percent, round_to

TOP: Final = 5
HERE: Final = Path(__file__).parent


def page_of(config: Config, month: Month, at_us: int) -> str:
    """The page as HTML that needs nothing else."""
    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )

    def money(amount: Decimal | None, sign: bool = False) -> str:
        told = None if amount is None else rounded(amount, places_of(month.currency))
        return "cannot tell" if told is None else money_text(told, config.site.decimal, sign)

    def short(amount: Decimal | None) -> str:
        return "" if amount is None else money(amount)

    inch, least = config.site.units == "inch", config.budget.known_share
    made = month.work.total
    area = made.area_cmm2 / 1e8 * (IN2_PER_M2 if inch else 1)
    rates = [
        ("per 1 000 cuts", month.per(float(made.cuts), 1000), f"{count_of(made.cuts)} cuts"),
        (
            "per 1 000 in²" if inch else "per m²",
            month.per(area, 1000 if inch else 1),
            number_text(area, "in²" if inch else "m²", config.site.decimal),
        ),
        ("per 1 000 good pieces", month.per(float(made.pieces), 1000), f"{count_of(made.pieces)} pieces"),
    ]
    known = {
        "strokes seen": month.work.strokes_known, "blade on record": month.work.blade_known,
        "alloy known": month.work.alloy_known,
    }  # fmt: skip
    if month.per_km is not None:
        rates.append(("per km of a tooth in metal", month.per_km, f"{round_to(month.told.travel_m / 1000)} km"))
        known["feed known"] = month.told.travel_known
    groups = [
        ("alloy", costs_by(month.shared, lambda row: row.alloy)),
        ("saw", costs_by(month.shared, lambda row: row.saw)),
        ("part", costs_by(month.shared, lambda row: row.part)),
    ]
    return environment.get_template("spend.html.j2").render(
        site=config.site.name,
        month=month,
        from_day=date_text(month.period.first),
        to_day=f"{date_text(month.period.last)} {month.period.last.year}",
        at=year_text(at_us, config.zone),
        story=list(story(config, month, at_us)),
        ties=not any(month.roll.off),
        off=month.roll.off,
        kinds=[(KIND_WORDS[kind], month.spend[kind]) for kind in KINDS if month.spend[kind]],
        budget=None if config.budget.month is None else rounded(config.budget.month, places_of(month.currency)),
        bridge=_bridge(month, money),
        parts=[
            (PART_WORDS[name], amount, part_text(config, month, name))
            for name, amount in month.bridge.parts.items()
            if amount is not None
        ],
        bars=bars_of(
            [(one.label, one.total) for one in month.past] + [(month.period.label, month.total)], money, LAST_MONTHS + 1
        ),
        rates=rates,
        known=[(what, percent(share), share < least) for what, share in known.items() if share is not None],
        groups=[(name, _dearest(costs, config)) for name, costs in groups],
        flows=[
            (words, -month.roll.flows[flow] if flow in TAKES else month.roll.flows[flow],
             -month.roll.plates[flow] if flow in TAKES else month.roll.plates[flow])
            for flow, words in FLOW_WORDS.items()
            if month.roll.flows[flow] or month.roll.plates[flow]
        ],
        money=money,
        short=short,
        round_to=round_to,
        count_of=count_of,
        inch=inch,
        per_area=lambda one: one.per(one.area_m2 * IN2_PER_M2, 1000) if inch else one.per(one.area_m2),
        changes=month.changes,
        supplier_text=lambda one: supplier_text(one, config.site.decimal),
    )  # fmt: skip


def _bridge(month: Month, money: Any) -> Steps:
    told = month.bridge
    begin = told.plan if told.plan is not None else told.allowed
    steps = [Step(PART_WORDS[name], amount) for name, amount in told.parts.items() if amount is not None]
    return steps_of("plan" if told.plan is not None else "allowed", begin, steps, told.spent, money)


def _dearest(costs: Sequence[CostOf], config: Config) -> list[tuple[str, bool, CostOf | None, Decimal]]:
    """The dearest few by name, whether each is marked, and the rest together."""
    least = config.budget.known_share
    found: list[tuple[str, bool, CostOf | None, Decimal]] = [
        (one.name or "not known", one.known is not None and one.known < least, one, one.cost) for one in costs[:TOP]
    ]
    if len(costs) > TOP:
        found.append((f"{len(costs) - TOP} others", False, None, sum((one.cost for one in costs[TOP:]), ZERO)))
    return found
