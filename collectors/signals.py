"""The catalogue of measured quantities: name, unit, accepted units, plausible range.

A range says what a working sensor can read on such a saw; it is no alarm limit. The shop narrows or widens
it in the table ``[plausible]`` of its configuration. The ranges here are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import msgspec


class Signal(msgspec.Struct, frozen=True):
    """A measured quantity; ``unit`` is the one it is stored in."""

    name: str
    unit: str
    low: float
    high: float
    words: tuple[str, ...] = ()


STATES: Final = ("off", "idle", "setup", "running", "fault")
"""What a saw may say of itself; stored as its place in this tuple."""

_LIST = (
    Signal("power_kw", "kW", -5.0, 500.0),
    Signal("load_pct", "%", -10.0, 400.0),
    Signal("current_a", "A", 0.0, 2000.0),
    Signal("torque_nm", "N*m", -5000.0, 5000.0),
    Signal("energy_kwh", "kWh", 0.0, 1e9),
    Signal("spindle_rpm", "rpm", 0.0, 30000.0),
    Signal("motor_rpm", "rpm", 0.0, 30000.0),
    Signal("velocity_mm_s", "mm/s", 0.0, 500.0),
    Signal("state", "", 0.0, len(STATES) - 1.0, STATES),
    Signal("guard_open", "", 0.0, 1.0, ("false", "true")),
    Signal("zero_speed", "", 0.0, 1.0, ("false", "true")),
    Signal("mist_ok", "", 0.0, 1.0, ("false", "true")),
    Signal("mist_ml_h", "ml/h", 0.0, 20000.0),
    Signal("mist_pulses", "", 0.0, 1e12),
    Signal("air_bar", "bar", -1.0, 20.0),
    Signal("clamp_bar", "bar", -1.0, 400.0),
    Signal("bearing_c", "degC", -40.0, 250.0),
    Signal("ambient_c", "degC", -60.0, 80.0),
    Signal("feed_override_pct", "%", 0.0, 300.0),
    Signal("kerf_mm_set", "mm", 0.1, 30.0),
)

CATALOGUE: Final[Mapping[str, Signal]] = {signal.name: signal for signal in _LIST}

STROKE_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    "area_mm2": (0.0, 2_000_000.0),
    "height_mm": (0.0, 2000.0),
    "bars": (0.0, 1000.0),
    "pieces": (0.0, 1000.0),
    "length_mm": (0.0, 30_000.0),
    "measured_mm": (0.0, 30_000.0),
    "mitre_deg": (-80.0, 80.0),
    "feed_mm_s": (0.0, 2000.0),
    "feed_override_pct": (0.0, 300.0),
    "feed_load_pct": (-400.0, 400.0),
    "spindle_rpm": (0.0, 30_000.0),
    "duration_s": (0.0, 3600.0),
    "energy_kj": (0.0, 500_000.0),
    "mean_power_kw": (-5.0, 500.0),
    "peak_power_kw": (-5.0, 2000.0),
    "kerf_mm": (0.1, 30.0),
}
"""Plausible ranges of the numbers in a stroke or blade message."""

SENTINELS: Final = frozenset({65535.0, -999.0, -9999.0, -32768.0, 2147483647.0, -2147483648.0, 4294967295.0})
"""Numbers that controllers send for "no value". Never applied to ``stroke`` and ``seq``."""

POWER_SIGNALS: Final = frozenset({"power_kw", "load_pct", "current_a", "torque_nm", "energy_kwh", "spindle_rpm"})
STATE_SIGNALS: Final = frozenset(
    {
        "state", "guard_open", "zero_speed", "mist_ok", "mist_ml_h", "mist_pulses", "air_bar", "clamp_bar",
        "bearing_c", "ambient_c", "motor_rpm", "spindle_rpm", "feed_override_pct", "kerf_mm_set",
    }
)  # fmt: skip

_UNIT_WORDS: Final = {"PS": "metric_horsepower", "CV": "metric_horsepower", "%": "percent", "°C": "degC", "°F": "degF"}


STROKE_UNITS: Final[Mapping[str, str]] = {
    "area_mm2": "mm**2",
    "height_mm": "mm",
    "length_mm": "mm",
    "measured_mm": "mm",
    "mitre_deg": "deg",
    "feed_mm_s": "mm/s",
    "feed_override_pct": "%",
    "feed_load_pct": "%",
    "spindle_rpm": "rpm",
    "duration_s": "s",
    "energy_kj": "kJ",
    "mean_power_kw": "kW",
    "peak_power_kw": "kW",
}
"""The units of the numbers in a stroke."""


def unit_of(name: str) -> str | None:
    """The unit that a signal or stroke field is stored in; None where it has none."""
    if name in CATALOGUE:
        return CATALOGUE[name].unit
    return STROKE_UNITS.get(name)


def to_stored_unit(name: str, value: float, unit: str) -> float:
    """``value`` in the unit that ``name`` is stored in. Raises ``ValueError`` naming what would be right.

    >>> round(to_stored_unit("power_kw", 2.0, "hp"), 4), to_stored_unit("area_mm2", 1.0, "in**2")
    (1.4914, 645.16)
    >>> to_stored_unit("bearing_c", 122.0, "degF")
    50.0
    """
    stored = unit_of(name) or ""
    if unit in ("", stored):
        return value
    import pint

    registry: pint.UnitRegistry[float] = pint.get_application_registry()  # type: ignore[no-untyped-call]
    wanted = _UNIT_WORDS.get(stored, stored) or "dimensionless"
    try:
        source = _UNIT_WORDS.get(unit, unit)
        return float(f"{registry.Quantity(value, source).to(wanted).magnitude:.12g}")
    except Exception as error:  # pint raises many kinds; each means the same to the reader
        message = f"unit {unit!r} does not fit {name}, which is stored in {stored or 'plain numbers'}"
        raise ValueError(message) from error
