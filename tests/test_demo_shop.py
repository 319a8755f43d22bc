"""The invented shop: the same each time, in the forms that any shop uses, with troubles that leave their mark."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from statistics import fmean, median, pstdev
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import pytest

from bladewatch.demo.edge import FORMS, Edge, Form
from bladewatch.demo.hardness import LIFE_SPREAD, NOISE, RULE_ERROR, hardness
from bladewatch.demo.metal import WORKS
from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.demo.shop import Shop
from bladewatch.demo.troubles import STRENGTHS, TROUBLES
from bladewatch.demo.truth import Truth
from bladewatch.errors import UsageError
from bladewatch.service import Service
from collectors.instants import parse_text, to_us

CALM = Setting(seed=11, saws=3, kinds=1, days=40)


@dataclass
class Told:
    """What a shop wrote, read back."""

    lines: list[dict[str, Any]]
    ledger: list[dict[str, str]]
    truth: Truth
    cuts: list[dict[str, Any]] = field(default_factory=list)

    def of(self, kind: str, saw: str | None = None) -> list[dict[str, Any]]:
        """Payloads of a kind of message, with their saw and receipt."""
        found = []
        for line in self.lines:
            _, _, _, name, what = line["topic"].split("/")
            if what == kind and saw in (None, name):
                found.append({"saw": name, "received": parse_text(line["received"]), **line["payload"]})
        return found


@lru_cache(maxsize=4)
def told(**changes: Any) -> Told:
    """A shop of the calm setting with changes, written and read back."""
    plain = {name: dict(value) if name == "troubles" else value for name, value in changes.items()}
    with TemporaryDirectory() as name:
        papers = write(replace(CALM, **plain), Path(name))
        texts = [*gzip.decompress(papers.log.read_bytes()).splitlines(), *papers.last_day.read_bytes().splitlines()]
        lines = [msgspec.json.decode(text) for text in texts]
        with papers.ledger.open(encoding="utf-8", newline="") as stream:
            ledger = [{key: value for key, value in row.items() if value} for row in csv.DictReader(stream)]
    shop = Told(lines, ledger, papers.truth)
    shop.cuts = shop.of("cut")
    return shop


SELDOM = {"chip", "early", "half", "unrecorded", "wrong-plate", "late", "belt", "bearing"}
"""Troubles that a shop of eighteen days may not meet."""


def troubled(name: str, strength: str | None = "strong") -> Told:
    """The calm shop with one trouble, or without it, as many days as it takes to show."""
    return told(troubles=() if strength is None else ((name, strength),), days=CALM.days if name in SELDOM else 18)


def test_a_setting_makes_the_same_shop_to_the_last_byte(tmp_path: Path) -> None:
    """Log, ledger, configuration and truth; another seed makes another shop."""
    setting = replace(CALM, days=12, form="all", troubles=dict.fromkeys(TROUBLES, "medium"))
    for name in ("a", "b"):
        write(setting, tmp_path / name)
    write(replace(setting, seed=12), tmp_path / "c")
    for file in ("log.jsonl.gz", "last-day.jsonl", "ledger.csv", "bladewatch.toml", "truth.json"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes(), file
    assert (tmp_path / "a" / "log.jsonl.gz").read_bytes() != (tmp_path / "c" / "log.jsonl.gz").read_bytes()


def test_what_a_calm_shop_writes_is_taken_whole_and_adds_up_to_its_truth(tmp_path: Path) -> None:
    """Nothing refused; cuts and area of every running cycle are the true ones to the last mm²."""
    papers = write(CALM, tmp_path)
    with Service.open(papers.config, lambda: CALM.ends_us) as service:
        reports = service.import_files([papers.log, papers.ledger, papers.last_day])
        assert [report.rejected for report in reports] == [0, 0, 0]
        review = service.review()
    assert len(review.assessments) == 3
    for a in review.assessments:
        cycle = papers.truth.on(a.saw, CALM.ends_us)
        assert cycle is not None
        assert a.plate == cycle.plate
        assert a.cuts == cycle.points[-1].cuts
        assert a.area_cmm2 / 1e8 == pytest.approx(cycle.points[-1].area_m2, rel=1e-12)


def test_the_bench_reads_true_wear_within_its_error(tmp_path: Path) -> None:
    """``wear_um`` of the ledger is the true wear at the end of its cycle, within a few hundredths."""
    shop = told()
    ends = {(c.plate, round(c.points[-1].wear_um)): c for c in shop.truth.cycles if c.reason}
    readings = [(row["plate"], float(row["wear_um"])) for row in shop.ledger if "wear_um" in row]
    assert len(readings) > 5
    for plate, wear in readings:
        assert min(abs(wear / true - 1) for name, true in ends if name == plate) < 0.15
    ratios = [
        min((wear / true for name, true in ends if name == plate), key=lambda r: abs(r - 1)) for plate, wear in readings
    ]
    assert 0.01 < pstdev(ratios) < 0.06


def test_true_spend_is_what_the_ledger_says_by_the_contracts_rule() -> None:
    """``cost`` of bought and invoiced plus freight, without tax, by the month of the document."""
    shop = told()
    spent: dict[str, Decimal] = {}
    for row in shop.ledger:
        if row["event"] in ("bought", "invoiced"):
            month = row["at"][:7]
            amount = Decimal(row["cost"]) + Decimal(row.get("freight", "0"))
            spent[month] = spent.get(month, Decimal(0)) + amount
    assert spent == {month: sum(lines.values(), Decimal(0)) for month, lines in shop.truth.spend.items()}
    assert sum(spent.values()) > 0


def test_every_form_meets_the_limit_at_the_same_exposure_and_all_but_one_bend_the_models_form() -> None:
    """Wear rises from nothing to the limit; wear not linear, edge force late, rates in season, plates unlike."""
    bent = set()
    for name in FORMS:
        form = Form.named(name)
        levels = [form.wear(step / 200) for step in range(301)]
        assert levels[0] == pytest.approx(0, abs=1e-12)
        assert levels[200] == pytest.approx(1, abs=1e-9)
        assert all(b > a for a, b in pairwise(levels))
        if abs(levels[100] - 0.5) > 0.02 or form.lagging or form.seasonal or form.unlike or form.travel:
            bent.add(name)
        if form.seasonal:
            seasons = [form.season(day) for day in range(180)]
            assert max(seasons) > 1.15
            assert min(seasons) < 0.85
    assert bent == set(FORMS) - {"straight"}


def test_edge_force_lags_where_the_form_says_so() -> None:
    """At half life the edge force of a lagging edge has risen clearly less; near the end it has nearly caught up."""
    forces = {}
    for name in ("straight", "lagging"):
        from bladewatch.demo.edge import Body

        edge = Edge(Form.named(name), Body(), 250.0, 1.0)
        risen = []
        for step in range(2000):
            edge.cut("6063", 125_000_000 / 2000 * 1e3 / 1000, 2.0)
            if step in (999, 1999):
                risen.append(edge.edge_force - 1)
        forces[name] = risen
    assert forces["straight"][1] > 0
    assert forces["lagging"][0] < 0.75 * forces["straight"][0]


def test_shops_are_as_hard_as_they_are_meant_to_be() -> None:
    """Over seeds, straight and bent: the mean-area rule's error at half life, the spread of life, the noise."""
    found = []
    for form in ("straight", "all"):
        for seed in range(1, 7):
            shop = Shop(Setting(seed=seed, kinds=1, form=form))
            for _ in shop.days():
                pass
            found.append(hardness(shop.truth))
    errors = [h.rule_error for h in found if h.rule_error is not None]
    spreads = [h.life_spread for h in found if h.life_spread is not None]
    assert RULE_ERROR[0] <= median(errors) <= RULE_ERROR[1]
    assert LIFE_SPREAD[0] <= median(spreads) <= LIFE_SPREAD[1]
    assert all(NOISE[0] <= h.noise <= NOISE[1] for h in found)
    assert "the average of past blades is off by" in found[0].text()


