"""From an answer back to its inputs: each step with its formula, its source and its numbers, and what would help.

The steps are those that ``life`` takes, in the same order and from the same values; nothing is worked out another way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from math import exp
from typing import Final

import numpy as np

from bladewatch import __version__
from bladewatch.assess.assessment import Assessment, Coverage
from bladewatch.assess.condition import urgent_reason
from bladewatch.assess.cycles import STATE_VERSION
from bladewatch.assess.gauges import Change
from bladewatch.assess.life import Life, Working
from bladewatch.assess.moment import Moment, Running
from bladewatch.assess.training import FIT_VERSION, MIN_ALLOY_CYCLES
from bladewatch.config.tables import Config
from bladewatch.format import some_text
from bladewatch.stores.protocols import Issued, Spot
from bladewatch.units import m2_of, percent, round_to
from collectors.instants import to_datetime
from models.evidence import Reading
from models.forecast import Quantity, quantity
from models.running import AS_TOLD, DRAWS, LEVEL_STAYS, SHARP_LATER, STEPPED, WORN_BEFORE, Standing, standing

LEAST_SHOWN: Final = 0.005
SAID_BEFORE: Final = 8
LEAST_STORY: Final = 0.05
STORIES: Final = {
    LEVEL_STAYS: "the level of the saw's last cycle stays",
    STEPPED: "the load stepped in mid-cycle",
    SHARP_LATER: "a sharp blade came on later than recorded",
    WORN_BEFORE: "the edge was worn before its first cut",
}
"""What may have happened beside what is told."""
WIDTH: Final = 1.645
"""Errors to either side of a 90 % range."""
UNITS: Final = {"wear_um": "µm", "edge_index": "of edge index above 1", "area": "of the life"}
_OWN: Final = {
    "idle": "median of the warm hours of four weeks",
    "vibration": "median of the same hour of the days before",
}
_BESIDE: Final = (
    "vibration zones as ISO 20816-3 gives them for rigid mounts, from summaries of it; "
    "idle shares are common practice, no source"
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A number of a step; ``origin`` says where it comes from."""

    name: str
    value: float | int | str | Quantity | None
    unit: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the way, with its formula and the source of it."""

    title: str
    entries: tuple[Entry, ...]
    formula: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Reckoning:
    """The way from inputs to the answer; ``surer`` is what would narrow it, ``said`` what was issued before."""

    assessment: Assessment
    steps: tuple[Step, ...]
    surer: tuple[str, ...]
    said: tuple[Issued, ...]
    versions: tuple[Entry, ...]


def reckon(config: Config, moment: Moment, spot: Spot) -> Reckoning:
    """How the answer for a spindle comes about."""
    assessment, running = moment.examine(spot)
    steps: list[Step] = []
    if running is not None:
        steps.append(_cut(assessment, running))
        working = running.life.working
        if working is not None:
            steps.extend(_by_fit(running, working, config.zone))
        elif running.life.basis == "site-rule":
            steps.append(_by_rule(running))
        steps.append(_verdict(config, assessment, running))
    steps.append(_beside(assessment))
    return Reckoning(
        assessment=assessment,
        steps=tuple(steps),
        surer=tuple(_surer(assessment, running)),
        said=tuple(moment.said(spot, SAID_BEFORE)),
        versions=tuple(_versions(config, running, moment.now_us)),
    )


def _cut(a: Assessment, running: Running) -> Step:
    """What the cycle has done: the rows that everything else rests on."""
    state, coverage = running.state, a.coverage
    entries = [
        Entry("strokes since sharp", state.strokes, "", _strokes_origin(state.strokes, state.seen)),
        Entry("cuts", state.cuts, "", "strokes with metal contact"),
    ]
    entries.extend(
        Entry(f"area of {alloy}", m2_of(area), "m²", "messages, else the part table")
        for alloy, area in sorted(state.area_cmm2.items())
    )
    if state.guessed_cmm2:
        entries.append(Entry("of it guessed", m2_of(state.guessed_cmm2), "m²", "the saw's mean area"))
    if state.inferred:
        entries.append(Entry("cuts whose bars are inferred", state.inferred, "", "from energy: the part's bars vary"))
    for name, share in (("strokes", coverage.strokes), ("alloy", coverage.alloy), ("feed", coverage.feed)):
        entries.append(Entry(f"coverage of {name}", share))
    without = "the other strokes on its saw were cut while no blade was on record" if _lacks_blade(coverage) else ""
    entries.append(Entry("coverage of blade", coverage.blade, "", without))
    entries.extend(
        Entry(f"mounted on {m.saw}/{m.spindle}", m.row, "", "ledger row or message") for m in running.cycle.mounts
    )
    return Step(
        "What the blade has cut since it was sharp", tuple(entries), "area = Σ metal area of each stroke's bars"
    )


def _by_fit(running: Running, working: Working, zone: tzinfo) -> Iterator[Step]:
    unit = UNITS[running.training.scale if running.training is not None else "wear_um"]
    fit, limit = working.fit, working.limit
    entries, together = [], 0.0
    for alloy, area_m2 in sorted(working.areas_m2.items()):
        rate, origin = _rate(running, working, alloy)
        together += rate * area_m2 * limit
        entries.append(Entry(f"{alloy}: wear per m²", rate * limit, f"{unit}/m²", origin))
        entries.append(Entry(f"{alloy}: its area brings", rate * area_m2 * limit, unit))
    if working.evidence.start:
        entries.append(Entry("there before the first cut", working.evidence.start * limit, unit, "used_share"))
    entries.append(Entry("together, at a mean cycle", together, unit))
    entries.append(Entry("spread of cycles", fit.spreads.cycle, "log", some_text(running.life.cycles, "ended cycle")))
    entries.append(Entry("wear by area alone", quantity(_stripped(working).wear * limit), unit))
    yield Step(
        "What that area wears",
        tuple(entries),
        "w = W(c · Σ r_alloy · a_alloy), log c ~ t(σ), r > 0; W adds a break-in and a last stage, W(limit) = limit",
        "bladewatch's own joint fit of wear and load (models/joint.py)",
    )
    if working.standing.loaded:
        yield _by_load(running, working, unit, zone)
    if working.evidence.readings:
        bench = tuple(
            Entry("measured at the bench", reading.wear * limit, unit, "ledger")
            for reading in working.evidence.readings
        )
        yield Step("What the bench measured in this cycle", bench, "log w = log W + error, as at the ends of cycles")
    yield _left(running, working, unit, zone)


def _stripped(working: Working) -> Standing:
    """Where the edge would stand by the areas alone."""
    works = tuple(work._replace(loaded=0) for work in working.evidence.works)
    return standing(working.fit, replace(working.evidence, works=works, readings=()), working.ratios, working.saw)


def _rate(running: Running, working: Working, alloy: str) -> tuple[float, str]:
    """The rate of an alloy at a mean cycle [limits a m²], and where it comes from."""
    fit = working.fit
    if alloy not in fit.names.alloys:
        rate = float(np.median(working.standing.rate(alloy) / working.standing.factor))
        return rate, "no ended cycle has cut it: the mean rate times its stated ratio"
    rate, error = fit.rate(alloy)
    low, high = (working.limit * rate * np.exp(step * error) for step in (-WIDTH, WIDTH))
    how = "close to its stated ratio" if running.life.cycles < MIN_ALLOY_CYCLES else "its own rate"
    evidence = () if running.training is None else running.training.evidence
    cycles = sum(any(work.alloy == alloy for work in cycle.works) for cycle in evidence)
    return rate, f"{low:.3g} to {high:.3g}, {how}, from {some_text(cycles, 'cycle')} that cut it"


def _by_load(running: Running, working: Working, unit: str, zone: tzinfo) -> Step:
    fit, now = working.fit, working.standing
    index = running.state.index.now
    stints = sum(work.loaded > 0 for work in working.evidence.works)
    plain = standing(fit, replace(working.evidence, readings=()), working.ratios, working.saw)
    entries = [
        Entry("comparable warm cuts", now.loaded, "", f"in {stints} stints of one part, lot and feed"),
        Entry("edge index", None if index is None else index.value, "", "edge force beside the sharp edge's"),
        Entry(
            "rise of edge force at the limit",
            quantity(now.rise),
            "× sharp",
            f"{some_text(fit.energies, 'stint')} of ended cycles",
        ),
        Entry("spread of a stint's energy", fit.spreads.row, "log", "one in five may be anything, like galling"),
        Entry("wear by area and load", quantity(plain.wear * working.limit), unit),
    ]
    entries.extend(_changes(running.changes, zone))
    for story, share in sorted(now.stories.items(), key=lambda one: -one[1]):
        if story != AS_TOLD and share >= LEAST_STORY:
            entries.append(Entry(f"that {STORIES[story]}", 100 * share, "%", "how far it fits beside the others"))
    return Step(
        "What its load says",
        tuple(entries),
        "u = (E − P_idle·t)/(A·b); log u = level + log(1 − s + s·(f_own/f_z)·(1 + κ·w)), f_z = v_f/(n·z)",
        "u = K_c + K_e/f_z with K_c, K_e of carbide in aluminium for a start: review in Chinese Journal of Mechanical "
        "Engineering, 2021 (milling)",
    )


def _changes(changes: Sequence[tuple[str, Change]], zone: tzinfo) -> Iterator[Entry]:
    """What changed since it was sharp in how energies are read: of a belt that slips, how far it has come."""
    last = {name: change for name, change in changes if change.slip is not None}
    for name, change in changes:
        since = to_datetime(change.at_us, zone).date().isoformat()
        if change.slip is None:
            much = f"{exp(change.log_scale):.2f} times as much"
            yield Entry(f"power on {name} reads since {since}", much, "", "so idle power stepped: taken off the load")
        elif change is last[name] and change.slip == 0:
            yield Entry(f"spindle of {name} back at its pace since", since, "", "its belt holds again")
        elif change is last[name]:
            how = "a belt that slips: what that does to the load is learnt, and taken off"
            yield Entry(f"spindle of {name} behind its pace on {since}", 100 * change.slip, "%", how)


def _strokes_origin(strokes: int, seen: int) -> str:
    return "each with its message" if seen == strokes else f"{seen} with a message, the others from the counter"


def _witnesses(working: Working) -> str:
    """What the draws of this cycle were weighed by."""
    found = ["what cycles of this type are like"]
    if working.standing.loaded:
        found.append("this cycle's load")
    if working.evidence.readings:
        found.append("the bench reading")
    return " and ".join(found)


def _left(running: Running, working: Working, unit: str, zone: tzinfo) -> Step:
    life, now = running.life, working.standing
    entries = [
        Entry("this cycle's factor c", quantity(now.factor), "", f"by {_witnesses(working)}: {DRAWS} draws"),
        Entry("exposure now, c · Σ r · a", quantity(now.exposure * working.limit), unit),
        Entry("wear now, W of it", quantity(now.wear * working.limit), unit),
        Entry("limit", working.limit, unit, f"blade type {running.plate.blade_type}"),
        Entry("area left", life.remaining_area_m2, "m²"),
        Entry("cuts left", life.remaining_cuts),
    ]
    if life.remaining_cuts is not None:
        entries.append(
            Entry("cuts left, at least", life.remaining_cuts.at_least, "", "nine times in ten: decisions use it")
        )
    if life.due is not None:
        times = [
            to_datetime(us, zone).isoformat(" ", "minutes")[:16] for us in (life.due.estimate_us, life.due.at_least_us)
        ]
        entries.append(Entry("limit met", times[0], "", f"at the earliest {times[1]}, nine times in ten"))
    hours = len([hour for hour in running.recent.values() if hour.cuts])
    coming = sum(working.coming_m2.values())
    if coming > 0:
        mix = ", ".join(f"{alloy} {percent(area / coming)}" for alloy, area in sorted(working.coming_m2.items()))
        entries.append(Entry("coming work", mix, "", f"area by alloy of the last four weeks: {hours} hours with cuts"))
    return Step(
        "What is left, and until when",
        tuple(entries),
        "what is left of the exposure at the limit is run down along jobs drawn from past ones, the running one first; "
        "their cuts are made at the pace of the same weekdays of past weeks",
        "resampling with a fixed seed: the same question has the same answer (models/jobs.py, models/forecast.py)",
    )


def _by_rule(running: Running) -> Step:
    life, blade = running.life, running.blade
    used = life.used_share.estimate if life.used_share is not None else None
    limit = None if blade is None else blade.site_limit_area_m2 if life.limit_kind == "area" else blade.site_limit_cuts
    unit = "m²" if life.limit_kind == "area" else "cuts"
    entries = (
        Entry("limit", limit, unit, f"site rule of blade type {running.plate.blade_type}"),
        Entry("used", None if used is None else 100 * used, "%"),
        Entry("cuts left", life.remaining_cuts),
    )
    return Step("The site's rule, as no model can tell", entries, "used = cut / limit", "site rule, no model")


def _verdict(config: Config, a: Assessment, running: Running) -> Step:
    alerts = config.alerts
    used = running.life.used_share
    entries = [
        Entry("used of the limit, most likely", None if used is None else 100 * used.estimate, "%"),
        Entry("prepare from", 100 * alerts.prepare_share, "%", "[alerts] prepare_share"),
        Entry("prepare when it may not last", alerts.prepare_hours, "h", "[alerts] prepare_hours"),
        Entry("change when it may not last", alerts.change_hours, "h", "[alerts] change_hours, from prepare_share on"),
        Entry("blade by its wear", a.wear_verdict.replace("-", " ")),
    ]
    return Step("What the wear calls for", tuple(entries))


def _beside(a: Assessment) -> Step:
    """The conditions beside the blade, each with what it was held against."""
    entries = []
    for c in a.conditions:
        name = {"idle": "warm idle power", "vibration": f"vibration {c.point}".rstrip()}.get(c.name, c.name)
        value: float | str | None = c.value
        if c.name == "mist" and c.value is not None:
            value = "on" if c.value else "failed"
        entries.append(
            Entry(name, value, c.unit, f"level: {c.level}" + (f", {urgent_reason(c)}" if c.level == "act" else ""))
        )
        if c.own is not None:
            entries.append(Entry("  its own", c.own, c.unit, _OWN[c.name]))
        if c.limit is not None:
            entries.append(Entry("  limit", c.limit, c.unit, "[alerts]"))
    return Step("What stands beside the blade", tuple(entries), "", _BESIDE)


def _surer(a: Assessment, running: Running | None) -> Iterator[str]:
    """What would narrow the answer, the most useful first."""
    if a.seen in ("blind", "never"):
        yield "its messages: while nothing is heard, all of this is as it was last known"
    if running is None:
        yield "record which blade is on: bladewatch blade mounted PLATE --saw SAW"
        return
    working, training = running.life.working, running.training
    if working is None:
        yield from running.life.reasons
    elif training is not None and training.scale == "wear_um" and not working.evidence.readings:
        yield _bench_would(running.life, working)
    if working is not None and running.life.cycles < MIN_ALLOY_CYCLES:
        more = MIN_ALLOY_CYCLES - running.life.cycles
        missing = some_text(more, "more ended cycle")
        yield f"{missing} with a bench reading: from {MIN_ALLOY_CYCLES} on each alloy gets its own rate"
    if working is not None and not working.standing.loaded:
        yield _index_lack(running)
    coverage = a.coverage
    if coverage.alloy is not None and coverage.alloy < 1:
        missing = percent(1 - coverage.alloy)
        yield f"the alloy of the other {missing} of the area: in the part table or in the message"
    if coverage.strokes is not None and coverage.strokes < 1:
        yield f"messages of the {percent(1 - coverage.strokes, 1)} of strokes that only the counter told"
    if coverage.feed is not None and coverage.feed < 1:
        yield f"the feed of the other {percent(1 - coverage.feed)} of cuts"
    if coverage.blade is not None and _lacks_blade(coverage):
        unknown = percent(1 - coverage.blade)
        yield f"which blade cut the {unknown} of strokes made while none was on record: bladewatch blade mounted"


def _lacks_blade(coverage: Coverage) -> bool:
    """Whether so many strokes have no blade on record that a per cent of them shows."""
    return coverage.blade is not None and coverage.blade < 1 - LEAST_SHOWN


def _bench_would(life: Life, working: Working) -> str:
    """How far a bench reading would narrow the wear, if it were what is most likely now."""
    now = quantity(working.standing.wear * working.limit)
    measured = replace(working.evidence, readings=(Reading(now.estimate / working.limit),))
    after = standing(working.fit, measured, working.ratios, working.saw)
    then = quantity(after.wear * working.limit)
    before, since = (_left_of(found) for found in (working.standing, after))
    cuts, left = life.remaining_cuts, ""
    if cuts is not None and before.estimate > 0:
        share = cuts.estimate / before.estimate
        reach = ((round_to(share * found.low), round_to(share * found.high)) for found in (since, before))
        left = ", and what is left as {} to {} cuts, not {} to {}".format(*(text for pair in reach for text in pair))
    return (
        f"a bench reading of this edge at the next stop: its wear, now {now.low:.0f} to {now.high:.0f} µm, would be "
        f"known as about {then.low:.0f} to {then.high:.0f}{left}"
    )


def _left_of(found: Standing) -> Quantity:
    """What is left, in area of a mean alloy."""
    return quantity(np.maximum(1 - found.exposure, 0.0) / found.base)


def _index_lack(running: Running) -> str:
    state = running.state
    have = state.index.comparable
    if state.feed_known < 0.5 * state.cuts:
        return (
            "the feed of each cut (feed_mm_s): without it a slow feed looks like a dull blade, and load tells nothing"
        )
    if have == 0:
        return "energy of each cut with its time in metal, and power between cuts: the load then narrows the range"
    return f"more cuts: the edge index needs some 225 comparable warm cuts of this cycle, {have} are there"


def _versions(config: Config, running: Running | None, now_us: int) -> Iterator[Entry]:
    yield Entry("bladewatch", __version__)
    yield Entry("wear model", FIT_VERSION)
    yield Entry("cycle state", STATE_VERSION)
    if running is None:
        return
    if running.training is not None and running.training.key is not None:
        yield Entry("fit", running.training.key)
        names = [f"{cycle.blade}/{cycle.cycle}" for cycle in running.training.evidence]
        yield Entry("learnt from", ", ".join(names), "", "plate/cycle")
    tables = (("blade_type", config.blade_types, running.plate.blade_type), ("saw", config.saws, running.mount.saw))
    for name, table, row_id in tables:
        rows = table.rows.get(row_id or "", ())
        number = sum(since <= now_us for since, _ in rows)
        yield Entry(f"[[{name}]] {row_id}", f"row {max(number, 1)} of {len(rows)}" if rows else "no row")
