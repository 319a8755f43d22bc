"""What a blade type has learnt, for people: the rate of each alloy, and what saws and blades have of their own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import exp
from typing import Any, Final

from bladewatch.assess.training import MIN_ALLOY_CYCLES, STATED_SPREAD, Training
from bladewatch.config.tables import BladeType
from bladewatch.format import some_text
from models.forecast import Quantity
from models.joint import PRIORS, JointFit

BAND: Final = 1.645
BOUND: Final = 1.282
WIDEST: Final = 4.0
"""A range whose upper end is so many times its lower end tells nothing."""
TOLD: Final = 0.8
"""An error so close to the stated one means that the cycles have told nothing."""


@dataclass(frozen=True, slots=True)
class Rate:
    """The rate of an alloy at its own feed: µm (or shares of the limit) per m², and beside the base alloy.

    Both are None where the cycles do not tell them; ``note`` then says so, and what would fix it.
    """

    alloy: str
    per_m2: Quantity | None
    ratio: Quantity | None
    cycles: int
    note: str


@dataclass(frozen=True, slots=True)
class Own:
    """What a saw or a blade has of its own beside a mean one: the pace of wear, and the rise of edge force."""

    name: str
    pace: Quantity
    rise: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Learnt:
    """A blade type: ``cycles`` tell their end, ``censored`` only that it lasted so long; ``lack`` where no fit is."""

    blade_type: str
    scale: str
    limit: float | None
    cycles: int
    censored: int
    lack: str | None
    base: str | None = None
    rates: tuple[Rate, ...] = ()
    saws: tuple[Own, ...] = ()
    blades: tuple[Own, ...] = ()
    spreads: dict[str, float] | None = None
    rise: Quantity | None = None
    key: str | None = None


def learnt_of(blade: BladeType, training: Training) -> Learnt:
    """What a training tells."""
    fit, limit = training.fit, training.limit
    if fit is None or limit is None:
        return Learnt(blade.id, training.scale, limit, training.counted, 0, training.lack)
    areas: dict[str, tuple[float, int]] = {}
    for evidence in training.evidence:
        for alloy in {work.alloy for work in evidence.works}:
            area, count = areas.get(alloy, (0.0, 0))
            areas[alloy] = area + sum(w.area_m2 for w in evidence.works if w.alloy == alloy), count + 1
    known = [alloy for alloy in areas if alloy != "unknown"]
    base = max(sorted(known), key=lambda alloy: areas[alloy][0]) if known else None
    spreads = {name: getattr(fit.spreads, name) for name in ("cycle", "blade", "edge", "bench", "row")}
    return Learnt(
        blade.id,
        training.scale,
        limit,
        training.counted,
        fit.bounds,
        None,
        base,
        tuple(_rate(fit, limit, alloy, base, areas[alloy][1], training.counted) for alloy in sorted(areas)),
        tuple(Own(saw, _quantity(*fit.saw_pace(saw))) for saw in fit.names.saws),
        tuple(_blades(fit)),
        spreads,
        _quantity(exp(fit.shared[1]), fit.covariance[1][1] ** 0.5),
        training.key,
    )


def _rate(fit: JointFit, limit: float, alloy: str, base: str | None, cycles: int, counted: int) -> Rate:
    rate, error = fit.rate(alloy)
    ratio, ratio_error = fit.ratio(alloy, base) if base is not None else (1.0, 0.0)
    stated = STATED_SPREAD if counted < MIN_ALLOY_CYCLES else PRIORS["ratio"][1]
    if alloy == "unknown":
        note = "area whose alloy nothing tells: held near the mean of all that was cut"
        return Rate(alloy, _quantity(rate * limit, error), _quantity(ratio, ratio_error), cycles, note)
    if counted < MIN_ALLOY_CYCLES:
        more = MIN_ALLOY_CYCLES - counted
        note = f"held close to its stated ratio: {some_text(more, 'more cycle')} with a known end give it its own"
        return Rate(alloy, _quantity(rate * limit, error), _quantity(ratio, ratio_error), cycles, note)
    blind = alloy != base and (ratio_error > TOLD * stated * 2**0.5 or exp(2 * BAND * ratio_error) > WIDEST)
    if blind or exp(2 * BAND * error) > WIDEST:
        note = "cannot tell from these cycles: more that cut it for a larger share, and others that hardly do"
        return Rate(alloy, None, None, cycles, note)
    return Rate(alloy, _quantity(rate * limit, error), _quantity(ratio, ratio_error), cycles, "")


def _blades(fit: JointFit) -> Iterator[Own]:
    for blade in sorted(fit.blades):
        pace, rise = fit.blade_ways(blade)
        yield Own(blade, _quantity(*pace), _quantity(*rise))


def _quantity(middle: float, error: float) -> Quantity:
    """A quantity whose log is normal."""
    return Quantity(middle, middle * exp(-BAND * error), middle * exp(BAND * error), middle * exp(-BOUND * error))


def as_json(learnt: Learnt) -> dict[str, Any]:
    """The contract's object; numbers are not rounded."""
    micrometres = learnt.scale == "wear_um"
    return {
        "blade_type": learnt.blade_type,
        "limit_kind": learnt.scale,
        "cycles": learnt.cycles,
        "censored": learnt.censored,
        "lack": learnt.lack,
        "base_alloy": learnt.base,
        "rates": [
            {
                "alloy": rate.alloy,
                "um_per_m2": rate.per_m2 if micrometres else None,
                "share_per_m2": None if micrometres else rate.per_m2,
                "ratio": rate.ratio,
                "cycles": rate.cycles,
                "note": rate.note,
            }
            for rate in learnt.rates
        ],
        "saws": [{"saw": own.name, "pace": own.pace} for own in learnt.saws],
        "blades": [{"plate": own.name, "pace": own.pace, "rise": own.rise} for own in learnt.blades],
        "spreads": learnt.spreads,
        "rise": learnt.rise,
        "fit": learnt.key,
    }
