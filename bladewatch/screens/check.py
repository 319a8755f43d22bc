"""How well the models foretell, as people read it: one table a way of keeping cycles out, then what it means."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from bladewatch.assess.checking import ISSUED, NAMES, Checked, at_share
from bladewatch.config.tables import Config
from bladewatch.format import some_text, year_text
from bladewatch.screens.words import Line, caution, wrapped
from bladewatch.units import percent, round_to
from models.usage import Choice
from models.validation import PLANNED_AT, RULES, SHARES, Figures, Trial, decision, further

TABLE_WIDTH: Final = 78
TOLD: Final = {
    "cycle": "by fits to the other cycles",
    "blade": "by fits to cycles of other blades",
    "forward": "by fits to cycles that had ended before",
    ISSUED: "as it was said at the time",
}
USAGE_WORDS: Final = {
    "alloys": "area by alloy",
    "travel": "the teeth's way in metal",
    "area": "plain area",
    "cuts": "plain cuts",
}
RULE_WORDS: Final = {"mean_area": "mean area", "mean_cuts": "mean cuts"}


def render(config: Config, checks: Sequence[Checked], at_us: int, width: int) -> list[Line]:
    """One block a blade type."""
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   how well the models foretell"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for checked in checks:
        lines.extend((*_block(checked, width), Line("")))
    return [*lines, *caution(width)]


def _block(checked: Checked, width: int) -> Iterator[Line]:
    if checked.lack is not None:
        yield from (Line(text, "bold") for text in _hanging(f"{checked.blade_type}   cannot tell", width))
        yield from (Line(text) for text in wrapped(checked.lack, width, "  "))
        return
    told = f"{checked.blade_type}   {checked.scored} cycles measured near their limit are asked, of {checked.cycles}"
    yield from (Line(text, "bold") for text in _hanging(told, width))
    for made in checked.trials:
        yield from _trial(made, checked.limit_um or 0.0, width)
    if checked.usage is not None:
        yield from (Line(text) for text in wrapped(_usage(checked.usage), width, "  "))


def _trial(told: Trial, limit_um: float, width: int) -> Iterator[Line]:
    yield from (Line(text) for text in _hanging(f"  {NAMES[told.way]}: {TOLD[told.way]}", width))
    if not told.forecasts:
        yield from (Line(text) for text in wrapped("too few cycles for a forecast", width, "    "))
        return
    with_rules = told.way != ISSUED
    if width >= TABLE_WIDTH:
        rules = f"{'mean area':>11}{'mean cuts':>11}" if with_rules else ""
        yield Line(f"    {'way':<5}{'cycles':>7}{'area left':>13}{'bias':>8}{'in range':>10}{'wear':>11}{rules}", "dim")
    for share in SHARES:
        left, wear, rules_found = at_share(told, share)
        if left is None or wear is None:
            continue
        name, off = percent(share), f"{percent(left.error_share)} off"
        bias, covered = f"{round(100 * left.bias_share):+d} %", percent(left.covered)
        worn = f"{round_to(wear.error * limit_um, 2)} µm off"
        plain = {RULE_WORDS[rule]: _off(rules_found[rule]) for rule in RULES} if with_rules else {}
        if width >= TABLE_WIDTH:
            text = f"    {name:<5}{left.number:>7}{off:>13}{bias:>8}{covered:>10}{worn:>11}"
            yield Line(text + "".join(f"{value:>11}" for value in plain.values()))
        else:
            beside = "".join(f"; {rule} {value}" for rule, value in plain.items())
            asked = f"{name}: {some_text(left.number, 'cycle')}"
            text = f"    {asked}, area left {off}, bias {bias}, in range {covered}, wear {worn}"
            yield from (Line(part) for part in _hanging(text + beside, width))
    for text in (_widened(told), *_decided(told)):
        yield from (Line(part) for part in wrapped(text, width, "    "))


def _widened(told: Trial) -> str:
    """How wide ranges of the area left would have to be."""
    found = {share: left for share in SHARES if (left := at_share(told, share)[0]) is not None}
    wide = {share: left.widening for share, left in found.items() if left.widening is not None}
    if not wide:
        most = max(left.number for left in found.values())
        return f"How wide ranges must be to hold nine in ten: cannot tell by {some_text(most, 'cycle')}, it takes nine."
    by_share = ", ".join(f"{factor:.2g} at {percent(share)}" for share, factor in wide.items())
    return f"Ranges of the area left hold nine in ten of further cycles if they are so many times as wide: {by_share}."


def _off(found: Figures | None) -> str:
    return "-" if found is None else f"{percent(found.error_share)} off"


def _decided(told: Trial) -> Iterator[str]:
    """What plans by the model and by the rules would have come to, and who foretells better."""
    made = {name: decision(told.plans, name) for name in ("model", *RULES)}
    model = made["model"]
    if model is None:
        return
    parts = [
        f"by {RULE_WORDS.get(name, 'the model')} {plan.late} of {plan.number} too late, "
        f"{round_to(plan.wasted_cuts, 2)} cuts unused"
        for name, plan in made.items()
        if plan is not None
    ]
    yield f"Changes planned at {percent(PLANNED_AT)} of the way so that one in ten is late: {'; '.join(parts)}."
    best, nearest = min(((rule, further(told, rule)) for rule in RULES), key=lambda one: one[1].mean_m2)
    if nearest.mean_m2 < -2 * nearest.error_m2:
        yield (
            f"By {RULE_WORDS[best]} ends are foretold better than by the model, and by more than chance explains. "
            "Records may be wrong: see 'bladewatch questions'."
        )
    elif nearest.mean_m2 < 0:
        yield f"By {RULE_WORDS[best]} ends are foretold as well as by the model: what is between them may be chance."


def _usage(choice: Choice) -> str:
    if not choice.errors:
        return f"wear goes with {USAGE_WORDS[choice.usage]}; {choice.cycles} measured ends are too few to choose"
    errors = ", ".join(f"{USAGE_WORDS[usage]} {percent(error)}" for usage, error in choice.errors.items())
    return (
        f"wear goes with {USAGE_WORDS[choice.usage]}, chosen over {choice.cycles} measured ends, each foretold from "
        f"the others without load: {errors} off"
    )


def _hanging(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(width, 20), subsequent_indent="      ", break_on_hyphens=False)
