"""The same log, however it arrives, gives the same totals per blade and alloy."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from shops import Shop, minute

from bladewatch.assess.cycles import CycleReader
from bladewatch.ledger.book import fold
from collectors.instants import text_of


def lines() -> list[str]:
    """Nine hours of one saw: lost messages, a rollover, a job reset, air strokes, idle power; invented."""
    rng = random.Random(21)
    found, counter, at = [], 65_400, 0.0
    while at < 540:
        at += rng.uniform(0.4, 1.2)
        counter = 0 if rng.random() < 0.003 else (counter + 1) % 65_536
        payload = {"ts": text_of(minute(at)), "stroke": counter, "duration_s": 2.0, "energy_kj": 12.0}
        payload |= (
            {"part": rng.choice(["P1", "P1", "P2"])} if rng.random() < 0.95 else {"alloy": "CuETP", "area_mm2": 55.5}
        )
        if rng.random() < 0.03:
            payload["energy_kj"] = 4.0
        if rng.random() > 0.02:
            found.append(_line("cut", at, payload))
        if rng.random() < 0.2:
            found.append(
                _line("power", at, {"ts": text_of(minute(at + 0.2)), "power_kw": round(rng.uniform(1.9, 2.1), 2)})
            )
    return found


def _line(kind: str, at: float, payload: dict[str, object]) -> str:
    received = text_of(minute(at + 0.3))
    return json.dumps({"topic": f"bladewatch/1/hall/S1/{kind}", "received": received, "payload": payload})


def shuffled(log: list[str], minutes: float, rng: random.Random) -> list[str]:
    """Each line moved by up to so many minutes."""
    return sorted(log, key=lambda text: json.loads(text)["received"] + str(rng.random())) if not minutes else [
        text for _, text in sorted((i + rng.uniform(0, minutes * 1.5), text) for i, text in enumerate(log))
    ]  # fmt: skip


@pytest.fixture
def totals(make_shop: Callable[..., Shop], tmp_path: Path) -> Callable[[list[list[str]]], dict[str, object]]:
    """Import files into a fresh shop with two changes of blade; strokes, cuts and areas by blade and alloy."""

    def of(files: list[list[str]]) -> dict[str, object]:
        shop = make_shop()
        for plate, on, off in (("A", -5, 170.3), ("B", 181.9, 350.0), ("C", 352.5, None)):
            shop.event(-9, "opened", plate, blade_type="T")
            shop.event(on, "mounted", plate, saw="S1")
            if off is not None:
                shop.event(off, "dismounted", plate, saw="S1", reason="worn-plan")
        paths = []
        for place, content in enumerate(files):
            paths.append(tmp_path / f"{id(shop)}-{place}.jsonl")
            paths[-1].write_text("\n".join(content) + "\n")
        reports = shop.service.import_files(paths)
        assert not any(report.rejected for report in reports)
        service, now_us = shop.service, minute(600)
        fleet = fold(service.store.books.events(now_us, now_us))
        reader = CycleReader(service.config, service.store, now_us)
        found: dict[str, object] = {}
        for plate in fleet.plates.values():
            state = reader.at(plate.cycles[0], plate.blade_type, now_us)
            found[plate.id] = (state.strokes, state.cuts, dict(sorted(state.area_cmm2.items())))
        return found

    return of


def test_shuffled_doubled_and_split_in_overlapping_files_the_totals_stay(
    totals: Callable[[list[list[str]]], dict[str, object]],
) -> None:
    """Within ten minutes of disorder, every line twice, two files that share a third: the clean file's totals."""
    log = lines()
    clean = totals([log])
    assert {"6063", "6082", "CuETP", "unknown"} <= {alloy for _, _, areas in clean.values() for alloy in areas}
    rng = random.Random(3)
    assert totals([shuffled(log, 10, rng)]) == clean
    assert totals([shuffled(log + log, 10, rng)]) == clean
    third = len(log) // 3
    assert totals([log[third:], log[: 2 * third]]) == clean
    assert (
        totals([shuffled(log[third:] + log[third : 2 * third], 10, rng), shuffled(log[: 2 * third], 10, rng)]) == clean
    )
