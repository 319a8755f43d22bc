"""TOML to ``Config``. Every mistake is found in one pass and told with file, key, finding and cure."""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, TypeVar

from bladewatch.config import kinds, tables
from bladewatch.config.sections import area_of
from bladewatch.config.tables import Config, Versions
from bladewatch.errors import UsageError
from collectors import signals
from collectors.mapping import check_rule

D = TypeVar("D")

_SINGLE: Final[dict[str, type[Any]]] = {
    "site": tables.Site,
    "store": tables.Store,
    "retention": tables.Retention,
    "mqtt": tables.Mqtt,
    "alerts": tables.Alerts,
    "shifts": tables.Shifts,
    "budget": tables.Budget,
}
_REPEATED: Final[dict[str, type[Any]]] = {
    "saw": tables.Saw,
    "blade_type": tables.BladeType,
    "alloy": tables.Alloy,
    "part": tables.Part,
    "supplier": tables.Supplier,
    "person": tables.Person,
    "contact": tables.Contact,
}
_OTHER: Final = ("map", "plausible", "sentinels")
_FIELD_OF: Final = {
    "saw": "saws", "blade_type": "blade_types", "alloy": "alloys", "part": "parts",
    "supplier": "suppliers", "person": "people", "contact": "contacts",
}  # fmt: skip


