"""What goes wrong in shops: each trouble can be switched on, weak, medium or strong.

``sizes`` says how strong; what the number means stands in ``what``. Troubles that last are planned as ``Episode``s, so
that the truth can list when each one was there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Final

from collectors.instants import DAY_US, HOUR_US

STRENGTHS: Final = ("weak", "medium", "strong")
EVERY_SAW: Final = "*"


@dataclass(frozen=True, slots=True)
class Trouble:
    """A trouble: its sizes weak, medium and strong, and what the size is."""

    sizes: tuple[float, float, float]
    what: str


TROUBLES: Final = {
    # at the saw
    "override": Trouble((0.4, 1.5, 4.0), "times a saw-week the feed is turned down to 70 %, for one to five hours"),
    "unlogged": Trouble((0.4, 1.5, 4.0), "the same, but the message tells the feed that was set"),
    "galling": Trouble((0.3, 1.0, 2.5), "episodes a saw-week: energy up by a quarter, until the blade is cleaned"),
    "cleaning": Trouble(
        (0.3, 0.6, 1.0), "share of galling that ends at a stop with the guard open; and so many such stops a saw-week"
    ),
    "mist": Trouble((0.1, 0.4, 1.0), "failures of the mist a saw-week, two to five hours: more wear, galling"),
    "lot": Trouble((0.15, 0.5, 1.2), "hard lots a week, on every saw that cuts the metal: energy up, wear times 1.5"),
    "cold": Trouble((0.15, 0.4, 0.9), "idle power of a cold spindle above the warm one's, as a share of it"),
    "belt": Trouble((0.02, 0.04, 0.07), "slip that the belt of the first saw has come to at the end"),
    "bearing": Trouble((0.12, 0.3, 0.6), "rise of the last saw's idle power by a failing bearing, with heat"),
    "clamp": Trouble((0.3, 1.0, 2.5), "times a saw-week the clamp is weak: length and energy scatter"),
    "chip": Trouble((0.03, 0.1, 0.25), "chance that a grind cycle loses a tip"),
    "early": Trouble((0.15, 0.4, 0.8), "share of cycles taken off early, by habit"),
    # on the wire
    "rollover": Trouble((0.34, 0.67, 1.0), "share of saws whose counter is 16 bits wide and near its end"),
    "reset": Trouble((0.2, 1.0, 5.0), "times a saw-week the counter starts again at zero"),
    "correction": Trouble((0.3, 1.5, 5.0), "times a saw-week somebody sets the counter back by one or two"),
    "edit": Trouble((0.1, 0.3, 1.0), "times a saw-week somebody sets the counter up by some ten thousand"),
    "duplicate": Trouble((0.01, 0.05, 0.2), "share of messages that come twice"),
    "disorder": Trouble((200.0, 900.0, 5400.0), "seconds by which one message in ten is late, at most"),
    "gap": Trouble((0.2, 1.0, 4.0), "times a saw-week the messages are lost, for ten minutes to two hours"),
    "clock": Trouble((30.0, 120.0, 900.0), "seconds that the clock of the first saw is wrong by, in the last third"),
    "bundle": Trouble((0.3, 1.0, 2.5), "times a saw-week the message tells one bar where there are more"),
    "nameless": Trouble((0.3, 1.0, 2.5), "times a saw-week the part's name is not sent, for up to two hours"),
    "sentinel": Trouble((0.01, 0.05, 0.2), "share of readings of power that are -999, for no value"),
    "frozen": Trouble((0.2, 1.0, 3.0), "times a saw-week the reading of power stands still, for two to six hours"),
    "unit": Trouble((1.0, 7.0, 30.0), "last working days on which the second saw sends its feed in inches a second"),
    "rescale": Trouble((1.05, 1.12, 1.3), "factor on all power of the second saw, from two thirds on"),
    # in the record
    "half": Trouble((0.05, 0.15, 0.4), "share of changes of which only the blade taken off is written down"),
    "unrecorded": Trouble((0.03, 0.08, 0.2), "share of blade changes that nobody wrote down"),
    "late": Trouble((0.1, 0.3, 0.6), "share of ledger rows entered up to fourteen hours late"),
    "wrong-plate": Trouble((0.03, 0.1, 0.25), "share of mounts written with another plate's number"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Episode:
    """A trouble at one saw for a while. ``size`` is a factor, or nothing where the kind says all."""

    kind: str
    saw: str
    from_us: int
    to_us: int
    size: float = 1.0
    metal: str = ""

    def on(self, saw: str, at_us: int) -> bool:
        """Whether it acts on a saw at an instant."""
        return self.from_us <= at_us < self.to_us and self.saw in (saw, EVERY_SAW)


def size_of(troubles: Mapping[str, str], name: str) -> float:
    """How strong a trouble is switched on; 0 where it is off.

    >>> size_of({"galling": "strong"}, "galling"), size_of({}, "galling")
    (2.5, 0.0)
    """
    return TROUBLES[name].sizes[STRENGTHS.index(troubles[name])] if name in troubles else 0.0


_LASTING: Final = {
    # kind: hours at least, hours at most, size
    "override": (1.0, 5.0, 0.7),
    "unlogged": (1.0, 5.0, 0.7),
    "galling": (0.5, 3.0, 1.25),
    "mist": (2.0, 5.0, 1.5),
    "cleaning": (0.2, 0.2, 1.0),
    "clamp": (1.0, 4.0, 0.25),
    "gap": (0.17, 2.0, 1.0),
    "bundle": (0.5, 2.0, 1.0),
    "nameless": (0.5, 2.0, 1.0),
    "frozen": (2.0, 6.0, 1.0),
    "reset": (0.5, 0.5, 1.0),
    "correction": (0.5, 0.5, 1.0),
    "edit": (0.5, 0.5, 1.0),
}


Shift = tuple[int, int]
"""When a day's work begins and ends [µs]."""


