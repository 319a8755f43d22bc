"""The life of alerts as people were told them: those that stand, and those that have gone since."""

from __future__ import annotations

from typing import Final

from bladewatch.alerts import BLADE_CAUSES, LEVELS, Alert, Raised, at_least, blade_of, judge
from bladewatch.service import Service
from bladewatch.stores.protocols import Issued, Store
from collectors.instants import DAY_US

RECENT_US: Final = 7 * DAY_US


def alerts_at(service: Service, at_us: int, since_us: int | None = None) -> list[Raised]:
    """What stands at a moment, the most pressing first, then what a blade called for since ``since_us`` and has gone.

    What has gone is told from the alerts and forecasts that were issued then, so only a collector that ran knows of it.
    Without ``since_us`` it is the last seven days.
    """
    with service.store.snapshot():
        moment = service.moment(at_us)
        standing = judge(moment.review().assessments, at_us, service.zone)
        gone = _gone(service.store, standing, at_us - RECENT_US if since_us is None else since_us, at_us)
    return [*(Raised(alert) for alert in standing), *gone]


def _gone(store: Store, standing: list[Alert], since_us: int, at_us: int) -> list[Raised]:
    levels = {alert.key: alert.level for alert in standing}
    found = []
    for row in store.books.raised_alerts(since_us, at_us):
        known_us = row.pop("known_us")
        alert = Alert(**row)
        if alert.cause not in BLADE_CAUSES or (alert.key in levels and at_least(levels[alert.key], alert.level)):
            continue
        spot = blade_of(alert.key)[:2]
        said = store.books.forecasts(spot, at_us, at_us, after_us=known_us)
        found.append(Raised(alert, _returned_us(alert, said) or at_us))
    return sorted(found, key=lambda raised: (-(raised.returned_us or 0), raised.alert.key, LEVELS[raised.alert.level]))


def _returned_us(alert: Alert, said: list[Issued]) -> int | None:
    """When the forecasts said since no longer called for it; ``said`` has the newest first."""
    first = None
    for issued in said:
        if _called(issued, alert):
            return first
        first = issued.at_us
    return first


def _called(issued: Issued, alert: Alert) -> bool:
    said = issued.said
    level = said.verdict if alert.cause == "record" else said.wear_verdict
    same = (said.plate, str(said.cycle)) == (alert.plate, blade_of(alert.key).cycle)
    return same and level in LEVELS and at_least(level, alert.level)
