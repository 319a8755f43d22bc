"""Every fact in plain files, in the forms that ``import`` reads: a store made from them says the same.

- ``ledger.csv``    every ledger row, as it was written
- ``answers.csv``   what people answered, with the question as it stood
- ``strokes.csv``   a stroke a row
- ``readings.csv``  a reading a row (those that have expired to summaries a minute are gone)
- ``messages.jsonl``  the saws' own words about blades, what people measured, waveforms
- ``cycles.csv``    one row a grind cycle; worked out, so it is not read back
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any, Final

import msgspec

from bladewatch.assess.history import cycle_row
from bladewatch.assess.known import Known
from bladewatch.assess.question import KINDS, WORDS, from_json
from bladewatch.ledger import rows as ledger_rows
from bladewatch.ledger.events import Event
from bladewatch.pipeline import message_of
from bladewatch.stores.protocols import ALWAYS_US, Answer, Signals, Spot, Store
from bladewatch.units import m2_of
from collectors.facts import Fact, Stroke
from collectors.fields import CUT_FIELDS
from collectors.instants import DAY_US, parse_text, text_of
from collectors.signals import CATALOGUE

ANSWERS: Final = ("question", "word", "plate", "at", "by", "entered", "asked")
READINGS: Final = ("ts", "saw", "spindle", "signal", "point", "value", "unit", "received")
STROKES: Final = ("ts", "saw", "spindle", "stroke", *CUT_FIELDS, "received")
CYCLES: Final = (
    "plate", "blade_type", "cycle", "tip_set", "regrinds", "opened_at", "ended_at", "reason", "saws", "mounts",
    "minutes", "strokes", "cuts", "area_m2", "area_by_alloy_m2", "strokes_seen", "alloy_known", "used_share_at_start",
    "wear_um", "stock_removed_um", "tips_chipped", "edge_index", "coarse",
)  # fmt: skip


def export(store: Store, known: Known, folder: Path, site: str) -> Iterator[str]:
    """Write all files into a folder; yields a line for each."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = sorted((row for row in store.books.events(ALWAYS_US, ALWAYS_US) if row.witness == "person"), key=_entered)
    with (folder / "ledger.csv").open("w", newline="", encoding="utf-8") as stream:
        ledger_rows.write(rows, stream, known.config.zone)
    yield f"ledger.csv: {len(rows)} rows"
    answers = store.books.answers(ALWAYS_US)
    yield f"answers.csv: {_write(folder / 'answers.csv', ANSWERS, map(_answer, answers))} answers"
    spots = store.signals.spots()
    yield f"strokes.csv: {_write(folder / 'strokes.csv', STROKES, _strokes(store.signals, spots))} strokes"
    yield f"readings.csv: {_write(folder / 'readings.csv', READINGS, _readings(store.signals, spots))} readings"
    with (folder / "messages.jsonl").open("wb") as lines:
        count = 0
        for fact in _others(store, spots):
            lines.write(_line(fact, site))
            count += 1
    yield f"messages.jsonl: {count} messages"
    with (folder / "cycles.csv").open("w", newline="", encoding="utf-8") as stream:
        yield f"cycles.csv: {write_cycles(known, stream)} grind cycles"


def _entered(row: Event) -> tuple[int, int, str]:
    return row.known_us, row.at_us, row.id


def _write(path: Path, columns: tuple[str, ...], rows: Iterable[dict[str, Any]]) -> int:
    count = 0
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow(row)
            count += 1
    return count


def _answer(answer: Answer) -> dict[str, Any]:
    return {
        "question": answer.question,
        "word": answer.word,
        "plate": answer.plate,
        "at": None if answer.at_us is None else text_of(answer.at_us),
        "by": answer.by,
        "entered": text_of(answer.known_us),
        "asked": answer.asked,
    }


def read_answers(path: Path) -> list[Answer]:
    """The answers of an exported file. Raises ``ValueError`` that names the line."""
    found = []
    with path.open(newline="", encoding="utf-8-sig") as stream:
        for number, row in enumerate(csv.DictReader(stream), 2):
            try:
                at = row.get("at") or None
                asked = from_json(msgspec.json.decode(row["asked"]))
                if row["word"] not in WORDS or asked.kind not in KINDS:
                    raise ValueError(f"found {row['word']} to {asked.kind}, expected one of {', '.join(WORDS)}")
                found.append(
                    Answer(
                        row["question"],
                        parse_text(row["entered"]),
                        row["word"],
                        row.get("plate") or None,
                        None if at is None else parse_text(at),
                        row.get("by") or None,
                        row["asked"],
                    )
                )
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise ValueError(f"line {number}: found {error!s:.80}, expected an exported answer") from error
    return found


