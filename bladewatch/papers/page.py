"""A month's spend on one page to print, A4 or letter: HTML with its plots inline, black on white."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from bladewatch.config.tables import Config
from bladewatch.format import date_text, year_text
from bladewatch.papers.plots import Money, Step, Steps, bars_of, steps_of
from bladewatch.screens.figures import Figures, count_of
from bladewatch.spending.documents import KINDS
from bladewatch.spending.month import LAST_MONTHS, Month
from bladewatch.spending.story import KIND_WORDS, part_text, story

GROUPS: Final = ("alloy", "saw", "part")
HERE: Final = Path(__file__).parent


def page_of(config: Config, month: Month, at_us: int) -> str:
    """The page as HTML that needs nothing else."""
    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )

    figures = Figures(config, month)

    def short(amount: Decimal | None) -> str:
        return "" if amount is None else figures.money(amount)

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
        budget=config.budget.month,
        bridge=_bridge(month, figures.money),
        parts=[
            (name, amount, part_text(config, month, name))
            for name, amount in month.bridge.parts.items()
            if amount is not None
        ],
        bars=bars_of(
            [(one.label, one.total, short(one.per_1000)) for one in month.line],
            figures.money,
            LAST_MONTHS + 1,
        ),
        rates=list(figures.rates()),
        known=list(figures.known()),
        groups=[(name, list(figures.dearest(month.by(name)))) for name in GROUPS],
        flows=list(figures.flows()),
        money=figures.money,
        short=short,
        count_of=count_of,
        inch=figures.inch,
        per_area=figures.per_area,
        blades=list(figures.blades()),
        regrinds_left=figures.regrinds_left(),
    )  # fmt: skip


def _bridge(month: Month, money: Money) -> Steps:
    told = month.bridge
    begin = told.plan if told.plan is not None else told.allowed
    steps = [Step(name, amount) for name, amount in told.parts.items() if amount is not None]
    return steps_of("plan" if told.plan is not None else "allowed", begin, steps, told.spent, money)
