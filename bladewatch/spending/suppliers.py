"""What suppliers brought: who ground which edge, how soon, how well, and how sharp its first hundred cuts were."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import exp
from statistics import median
from typing import Final, NamedTuple

from bladewatch.assess.known import Known
from bladewatch.ledger.events import Event
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import Line
from bladewatch.spending.grinding import Jobs
from bladewatch.spending.happened import HALF_YEAR_US, StateOf
from bladewatch.spending.periods import Period
from collectors.instants import DAY_US
from models.cycle import CycleState

FIRST_CUTS: Final = 100
LEAST_CYCLES: Final = 3


class Supplier(NamedTuple):
    """A supplier's month: plates that came back, days away, rejects, tips, what a plate cost; None where untold.

    ``sharpness`` is the energy of the first hundred cuts of its edges of the last half year beside that of all edges,
    on the same saw, alloy and part: below one they are sharper; of ``edges`` edges.
    """

    name: str
    plates: int
    median_days: float | None
    worst_days: float | None
    rejects: int
    tips: int
    paid: Decimal
    per_plate: Decimal | None
    sharpness: float | None
    edges: int


class Sharpness(NamedTuple):
    """Energy of first cuts beside all edges', and of how many edges."""

    ratio: float
    edges: int


def sharpened_by(known: Known, jobs: Jobs, rows: Sequence[Event]) -> dict[tuple[str, int], str]:
    """Who made the edge of each grind cycle, by plate and number: the last grinder, else who sold the plate."""
    sold = {row.plate: row.supplier for row in rows if row.event == "bought" and row.supplier is not None}
    found = {}
    for plate in known.fleet.plates.values():
        for cycle in plate.cycles:
            job = jobs.of(plate.id, None, cycle.opened_us)
            name = job.supplier if job is not None else sold.get(plate.id)
            if name is not None:
                found[plate.id, cycle.number] = name
    return found


def suppliers_of(
    known: Known, jobs: Jobs, lines: Sequence[Line], rows: Sequence[Event], period: Period,
    makers: Mapping[tuple[str, int], str], state_of: StateOf,
) -> list[Supplier]:  # fmt: skip
    """What each supplier brought back in a period, and what its lines of that period say."""
    back = [job for job in jobs.every() if job.back_us is not None and period.holds(job.back_us)]
    names = {job.supplier for job in back} | {line.supplier for line in lines if line.job is not None}
    sharp = sharpness_of(known, makers, period.to_us, state_of)
    found = []
    for name in sorted(name for name in names if name is not None):
        mine = [job for job in back if job.supplier == name]
        days = [((job.back_us or 0) - job.sent_us) / DAY_US for job in mine]
        plates = {job.plate for job in mine}
        ours = [line for line in lines if line.supplier == name and line.job is not None]
        paid = sum((line.amount for line in ours), ZERO)
        count = len({line.job for line in ours})
        edge = sharp.get(name)
        found.append(
            Supplier(
                name,
                len(mine),
                median(days) if days else None,
                max(days) if days else None,
                sum(row.event == "rejected" and row.plate in plates for row in rows),
                sum(job.tips for job in mine),
                paid,
                rounded(paid / count, places_of(known.config.site.currency)) if count else None,
                None if edge is None else edge.ratio,
                0 if edge is None else edge.edges,
            )
        )
    return found


def sharpness_of(
    known: Known, makers: Mapping[tuple[str, int], str], until_us: int, state_of: StateOf
) -> dict[str, Sharpness]:
    """How much energy the first cuts of each maker's edges took in half a year, beside all edges of the same work."""
    first: dict[tuple[str, str, str | None], list[tuple[str | None, float]]] = {}
    edges: dict[str, set[tuple[str, int]]] = {}
    for plate in known.fleet.plates.values():
        for cycle in plate.cycles:
            if until_us - HALF_YEAR_US < cycle.opened_us < until_us:
                maker = makers.get((plate.id, cycle.number))
                for key, log_u in _first_cuts(state_of(cycle)):
                    first.setdefault(key, []).append((maker, log_u))
                    if maker is not None:
                        edges.setdefault(maker, set()).add((plate.id, cycle.number))
    off: dict[str, list[float]] = {}
    for told in first.values():
        if len(told) >= LEAST_CYCLES:
            middle = median(log_u for _, log_u in told)
            for maker, log_u in told:
                if maker is not None:
                    off.setdefault(maker, []).append(log_u - middle)
    return {
        maker: Sharpness(exp(median(values)), len(edges[maker]))
        for maker, values in off.items()
        if len(edges[maker]) >= LEAST_CYCLES
    }


def _first_cuts(state: CycleState) -> list[tuple[tuple[str, str, str | None], float]]:
    """The log energy of a cycle's first spells of work, by saw, alloy and part."""
    found, cuts = [], 0
    for stint in state.stints.rows():
        if cuts >= FIRST_CUTS:
            break
        cuts += stint.cuts
        if stint.loaded and state.spots:
            found.append(((state.spots[stint.spot], stint.alloy, stint.part), stint.log_u))
    return found