def _strokes(signals: Signals, spots: Iterable[Spot]) -> Iterator[dict[str, Any]]:
    for saw, spindle in spots:
        for stroke in signals.strokes((saw, spindle), -ALWAYS_US, ALWAYS_US, ALWAYS_US):
            yield {
                "ts": text_of(stroke.ts_us),
                "saw": saw,
                "spindle": spindle,
                "stroke": stroke.stroke,
                **{name: _cell(stroke, name, field) for name, (field, _) in CUT_FIELDS.items()},
                "received": text_of(stroke.known_us),
            }


def _cell(stroke: Stroke, name: str, field: str) -> Any:
    value = getattr(stroke, field)
    return value / 100 if name == "area_mm2" and value is not None else value


def _readings(signals: Signals, spots: Iterable[Spot]) -> Iterator[dict[str, Any]]:
    """A day at a time, so that memory stays flat."""
    for saw, spindle in spots:
        spot = (saw, spindle)
        for (name, point), last in sorted(signals.latest(spot, ALWAYS_US, ALWAYS_US).items()):
            if name not in CATALOGUE:
                continue
            signal = CATALOGUE[name]
            from_us = _first_day(signals, spot, name, point, last.ts_us)
            while from_us <= last.ts_us:
                for reading in signals.readings(spot, name, point, from_us - 1, from_us + DAY_US - 1, ALWAYS_US):
                    yield {
                        "ts": text_of(reading.ts_us),
                        "saw": saw,
                        "spindle": spindle,
                        "signal": name,
                        "point": point,
                        "value": signal.words[int(reading.value)] if signal.words else reading.value,
                        "unit": signal.unit,
                        "received": text_of(reading.known_us),
                    }
                from_us += DAY_US


def _first_day(signals: Signals, spot: Spot, name: str, point: str, last_us: int) -> int:
    """The day of the first reading: looked for in steps that double, as a series may go back for years."""
    back = 32
    while back < 50_000 and signals.readings(spot, name, point, -ALWAYS_US, last_us - back * DAY_US, ALWAYS_US):
        back *= 2
    return last_us // DAY_US * DAY_US - back * DAY_US


def _others(store: Store, spots: Iterable[Spot]) -> Iterator[Fact]:
    yield from store.books.notes()
    yield from store.books.checks()
    for spot in spots:
        yield from store.signals.waveforms(spot)


def _line(fact: Fact, site: str) -> bytes:
    topic, body = message_of(fact, site)
    told = {"topic": topic, "received": text_of(fact.known_us), "payload": body}
    return msgspec.json.encode(told) + b"\n"


def write_cycles(known: Known, stream: IO[str]) -> int:
    """One row a grind cycle, plate by plate; areas in m² by alloy as JSON."""
    writer = csv.DictWriter(stream, CYCLES, lineterminator="\n")
    writer.writeheader()
    count = 0
    for plate_id in sorted(known.fleet.plates):
        for row in cycles_of(known, plate_id):
            writer.writerow(row)
            count += 1
    return count


def cycles_of(known: Known, plate_id: str) -> Iterator[dict[str, Any]]:
    """The grind cycles of a plate as rows."""
    plate = known.fleet.plates[plate_id]
    for cycle in plate.cycles:
        told = cycle_row(known, cycle)
        state = told.state
        total = state.total_cmm2
        alloys = {alloy: m2_of(area) for alloy, area in sorted(state.area_cmm2.items())}
        index = state.index.now
        yield {
            "plate": plate.id,
            "blade_type": plate.blade_type,
            "cycle": cycle.number,
            "tip_set": cycle.tip_set,
            "regrinds": cycle.regrinds,
            "opened_at": text_of(cycle.opened_us),
            "ended_at": None if cycle.ended_us is None else text_of(cycle.ended_us),
            "reason": cycle.reason,
            "saws": " ".join(dict.fromkeys(mount.saw for mount in cycle.mounts)),
            "mounts": len(cycle.mounts),
            "minutes": stopped_minutes(known, cycle.mounts[-1].saw, cycle.mounts[-1].spindle, cycle.ended_us),
            "strokes": told.strokes,
            "cuts": told.cuts,
            "area_m2": told.area_m2,
            "area_by_alloy_m2": msgspec.json.encode(alloys).decode() if alloys else None,
            "strokes_seen": told.coverage,
            "alloy_known": 1 - state.area_cmm2.get("unknown", 0) / total if total else None,
            "used_share_at_start": cycle.used_share or None,
            "wear_um": max((reading.wear_um for reading in cycle.readings), default=None),
            "stock_removed_um": cycle.stock_removed_um,
            "tips_chipped": cycle.tips_chipped,
            "edge_index": None if index is None else index.value,
            "coarse": "yes" if told.coarse else "",
        }


def stopped_minutes(known: Known, saw: str, spindle: str, at_us: int | None) -> int | None:
    """How long a saw stood still around a change, by its strokes; None where they do not tell."""
    if at_us is None:
        return None
    last = known.last_stroke((saw, spindle), at_us)
    first = known.first_stroke((saw, spindle), at_us, known.now_us)
    return None if last is None or first is None else (first.ts_us - last.ts_us) // 60_000_000
