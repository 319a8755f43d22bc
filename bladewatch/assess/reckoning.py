"""From an answer back to its inputs: each step with its formula, its source and its numbers, and what would help.

The steps are those that ``life`` takes, in the same order and from the same values; nothing is worked out another way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from bladewatch import __version__
from bladewatch.assess.assessment import Assessment
from bladewatch.assess.condition import urgent_reason
from bladewatch.assess.cycles import STATE_VERSION
from bladewatch.assess.life import Working
from bladewatch.assess.moment import Moment, Running
from bladewatch.assess.training import FIT_VERSION
from bladewatch.config.tables import Config
from bladewatch.stores.protocols import Issued, Spot
from bladewatch.units import m2_of, percent
from collectors.instants import to_datetime
from models.energy import EDGE_SHARE_MM
from models.forecast import Quantity, quantity
from models.wear import MIN_ALLOY_CYCLES, Bench, Floats, wear_now

SAID_BEFORE: Final = 8
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
    entries.extend(
        Entry(f"mounted on {m.saw}/{m.spindle}", m.row, "", "ledger row or message") for m in running.cycle.mounts
    )
    return Step(
        "What the blade has cut since it was sharp", tuple(entries), "area = Σ metal area of each stroke's bars"
    )


def _by_fit(running: Running, working: Working, zone: tzinfo) -> Iterator[Step]:
    unit = UNITS[running.training.scale if running.training is not None else "wear_um"]
    fit = working.fit
    entries = []
    for alloy, area_m2 in sorted(working.areas_m2.items()):
        rate = fit.rate(alloy)
        entries.append(Entry(f"{alloy}: wear per m²", rate, f"{unit}/m²", _rate_origin(working, alloy)))
        entries.append(Entry(f"{alloy}: its area brings", rate * area_m2, unit))
    expected, relative = fit.expected(working.areas_m2)
    if working.start:
        entries.append(Entry("there before the first cut", working.start, unit, "used_share of the ledger"))
    entries.append(Entry("together, at a mean cycle", expected, unit))
    entries.append(Entry("spread of cycles", fit.sigma, "log", f"{fit.cycles} ended cycles"))
    entries.append(Entry("doubt about the rates", relative**0.5, "log", "covariance of the fit"))
    plain = wear_now(fit, working.areas_m2, working.limit, working.start)
    entries.append(Entry("wear by area alone", quantity(plain.wear), unit))
    yield Step(
        "What that area wears",
        tuple(entries),
        "w = c · Σ r_alloy · a_alloy, log c ~ N(0, σ²), r ≥ 0; fitted in logs by non-negative least squares",
        "bladewatch's own wear model (models/wear.py); spread of tool life: ASME J. Eng. Ind. 93(4) p. 1044, abstract",
    )
    if working.load is not None and fit.load is not None:
        yield _by_load(running, working, unit)
    if working.bench is not None:
        bench = (Entry("measured at the bench", working.bench.wear, unit, "ledger"),)
        yield Step(
            "What the bench measured in this cycle", bench, "from the reading on, wear is it and what came after"
        )
    yield _left(running, working, unit, zone)


def _rate_origin(working: Working, alloy: str) -> str:
    fit = working.fit
    if alloy not in fit.alloys:
        return "no ended cycle has cut it: the pooled rate times its stated ratio"
    if fit.at_bound[fit.alloys.index(alloy)]:
        return "cannot tell from these cycles: held by its stated ratio alone"
    if fit.cycles < MIN_ALLOY_CYCLES:
        return f"one rate from {fit.cycles} cycles, times the stated ratio"
    return f"fitted from {fit.cycles} cycles, drawn towards its stated ratio"


def _by_load(running: Running, working: Working, unit: str) -> Step:
    index, load = running.state.index.now, working.load
    fit_load = working.fit.load
    assert index is not None  # noqa: S101 (a load reading is made from it)
    assert load is not None  # noqa: S101
    assert fit_load is not None  # noqa: S101
    entries = [
        Entry("edge index", index.value, "", f"median of the last {index.cuts} comparable warm cuts"),
        Entry("its standard error", index.error),
        Entry("its baseline lies at", 100 * load.sharp_share, "% of the area cut", "the cycle's first comparable cuts"),
        Entry("it was read at", 100 * load.at_share, "% of the area cut"),
        Entry("rise of the index for wear", fit_load.per_wear, f"per {unit}", f"{fit_load.cycles} ended cycles"),
        Entry("wear that explains it", load.wear(fit_load.per_wear), unit),
    ]
    return Step(
        "What its load says",
        tuple(entries),
        f"u = (E − P_idle·t)/(A·b) = K_c·(1 + I·f*/f_z), f* = {EDGE_SHARE_MM:g} mm, f_z = v_f/(n·z); "
        "1 + excess = (1 + κ·w·at)/(1 + κ·w·baseline)",
        "K_c and K_e of carbide in aluminium: review in Chinese Journal of Mechanical Engineering, 2021 (milling)",
    )


def _strokes_origin(strokes: int, seen: int) -> str:
    return "each with its message" if seen == strokes else f"{seen} with a message, the others from the counter"


def _witnesses(working: Working) -> str:
    """What the draws of this cycle were weighed by."""
    found = ["what cycles of this type are like"]
    if working.draws.with_load:
        found.append("this cycle's load")
    if working.bench is not None:
        found.append("the bench reading")
    return " and ".join(found)


def _left(running: Running, working: Working, unit: str, zone: tzinfo) -> Step:
    life, draws = running.life, working.draws
    entries = [
        Entry("this cycle's factor c", quantity(draws.factors), "", f"by {_witnesses(working)}: 200 draws"),
        Entry("wear now", quantity(draws.wear), unit),
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
        "draws of (limit − w)/c run down along coming weeks; each coming day is the same weekday of a past week",
        "resampling with a fixed seed: the same question has the same answer (models/forecast.py)",
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
    elif training is not None and training.scale == "wear_um" and working.bench is None:
        yield _bench_would(working)
    if working is not None and working.fit.cycles < MIN_ALLOY_CYCLES:
        more = MIN_ALLOY_CYCLES - working.fit.cycles
        yield f"{more} more ended cycles with a bench reading: from {MIN_ALLOY_CYCLES} on each alloy gets its own rate"
    if working is not None and working.load is None:
        yield _index_lack(running)
    coverage = a.coverage
    if coverage.alloy is not None and coverage.alloy < 1:
        missing = percent(1 - coverage.alloy)
        yield f"the alloy of the other {missing} of the area: in the part table or in the message"
    if coverage.strokes is not None and coverage.strokes < 1:
        yield f"messages of the {percent(1 - coverage.strokes, 1)} of strokes that only the counter told"
    if coverage.feed is not None and coverage.feed < 1:
        yield f"the feed of the other {percent(1 - coverage.feed)} of cuts"


def _bench_would(working: Working) -> str:
    """How far a bench reading would narrow the wear, if it were what is most likely now."""
    now = quantity(working.draws.wear)
    expected = working.fit.expected(working.areas_m2)[0]
    after = wear_now(
        working.fit, working.areas_m2, working.limit, working.start, working.load, Bench(now.estimate, expected)
    )
    then = quantity(after.wear)
    before, since = (_within(draws.budgets(working.limit)) for draws in (working.draws, after))
    return (
        f"a bench reading of this edge at the next stop: its wear, now {now.low:.0f} to {now.high:.0f} µm, would be "
        f"known as about {then.low:.0f} to {then.high:.0f}, and what is left to within {since} instead of {before}"
    )


def _within(budgets: Floats) -> str:
    """How far the range of what is left reaches from its middle."""
    left = quantity(budgets)
    middle = left.estimate or 1.0
    return f"{100 * (left.low / middle - 1):+.0f} and {100 * (left.high / middle - 1):+.0f} %"


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
        names = [f"{cycle.plate}/{cycle.number}" for cycle, _ in running.training.learnt]
        yield Entry("learnt from", ", ".join(names), "", "plate/cycle")
    tables = (("blade_type", config.blade_types, running.plate.blade_type), ("saw", config.saws, running.mount.saw))
    for name, table, row_id in tables:
        rows = table.rows.get(row_id or "", ())
        number = sum(since <= now_us for since, _ in rows)
        yield Entry(f"[[{name}]] {row_id}", f"row {max(number, 1)} of {len(rows)}" if rows else "no row")
