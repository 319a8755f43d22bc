"""One invented shop: its size, its form of wear, its troubles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from bladewatch.demo.edge import FORMS
from bladewatch.demo.troubles import STRENGTHS, TROUBLES, Episode, plan, size_of
from bladewatch.errors import UsageError

RPM: Final = 2800.0


@dataclass(frozen=True, slots=True)
class BladeKind:
    """A blade type of the shop, with its prices as texts of money."""

    id: str
    diameter_mm: float
    teeth: int
    kerf_mm: float
    limit_um: float
    site_area_m2: float
    price: str
    grind_price: str
    tip_price: str


BLADE_KINDS: Final = (
    BladeKind("T420x96", 420.0, 96, 4.0, 250.0, 5.0, "380.00", "48.00", "9.50"),
    BladeKind("T500x120", 500.0, 120, 4.4, 280.0, 5.6, "465.00", "61.00", "9.50"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What is chosen of a shop. The same setting makes the same shop to the last byte.

    ``troubles`` maps names in ``TROUBLES`` to weak, medium or strong; ``episodes`` are set by hand beside them.
    ``habit`` is the wear at which its people take a blade off, in limits, mean and spread: they see burr and load, not
    wear.
    """

    seed: int = 417
    site: str = "invented-hall"
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("Europe/Berlin"))
    start: date = date(2026, 3, 2)
    days: int = 73
    saws: int = 5
    kinds: int = 2
    opens: int = 6
    closes: int = 14
    form: str = "all"
    troubles: Mapping[str, str] = field(default_factory=dict)
    episodes: tuple[Episode, ...] = ()
    plates_per_saw: int = 5
    pause_s: tuple[float, float] = (85.0, 140.0)
    habit: tuple[float, float] = (0.93, 0.09)

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise UsageError(f"form of wear: found {self.form!r}, expected one of {', '.join(FORMS)}")
        for name, strength in self.troubles.items():
            if name not in TROUBLES:
                raise UsageError(f"trouble: found {name!r}, expected one of {', '.join(TROUBLES)}")
            if strength not in STRENGTHS:
                raise UsageError(f"trouble {name}: found {strength!r}, expected {', '.join(STRENGTHS)}")
        for name, number, least, most in (
            ("saws", self.saws, 1, 500), ("weeks", self.days / 7, 1 / 7, 600), ("kinds", self.kinds, 1, 2),
        ):  # fmt: skip
            if not least <= number <= most:
                raise UsageError(f"{name}: found {number:g}, expected {least:g} to {most:g}")
        if not any(self.works(day) for day in range(self.days)):
            raise UsageError(f"start {self.start}, days {self.days}: expected a working day among them")

    def size(self, trouble: str) -> float:
        """How strong a trouble is; 0 where it is off."""
        return size_of(self.troubles, trouble)

    def saw_names(self) -> list[str]:
        """The saws: S1, S2 …"""
        return [f"S{number}" for number in range(1, self.saws + 1)]

    def kind_of(self, place: int) -> BladeKind:
        """The blade type that a saw takes: the first three of five saws the smaller one."""
        small = self.saws if self.kinds == 1 else -(-self.saws * 3 // 5)
        return BLADE_KINDS[0 if place < small else 1]

    def at(self, day: int, hour: float = 0.0) -> int:
        """An instant of a day of the shop, by the site's clock [µs]."""
        minutes = round(hour * 60)
        clock = time(minutes // 60 % 24, minutes % 60)
        local = datetime.combine(self.start + timedelta(days=day, hours=hour // 24 * 24), clock, self.zone)
        return round(local.astimezone(UTC).timestamp()) * 1_000_000

    def works(self, day: int) -> bool:
        """Monday to Friday."""
        return (self.start + timedelta(days=day)).weekday() < 5

    @property
    def last_day(self) -> int:
        """The last working day: it breaks off in the middle of its shift."""
        return next(day for day in range(self.days - 1, -1, -1) if self.works(day))

    @property
    def last_opens_us(self) -> int:
        """When the last day's shift begins."""
        return self.at(self.last_day, self.opens)

    @property
    def ends_us(self) -> int:
        """When the last day's messages end."""
        return self.at(self.last_day, self.closes)

    def planned(self) -> list[Episode]:
        """Every episode, by chance and by hand, in order."""
        weeks: dict[int, list[tuple[int, int]]] = {}
        for day in range(self.last_day + 1):
            if self.works(day):
                weeks.setdefault(day // 7, []).append((self.at(day, self.opens), self.at(day, self.closes)))
        drawn = plan(self.troubles, self.saw_names(), list(weeks.values()), self.seed)
        return sorted([*drawn, *self.episodes], key=lambda episode: (episode.from_us, episode.kind, episode.saw))