def _specific(shop: Told) -> float:
    """Median energy a stroke."""
    return median(cut["energy_kj"] for cut in shop.cuts)


def _lost(shop: Told) -> int:
    return shop.truth.strokes - len({(cut["saw"], cut["ts"]) for cut in shop.cuts})


def _steps(shop: Told) -> list[tuple[int, int]]:
    """Counters of neighbouring strokes."""
    found = []
    for saw in ("S1", "S2", "S3"):
        found.extend(pairwise(cut["stroke"] for cut in sorted(shop.of("cut", saw), key=lambda cut: cut["received"])))
    return found


def _drops(shop: Told) -> list[tuple[int, int]]:
    """Where the counter went down."""
    return [(a, b) for a, b in _steps(shop) if b < a]


def _set_s(cut: dict[str, Any]) -> float:
    """The time in metal at the feed that the message tells."""
    (height_mm,) = [work.height_mm for work in WORKS if work.id == cut["part"]]
    return height_mm / float(cut["feed_mm_s"])


def _power_pairs(shop: Told) -> list[tuple[float, float]]:
    """Neighbouring readings of power of a saw."""
    found = []
    for saw in ("S1", "S2", "S3"):
        found.extend(pairwise(row["power_kw"] for row in shop.of("power", saw)))
    return found


