"""How well a blade type's model foretells: by cycles that it did not learn from, and by what was said at the time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import msgspec

from bladewatch.assess.training import MIN_CYCLES, Training, ratios_of, refit
from bladewatch.config.tables import BladeType, Config
from bladewatch.ledger.fleet import Cycle, Plate
from bladewatch.stores.protocols import Books
from models.evidence import CycleEvidence
from models.forecast import Quantity
from models.joint import JointFit
from models.usage import Choice, choose
from models.validation import RULES, SHARES, WAYS, WORN, Ended, Figures, Forecast, Trial, decision, figures, trial

ISSUED: Final = "issued"
NAMES: Final = {
    "cycle": "leave-one-cycle-out",
    "blade": "leave-one-blade-out",
    "forward": "forward",
    ISSUED: "as issued",
}
NEAR: Final = 0.06
"""A forecast as issued stands for a share of the way where it was said so little before it."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A blade type's trials; ``limit_um`` turns wear into micrometres. ``lack`` says why there are none."""

    blade_type: str
    limit_um: float | None
    cycles: int
    censored: int
    lack: str | None
    usage: Choice | None = None
    trials: tuple[Trial, ...] = ()

    @property
    def scored(self) -> int:
        """How many cycles have a measured end that is near the limit."""
        return max((trial.asked for trial in self.trials), default=0)


Progress = Callable[[str, str, int, int], None]


def checked_of(
    config: Config,
    blade: BladeType,
    training: Training,
    plates: Mapping[str, Plate],
    now_us: int,
    progress: Progress = lambda *_told: None,
) -> Checked:
    """The trials of a blade type by the cycles known at a moment."""
    fit, limit = training.fit, training.limit
    if fit is None or limit is None:
        return Checked(blade.id, None, training.counted, 0, training.lack)
    if training.scale != "wear_um":
        lack = "no bench reading of wear tells what was right: measure blades when they come off"
        return Checked(blade.id, None, training.counted, fit.bounds, lack)
    ended = [one for one, _ in _ended(training.evidence, plates)]
    ratios = ratios_of(config, {work.alloy for one in ended for work in one.evidence.works}, now_us)

    def fitted(evidence: Sequence[CycleEvidence]) -> JointFit | None:
        measured = sum(any(r.kind == "measured" for r in cycle.readings) for cycle in evidence)
        return refit(evidence, ratios, training.scale, limit, measured) if measured >= MIN_CYCLES else None

    trials = tuple(trial(way, ended, fitted, ratios, partial(progress, blade.id, NAMES[way])) for way in WAYS)
    return Checked(blade.id, limit, training.counted, fit.bounds, None, choose(training.evidence, ratios), trials)


def _ended(evidence: Sequence[CycleEvidence], plates: Mapping[str, Plate]) -> Iterator[tuple[Ended, Cycle]]:
    for one in evidence:
        cycle = next((c for c in plates[one.blade].cycles if c.number == one.cycle), None)
        if cycle is not None:
            yield Ended(one, cycle.opened_us, one.ended), cycle


class _Told(msgspec.Struct):
    """What of a forecast as issued is scored."""

    plate: str | None = None
    cycle: int | None = None
    area_m2: float = 0.0
    wear_um: Quantity | None = None
    remaining_area_m2: Quantity | None = None


def issued_of(blade: BladeType, training: Training, plates: Mapping[str, Plate], books: Books, now_us: int) -> Checked:
    """What was said at the time, beside the bench's reading at the end of each cycle.

    A forecast counted on the limit, so a life is stretched to it from the end by the wear that was measured there.
    """
    limit = blade.wear_limit_um
    if limit is None:
        return Checked(blade.id, None, 0, 0, f"blade type {blade.id} has no wear_limit_um")
    forecasts: list[Forecast] = []
    asked = 0
    for one, cycle in _ended(training.evidence, plates):
        if one.worn is None or one.worn < WORN:
            continue
        asked += 1
        said = sorted(_said(cycle, books, now_us), key=lambda told: told.area_m2)
        forecasts.extend(_at_shares(one, one.worn, said, limit))
    lack = None if forecasts else "no forecast was issued in the course of a cycle that was measured at its end"
    told = Trial(ISSUED, asked, tuple(forecasts), ())
    return Checked(blade.id, limit, training.counted, 0, lack, None, (told,))