def plan(troubles: Mapping[str, str], saws: list[str], shifts: list[list[Shift]], seed: int) -> list[Episode]:
    """When each trouble is there; ``shifts`` are the working days week by week.

    Each kind draws from a stream of its own: one more changes no other. Nothing begins outside the hours of work.
    """
    found: list[Episode] = []
    ends_us = shifts[-1][-1][1]
    for kind, (least_h, most_h, size) in _LASTING.items():
        rng = Random(f"{seed}/{kind}")
        for saw in saws:
            for week in shifts:
                for _ in range(_times(size_of(troubles, kind), rng)):
                    opens_us, closes_us = rng.choice(week)
                    at_us = opens_us + round(rng.uniform(0, 0.8) * (closes_us - opens_us))
                    to_us = min(at_us + round(rng.uniform(least_h, most_h) * HOUR_US), ends_us)
                    found.append(Episode(kind, saw, at_us, to_us, size))
    rng = Random(f"{seed}/lot")
    for week in shifts:
        for _ in range(_times(size_of(troubles, "lot"), rng)):
            at_us = rng.choice(week)[0]
            metal = rng.choice(("6063", "6082"))
            found.append(Episode("lot", EVERY_SAW, at_us, at_us + round(rng.uniform(1, 3) * DAY_US), 1.5, metal))
    first_us = shifts[0][0][0]
    from_us = first_us + (ends_us - first_us) * 2 // 3
    slow = {"belt": saws[0], "bearing": saws[-1], "clock": saws[0], "rescale": saws[min(1, len(saws) - 1)]}
    found.extend(
        Episode(kind, saw, from_us, ends_us, size_of(troubles, kind)) for kind, saw in slow.items() if kind in troubles
    )
    if "unit" in troubles:
        days = [shift for week in shifts for shift in week]
        from_us = days[max(len(days) - round(size_of(troubles, "unit")), 0)][0]
        found.append(Episode("unit", saws[min(1, len(saws) - 1)], from_us, ends_us))
    return sorted(found, key=lambda episode: (episode.from_us, episode.kind, episode.saw))


def _times(mean: float, rng: Random) -> int:
    """A Poisson number, by its definition: events a unit of time."""
    count, passed = 0, rng.expovariate(1.0) if mean > 0 else 1.0
    while mean > 0 and passed < mean:
        count += 1
        passed += rng.expovariate(1.0)
    return count
