"""Which sharp plate each blade that must come off is replaced by."""

from __future__ import annotations

from dataclasses import replace

from bladewatch.assess.assessment import Assessment
from bladewatch.assess.fitting import too_fast
from bladewatch.config.tables import Config
from bladewatch.ledger.fleet import Fleet, Plate


def with_spares(config: Config, fleet: Fleet, assessments: list[Assessment], now_us: int) -> list[Assessment]:
    """A sharp plate for each that needs one, each plate given once, in the order of the list."""
    given: set[str] = set()
    found = []
    for a in assessments:
        plate = _spare(config, fleet, a, given, now_us) if a.needs_spare else None
        if plate is not None:
            given.add(plate.id)
            place = plate.id if plate.place is None else f"{plate.id} in {plate.place}"
            found.append(replace(a, spare=place))
        else:
            found.append(a if a.spare is None else replace(a, spare=None))
    return found


def _spare(config: Config, fleet: Fleet, a: Assessment, given: set[str], now_us: int) -> Plate | None:
    """A sharp plate not given yet, of the blade's type; where that type does not fit the saw, of one that does."""
    saw = config.saws.ever(a.saw, now_us)
    for plate_id in sorted(fleet.plates.keys() - given):
        plate = fleet.plates[plate_id]
        if plate.state != "sharp" or plate.cracked or plate.blade_type is None:
            continue
        blade = config.blade_types.ever(plate.blade_type, now_us)
        other = bool(a.dangers) and saw is not None and plate.blade_type in saw.fits
        if (plate.blade_type == a.blade_type or other) and too_fast(plate.id, blade, saw) is None:
            return plate
    return None