def _said(cycle: Cycle, books: Books, now_us: int) -> Iterator[_Told]:
    for mount in cycle.mounts:
        until_us = min(mount.to_us or now_us, now_us)
        for issued in books.forecasts((mount.saw, mount.spindle), until_us, now_us, after_us=mount.from_us):
            told = msgspec.json.decode(issued.assessment, type=_Told)
            if told.plate == cycle.plate and told.cycle == cycle.number:
                yield told


def _at_shares(one: Ended, worn: float, said: Sequence[_Told], limit_um: float) -> Iterator[Forecast]:
    life_m2 = one.area_m2 / worn
    for share in SHARES:
        before = [told for told in said if (share - NEAR) * one.area_m2 <= told.area_m2 <= share * one.area_m2]
        told = before[-1] if before else None
        if told is None or told.remaining_area_m2 is None or told.wear_um is None:
            continue
        wear = worn * told.area_m2 / one.area_m2
        q = told.wear_um
        as_share = Quantity(q.estimate / limit_um, q.low / limit_um, q.high / limit_um, q.at_least / limit_um)
        left_m2 = max(life_m2 - told.area_m2, 0.0)
        yield Forecast(one.evidence.key, share, left_m2, told.remaining_area_m2, wear, as_share, {})


def as_json(checked: Checked) -> dict[str, Any]:
    """The contract's object: per way of keeping cycles out, figures at each share; numbers are not rounded."""
    return {
        "blade_type": checked.blade_type,
        "cycles": checked.cycles,
        "censored": checked.censored,
        "scored": checked.scored,
        "lack": checked.lack,
        "usage": None
        if checked.usage is None
        else {"chosen": checked.usage.usage, "errors": dict(checked.usage.errors), "cycles": checked.usage.cycles},
        "ways": {NAMES[told.way]: _way_json(told, checked.limit_um or 0.0) for told in checked.trials},
    }


def _way_json(told: Trial, limit_um: float) -> dict[str, Any]:
    plans = {name: decision(told.plans, name) for name in ("model", *RULES)}
    return {
        "shares": [_share_json(told, share, limit_um) for share in SHARES],
        "decision": {
            name: None if made is None else {"planned": made.number, "late": made.late, "wasted_cuts": made.wasted_cuts}
            for name, made in plans.items()
        },
    }


def _share_json(told: Trial, share: float, limit_um: float) -> dict[str, Any]:
    left, wear, rules = at_share(told, share)
    return {
        "share": share,
        "forecasts": 0 if left is None else left.number,
        "remaining_area_m2": _figures_json(left, 1.0),
        "wear_um": _figures_json(wear, limit_um),
        **{name: _figures_json(found, 1.0) for name, found in rules.items()},
    }


def at_share(told: Trial, share: float) -> tuple[Figures | None, Figures | None, dict[str, Figures | None]]:
    """Figures of what is left, of wear, and of the plain rules at a share of the way."""
    rows = [one for one in told.forecasts if one.share == share]
    rules = {name: figures([(o.rules_m2[name], o.left_m2) for o in rows if name in o.rules_m2]) for name in RULES}
    return figures([(o.said_m2, o.left_m2) for o in rows]), figures([(o.said_wear, o.wear) for o in rows]), rules


def _figures_json(found: Figures | None, unit: float) -> dict[str, float | None] | None:
    if found is None:
        return None
    return {
        "error": found.error * unit,
        "bias": found.bias * unit,
        "error_share": found.error_share,
        "bias_share": found.bias_share,
        "coverage": found.covered,
        "width": found.width * unit,
        "within_20_percent": found.near,
        "widening": found.widening,
    }
