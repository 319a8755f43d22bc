"""The present rules over stored history, as if it had come live: which alerts there would have been, and until when.

Every saw is judged at the end of each hour in which it cut, from what was known then and no more; an alert is one
cause of one grind cycle, raised again only at a higher level. Only what the blade itself calls for is judged: its wear,
and what its record says of it. Hours are judged apart from each other, so they are shared out among processes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Final, NamedTuple

from bladewatch.alerts import LEVELS, Alert, Raised, Score, at_least, blade_key, blade_of, judge
from bladewatch.assess.memory import Memory
from bladewatch.assess.moment import Moment
from bladewatch.assess.training import DECLARED_DULL
from bladewatch.contact import hour_of
from bladewatch.service import Service
from bladewatch.stores.protocols import Spot
from collectors.instants import HOUR_US

PIECES: Final = 4
LEAST_PIECE_HOURS: Final = 160
"""Each process judges so many pieces, none of fewer hours: the longer a piece, the longer it remembers."""
Progress = Callable[[int, int], None]


class Hour(NamedTuple):
    """The end of an hour, and the spindles that cut in it."""

    at_us: int
    spots: tuple[Spot, ...]


class Judged(NamedTuple):
    """What a spindle's blade called for at a moment, as (key, level); ``alert`` where that is new in a piece."""

    at_us: int
    spot: Spot
    call: tuple[str, str] | None
    alert: Alert | None


def try_alerts(
    service: Service, since_us: int, until_us: int, progress: Progress = lambda _done, _of: None
) -> list[Raised]:
    """The alerts that would have been raised between two instants, in order."""
    hours = _hours(service, since_us, until_us)
    processors = os.cpu_count() or 1
    size = max(LEAST_PIECE_HOURS, -(-len(hours) // (PIECES * processors)))
    pieces = [hours[start : start + size] for start in range(0, len(hours), size)]
    found: dict[int, list[Judged]] = {}
    workers = min(processors, len(pieces))
    if workers > 1:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            waiting = {
                pool.submit(judge_piece, service.config.path, piece): place for place, piece in enumerate(pieces)
            }
            for done, future in enumerate(as_completed(waiting), 1):
                found[waiting[future]] = future.result()
                progress(done, len(pieces))
    else:
        for place, piece in enumerate(pieces):
            found[place] = list(_judge(service, piece))
            progress(place + 1, len(pieces))
    return lives(judged for place in sorted(found) for judged in found[place])


def _hours(service: Service, since_us: int, until_us: int) -> list[Hour]:
    """The ends of the hours in which anything was cut, the last one cut short at ``until_us``."""
    cutting: dict[int, list[Spot]] = {}
    with service.store.snapshot():
        for spot in service.moment(until_us).spots():
            for hour in service.store.signals.stroke_hours(spot, hour_of(since_us), hour_of(until_us)):
                cutting.setdefault(hour, []).append(spot)
    ends = ((min((hour + 1) * HOUR_US, until_us), spots) for hour, spots in sorted(cutting.items()))
    return [Hour(at_us, tuple(spots)) for at_us, spots in ends if at_us > since_us]


def judge_piece(config_path: Path, hours: Sequence[Hour]) -> list[Judged]:
    """Judge hours in a process of its own."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1), Service.open(config_path) as service:
        return list(_judge(service, hours))


def _judge(service: Service, hours: Iterable[Hour]) -> Iterator[Judged]:
    moment, memory = None, Memory()
    told: set[tuple[str, str]] = set()
    for at_us, spots in hours:
        with service.store.snapshot():
            moment = service.moment(at_us, past=moment, memory=memory)
            for spot in spots:
                yield _judged(service, moment, spot, told)


def _judged(service: Service, moment: Moment, spot: Spot, told: set[tuple[str, str]]) -> Judged:
    called = moment.called(spot)
    if called is None or not (called.dangers or called.verdict in LEVELS):
        return Judged(moment.now_us, spot, None, None)
    cause, level = ("record", "act") if called.dangers else ("wear", called.verdict)
    call, alert = (blade_key(*spot, called.plate, called.cycle, cause), level), None
    if call not in told:
        told.add(call)
        every = judge(moment.with_spares([moment.assess(spot)]), moment.now_us, service.zone)
        alert = next(alert for alert in every if (alert.key, alert.level) == call)
    return Judged(moment.now_us, spot, call, alert)


def lives(judged: Iterable[Judged]) -> list[Raised]:
    """From moments in order to alerts: one a cause and cycle, again at a higher level, and when the cause had gone."""
    found: list[Raised] = []
    of_spot: dict[Spot, list[Raised]] = {}
    for at_us, spot, call, alert in judged:
        raised = of_spot.setdefault(spot, [])
        if alert is not None and not any(_covers((one.alert.key, one.alert.level), alert) for one in raised):
            raised.append(Raised(replace(alert, raised_us=at_us)))
            found.append(raised[-1])
        for one in raised:
            stands = call is not None and _covers(call, one.alert)
            one.returned_us = None if stands else one.returned_us or at_us
    return found


def _covers(call: tuple[str, str], alert: Alert) -> bool:
    """Whether a call is for the same cause, and as pressing."""
    key, level = call
    return key == alert.key and at_least(level, alert.level)


def score(service: Service, alerts: Sequence[Raised], since_us: int, until_us: int) -> Score:
    """What became of the blades that a trial called, and of those that it did not."""
    with service.store.snapshot():
        plates = service.moment(until_us).known().fleet.plates
    called = {
        blade_of(raised.alert.key)[2:]
        for raised in alerts
        if raised.alert.cause == "wear" and at_least(raised.alert.level, "change")
    }
    share = service.config.alerts.prepare_share
    measured = right = ended = missed = 0
    for plate in plates.values():
        blade = None if plate.blade_type is None else service.config.blade_types.ever(plate.blade_type, until_us)
        limit_um = None if blade is None else blade.wear_limit_um
        for cycle in plate.cycles:
            if cycle.ended_us is None or not since_us < cycle.ended_us <= until_us:
                continue
            worn = cycle.end_wear_um / limit_um if cycle.end_wear_um is not None and limit_um else None
            was_called = (plate.id, str(cycle.number)) in called
            if was_called and worn is not None:
                measured += 1
                right += worn >= share
            if cycle.reason in DECLARED_DULL or (worn is not None and worn >= 1):
                ended += 1
                missed += not was_called
    return Score(len(called), measured, right, share, ended, missed)
