"""How long the ledger takes: ten years of sixty blades folded from nothing, and one row more.

    python tests/bench/bench_ledger.py [YEARS] [BLADES]

Seconds beside a calibration figure of the same run: a loop of plain Python. The rows are those of a shop that changes
each of its blades about twenty times a year, every eighth change told by the saw too, every fiftieth corrected.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import msgspec

from bladewatch.ledger.book import Book
from bladewatch.ledger.events import Event
from bladewatch.stores.sqlite import SqliteStore
from collectors.instants import DAY_US, HOUR_US

T0_US = 1_772_431_200_000_000


def rows(years: int, blades: int, seed: int = 1) -> list[Event]:
    """The ledger of a shop."""
    rng = random.Random(seed)
    found: list[Event] = []
    spindles = max(blades // 4, 1)
    racks = [[f"A-{number:04d}" for number in range(s, blades, spindles)] for s in range(spindles)]

    def add(at_us: int, event: str, plate: str | None, **cells: object) -> Event:
        one = Event(id=f"r{len(found)}", at_us=at_us, event=event, known_us=at_us + HOUR_US, plate=plate, **cells)
        found.append(one)
        return one

    for rack in racks:
        for plate in rack:
            add(T0_US - DAY_US, "opened", plate, blade_type="T")
    for number, rack in enumerate(racks):
        saw, at_us, place = f"S{number}", T0_US + number * HOUR_US, 0
        while at_us < T0_US + years * 365 * DAY_US:
            plate = rack[place % len(rack)]
            place += 1
            mounted = add(at_us, "mounted", plate, saw=saw)
            if rng.random() < 0.125:
                add(at_us + 60_000_000, "mounted", plate, saw=saw, witness="message")
            if rng.random() < 0.02:
                found.append(msgspec.structs.replace(mounted, id=f"{mounted.id}c", corrects=mounted.id,
                                                     known_us=mounted.known_us + DAY_US))  # fmt: skip
            at_us += round(rng.uniform(3, 6) * DAY_US)
            add(at_us, "dismounted", plate, saw=saw, reason="worn-plan")
            add(at_us + DAY_US, "sent", plate, batch=f"B{place}")
            add(at_us + 8 * DAY_US, "returned", plate, batch=f"B{place}")
            add(at_us + 8 * DAY_US + 1, "accepted", plate)
            add(at_us + 9 * DAY_US, "invoiced", plate, document=f"I{place}")
            at_us += HOUR_US
    return sorted(found, key=lambda event: event.known_us)


def timed(work) -> float:
    """Seconds of the better of three runs."""
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def whole(events: list[Event]) -> Book:
    """A book of all rows."""
    book = Book()
    book.add(events)
    return book


def one_by_one(book: Book, events: list[Event], back_us: int) -> tuple[float, float]:
    """Median and longest milliseconds of a row more, dated ``back_us`` before the newest."""
    taken = []
    for place, event in enumerate(events):
        late = msgspec.structs.replace(event, id=f"late{back_us}/{place}", at_us=event.at_us - back_us)
        start = time.perf_counter()
        book.add([late])
        taken.append((time.perf_counter() - start) * 1000)
    return median(taken), max(taken)


def main() -> None:
    years = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    blades = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    events = rows(years, blades)
    figures: dict[str, float] = {"rows": len(events)}
    figures["calibration_s"] = timed(lambda: sum(i * i for i in range(2_000_000)))
    figures["fold_s"] = timed(lambda: whole(events))
    book = whole(events[:-200])
    figures["row_of_now_ms"], figures["row_of_now_longest_ms"] = one_by_one(book, events[-200:], 0)
    for name, back in (("yesterday", DAY_US), ("last_week", 7 * DAY_US), ("last_month", 30 * DAY_US)):
        median_ms, longest_ms = one_by_one(book, events[-20:], back)
        figures[f"row_of_{name}_ms"], figures[f"row_of_{name}_longest_ms"] = median_ms, longest_ms
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "a.db")
        with store.transaction():
            store.books.append_events([event for event in events if event.witness == "person"])
        figures["read_from_store_s"] = timed(lambda: store.books.events(2**62, 2**62))
        store.close()
    print(json.dumps({name: round(value, 3) for name, value in figures.items()}, indent=1))


if __name__ == "__main__":
    main()
