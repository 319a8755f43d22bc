"""Each mess of a counter and its messages, end to end: strokes, cuts and area as the shop floor counts them.

A plate is on each saw all the time; the answer is that of ``status``, whatever the messages went through before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest
from shops import CONFIG, Shop, minute, stroke

from bladewatch.pipeline import ingest
from collectors.facts import Batch, Sample, Stroke
from collectors.payloads import Message

Case = tuple[Iterable[Any], int, int, float]
"""Facts, and what is right: strokes, cuts, area in m² (a stroke of P1 is 0.001 m², of P2 0.0005)."""
TEXT = (
    CONFIG.replace('alloy = "6063"\narea_mm2 = 1000\n', 'alloy = "6063"\narea_mm2 = 1000\nheight_mm = 60\n')
    + '[[part]]\nid = "P7"\nalloy = "6063"\narea_mm2 = 400\nbars = 2\nbars_vary = true\n'
    '[[map]]\ntopic = "old/{saw}/cut"\nkind = "cut"\nsigned_bits = 16\nfields = { stroke = "n", ts = "t" }\n'
)


def run(*values: int, start: float = 1.0, step: float = 1.0, **fields: Any) -> list[Stroke]:
    """A stroke of P1 for each counter value, a minute apart."""
    return [stroke(value, start + place * step, part="P1", **fields) for place, value in enumerate(values)]


def idle(*minutes: float) -> list[Sample]:
    """Power between strokes."""
    return [Sample("S1", "1", "power_kw", "", minute(m), 2.0, minute(m)) for m in minutes]


IDLE = idle(*(5 + 10 * i for i in range(6)))
CASES: dict[str, Case] = {
    "in order": (run(1, 2, 3), 3, 3, 0.003),
    "16 bits roll over": (run(65_530, 65_535, 4, step=5), 1 + 5 + 5, 11, 0.011),
    "15 bits roll over": (run(32_766, 32_767, 0, 1), 4, 4, 0.004),
    "32 bits roll over": (run(2**32 - 1, 0, 1), 3, 3, 0.003),
    "a job resets it to zero": (run(500, 501, 0, 1, 2), 4, 4, 0.004),
    "a job resets it and strokes are missed": (run(500, 501, 3, 4, step=5), 1 + 1 + 3 + 1, 6, 0.006),
    "set back by one after scrap": (run(100, 99, 100, 101), 1 + 0 + 1 + 1, 3, 0.003),
    "set back by two after scrap": (run(100, 98, 99, 100), 1 + 0 + 1 + 1, 3, 0.003),
    "set by hand, up": (run(100, 40_000, 40_001), 3, 3, 0.003),
    "set by hand, down": (run(50_000, 20_000, 20_001), 3, 3, 0.003),
    "messages lost": (run(1, 2, 12, 13, step=10), 13, 13, 0.013),
    "lost where the part changed": (
        [stroke(1, 1, part="P1"), stroke(4, 10, part="P2")], 4, 4, 0.001 + 2 * 0.001 + 0.0005,
    ),
    "told twice": ([*run(1, 2, 3), *run(1, 2, 3)], 3, 3, 0.003),
    "told again with the same count": (run(1, 2, 2, 2, 3), 3, 3, 0.003),
    "out of order": (list(reversed(run(1, 2, 3, 4))), 4, 4, 0.004),
    "hours late": ([*run(1, 2), *(stroke(3, 3, 400, part="P1"), stroke(4, 4, part="P1"))], 4, 4, 0.004),
    "in air, as told": (run(1, 2, kind="air") + run(3, 4, start=5), 4, 2, 0.002),
    "in air, by its power": (
        [*IDLE, *(stroke(n, 60 + n, part="P1", duration_s=2.0, mean_power_kw=2.1 if n == 2 else 6.0)
                  for n in (1, 2, 3))], 3, 2, 0.002,
    ),
    "a test piece, trims and remnants": (
        run(1, kind="trim") + run(2, start=2, kind="test") + run(3, start=3, kind="remnant"), 3, 3, 0.003,
    ),
    "aborted, then the rest": (
        [stroke(1, 1, part="P1", feed_mm_s=30.0, duration_s=0.7, kind="aborted"),
         stroke(2, 4, part="P1", feed_mm_s=30.0, duration_s=1.3)], 2, 2, 0.001,
    ),
    "aborted, nobody knows how far": (run(1, kind="aborted"), 1, 1, 0.001),
    "a mitre of 60 degrees": (run(1, mitre_deg=60.0), 1, 1, 0.002),
    "a mitre of 45 degrees": (run(1, mitre_deg=45.0), 1, 1, 0.001 * 2**0.5),
    "a bundle, told": (run(1, bars=6), 1, 1, 0.003),
    "a bundle, by its energy": (
        [*IDLE, *(stroke(n, 60 + n, part="P1", energy_kj=14.0, duration_s=2.0) for n in range(1, 13)),
         stroke(13, 130, part="P7", energy_kj=4 + 10 * 1.2, duration_s=2.0)], 13, 13, 0.012 + 0.0012,
    ),
    "an area told by the message": (run(1, area_cmm2=7_550), 1, 1, 0.0000755),
    "no part": ([*run(1, 2), stroke(3, 5)], 3, 3, 0.003),
    "a part that nobody knows": ([*run(1, 2), stroke(3, 5, part="3-12")], 3, 3, 0.003),
    "the first value of a saw": (run(123_456), 1, 1, 0.001),
    "silent for a night": ([*run(1, 2), *run(3, 4, start=700)], 4, 4, 0.004),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_it_counts_as_the_shop_floor_counts(name: str, make_shop: Callable[..., Shop]) -> None:
    """One case each; all facts at once, and one by one in the order that they became known."""
    facts, strokes, cuts, area_m2 = CASES[name]
    facts = list(facts)
    for one_by_one in (False, True):
        shop = make_shop(TEXT)
        shop.event(-10, "opened", "A-1", blade_type="T")
        shop.event(0, "mounted", "A-1", saw="S1")
        if one_by_one:
            for fact in sorted(facts, key=lambda fact: fact.known_us):
                shop.take(fact)
        else:
            shop.take(*facts)
        a = shop.status(1000)["S1", "1"]
        assert (a.strokes, a.cuts) == (strokes, cuts)
        assert a.area_cmm2 / 1e8 == pytest.approx(area_m2, abs=1e-8)
        assert a.coverage.blade == 1.0


def test_what_is_not_seen_lowers_its_own_coverage(make_shop: Callable[..., Shop]) -> None:
    """Strokes by the counter alone, alloys nobody knows, feeds nobody told: each share by itself, never zero energy."""
    shop = make_shop(TEXT)
    shop.event(-10, "opened", "A-1", blade_type="T")
    shop.event(0, "mounted", "A-1", saw="S1")
    shop.take(*run(1, 2, feed_mm_s=30.0), *run(8, 9, start=20), stroke(10, 30))
    a = shop.status(60)["S1", "1"]
    assert (a.strokes, a.cuts) == (10, 10)
    assert a.coverage.strokes == pytest.approx(5 / 10)
    assert a.coverage.alloy == pytest.approx(9 / 10)
    assert a.coverage.feed == pytest.approx(2 / 10)


def test_a_change_entered_hours_late_moves_its_strokes(make_shop: Callable[..., Shop]) -> None:
    """What was known before stays as it was; what is known since is revised, and says so."""
    shop = make_shop(TEXT)
    for plate in ("A-1", "A-2"):
        shop.event(-10, "opened", plate, blade_type="T")
    shop.event(0, "mounted", "A-1", saw="S1")
    shop.take(*run(*range(1, 61)))
    shop.event(30.5, "dismounted", "A-1", known_minute=400, saw="S1", reason="worn-plan")
    shop.event(30.5, "mounted", "A-2", known_minute=400, saw="S1")
    assert (shop.status(100)["S1", "1"].plate, shop.status(100)["S1", "1"].strokes) == ("A-1", 60)
    now = shop.status(401)["S1", "1"]
    assert (now.plate, now.strokes) == ("A-2", 30)
    assert any(reason.startswith("revised") for reason in now.reasons)


def test_the_same_blade_put_on_again_goes_on_with_its_cycle(make_shop: Callable[..., Shop]) -> None:
    """Off for another job, on again elsewhere: one grind cycle over two saws."""
    shop = make_shop(TEXT)
    shop.event(-10, "opened", "A-1", blade_type="T")
    shop.event(0, "mounted", "A-1", saw="S1")
    shop.take(*run(1, 2, 3))
    shop.event(10, "dismounted", "A-1", saw="S1", reason="job-swap")
    shop.event(20, "mounted", "A-1", saw="S2")
    shop.take(*(stroke(n, 20 + n, part="P1", saw="S2") for n in (1, 2)))
    a = shop.status(60)["S2", "1"]
    assert (a.cycle, a.strokes, a.cuts) == (1, 5, 5)


def test_two_spindles_count_each_for_itself(make_shop: Callable[..., Shop]) -> None:
    """One saw, two blades, two counters."""
    shop = make_shop(TEXT)
    for number in ("1", "2"):
        shop.event(-10, "opened", f"A-{number}", blade_type="T")
        shop.event(0, "mounted", f"A-{number}", saw="S2", spindle=number)
    shop.take(*(Stroke("S2", "1", minute(n), n, minute(n)) for n in (1, 2, 3)))
    shop.take(*(Stroke("S2", "2", minute(n), 100 + n, minute(n)) for n in (1, 2)))
    status = shop.status(60)
    assert (status["S2", "1"].strokes, status["S2", "2"].strokes) == (3, 2)


def test_a_signed_counter_and_another_name_of_a_saw_are_read(make_shop: Callable[..., Shop]) -> None:
    """32 767, then -32 768: sixteen bits, signed; told for a saw by the name that is on its cabinet."""
    shop = make_shop(TEXT)
    shop.event(-10, "opened", "A-1", blade_type="T")
    shop.event(0, "mounted", "A-1", saw="Saw 2")
    translator = shop.service.translator()
    batch = Batch()
    for place, value in enumerate((32_766, 32_767, -32_768, -32_767)):
        body = f'{{"n": {value}, "t": "2026-03-02T06:0{place + 1}:00Z"}}'.encode()
        facts, rejected = translator.decode(Message("old/Saw 2/cut", body, minute(place + 2), "test"))
        assert not rejected
        batch.add(facts)
    ingest(batch, shop.service.store, "hall")
    assert shop.status(60)["S2", "1"].strokes == 4
