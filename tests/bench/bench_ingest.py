"""How fast messages become stored facts, beside a bare insert into a plain table of the same run.

Run: python tests/bench/bench_ingest.py [MESSAGES]. No broker: decoding and commit alone, batches of 1 000, FULL
synchronous. Also the resident memory before and after, and the size on disk. Invented data.
"""

from __future__ import annotations

import json
import resource
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from bladewatch.pipeline import ingest
from bladewatch.stores.sqlite import SqliteStore
from collectors.facts import Batch
from collectors.fields import Site
from collectors.mapping import Translator
from collectors.payloads import Message

START_MS = 1_772_431_200_000
BATCH = 1000


def messages(count: int) -> list[Message]:
    found = []
    for i in range(count):
        ts = START_MS + i * 9000
        payload = {"ts": ts, "stroke": i + 1, "part": f"P-{i // 200 % 5}", "alloy": "6063", "area_mm2": 1250.5}
        payload |= {"feed_mm_s": 55.0, "duration_s": 1.4, "energy_kj": 12.5 + i % 7 / 10, "pieces": 2}
        raw = json.dumps(payload).encode()
        found.append(Message("bladewatch/1/hall/S1/cut", raw, (ts + 200) * 1000, "broker"))
    return found


def bare(count: int, path: Path) -> float:
    """Rows a second into a plain table, as many columns, as many a commit."""
    sql = sqlite3.connect(path, isolation_level=None)
    sql.execute("PRAGMA journal_mode = WAL")
    sql.execute("PRAGMA synchronous = FULL")
    names = ", ".join(f"c{i}" for i in range(12))
    sql.execute(f"CREATE TABLE t ({names}, PRIMARY KEY (c0, c1, c2)) WITHOUT ROWID")
    start = time.perf_counter()
    for place in range(0, count, BATCH):
        sql.execute("BEGIN IMMEDIATE")
        rows = ((1, i * 9, i, i, "P-1", "6063", 125050, 55.0, 1.4, 12.5, 2, None) for i in range(place, place + BATCH))
        sql.executemany(f"INSERT INTO t VALUES ({', '.join('?' * 12)})", rows)
        sql.execute("COMMIT")
    return count / (time.perf_counter() - start)


def store_all(waiting: list[Message], translator: Translator, store: SqliteStore) -> float:
    """Decode and store, a thousand a commit; messages a second."""
    start = time.perf_counter()
    for place in range(0, len(waiting), BATCH):
        batch = Batch()
        for message in waiting[place : place + BATCH]:
            batch.add(*translator.decode(message))
        ingest(batch, store, "hall")
    return len(waiting) / (time.perf_counter() - start)


def resident_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    translator = Translator(Site("hall", {"S1": frozenset({"1"})}))
    with tempfile.TemporaryDirectory() as folder:
        calibration = bare(count, Path(folder) / "bare.db")
        store = SqliteStore(Path(folder) / "store.db", "hall")
        waiting = messages(count)
        before_mb = resident_mb()
        rate, again = (store_all(waiting, translator, store) for _ in range(2))
        figures = {
            "messages": count,
            "bare_insert_rows_per_s": round(calibration),
            "decode_and_store_per_s": round(rate),
            "ratio_to_bare_insert": round(rate / calibration, 3),
            "repeats_per_s": round(again),
            "memory_growth_mb": round(resident_mb() - before_mb, 1),
            "mb_per_million_strokes": round((Path(folder) / "store.db").stat().st_size / count, 1),
        }
        store.close()
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
