"""The state of a saw beside its blade: warm idle power, vibration, mist, each against its limits and its own past.

A cold spindle is no fault: idle power is compared only over hours in which the saw had been cutting for a quarter of
an hour before they began, with such hours of the last four weeks. Vibration is compared with fixed limits and with what
the same place showed at the same hour of the last two weeks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from typing import Final

from bladewatch.assess.recent import WINDOW_H, HourOfWork
from bladewatch.config.tables import Alerts, Config
from bladewatch.contact import POWER_SIGNALS, hour_of
from bladewatch.stores.blocks import Reading
from bladewatch.stores.protocols import Signals, Spot
from collectors.instants import DAY_US, HOUR_US, MINUTE_US, to_datetime, to_us
from models.cycle import WARM_UP_US

Latest = Mapping[tuple[str, str], Reading]

LEVELS: Final = ("unknown", "normal", "alert", "act")
OWN_HOURS: Final = 5
"""Fewer warm hours than this are no past to compare with."""
OWN_DAYS: Final = 14
OWN_READINGS: Final = 5
FRESH_US: Final = 2 * HOUR_US
HIGH_HOURS: Final = 7 * 24
MIST_CUTS: Final = 3
"""Strokes without mist before somebody is called: one late report calls nobody."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a saw: ``idle`` [kW], ``vibration`` [mm/s] or ``mist``.

    ``value`` against the saw's ``own`` and the ``limit`` that its level was judged by; ``at_us`` is when it was last
    reported, ``since_us`` from when on the level has held. ``point`` is the sensor's place. ``strokes`` is how many
    were made in a mist failure.
    """

    name: str
    level: str = "unknown"
    value: float | None = None
    own: float | None = None
    limit: float | None = None
    at_us: int | None = None
    since_us: int | None = None
    point: str = ""
    strokes: int = 0

    @property
    def unit(self) -> str:
        """The unit of value, own and limit; none for the mist."""
        return {"idle": "kW", "vibration": "mm/s"}.get(self.name, "")


def urgent_reason(c: Condition) -> str:
    """Why a condition at its act level calls for somebody, in units of SI."""
    if c.name == "mist":
        return f"the mist failed, and {c.strokes} strokes were made since"
    what = (
        f"vibration at {c.point} is {c.value:.3g} mm/s" if c.name == "vibration" else f"warm idle is {c.value:.3g} kW"
    )
    own = "" if c.own is None else f", its own is {c.own:.3g}"
    return f"{what}, the limit {c.limit:.3g}{own}"


def conditions_of(
    config: Config,
    signals: Signals,
    spot: Spot,
    now_us: int,
    latest: Latest,
    recent: Mapping[int, HourOfWork],
    running: bool,
) -> tuple[Condition, ...]:
    """Idle, vibration and mist of a spindle as known at ``now_us``; ``running`` unless the saw said otherwise."""
    return (
        _idle(config, signals, spot, now_us, recent),
        _vibration(config, signals, spot, now_us, latest),
        _mist(signals, spot, now_us, latest, running),
    )


def _idle(config: Config, signals: Signals, spot: Spot, now_us: int, recent: Mapping[int, HourOfWork]) -> Condition:
    """Warm idle power by hour: the newest beside the median of those before it."""
    alerts = config.alerts
    last = hour_of(now_us) - 1
    for signal in POWER_SIGNALS:
        hours = signals.idle_hours(spot, signal, last - WINDOW_H + 1, last, now_us)
        warm = [(hour.hour, hour.total / hour.n / 1e6) for hour in hours if hour.n >= 3 and _warm(hour.hour, recent)]
        if not warm:
            continue
        if signal == "load_pct":
            saw = config.saws.ever(spot[0], now_us)
            if saw is None or saw.load_base_kw is None:
                continue
            warm = [(hour, share / 100 * saw.load_base_kw) for hour, share in warm]
        return _idle_level(warm, alerts)
    return Condition("idle")


def _warm(hour: int, recent: Mapping[int, HourOfWork]) -> bool:
    """Whether the saw had been cutting for a quarter of an hour when the hour began, and went on in it."""
    before = recent.get(hour - 1)
    if hour not in recent or before is None:
        return False
    return hour - 2 in recent or before.first_us + WARM_UP_US <= hour * HOUR_US


def _idle_level(warm: Sequence[tuple[int, float]], alerts: Alerts) -> Condition:
    hour, value = warm[-1]
    at_us = (hour + 1) * HOUR_US
    past = [kw for _, kw in warm[:-2]]
    if len(past) < OWN_HOURS:
        return Condition("idle", value=value, at_us=at_us)
    own = median(past)
    act, alert = own * (1 + alerts.idle_act), own * (1 + alerts.idle_alert)
    low = own * (1 - alerts.idle_alert)
    high = 0
    while high < len(warm) and warm[-1 - high][1] >= act:
        high += 1
    if high >= 2:  # two hours in a row: one may hold a setup or a stuck bar
        return Condition("idle", "act", value, own, act, at_us, (warm[1 - high][0] + 1) * HOUR_US)
    if value >= alert:
        return Condition("idle", "alert", value, own, alert, at_us)
    if value <= low:
        return Condition("idle", "alert", value, own, low, at_us)
    return Condition("idle", "normal", value, own, alert, at_us)


def _vibration(config: Config, signals: Signals, spot: Spot, now_us: int, latest: Latest) -> Condition:
    """The point that stands worst."""
    points = sorted(point for signal, point in latest if signal == "velocity_mm_s")
    found = [_point(config, signals, spot, point, now_us, latest["velocity_mm_s", point].ts_us) for point in points]

    def badness(c: Condition) -> tuple[int, float, str]:
        return LEVELS.index(c.level), (c.value or 0) / (c.limit or 1), c.point

    return max(found, key=badness, default=Condition("vibration"))


def _point(config: Config, signals: Signals, spot: Spot, point: str, now_us: int, last_us: int) -> Condition:
    """The median of the last three readings at a point: a knock on the sensor calls nobody."""
    alerts = config.alerts
    rows: list[Reading] = []
    for back_us in (5 * MINUTE_US, FRESH_US):
        rows = signals.readings(spot, "velocity_mm_s", point, now_us - back_us, now_us, now_us)
        if len(rows) >= 3:
            break
    if not rows:
        return Condition("vibration", at_us=last_us, point=point)
    value = median(reading.value for reading in rows[-3:])
    own = _own_vibration(config, signals, spot, point, now_us)
    act, alert = alerts.vibration_act_mm_s, alerts.vibration_alert_mm_s
    if own is not None:
        act, alert = min(act, own * alerts.vibration_act_ratio), min(alert, own * alerts.vibration_alert_ratio)
    level, limit = ("act", act) if value >= act else ("alert", alert) if value >= alert else ("normal", alert)
    if level == "act" and len(rows) < 3:
        level = "alert"
    hours = min(HIGH_HOURS, config.retention.keep_raw_days * 24)
    since_us = _high_since(signals, spot, point, now_us, act, hours) if level == "act" else None
    return Condition("vibration", level, value, own, limit, rows[-1].ts_us, since_us, point)


def _high_since(signals: Signals, spot: Spot, point: str, now_us: int, act: float, hours: int) -> int:
    """When the readings came to their act level, looked for an hour at a time.

    An hour whose median is below the level ends the search, and so do two hours without readings: a shift before was
    judged by its own limit.
    """
    since_us, silent = now_us, 0
    for back in range(hours):
        until_us = now_us - back * HOUR_US
        rows = signals.readings(spot, "velocity_mm_s", point, until_us - HOUR_US, until_us, now_us)
        silent = 0 if rows else silent + 1
        if silent > 2:
            break
        if not rows:
            continue
        if back and median(reading.value for reading in rows) < act:
            break
        since_us = next((reading.ts_us for reading in rows if reading.value >= act), since_us)
    return since_us


def _own_vibration(config: Config, signals: Signals, spot: Spot, point: str, now_us: int) -> float | None:
    """The median over the same hour, by the site's clock, of the days before, as far back as readings are kept."""
    values: list[float] = []
    now = to_datetime(now_us, config.zone)
    for day in range(1, min(OWN_DAYS, config.retention.keep_raw_days - 1) + 1):
        then_us = to_us(now - timedelta(days=day))
        rows = signals.readings(spot, "velocity_mm_s", point, then_us - HOUR_US // 2, then_us + HOUR_US // 2, now_us)
        if rows:
            values.append(median(reading.value for reading in rows))
    return median(values) if len(values) >= OWN_READINGS else None


def _mist(signals: Signals, spot: Spot, now_us: int, latest: Latest, running: bool) -> Condition:
    """Failed while strokes go on calls somebody; a failure that a stopped saw last reported waits for the round."""
    last = latest.get(("mist_ok", ""))
    if last is None:
        return _mist_by_flow(latest)
    if last.value:
        return Condition("mist", "normal", 1.0, at_us=last.ts_us)
    since_us = _dry_since(signals, spot, last.ts_us, now_us)
    strokes = signals.count(spot, since_us, now_us, now_us)
    level = "act" if running and strokes >= MIST_CUTS else "alert"
    return Condition("mist", level, 0.0, at_us=last.ts_us, since_us=since_us, strokes=strokes)


def _dry_since(signals: Signals, spot: Spot, last_us: int, now_us: int) -> int:
    """The first report of failure after the last one that the mist was on, four weeks back at most."""
    since_us = last_us
    for back_us in (DAY_US, 7 * DAY_US, 28 * DAY_US):
        for reading in reversed(signals.readings(spot, "mist_ok", "", last_us - back_us, last_us, now_us)):
            if reading.value:
                return since_us
            since_us = reading.ts_us
    return since_us


def _mist_by_flow(latest: Latest) -> Condition:
    """A saw that tells only its flow: none is shown as failed, and calls nobody, for it may stand still."""
    flow = latest.get(("mist_ml_h", ""))
    if flow is None:
        return Condition("mist")
    return Condition("mist", "normal" if flow.value > 0 else "alert", float(flow.value > 0), at_us=flow.ts_us)