def load(path: Path) -> Config:
    """Read and check a configuration file. Raises ``UsageError`` that lists every mistake."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(
            f"{path}: no such file. Write a first one with 'bladewatch init', or name yours with --config FILE"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read: {error}") from error
    return parse(text, path)


def parse(text: str, path: Path) -> Config:
    """Check configuration text; ``path`` serves the messages and relative file names."""
    try:
        content = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{path}: not valid TOML: {error}") from error
    except ValueError as error:  # a number of thousands of digits
        raise UsageError(f"{path}: holds a number that is too long: {str(error).partition(';')[0]}") from error
    reader = _Reader(path)
    config = reader.config(content)
    if reader.mistakes or config is None:
        count = len(reader.mistakes)
        head = f"{path}: {count} mistake{'s' if count != 1 else ''} in the configuration"
        raise UsageError("\n  ".join([head, *reader.mistakes]))
    return config


class _Reader:
    """Collects mistakes while decoding."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.mistakes: list[str] = []

    def mistake(self, where: str, found: Any, expected: str) -> None:
        shown = str(found) if isinstance(found, Decimal) else repr(found)
        self.mistakes.append(f"{where}: found {shown if len(shown) <= 80 else shown[:77] + '...'}, {expected}")

    def config(self, content: dict[str, Any]) -> Config | None:
        self._unknown("", content, [*_SINGLE, *_REPEATED, *_OTHER])
        single: dict[str, Any] = {}
        for name, row_class in _SINGLE.items():
            table = content.get(name, {})
            if not isinstance(table, dict):
                self.mistake(name, table, f"expected one table [{name}]")
                table = {}
            single[name] = self._row(f"[{name}]", table, row_class)
        site = single["site"]
        zone = site.timezone if site else kinds.zone("UTC")
        many: dict[str, Any] = {_FIELD_OF[name]: self._rows(name, content.get(name, []), zone) for name in _REPEATED}
        self._areas(many)
        maps = self._maps(content.get("map", []), many["saws"])
        plausible = self._plausible(content.get("plausible", {}))
        sentinels = self._sentinels(content.get("sentinels"))
        self._cross_check(many, content)
        if self.mistakes:
            return None
        return Config(path=self.path, **single, **many, maps=maps, plausible=plausible, sentinels=sentinels)

    def _unknown(self, where: str, table: dict[str, Any], allowed: list[str]) -> None:
        for name in table:
            if name not in allowed:
                near = difflib.get_close_matches(name, allowed, 1)
                hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(allowed)}"
                self.mistakes.append(f"{where}{' ' if where else ''}{name}: unknown key; {hint}")

    def _row(self, where: str, table: dict[str, Any], row_class: type[D], also: tuple[str, ...] = ()) -> D | None:
        specs = dataclasses.fields(row_class)  # type: ignore[arg-type]
        self._unknown(where, table, [*(spec.name for spec in specs), *also])
        values: dict[str, Any] = {}
        good = True
        for spec in specs:
            if spec.name not in table:
                if spec.metadata.get("required"):
                    self.mistakes.append(f"{where} {spec.name}: missing; this key is required")
                    good = False
                continue
            found = table[spec.name]
            try:
                values[spec.name] = spec.metadata["kind"](found)
            except kinds.Wrong as wrong:
                self.mistake(f"{where} {spec.name}", found, str(wrong))
                good = False
        return row_class(**values) if good else None

    def _rows(self, name: str, rows: Any, zone: Any) -> Versions[Any]:
        found: dict[str, list[tuple[int, Any]]] = {}
        if not isinstance(rows, list):
            self.mistake(name, rows, f"expected rows [[{name}]]")
            rows = []
        for place, table in enumerate(rows, 1):
            where = (
                f"[[{name}]] {table['id']!r}" if isinstance(table, dict) and "id" in table else f"[[{name}]] {place}"
            )
            if not isinstance(table, dict):
                self.mistake(where, table, f"expected a table [[{name}]]")
                continue
            since_us = -(2**62)
            if "valid_from" in table:
                try:
                    since_us = kinds.moment(table["valid_from"], zone)
                except kinds.Wrong as wrong:
                    self.mistake(f"{where} valid_from", table["valid_from"], str(wrong))
            if name == "saw" and "bearings" in table:
                cells = {**table, "bearings": self._bearings(where, table["bearings"])}
            else:
                cells = table
            row = self._row(where, cells, _REPEATED[name], ("valid_from",))
            if row is None:
                continue
            versions = found.setdefault(row.id, [])
            if any(since == since_us for since, _ in versions):
                self.mistakes.append(f"{where} id: stands twice; give the later row another valid_from")
            versions.append((since_us, row))
        return Versions({row_id: tuple(sorted(rows, key=lambda pair: pair[0])) for row_id, rows in found.items()})

    def _areas(self, many: dict[str, Versions[Any]]) -> None:
        """Work out the area of parts that give a section or a mass instead."""
        parts = many["parts"]
        found: dict[str, tuple[tuple[int, Any], ...]] = {}
        for part_id, rows in parts.rows.items():
            done = []
            for since_us, row in rows:
                area_mm2, problem = area_of(row, many["alloys"], since_us)
                if problem is not None:
                    self.mistakes.append(f"[[part]] {part_id!r} {problem}")
                height_mm = row.height_mm
                if height_mm is None and row.section is not None:
                    height_mm = row.section.height_mm
                done.append((since_us, dataclasses.replace(row, area_mm2=area_mm2, height_mm=height_mm)))
            found[part_id] = tuple(done)
        many["parts"] = Versions(found)

    def _bearings(self, where: str, rows: Any) -> tuple[Any, ...]:
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            self.mistake(f"{where} bearings", rows, "expected a list of tables")
            return ()
        read = (self._row(f"{where} bearings {i}", row, tables.Bearing) for i, row in enumerate(rows, 1))
        return tuple(row for row in read if row is not None)

    def _maps(self, rows: Any, saws: Versions[Any]) -> tuple[Any, ...]:
        if not isinstance(rows, list):
            self.mistake("map", rows, "expected rows [[map]]")
            return ()
        found = []
        for place, table in enumerate(rows, 1):
            where = f"[[map]] {place}"
            row = self._row(where, table, tables.Map) if isinstance(table, dict) else None
            if row is None:
                continue
            self.mistakes.extend(f"{where} {problem}" for problem in check_rule(row.rule()))
            if row.saw is not None and row.saw not in saws:
                self.mistake(
                    f"{where} saw", row.saw, f"expected one of {', '.join(saws) or 'the saws, of which none stands'}"
                )
            found.append(row)
        return tuple(found)

    def _plausible(self, table: Any) -> dict[str, tuple[float, float]]:
        if not isinstance(table, dict):
            self.mistake("plausible", table, "expected one table [plausible]")
            return {}
        known = [*signals.CATALOGUE, *signals.STROKE_RANGES]
        self._unknown("[plausible]", table, known)
        found = {}
        for name, value in table.items():
            try:
                found[name] = kinds.pair(value)
            except kinds.Wrong as wrong:
                self.mistake(f"[plausible] {name}", value, str(wrong))
        return found

    def _sentinels(self, value: Any) -> frozenset[float] | None:
        if value is None:
            return None
        try:
            return frozenset(kinds.numbers(value))
        except kinds.Wrong as wrong:
            self.mistake("sentinels", value, str(wrong))
            return None

    def _cross_check(self, many: dict[str, Versions[Any]], content: dict[str, Any]) -> None:
        """Names that point to other tables; ``alloy`` and ``supplier`` rows are optional, so only saws are strict."""
        if not many["saws"] and "saw" not in content:
            self.mistakes.append("[[saw]]: missing; at least one saw with its id is required")
        if not many["blade_types"] and "blade_type" not in content:
            self.mistakes.append("[[blade_type]]: missing; at least one blade type with its id is required")
        found = content.get("blade_type")
        types = [table.get("id") for table in found if isinstance(table, dict)] if isinstance(found, list) else []
        for name, table in (("saw", many["saws"]), ("alloy", many["alloys"])):
            self._check_aliases(name, table)
        for row in many["saws"].all_rows():
            for fit in row.fits:
                if fit not in types:
                    self.mistake(f"[[saw]] {row.id!r} fits", fit, f"expected one of {', '.join(map(str, types))}")

    def _check_aliases(self, name: str, table: Versions[Any]) -> None:
        """An alias is one row's at a time, and never another one's id."""
        taken: dict[str, list[tuple[int, int, str]]] = {}
        for row_id, rows in table.rows.items():
            for place, (since_us, row) in enumerate(rows):
                from_us = since_us if place else -tables.FOR_EVER_US
                to_us = rows[place + 1][0] if place + 1 < len(rows) else tables.FOR_EVER_US
                for alias in row.aliases:
                    others = [other for start, end, other in taken.get(alias, ()) if start < to_us and from_us < end]
                    if (alias in table and alias != row_id) or any(other != row_id for other in others):
                        self.mistake(
                            f"[[{name}]] {row_id!r} aliases", alias, f"expected a name that no other {name} has"
                        )
                    taken.setdefault(alias, []).append((from_us, to_us, row_id))
