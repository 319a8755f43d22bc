"""What stands in ``bladewatch.toml``: one frozen class a table. ``key`` gives each field its kind and default.

The fields that the job needs are: the shop's name, its saws, its blade types. Everything else has a default
or leads to "cannot tell".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, Generic, Protocol, TypeVar
from zoneinfo import ZoneInfo

from bladewatch.config import kinds
from bladewatch.config.kinds import Line
from bladewatch.config.sections import Section
from collectors.mapping import CLOCKS, Rule
from collectors.topics import KINDS

REQUIRED: Final = object()
FOR_EVER_US: Final = 2**62


def key(kind: kinds.Kind, default: Any = None) -> Any:
    """A field with its kind; ``REQUIRED`` as default means that the key must be there."""
    if default is REQUIRED:
        return field(metadata={"kind": kind, "required": True})
    return field(default=default, metadata={"kind": kind})


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """``[site]``"""

    name: str = key(kinds.name, REQUIRED)
    timezone: ZoneInfo = key(kinds.zone, ZoneInfo("UTC"))
    currency: str = key(kinds.text, "EUR")
    units: str = key(kinds.choice("metric", "inch"), "metric")
    decimal: str = key(kinds.choice("point", "comma"), "point")
    dates: str = key(kinds.choice("iso", "day-first", "month-first"), "iso")
    production_day_start: time = key(kinds.clock, time(6, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """``[store]``"""

    url: str = key(kinds.text, "sqlite:///bladewatch.sqlite")
    ledger_url: str | None = key(kinds.text)
    forward_url: str | None = key(kinds.text)
    spool_mb: int = key(kinds.whole(1, 10_000_000), 4096)
    part: bool = key(kinds.flag, False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Retention:
    """``[retention]``: how long raw fast signals stay, and how much room rejections and waveforms may take."""

    keep_raw_days: int = key(kinds.whole(1, 36500), 90)
    rejections_mb: int = key(kinds.whole(1, 100_000), 64)
    waveforms_mb: int = key(kinds.whole(1, 1_000_000), 256)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mqtt:
    """``[mqtt]``: the password stands in the environment variable that ``password_env`` names."""

    host: str = key(kinds.text, "127.0.0.1")
    port: int = key(kinds.whole(1, 65535), 1883)
    tls: bool = key(kinds.flag, False)
    username: str | None = key(kinds.text)
    password_env: str | None = key(kinds.text)
    shared_group: str | None = key(kinds.name)
    version: str = key(kinds.choice("5", "3.1.1"), "5")
    client_id: str | None = key(kinds.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """One of ``bearings`` of a saw: the geometry that its defect frequencies follow from."""

    point: str = key(kinds.text, REQUIRED)
    balls: int = key(kinds.whole(3, 100), REQUIRED)
    ball_mm: float = key(kinds.number(0.1, 500), REQUIRED)
    pitch_mm: float = key(kinds.number(1, 2000), REQUIRED)
    contact_deg: float = key(kinds.number(0, 80), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Saw:
    """``[[saw]]``"""

    id: str = key(kinds.name, REQUIRED)
    load_base_kw: float | None = key(kinds.number(0.01, 1000))
    rated_rpm: float | None = key(kinds.number(1, 30000))
    spindles: tuple[str, ...] = key(kinds.spindles, ("1",))
    bearings: tuple[Bearing, ...] = key(lambda value: value, ())
    round_order: int | None = key(kinds.whole(0, 100_000))
    aliases: tuple[str, ...] = key(kinds.texts, ())
    fits: tuple[str, ...] = key(kinds.texts, ())
    bore_mm: float | None = key(kinds.number(1, 1000))
    pins: str | None = key(kinds.text_or_whole)
    diameter_mm: tuple[float, float] | None = key(kinds.lengths)
    place: str | None = key(kinds.text)
    cost_centre: str | None = key(kinds.text_or_whole)


@dataclass(frozen=True, slots=True, kw_only=True)
class BladeType:
    """``[[blade_type]]``"""

    id: str = key(kinds.text, REQUIRED)
    diameter_mm: float | None = key(kinds.number(50, 3000))
    teeth: int | None = key(kinds.whole(1, 1000))
    kerf_mm: float | None = key(kinds.number(0.1, 30))
    wear_limit_um: float | None = key(kinds.number(1, 5000))
    edge_index_limit: float | None = key(kinds.number(1.0001, 20))
    site_limit_area_m2: float | None = key(kinds.number(1e-6, 1e6))
    site_limit_cuts: int | None = key(kinds.whole(1, 10**9))
    max_rpm: float | None = key(kinds.number(1, 30000))
    bore_mm: float | None = key(kinds.number(1, 1000))
    pins: str | None = key(kinds.text_or_whole)
    price: Decimal | None = key(kinds.money)
    grind_price: Decimal | None = key(kinds.money)
    tip_price: Decimal | None = key(kinds.money)
    retip_price: Decimal | None = key(kinds.money)
    regrinds_expected: int | None = key(kinds.whole(0, 1000))
    service_level: float = key(kinds.number(0.5, 0.9999), 0.95)
    min_sharps: int | None = key(kinds.whole(0, 1000))
    min_sharps_note: str | None = key(kinds.text)
    inspect: tuple[Line, ...] = key(kinds.lines, ())
    lead_days: float | None = key(kinds.number(0, 3650))
    turnround_days: float | None = key(kinds.number(0, 3650))
    supplier: str | None = key(kinds.text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alloy:
    """``[[alloy]]``: ``wear_ratio`` is the wear per area beside the base alloy's, where the shop knows it."""

    id: str = key(kinds.text, REQUIRED)
    aliases: tuple[str, ...] = key(kinds.texts, ())
    group: str | None = key(kinds.text)
    density: float | None = key(kinds.number(0.5, 25))
    hazard: str | None = key(lambda value: ("yes" if value else None) if isinstance(value, bool) else kinds.text(value))
    wear_ratio: float | None = key(kinds.number(0.01, 1000))
    metal_price: Decimal | None = key(kinds.money)
    chip_price: Decimal | None = key(kinds.money)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """``[[part]]``: ``area_mm2`` is of all bars in the stroke, holes excluded, before the mitre.

    Where it is left out it follows from ``section`` or ``mass_kg_m`` of one bar. ``bars_vary``: bundles that nobody
    counts, so that ``area_mm2`` and ``bars`` speak of one stroke as planned and energy tells how many bars it was.
    """

    id: str = key(kinds.text, REQUIRED)
    alloy: str | None = key(kinds.text)
    area_mm2: float | None = key(kinds.number(0.001, 2_000_000))
    height_mm: float | None = key(kinds.number(0.1, 2000))
    bars: int | None = key(kinds.whole(1, 1000))
    bars_vary: bool = key(kinds.flag, False)
    section: Section | None = key(kinds.section)
    mass_kg_m: float | None = key(kinds.number(0.001, 10_000))
    pieces: int | None = key(kinds.whole(0, 1000))
    mitre_deg: float | None = key(kinds.number(-80, 80))
    temper: str | None = key(kinds.text)
    walls: int | None = key(kinds.whole(1, 1000))
    hazard: str | None = key(kinds.text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplier:
    """``[[supplier]]``"""

    id: str = key(kinds.text, REQUIRED)
    van_weekday: int | None = key(kinds.weekday)
    minimum_charge: Decimal | None = key(kinds.money)
    turnround_days: float | None = key(kinds.number(0, 3650))


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """``[[person]]``"""

    id: str = key(kinds.text, REQUIRED)
    name: str | None = key(kinds.text)
    role: str | None = key(kinds.text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """``[[contact]]``: who is told; the address stands in the environment variable ``url_env``."""

    id: str = key(kinds.text, REQUIRED)
    person: str | None = key(kinds.text)
    url_env: str | None = key(kinds.text)
    levels: tuple[str, ...] = key(kinds.texts, ("change", "act"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Map:
    """``[[map]]``: a shop's own topics, fields and units."""

    topic: str = key(kinds.text, REQUIRED)
    kind: str = key(kinds.choice(*KINDS), REQUIRED)
    saw: str | None = key(kinds.name)
    fields: Mapping[str, str] = field(default_factory=dict, metadata={"kind": kinds.text_map})
    units: Mapping[str, str] = field(default_factory=dict, metadata={"kind": kinds.text_map})
    constants: Mapping[str, str | float | bool] = field(default_factory=dict, metadata={"kind": kinds.scalar_map})
    clock: str = key(kinds.choice(*CLOCKS), "rfc3339")
    zone: ZoneInfo | None = key(kinds.zone)
    signed_bits: int | None = key(kinds.whole(8, 64))

    def rule(self) -> Rule:
        """The collector's rule."""
        return Rule(
            topic=self.topic,
            kind=self.kind,
            saw=self.saw,
            fields=self.fields,
            units=self.units,
            constants=self.constants,
            clock=self.clock,
            zone=self.zone,
            signed_bits=self.signed_bits,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Alerts:
    """``[alerts]``: when a blade is called to mind, when a silent saw is called unseen, and what is no longer normal.

    Shares of idle power and ratios of vibration are against the saw's own past. The zones of vibration are those that
    ISO 20816-3 gives for machines of 15 to 300 kW on rigid mounts (from summaries of it); a saw spindle is not
    squarely in its scope, so its own past rules. The idle shares are common practice, no source.
    """

    prepare_share: float = key(kinds.number(0.1, 1), 0.8)
    prepare_hours: float = key(kinds.number(0, 1000), 16.0)
    change_hours: float = key(kinds.number(0, 1000), 8.0)
    gap_minutes: float = key(kinds.number(0.1, 10_000), 10.0)
    idle_alert: float = key(kinds.number(0.01, 10), 0.15)
    idle_act: float = key(kinds.number(0.01, 10), 0.30)
    vibration_alert_mm_s: float = key(kinds.number(0.01, 500), 4.5)
    vibration_act_mm_s: float = key(kinds.number(0.01, 500), 7.1)
    vibration_alert_ratio: float = key(kinds.number(1, 100), 1.5)
    vibration_act_ratio: float = key(kinds.number(1, 100), 2.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifts:
    """``[shifts]``: when the saws are manned; without it the pace of the last weeks speaks for itself."""

    days: tuple[int, ...] = key(kinds.weekdays, (0, 1, 2, 3, 4))
    periods: tuple[tuple[time, time], ...] = key(kinds.periods, ())


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """``[budget]``: what is planned to be spent, by which months, and what a change costs beside blade and grinder.

    ``years`` are the first days of fiscal years of weeks. Figures known for less than ``known_share`` of the cuts are
    marked. ``accounts`` are the site's account numbers by kind of spend.
    """

    month: Decimal | None = key(kinds.money)
    cuts: int | None = key(kinds.whole(0, 10**10))
    per_1000_cuts: Decimal | None = key(kinds.money)
    alloys: tuple[kinds.Standard, ...] = key(kinds.standards, ())
    months: str = key(kinds.choice("calendar", "4-4-5", "4-5-4", "5-4-4"), "calendar")
    years: Mapping[int, date] = field(default_factory=dict, metadata={"kind": kinds.first_days})
    baseline: kinds.Months | None = key(kinds.months)
    known_share: float = key(kinds.number(0, 1), 0.9)
    planned_change: Decimal | None = key(kinds.money)
    unplanned_change: Decimal | None = key(kinds.money)
    accounts: Mapping[str, str] = field(default_factory=dict, metadata={"kind": kinds.text_map})


class HasId(Protocol):
    """A row that repeats under its id."""

    @property
    def id(self) -> str:
        """The id."""
        ...


R = TypeVar("R", bound=HasId)


@dataclass(frozen=True, slots=True)
class Versions(Generic[R]):
    """Rows of one table by id; a row that repeats its id takes over at its ``valid_from``."""

    rows: Mapping[str, Sequence[tuple[int, R]]]

    def at(self, row_id: str, us: int) -> R | None:
        """The row in force at an instant, or None."""
        found = None
        for since_us, row in self.rows.get(row_id, ()):
            if since_us > us:
                break
            found = row
        return found

    def ever(self, row_id: str, us: int) -> R | None:
        """The row in force, else the first one: for what must always have a row."""
        found = self.at(row_id, us)
        if found is None and self.rows.get(row_id):
            found = self.rows[row_id][0][1]
        return found

    def changes(self) -> list[int]:
        """The instants at which any row takes over from another."""
        return sorted({since for rows in self.rows.values() for since, _ in rows[1:]})

    def __iter__(self) -> Iterator[str]:
        return iter(self.rows)

    def __contains__(self, row_id: object) -> bool:
        return row_id in self.rows

    def __len__(self) -> int:
        return len(self.rows)

    def all_rows(self) -> Iterator[R]:
        """Every row of every version."""
        for rows in self.rows.values():
            for _, row in rows:
                yield row


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """The whole configuration, checked."""

    path: Path
    site: Site
    store: Store
    retention: Retention
    mqtt: Mqtt
    alerts: Alerts
    shifts: Shifts
    budget: Budget
    saws: Versions[Saw]
    blade_types: Versions[BladeType]
    alloys: Versions[Alloy]
    parts: Versions[Part]
    suppliers: Versions[Supplier]
    people: Versions[Person]
    contacts: Versions[Contact]
    maps: tuple[Map, ...] = ()
    plausible: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    sentinels: frozenset[float] | None = None

    @property
    def zone(self) -> ZoneInfo:
        """The site's zone."""
        return self.site.timezone

    def saw_of(self, name: str, us: int) -> str:
        """The id of a saw by id or by the alias that was its own at an instant; another name stays as it is."""
        return _name_of(self.saws, name, us)

    def alias_spans(self) -> dict[str, list[tuple[int, int, str]]]:
        """Other names of saws: from when up to when each is whose."""
        found: dict[str, list[tuple[int, int, str]]] = {}
        for saw_id, rows in self.saws.rows.items():
            for place, (since_us, row) in enumerate(rows):
                until_us = rows[place + 1][0] if place + 1 < len(rows) else FOR_EVER_US
                for alias in row.aliases:
                    found.setdefault(alias, []).append((since_us if place else -FOR_EVER_US, until_us, saw_id))
        return found

    def alloy_of(self, name: str, us: int) -> str:
        """The id of an alloy by id or by the alias that was its own at an instant; another name stays as it is."""
        return _name_of(self.alloys, name, us)

    def may_clear_cracks(self) -> frozenset[str]:
        """Ids and names of the people with a role: their correction of a crack counts."""
        rows = [row for row in self.people.all_rows() if row.role is not None]
        return frozenset(name for row in rows for name in (row.id, row.name) if name is not None)


class _HasAliases(HasId, Protocol):
    @property
    def aliases(self) -> tuple[str, ...]: ...


def _name_of(table: Versions[Any], name: str, us: int) -> str:
    if name in table:
        return name
    for row_id in table:
        row: _HasAliases | None = table.ever(row_id, us)
        if row is not None and name in row.aliases:
            return row_id
    return name
