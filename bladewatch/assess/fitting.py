"""Whether a plate belongs on a spindle: by its marked speed, its bore, pins and diameter, and by what is on record.

What is found is told and never refused: the shop is often ahead of its records.
"""

from __future__ import annotations

from bladewatch.assess.doubts import unknown_plate
from bladewatch.config.tables import BladeType, Config, Saw
from bladewatch.ledger.fleet import NOT_TO_BE_MOUNTED, Fleet, Plate
from bladewatch.stores.protocols import Spot

_SOFT_STATES = frozenset({"dull", "ordered", "found"})


def too_fast(plate_id: str, blade: BladeType | None, saw: Saw | None) -> str | None:
    """That the spindle is rated faster than the plate is marked for."""
    marked = blade.max_rpm if blade is not None else None
    rated = saw.rated_rpm if saw is not None else None
    if marked is None or rated is None or marked >= rated:
        return None
    return f"plate {plate_id} is marked for {marked:g} rpm at most, the spindle is rated {rated:g} rpm"


def misfits(config: Config, fleet: Fleet, plate_id: str, spot: Spot, at_us: int) -> list[str]:
    """What speaks against a plate on a spindle, the most dangerous first."""
    plate = fleet.plates.get(plate_id)
    saw = config.saws.ever(spot[0], at_us)
    blade_type = plate.blade_type if plate is not None else None
    blade = None if blade_type is None else config.blade_types.ever(blade_type, at_us)
    found = []
    if plate is not None and plate.cracked:
        found.append(f"plate {plate_id} is recorded as cracked: a cracked body is scrapped, never run")
    fast = too_fast(plate_id, blade, saw)
    if fast is not None:
        found.append(fast)
    if blade is not None and saw is not None:
        found.extend(_by_size(plate_id, plate, blade, saw))
    found.extend(_by_record(fleet, plate_id, plate, spot))
    return found


def _by_size(plate_id: str, plate: Plate | None, blade: BladeType, saw: Saw) -> list[str]:
    found = []
    if saw.bore_mm is not None and blade.bore_mm is not None and saw.bore_mm != blade.bore_mm:
        found.append(f"bore of plate {plate_id} is {blade.bore_mm:g} mm, the spindle takes {saw.bore_mm:g} mm")
    if saw.pins is not None and blade.pins is not None and saw.pins != blade.pins:
        found.append(f"pins of plate {plate_id} are {blade.pins}, the spindle has {saw.pins}")
    diameter = plate.diameter_mm if plate is not None and plate.diameter_mm is not None else blade.diameter_mm
    if diameter is not None and saw.diameter_mm is not None:
        low, high = saw.diameter_mm
        if not low <= diameter <= high:
            found.append(f"plate {plate_id} is {diameter:g} mm across, the saw takes {low:g} to {high:g} mm")
    if saw.fits and blade.id not in saw.fits:
        found.append(f"plate {plate_id} is of type {blade.id}, saw {saw.id} takes {', '.join(saw.fits)}")
    return found


def _by_record(fleet: Fleet, plate_id: str, plate: Plate | None, spot: Spot) -> list[str]:
    if plate is None:
        return [unknown_plate(plate_id, fleet.plates)]
    elsewhere = [mount for mount in plate.on if (mount.saw, mount.spindle) != spot]
    if elsewhere:
        return [f"plate {plate_id} is recorded on saw {elsewhere[0].saw}"]
    if plate.cracked or plate.on:
        return []
    if plate.state in NOT_TO_BE_MOUNTED or plate.state in _SOFT_STATES:
        return [f"plate {plate_id} is recorded as {plate.state}"]
    return []
