"""Lives of blades as people read them: how many last so long, by what they end, and what a change costs when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from bladewatch.assess.lives import DAMAGE, WEAR, Lives, Verdict
from bladewatch.config.tables import Config
from bladewatch.format import some_text, year_text
from bladewatch.screens.words import Line, caution, wrapped
from bladewatch.units import area_text, percent, round_to
from models.survival import FLAT, Optimum, Step, median_life

CAUSES: Final = {WEAR: "dull", DAMAGE: "chipped, cracked or galled"}
ROWS: Final = 16
BAR: Final = 30
GROUP_WORDS: Final = {
    "blade-type": "blade types", "grinder": "grinders", "saw": "saws", "date": "before and since the date",
}  # fmt: skip


def render(config: Config, lives: Sequence[Lives], at_us: int, width: int) -> list[Line]:
    """One block a blade type."""
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   how long blades last between two grinds"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for one in lives:
        lines.extend((*_block(config, one, width), Line("")))
    return [*lines, *caution(width)]


def _block(config: Config, told: Lives, width: int) -> Iterator[Line]:
    ends = ", ".join(f"{count} {CAUSES[cause]}" for cause, count in told.ends.items())
    head = f"{told.blade_type}   {some_text(told.cycles, 'cycle')}: {ends}; the others only say at least"
    yield from (Line(text, "bold") for text in wrapped(head, width, ""))
    units = config.site.units
    for text in (*_lasting(told.steps, units), *_ended(told), *_ageing(told, units)):
        yield from (Line(line) for line in wrapped(text, width, "  "))
    if told.lack is not None:
        yield from (Line(line) for line in wrapped(f"When a change costs least: cannot tell. {told.lack}", width, "  "))
    elif told.best is not None:
        yield from _best(config, told, told.best, width)


def _lasting(steps: Sequence[Step], units: str) -> Iterator[str]:
    if not steps:
        return
    middle = median_life(steps)
    if middle is None:
        last = steps[-1]
        yield (
            f"More than half last longer than any end seen; at {area_text(last.life, units)} {percent(last.survival)} "
            f"still run (error {percent(last.error)})."
        )
        return
    tenth = next((step.life for step in steps if step.survival <= 0.9), steps[-1].life)
    yield (
        f"Half have ended unplanned by {area_text(middle, units)}, one in ten by {area_text(tenth, units)}; changes by "
        "plan are no ends."
    )


def _ended(told: Lives) -> Iterator[str]:
    if any(told.shares.values()):
        parts = [f"{percent(share)} {CAUSES[cause]}" for cause, share in told.shares.items()]
        yield f"Of all, by the longest life seen: {', '.join(parts)}."


def _ageing(told: Lives, units: str) -> Iterator[str]:
    for age in told.ageing:
        low, high = age.shape
        grows = "grows with age" if low > 1 else "does not surely grow with age"
        yield (
            f"Ends as {CAUSES[age.cause]}: the hazard {grows} (Weibull shape {round_to(age.fit.shape)}, "
            f"{round_to(low)} to {round_to(high)}; scale {area_text(age.fit.scale, units)}, "
            f"{area_text(age.scale_m2[0], units)} to {area_text(age.scale_m2[1], units)}; {age.fit.ends} ends)."
        )


def _best(config: Config, told: Lives, best: Optimum, width: int) -> Iterator[Line]:
    units, money, costs = config.site.units, config.site.currency or "", told.costs
    if costs is not None:
        text = (
            f"A planned change costs {costs.planned:.2f} {money}, an unplanned one {costs.dull:.2f}, with damage "
            f"{costs.damage:.2f}, each with a grind and its share of the plate."
        )
        yield from (Line(line) for line in wrapped(text, width, "  "))
    if best.age is None or best.flat is None:
        text = "Waiting for the end always pays by these costs: a change by plan saves nothing."
        yield from (Line(line) for line in wrapped(text, width, "  "))
        return
    end = area_text(best.flat[1], units) if best.flat[1] < float("inf") else "the end"
    text = f"Change between {area_text(best.flat[0], units)} and {end}: within {percent(FLAT)} of the least cost"
    yield from (Line(line, "bold") for line in wrapped(text, width, "  "))
    sure = "the ends seen are too few to say how sure that is"
    if told.band_m2 is not None:
        low, high = told.band_m2
        sure = f"the least is at {area_text(best.age, units)}, {area_text(low, units)} to "
        sure += f"{area_text(high, units)} by the few ends seen (90 %)"
    saved = percent(1 - best.rate / best.run_out)
    text = f"{sure[0].upper()}{sure[1:]}; it costs {saved} less than never by plan."
    yield from (Line(line) for line in wrapped(text, width, "  "))
    yield from _curve(config, best, width)


def _curve(config: Config, best: Optimum, width: int) -> Iterator[Line]:
    """What a square metre costs by the age of the change: a bar each, the flat part marked."""
    units, age = config.site.units, best.age or 0.0
    shown = [age * (0.4 + 0.1 * number) for number in range(ROWS)]
    rates = [float(best.rates[int(abs(best.ages - at).argmin())]) for at in shown]
    room = max(min(BAR, width - 28), 5)
    least = min(range(ROWS), key=lambda row: abs(shown[row] - age))
    low, high = best.flat or (0.0, 0.0)
    yield Line("  change at    cost an area", "dim")
    for row, (at, rate) in enumerate(zip(shown, rates, strict=True)):
        bar = "#" * min(round(room * rate / best.rate / 2), room)
        mark = " least" if row == least else " flat" if low <= at <= high else ""
        yield Line(f"  {area_text(at, units):>9}  {round_to(rate / best.rate, 3):>6} {bar}{mark}"[:width])


def render_verdicts(config: Config, verdicts: Sequence[Verdict], by: str, at_us: int, width: int) -> list[Line]:
    """Each pair of groups in a paragraph."""
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   lives to the limit: {GROUP_WORDS[by]}"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    if not verdicts:
        lines.append(Line("  cannot tell: there are no two groups on record", "bold"))
    for told in verdicts:
        lines.extend(Line(text) for text in wrapped(_verdict(told), width, "  "))
    note = (
        "Alloys are counted by their stated wear ratios. Groups that differ in saw, part or time differ by these too."
    )
    return [*lines, Line(""), *(Line(text, "dim") for text in wrapped(note, width, "")), *caution(width)]


def _verdict(told: Verdict) -> str:
    pair = f"{told.second} ({some_text(told.cycles[1], 'cycle')}) beside {told.first} ({told.cycles[0]})"
    found = told.compared
    if found is None:
        return f"{pair}: cannot tell, {told.lack}"
    span = f"{round_to(found.low)} to {round_to(found.high)} times, 90 %"
    if not found.decided:
        return f"{pair}: undecided, lasts {round_to(found.ratio)} times as long ({span})"
    word = "longer" if found.ratio > 1 else "shorter"
    return f"{pair}: lasts {word}, {round_to(found.ratio)} times as long ({span})"
