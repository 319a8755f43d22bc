"""What the ledger means: plate > tip set > grind cycle > mount, and records that cannot be true."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Final, NamedTuple

KEEPS_CYCLE: Final = frozenset({"job-swap", "trial", "unknown"})
"""Reasons that take a blade off without ending its grind cycle."""
STATES: Final = (
    "ordered", "received", "sharp", "mounted", "part-used", "dull", "out", "returned", "rejected", "quarantined",
    "found", "lost", "scrapped", "unknown",
)  # fmt: skip
"""Where a plate can be: it is in one of these at a time, and their totals are the plates owned."""
GONE: Final = frozenset({"scrapped", "lost"})
"""States of plates that a shop no longer has."""
READY: Final = frozenset({"sharp", "part-used"})
"""States of plates that can go on a saw as they are."""
NOT_TO_BE_MOUNTED: Final = frozenset({"out", "quarantined", "scrapped", "lost", "rejected", "returned"})


class Problem(NamedTuple):
    """A record that cannot be true as it stands.

    ``rows`` are ids of ledger rows: first the row in doubt, then those that it contradicts. ``asks`` is whether only a
    person can settle it; else it is a remark on how the record is written.
    """

    where: str
    message: str
    at_us: int
    plate: str | None = None
    saw: str | None = None
    spindle: str | None = None
    asks: bool = False
    rows: tuple[str, ...] = ()


class Reading(NamedTuple):
    """A bench reading of flank wear."""

    at_us: int
    wear_um: float


@dataclass(slots=True)
class Mount:
    """A blade on a spindle. It owns the strokes with ``from_us`` < ts ≤ ``to_us``.

    ``row`` and ``off_row`` are the ids of the ledger rows, or messages, that tell its beginning and its end;
    ``counter_on`` and ``counter_off`` what the counter read then, where somebody wrote it down.
    """

    plate: str
    saw: str
    spindle: str
    from_us: int
    to_us: int | None = None
    reason: str | None = None
    cycle: int = 0
    row: str = ""
    off_row: str = ""
    counter_on: int | None = None
    counter_off: int | None = None


@dataclass(slots=True)
class Cycle:
    """From sharp to dull: the unit that wear is learnt from."""

    plate: str
    number: int
    tip_set: int
    regrinds: int
    opened_us: int
    used_share: float = 0.0
    mounts: list[Mount] = field(default_factory=list)
    ended_us: int | None = None
    reason: str | None = None
    readings: list[Reading] = field(default_factory=list)
    stock_removed_um: float | None = None
    tips_chipped: int | None = None

    @property
    def end_wear_um(self) -> float | None:
        """The wear that the bench found after its end: wear falls only by grinding, so the largest reading counts."""
        after = (r.wear_um for r in self.readings if self.ended_us is not None and r.at_us >= self.ended_us)
        return max(after, default=0.0) or None

    @property
    def open(self) -> bool:
        """Whether the cycle still runs."""
        return self.ended_us is None


@dataclass(slots=True)
class Plate:
    """A steel disc with its number: state, place and history.

    ``on`` are the mounts that have not ended. ``work`` is what the grinder was asked, ``batch`` the batch that it last
    went out with, ``due`` the day that was promised, ``tips_due`` whether a new set of tips was asked that no row told
    yet. ``known``: a row opened or accepted it; ``fresh``: it was made sharp since its last cycle. ``born_us`` is when
    a row first named it. ``stays`` are all its states, in the order of the rows that told them.
    """

    id: str
    blade_type: str | None = None
    state: str = "unknown"
    since_us: int = 0
    place: str | None = None
    tip_set: int = 1
    regrinds: int = 0
    kerf_mm: float | None = None
    diameter_mm: float | None = None
    cracked: bool = False
    crack_row: str = ""
    known: bool = False
    fresh: bool = False
    fresh_share: float = 0.0
    estimated: bool = False
    cycles: list[Cycle] = field(default_factory=list)
    on: tuple[Mount, ...] = ()
    work: str | None = None
    batch: str | None = None
    supplier: str | None = None
    due: str | None = None
    failed: str | None = None
    tips_due: bool = False
    sent_row: str = ""
    state_row: str = ""
    born_us: int = 0
    stays: list[Stay] = field(default_factory=list)

    @property
    def cycle(self) -> Cycle | None:
        """The newest cycle."""
        return self.cycles[-1] if self.cycles else None

    def state_at(self, us: int) -> str | None:
        """Where it was just after an instant; None before a row named it."""
        last = bisect_right(self.stays, us, key=lambda stay: stay.at_us)
        return self.stays[last - 1].state if last else None

    @property
    def owned(self) -> bool:
        """Whether the shop still has it."""
        return self.state not in GONE


class Stay(NamedTuple):
    """From when a plate was in a state, by which row.

    ``regrinds`` are those that its tips had behind them then, ``work`` is what the grinder was asked last.
    """

    at_us: int
    state: str
    regrinds: int
    work: str | None
    row: str


class Trip(NamedTuple):
    """One way of a plate to the grinder and back: from when to when it was out."""

    plate: str
    blade_type: str | None
    supplier: str | None
    batch: str | None
    sent_us: int
    back_us: int


@dataclass(slots=True)
class Fleet:
    """What the ledger means at one moment."""

    plates: dict[str, Plate] = field(default_factory=dict)
    mounts: dict[tuple[str, str], list[Mount]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    trips: list[Trip] = field(default_factory=list)

    def on(self, saw: str, spindle: str) -> Mount | None:
        """The mount that is on now, or None."""
        mounts = self.mounts.get((saw, spindle), ())
        return mounts[-1] if mounts and mounts[-1].to_us is None else None

    def cycle_of(self, mount: Mount) -> Cycle:
        """The cycle a mount belongs to."""
        return self.plates[mount.plate].cycles[mount.cycle - 1]
