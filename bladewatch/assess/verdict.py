"""What a blade's wear calls for, from when on, and what calls for somebody whatever the wear."""

from __future__ import annotations

from bladewatch.assess.fitting import too_fast
from bladewatch.assess.life import Life
from bladewatch.config.tables import Alerts, BladeType, Saw
from bladewatch.ledger.fleet import Cycle, Mount, Plate
from bladewatch.units import percent
from collectors.instants import HOUR_US
from models.cycle import CycleState


def verdict_of(alerts: Alerts, life: Life, measured: tuple[float, str] | None, now_us: int) -> tuple[str, list[str]]:
    """The verdict by wear alone, and why. ``measured``: the share of a limit that no model stands behind."""
    if measured is not None and measured[0] >= 1:
        return "change", [measured[1]]
    if life.used_share is None:
        if measured is not None and measured[0] >= alerts.prepare_share:
            return "prepare", [measured[1]]
        return "cannot-tell", []
    share = life.used_share.estimate
    left_h = None if life.due is None else (life.due.at_least_us - now_us) / HOUR_US
    if share >= 1:
        return "change", ["the limit is reached"]
    if left_h is not None and left_h <= alerts.change_hours and share >= alerts.prepare_share:
        return "change", [f"the blade may not last the next {alerts.change_hours:g} hours"]
    if share >= alerts.prepare_share:
        return "prepare", [f"{percent(share)} of the limit is used"]
    if measured is not None and measured[0] >= alerts.prepare_share:
        return "prepare", [measured[1]]
    if left_h is not None and left_h <= alerts.prepare_hours:
        return "prepare", [f"the blade may not last the next {alerts.prepare_hours:g} hours"]
    return "good", []


def since_of(alerts: Alerts, life: Life, verdict: str, mount: Mount, cycle: Cycle, now_us: int) -> int | None:
    """From when on the verdict has held: its share was passed, its hours began to run, or the bench measured it."""
    if verdict not in ("prepare", "change"):
        return None
    if life.used_share is None:
        return max(cycle.readings).at_us if cycle.readings else mount.from_us
    share, hours = (1.0, alerts.change_hours) if verdict == "change" else (alerts.prepare_share, alerts.prepare_hours)
    since_us = now_us
    if life.used_share.estimate >= share:
        since_us = _passed(life, life.used_share.estimate, share, now_us)
    elif life.due_then is not None:
        early_us = life.due_then.at_least_us
        if life.used_share.high >= 1:  # it may have come to its end before now, and when is told by the work
            early_us = min(early_us, _passed(life, life.used_share.high, 1.0, now_us))
        since_us = min(since_us, early_us - round(hours * HOUR_US))
    return max(since_us, mount.from_us)


def _passed(life: Life, level: float, share: float, now_us: int) -> int:
    """When a used share that is at ``level`` passed ``share``, in step with the work of the recent hours."""
    passed_us = now_us
    for part in reversed(life.shares):
        if level - part.used < share:
            place = (share - (level - part.used)) / part.used if part.used > 0 else 1.0
            return part.from_us + round(place * (part.to_us - part.from_us))
        passed_us = part.from_us
        level -= part.used
    return passed_us


def measured_share(cycle: Cycle, state: CycleState, blade: BladeType | None) -> tuple[float, str] | None:
    """The share of a limit that was measured directly, and in what words; no model stands between."""
    found = []
    if blade is not None and blade.wear_limit_um is not None and cycle.readings:
        wear_um = max(cycle.readings).wear_um
        found.append((wear_um / blade.wear_limit_um, f"the bench measured {wear_um:g} of {blade.wear_limit_um:g} µm"))
    index = state.index.now
    if blade is not None and blade.edge_index_limit is not None and index is not None:
        share = (index.value - 1) / (blade.edge_index_limit - 1)
        found.append((share, f"the edge index is {index.value:.2f} of {blade.edge_index_limit:g}"))
    return max(found, default=None)


def dangers_of(plate: Plate, blade: BladeType | None, saw: Saw | None) -> list[str]:
    """What calls for somebody now, whatever the wear."""
    found = []
    if plate.cracked:
        found.append(f"plate {plate.id} is recorded as cracked and as mounted: check it under the site's procedure")
    fast = too_fast(plate.id, blade, saw)
    return found if fast is None else [*found, fast]