def _idle(shop: Told, saw: str, hour: str) -> float:
    """Mean idle power of a saw in an hour of the day, over the last week."""
    rows = [row for row in shop.of("power", saw) if to_text(row["ts"])[11:13] == hour]
    return fmean(row["power_kw"] for row in rows[-8:])


def to_text(ts_ms: int) -> str:
    """Site time of an instant."""
    from collectors.instants import to_datetime

    return to_datetime(ts_ms * 1000, CALM.zone).isoformat()


def _doubled(shop: Told) -> int:
    keys = [(cut["saw"], cut["ts"], cut["stroke"]) for cut in shop.cuts]
    return len(keys) - len(set(keys))


def _late_ms(shop: Told) -> float:
    return max(cut["received"] / 1000 - cut["ts"] for cut in shop.cuts)


def _scatter(shop: Told) -> float:
    return pstdev(cut["measured_mm"] - cut["length_mm"] for cut in shop.cuts if "measured_mm" in cut)


def _wrong_plates(shop: Told) -> int:
    true = {(mount.saw, mount.from_us // 1_000_000): mount.plate for mount in shop.truth.mounts}
    rows = [row for row in shop.ledger if row["event"] == "mounted"]
    return sum(true[row["saw"], parse_text(row["at"]) // 1_000_000] != row["plate"] for row in rows)


MARKS: dict[str, Callable[[Told], float]] = {
    "override": lambda shop: sum("feed_override_pct" in cut for cut in shop.cuts),
    "galling": lambda shop: fmean(cut["energy_kj"] for cut in shop.cuts),
    "cleaning": lambda shop: sum(row.get("guard_open", False) for row in shop.of("state")),
    "mist": lambda shop: sum(not row["mist_ok"] for row in shop.of("state") if "mist_ok" in row),
    "lot": lambda shop: sum(cut["lot"].startswith("H-") for cut in shop.cuts),
    "cold": lambda shop: _idle(shop, "S1", "06") / _idle(shop, "S1", "11"),
    "belt": lambda shop: max(r["motor_rpm"] / r["spindle_rpm"] for r in shop.of("state", "S1") if "motor_rpm" in r),
    "bearing": lambda shop: _idle(shop, "S3", "11"),
    "clamp": _scatter,
    "chip": lambda shop: sum(row.get("reason") == "chipped" for row in shop.ledger),
    "early": lambda shop: sum(c.points[-1].wear_um < 0.8 * c.limit_um for c in shop.truth.cycles if c.reason),
    "rollover": lambda shop: sum(a > 65_000 and b < 500 for a, b in _drops(shop)),
    "unlogged": lambda shop: sum(cut["duration_s"] > 1.2 * _set_s(cut) for cut in shop.cuts),
    "correction": lambda shop: sum(0 < a - b <= 2 for a, b in _drops(shop)),
    "edit": lambda shop: sum(b - a > 9_000 for a, b in _steps(shop)),
    "nameless": lambda shop: sum("part" not in cut for cut in shop.cuts),
    "sentinel": lambda shop: sum(row["power_kw"] == -999 for row in shop.of("power")),
    "frozen": lambda shop: sum(a == b for a, b in _power_pairs(shop)),
    "reset": lambda shop: sum(b <= 3 for _, b in _drops(shop)),
    "duplicate": _doubled,
    "disorder": _late_ms,
    "gap": _lost,
    "clock": lambda shop: max(abs(cut["ts"] - cut["received"] / 1000) for cut in shop.of("cut", "S1")),
    "bundle": lambda shop: sum(cut.get("bars") == 1 for cut in shop.cuts),
    "unit": lambda shop: sum(cut["feed_mm_s"] < 5 for cut in shop.of("cut", "S2")),
    "rescale": lambda shop: _idle(shop, "S2", "11"),
    "half": lambda shop: sum(not mount.recorded for mount in shop.truth.mounts),
    "unrecorded": lambda shop: sum(not mount.recorded for mount in shop.truth.mounts),
    "late": lambda shop: sum("entered" in row for row in shop.ledger),
    "wrong-plate": _wrong_plates,
}  # fmt: skip


@pytest.mark.parametrize("name", list(TROUBLES))
def test_a_trouble_leaves_its_mark_and_a_strong_one_a_larger_mark(name: str) -> None:
    """Off it leaves none; what a shop would see of it grows from weak to strong."""
    calm, weak, strong = (MARKS[name](shop) for shop in (troubled(name, s) for s in (None, "weak", "strong")))
    assert calm <= weak <= strong
    assert strong > calm


@pytest.mark.parametrize("strength", STRENGTHS)
def test_every_trouble_at_once_is_still_a_log_that_can_be_read(tmp_path: Path, strength: str) -> None:
    """The importer takes it; what it refuses it lists with a reason; the truth lists the causes."""
    setting = replace(CALM, days=26, form="all", troubles=dict.fromkeys(TROUBLES, strength))
    papers = write(setting, tmp_path)
    with Service.open(papers.config, lambda: setting.ends_us) as service:
        reports = service.import_files([papers.log, papers.ledger, papers.last_day])
        assert all(report.error is None for report in reports)
        assert sum(report.taken for report in reports) > 0.9 * (papers.messages + papers.live)
        review = service.review()
        assert len(service.store.books.rejections()) == sum(report.rejected for report in reports)
    assert len(review.assessments) == 3
    causes = {episode.kind for episode in papers.truth.episodes}
    assert {"galling", "gap", "override", "bearing", "clock"} <= causes


def test_a_trouble_does_not_reshuffle_what_it_does_not_touch() -> None:
    """Records and wire have dice of their own: with late rows or lost messages the cuts are the same cuts."""

    def cuts(**troubles: str) -> set[tuple[Any, ...]]:
        shop = told(troubles=tuple(troubles.items()), days=18)
        return {(cut["saw"], cut["ts"], cut["stroke"]) for cut in shop.cuts}

    for name in ("late", "duplicate", "disorder", "wrong-plate", "unrecorded"):
        assert cuts(**{name: "strong"}) == cuts(), name
    assert cuts(gap="strong") < cuts()


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"form": "round"}, "form of wear"),
        ({"troubles": {"rain": "weak"}}, "trouble"),
        ({"troubles": {"mist": "huge"}}, "trouble mist"),
        ({"saws": 0}, "saws"),
        ({"days": 0}, "weeks"),
    ],
)
def test_a_wrong_setting_says_what_was_found_and_what_would_be_right(changes: dict[str, Any], word: str) -> None:
    """What, found, expected."""
    with pytest.raises(UsageError, match=word) as told_:
        Setting(**changes)
    assert "found" in str(told_.value)
    assert "expected" in str(told_.value)


def test_the_shops_clock_keeps_site_time_over_the_change_to_summer() -> None:
    """Six in the morning is six on both sides of 29 March; the night between has 23 hours."""
    setting = Setting(days=30)
    before, after = setting.at(25, 6), setting.at(28, 6)
    assert after - before == (3 * 24 - 1) * 3_600_000_000
    from datetime import datetime

    assert after == to_us(datetime(2026, 3, 30, 6, tzinfo=setting.zone))
