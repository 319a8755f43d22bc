"""What is known, what is worked out: answers at T, order of arrival, and what is kept for speed."""

from __future__ import annotations

import json
import random
from collections.abc import Callable

import pytest
from shops import CONFIG, HOUR_US, Shop, minute, stroke

from bladewatch.alerts import as_json as alert_json
from bladewatch.alerts import judge
from bladewatch.assess.assessment import as_json
from bladewatch.assess.cycles import CycleReader
from bladewatch.assess.memory import Memory
from bladewatch.assess.moment import Moment
from bladewatch.assess.question import as_json as question_json
from bladewatch.assess.recent import recent_work
from bladewatch.ledger.events import Event
from bladewatch.pipeline import enter, ingest
from bladewatch.strokes import SpotWork
from collectors.facts import Batch, BladeNote, Fact, Sample, Stroke

DAY = 24 * 60


def answer(shop: Shop, at_us: int) -> bytes:
    """What ``status --json --at`` and ``questions --json --at`` print, as bytes."""
    review = shop.service.review(at_us)
    zone = shop.service.zone
    alerts = [alert_json(alert, zone) for alert in judge(review.assessments, at_us, zone)]
    questions = [question_json(question, zone) for question in shop.service.questions(at_us)]
    return json.dumps([[as_json(a, zone) for a in review.assessments], alerts, questions]).encode()


def troubled_facts(seed: int) -> tuple[list[Fact], list[Event]]:
    """Two weeks of one saw with every trouble: late, lost, doubled, conflicting, reset, in air; invented."""
    rng = random.Random(seed)
    facts: list[Fact] = []
    events: list[Event] = []
    counter, plate = 65_300, 0
    mounted = -60.0
    _event(events, mounted - 5, "opened", "A0", blade_type="T")
    _event(events, mounted, "mounted", "A0", saw="S1")
    for day in range(14):
        at = day * DAY + rng.uniform(0, 30)
        while at < day * DAY + 8 * 60:
            part = rng.choice(["P1", "P1", "P2", "P3"])
            for _ in range(rng.randint(5, 25)):
                at += rng.uniform(0.5, 2.0)
                counter = (counter + 1) % 65_536
                if rng.random() < 0.01:
                    counter = rng.choice([0, max(counter - 1, 0)])
                known = at + (rng.uniform(60, 3000) if rng.random() < 0.05 else 0.02)
                told = {"part": part, "duration_s": 2.0, "feed_mm_s": 40.0 + rng.randint(0, 2)}
                if rng.random() < 0.8:
                    told["energy_kj"] = round(rng.uniform(8, 12), 2) if rng.random() < 0.95 else 4.1
                if rng.random() < 0.04:
                    continue
                one = stroke(counter, at, known, **told)
                facts.append(one)
                if rng.random() < 0.03:
                    facts.append(stroke(counter, at, known + rng.uniform(-0.01, 500), **(told | {"pieces": 3})))
                if rng.random() < 0.05:
                    facts.append(one)
            for offset in (0.2, 0.4, 0.6):
                known = at + offset + (rng.uniform(60, 3000) if rng.random() < 0.1 else 0)
                facts.append(
                    Sample(
                        "S1", "1", "power_kw", "", minute(at + offset), round(rng.uniform(1.9, 2.1), 2), minute(known)
                    )
                )
            inside = range(30)
            facts.extend(
                Sample("S1", "1", "power_kw", "", minute(at) - i * 100_000, 5.5, minute(at + 0.1)) for i in inside
            )
        facts.append(Sample("S1", "1", "state", "", minute(at + 1), 3.0 if day % 3 else 1.0, minute(at + 1)))
        facts.extend(_beside(rng, day))
        if day % 2:
            reason = rng.choice(["worn-load", "worn-plan", "job-swap"])
            entered = at + (rng.uniform(30, 2000) if rng.random() < 0.5 else 0)
            _event(events, at + 5, "dismounted", f"A{plate}", entered, saw="S1", reason=reason)
            facts.append(BladeNote("S1", "1", minute(at + 9), "dismounted", f"A{plate}", minute(at + 9)))
            if reason != "job-swap":
                _event(
                    events,
                    at + 300,
                    "inspected",
                    f"A{plate}",
                    at + 400 + rng.uniform(0, 900),
                    wear_um=str(rng.randint(180, 260)),
                )
                plate += 1
                _event(events, at + 10, "opened", f"A{plate}", blade_type="T")
            _event(events, at + 20, "mounted", f"A{plate}", entered, saw="S1")
    return facts, events


def _beside(rng: random.Random, day: int) -> list[Sample]:
    """Mist and vibration of a day: failing, shaking, late, and told twice with other values."""
    found = []
    dry = rng.random() < 0.4
    for i in range(24):
        at = day * DAY + 20 * i + rng.uniform(0, 5)
        late = rng.uniform(60, 3000) if rng.random() < 0.15 else 0.02
        mist = 0.0 if dry and i > 10 else 1.0
        found.append(Sample("S1", "1", "mist_ok", "", minute(at), mist, minute(at + late)))
        level = 2.0 if day < 9 else 5.5
        for point in ("front", "rear"):
            value = round(level * rng.uniform(0.8, 1.2), 2)
            found.append(Sample("S1", "1", "velocity_mm_s", point, minute(at), value, minute(at + late)))
            if rng.random() < 0.1:
                other = Sample("S1", "1", "velocity_mm_s", point, minute(at), 9.9, minute(at + rng.uniform(0, 900)))
                found.append(other)
    return found


def _event(events: list[Event], at: float, name: str, plate: str, known: float | None = None, **cells: str) -> None:
    from bladewatch.ledger.events import event_of
    from collectors.instants import text_of

    row = {"at": text_of(minute(at)), "event": name, "plate": plate, **cells}
    events.append(event_of(row, __import__("datetime").UTC, entered_us=minute(at if known is None else max(known, at))))


def load(shop: Shop, facts: list[Fact], events: list[Event], size: int = 400) -> Shop:
    """Facts in batches of ``size``, the events after the first of them."""
    for place in range(0, len(facts), size):
        batch = Batch()
        batch.add(facts[place : place + size])
        ingest(batch, shop.service.store, "hall")
        if place == 0:
            enter(events, shop.service.store)
    return shop


def _instants(facts: list[Fact], seed: int, count: int = 12) -> list[int]:
    rng = random.Random(seed)
    strokes = [fact for fact in facts if isinstance(fact, Stroke)]
    picked = [rng.choice(strokes) for _ in range(count // 2)]
    return (
        [s.ts_us for s in picked]
        + [rng.choice(strokes).known_us - 1 for _ in range(count - len(picked))]
        + [minute(15 * DAY)]
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_answer_at_t_needs_only_what_was_known_at_t(make_shop: Callable[..., Shop], seed: int) -> None:
    """Byte for byte the same on the whole store and on one that was given only the facts known by T."""
    facts, events = troubled_facts(seed)
    whole = load(make_shop(), facts, events)
    for _ in whole.service.bring_up_to_date():
        pass
    for at_us in _instants(facts, seed):
        then = [f for f in facts if f.known_us <= at_us and f.ts_us <= at_us]
        part = load(make_shop(), then, [e for e in events if e.known_us <= at_us and e.at_us <= at_us])
        assert answer(whole, at_us) == answer(part, at_us)


@pytest.mark.parametrize("seed", [4, 5])
def test_the_order_of_arrival_never_matters(make_shop: Callable[..., Shop], seed: int) -> None:
    """Sorted, shuffled, doubled, in one batch or many, with answers and checkpoints in between: one answer."""
    facts, events = troubled_facts(seed)
    first = load(make_shop(), sorted(facts, key=lambda f: (f.known_us, f.ts_us)), events)
    shuffled = facts + facts[:500]
    random.Random(seed).shuffle(shuffled)
    second = load(make_shop(), shuffled, events, size=37)
    third = make_shop()
    for place in range(0, len(shuffled), 900):
        load(third, shuffled[place : place + 900], events if place else events[: len(events) // 2], size=900)
        for _ in third.service.bring_up_to_date():
            pass
    for at_us in _instants(facts, seed, 6):
        assert answer(first, at_us) == answer(second, at_us) == answer(third, at_us)


def test_what_is_kept_for_speed_changes_no_answer(make_shop: Callable[..., Shop]) -> None:
    """With checkpoints, roll-ups and fits; without any of them; rebuilt: the same bytes."""
    facts, events = troubled_facts(6)
    shop = load(make_shop(), facts, events)
    instants = _instants(facts, 6, 6)
    bare = [answer(shop, at_us) for at_us in instants]
    for _ in shop.service.bring_up_to_date():
        pass
    assert [answer(shop, at_us) for at_us in instants] == bare
    shop.service.store.clear_derived()
    assert [answer(shop, at_us) for at_us in instants] == bare
    for _ in shop.service.rebuild():
        pass
    assert [answer(shop, at_us) for at_us in instants] == bare
    shop.service.store.tidy(minute(30 * DAY), 90, 2**40, 2**40)
    assert [answer(shop, at_us) for at_us in instants] == bare


def test_a_late_fact_outdates_the_checkpoints_after_it(make_shop: Callable[..., Shop]) -> None:
    """A stroke that arrives hours late is in the next answer, and not in the one before it was known."""
    shop = make_shop()
    shop.event(-10, "opened", "A", blade_type="T")
    shop.event(-5, "mounted", "A", saw="S1")
    shop.take(*(stroke(i + (i > 300), i, part="P1") for i in range(1, 2000)))
    for _ in shop.service.bring_up_to_date():
        pass
    assert shop.status(3000)["S1", "1"].strokes == 2000
    assert shop.status(3000)["S1", "1"].coverage.strokes == pytest.approx(1999 / 2000)
    shop.take(stroke(301, 300.5, 2500, part="P2"))
    assert shop.status(2400)["S1", "1"].area_by_alloy_cmm2.get("6082") is None
    assert shop.status(3000)["S1", "1"].area_by_alloy_cmm2["6082"] == 50_000
    assert shop.status(3000)["S1", "1"].strokes == 2000


def test_checkpoints_give_what_reading_from_the_start_gives(make_shop: Callable[..., Shop]) -> None:
    """Incremental equals batch, to the last bit."""
    facts, events = troubled_facts(7)
    shop = load(make_shop(), facts, events)
    service = shop.service
    from bladewatch.ledger.book import fold

    now_us = minute(15 * DAY)
    fleet = fold(service.store.books.events(now_us, now_us))
    cycles = [(cycle, plate.blade_type) for plate in fleet.plates.values() for cycle in plate.cycles]
    bare = [
        CycleReader(service.config, service.store, now_us).at(c, t, c.ended_us or now_us).state() for c, t in cycles
    ]
    bring_up(shop)
    reader = CycleReader(service.config, service.store, now_us)
    assert [reader.at(c, t, c.ended_us or now_us).state() for c, t in cycles] == bare
    assert service.store.books.checkpoints(cycles[0][0].plate, 1, 2**60) != []


@pytest.mark.parametrize("seed", [10, 11])
@pytest.mark.parametrize("stored", [False, True])
def test_a_run_over_the_past_remembers_only_what_a_moment_could_know(
    make_shop: Callable[..., Shop], seed: int, stored: bool
) -> None:
    """Over a record full of late facts, with a memory: each moment says and learns what it does by itself."""
    facts, events = troubled_facts(seed)
    shop = load(make_shop(), facts, events)
    if stored:
        bring_up(shop)
    service, memory, past = shop.service, Memory(), None
    with service.store.snapshot():
        for at_us in range(minute(11 * DAY), minute(14 * DAY), 5 * HOUR_US):
            past = service.moment(at_us, past=past, memory=memory)
            assert _worked_out(past) == _worked_out(service.moment(at_us))


def _worked_out(moment: Moment) -> tuple[object, ...]:
    """What a moment says, what it counted of the recent weeks, and what its ended cycles tell."""
    running = moment.examine(("S1", "1"))[1]
    return moment.review(), running and running.recent, [training.evidence for _, training in moment.models()]


@pytest.mark.parametrize("seed", [8, 9])
def test_hours_from_roll_ups_are_the_hours_from_rows(make_shop: Callable[..., Shop], seed: int) -> None:
    """The recent weeks by roll-up equal the same weeks read stroke by stroke."""
    facts, events = troubled_facts(seed)
    shop = load(make_shop(), facts, events)
    service, now_us = shop.service, minute(13 * DAY + 200)
    told = recent_work(service.config, service.store.signals, ("S1", "1"), now_us)
    rows: dict[int, list[int]] = {}
    work = SpotWork(service.config, service.store.signals, ("S1", "1"), now_us)
    for counted in work.between(-(2**62), now_us):
        hour = rows.setdefault(counted.ts_us // HOUR_US, [0, 0, 0])
        hour[0] += 1
        hour[1] += counted.contact
        hour[2] += counted.area_cmm2
    found = {hour: [entry.strokes, entry.cuts, sum(entry.area_cmm2.values())] for hour, entry in told.items()}
    assert found == rows


def test_facts_dated_later_are_stored_and_known_to_nobody_yet(shop: Shop) -> None:
    """A ledger row of tomorrow waits for tomorrow."""
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(100, "mounted", "A", known_minute=0, saw="S1")
    assert shop.status(99)["S1", "1"].plate is None
    assert shop.status(100)["S1", "1"].plate == "A"


def test_config_text_is_the_one_the_tests_mean() -> None:
    """The troubled shop cuts a part that the table does not know."""
    assert '"P3"' not in CONFIG


def bring_up(shop: Shop) -> None:
    for _ in shop.service.bring_up_to_date():
        pass


def power(at_minute: float, kw: float, known_minute: float | None = None) -> Sample:
    known = at_minute if known_minute is None else known_minute
    return Sample("S1", "1", "power_kw", "", minute(at_minute), kw, minute(known))


def mounted(shop: Shop, saw: str = "S1", at_minute: float = -60) -> None:
    shop.event(-100, "opened", "A", blade_type="T")
    shop.event(at_minute, "mounted", "A", saw=saw)


@pytest.mark.parametrize("late_last", [True, False])
def test_a_late_fact_on_an_earlier_saw_reaches_the_checkpoints_of_a_moved_blade(shop: Shop, late_last: bool) -> None:
    """A checkpoint taken on the second saw holds strokes of the first."""
    mounted(shop)
    shop.event(60, "dismounted", "A", saw="S1", reason="job-swap")
    shop.event(60, "mounted", "A", saw="S2")
    late = stroke(11, 10, 2000, part="P1", area_cmm2=50_000)
    rest = [stroke(i + 1, i, part="P1") for i in range(20) if i != 10] + [stroke(21, 90, part="P1")]
    rest += [stroke(i, 70 + i / 6, saw="S2", part="P1") for i in range(1, 700)]
    for part in [rest, [late]] if late_last else [[late], rest]:
        shop.take(*part)
        bring_up(shop)
    assert shop.status(5000)["S2", "1"].area_cmm2 == 19 * 100_000 + 50_000 + 699 * 100_000


def test_what_closes_a_mount_may_come_long_after_the_blade_moved_on(shop: Shop) -> None:
    """The next stroke of the first saw tells how many were made unseen before the dismount."""
    mounted(shop)
    shop.event(60, "dismounted", "A", saw="S1", reason="job-swap")
    shop.event(60, "mounted", "A", saw="S2")
    shop.take(*(stroke(i + 1, i, part="P1") for i in range(20)))
    shop.take(*(stroke(i, 70 + i / 6, saw="S2", part="P1") for i in range(1, 700)))
    bring_up(shop)
    shop.take(stroke(60, 400, part="P1"))
    bring_up(shop)
    told = shop.status(3000)["S2", "1"].strokes
    shop.service.store.clear_derived()
    assert shop.status(3000)["S2", "1"].strokes == told == 20 + 699 + 4
    bring_up(shop)
    shop.take(stroke(22, 300, 2000, part="P1"))
    told = shop.status(3000)["S2", "1"].strokes
    shop.service.store.clear_derived()
    assert shop.status(3000)["S2", "1"].strokes == told


def test_energy_told_by_readings_outlives_them(shop: Shop) -> None:
    """What an index rests on stays: letting fast readings go, and building anew, change no index."""
    mounted(shop)
    shop.take(*(power(i - 55, 1.0) for i in range(5)))
    facts: list[Fact] = []
    for i in range(1, 500):
        facts.append(stroke(i, i, part="P1", feed_mm_s=50.0, duration_s=10.0))
        facts.extend(power(i - (8 - 2 * k) / 60, 5.0 + i / 500) for k in range(4))
    shop.take(*facts)
    before = shop.status(501)["S1", "1"].edge_index
    assert before is not None
    for days in (100, 103):
        shop.service.store.tidy(minute(days * DAY), 90, 2**40, 2**40)
    for _ in shop.service.rebuild():
        pass
    assert shop.status(501)["S1", "1"].edge_index == before


def test_a_plate_on_two_saws_by_the_record_keeps_the_strokes_of_both(shop: Shop) -> None:
    """No checkpoint splits overlapping mounts."""
    mounted(shop)
    shop.event(-30, "mounted", "A", saw="S2")
    shop.take(
        *(stroke(i, i / 6, part="P1") for i in range(1, 701)),
        *(stroke(i, i, saw="S2", part="P1") for i in range(1, 101)),
    )
    bare = shop.status(3000)["S1", "1"].strokes
    bring_up(shop)
    assert shop.status(3000)["S1", "1"].strokes == bare == 800


def test_an_hour_that_late_strokes_empty_is_idle_before_they_were_known(shop: Shop) -> None:
    """What a checkpoint rests on includes what took readings away."""
    mounted(shop)
    shop.take(*(power(10 * i + 10, 5.0) for i in range(3)))
    shop.take(*(stroke(i + 1, 10 * i + 10.1, 3000, part="P1", duration_s=20.0) for i in range(3)))
    shop.take(*(stroke(5 + i, 62 + i / 3, part="P1", mean_power_kw=5.2, duration_s=5.0) for i in range(700)))
    bare = shop.status(1000)["S1", "1"].cuts
    bring_up(shop)
    assert shop.status(1000)["S1", "1"].cuts == bare == 0


def test_idle_power_of_an_hour_is_not_taken_from_what_came_after(shop: Shop) -> None:
    """The stroke after the hour decides which readings lie outside; one known later does not."""
    mounted(shop)
    shop.take(*(power(59 + (5 + 20 * i) / 60, 1.0) for i in range(3)))
    shop.take(stroke(1, 60 + 10 / 60, 3000, part="P1", duration_s=5.0), stroke(2, 60.5, part="P1"))
    shop.take(*(stroke(3 + i, 61 + i / 2, part="P1", mean_power_kw=1.05, duration_s=5.0) for i in range(20)))
    bare = shop.status(1000)["S1", "1"].cuts
    bring_up(shop)
    assert shop.status(1000)["S1", "1"].cuts == bare


def test_a_gap_into_the_running_hour_counts_in_the_recent_weeks(make_shop: Callable[..., Shop]) -> None:
    """Strokes made unseen before the hour struck belong to the pace, whatever is kept for speed."""
    told = []
    for late in (True, False):
        shop = make_shop()
        mounted(shop)
        shop.take(*(stroke(i, i, part="P1") for i in range(1, 55)), stroke(70, 70, part="P1"))
        if late:
            shop.take(stroke(55, 54.5, 3000, part="P1"))
        bring_up(shop)
        service = shop.service
        told.append(recent_work(service.config, service.store.signals, ("S1", "1"), minute(90)))
    assert told[0] == told[1]
    assert sum(entry.strokes for entry in told[0].values()) == 70


def test_a_blade_type_entered_later_gives_no_index_before(shop: Shop) -> None:
    """Checkpoints of a plate of unknown type are not those of the only type there is."""
    shop.event(-60, "mounted", "A", saw="S1")
    shop.event(-60, "received", "A", known_minute=4000, blade_type="T")
    shop.take(*(power(i - 55, 1.0) for i in range(5)))
    shop.take(*(stroke(i, i, part="P1", feed_mm_s=50.0, duration_s=5.0, energy_kj=40.0) for i in range(1, 1200)))
    bring_up(shop)
    assert shop.status(2000)["S1", "1"].edge_index is None
    assert shop.status(5000)["S1", "1"].edge_index is not None


def test_facts_stored_but_not_known_yet_are_in_later_answers(shop: Shop) -> None:
    """No checkpoint is blind to what is stored already."""
    mounted(shop)
    shop.take(*(stroke(i, i / 6, part="P1") for i in range(1, 700)), stroke(9000, 0.09, 2000, part="P1"))
    bring_up(shop)
    early, late = shop.status(1000)["S1", "1"].cuts, shop.status(3000)["S1", "1"].cuts
    shop.service.store.clear_derived()
    assert (shop.status(1000)["S1", "1"].cuts, shop.status(3000)["S1", "1"].cuts) == (early, late)
    assert early != late


@pytest.mark.parametrize("table", ["idle_hour", "work_hour", "counter_hour", "checkpoint"])
def test_any_table_kept_for_speed_can_be_emptied(shop: Shop, table: str) -> None:
    """Roll-ups and checkpoints one by one: the answer stays, also when strokes come in afterwards."""
    mounted(shop)
    shop.take(*(power(i - 50, 1.0) for i in range(5)))
    shop.take(*(stroke(i, i, part="P1", mean_power_kw=1.0 if i % 4 else 5.0, duration_s=1.0) for i in range(1, 100)))
    bring_up(shop)
    before = answer(shop, minute(130))
    shop.service.store._connection.execute(f"DELETE FROM {table}")
    assert answer(shop, minute(130)) == before
    shop.take(*(stroke(i, i, part="P1", mean_power_kw=5.0, duration_s=1.0) for i in range(100, 119)))
    grown = answer(shop, minute(130))
    shop.service.store.clear_derived()
    assert answer(shop, minute(130)) == grown
    for _ in shop.service.rebuild():
        pass
    assert answer(shop, minute(130)) == grown


@pytest.mark.parametrize("junk", ["", "x", "{}", "[]", '{"names": 3}', '{"mount": 0}'])
def test_what_is_kept_for_speed_and_damaged_is_made_anew(shop: Shop, junk: str) -> None:
    """A fit and checkpoints overwritten with nonsense: the same answer, and the next keeping mends them."""
    at = ended_cycles(shop, 4)
    shop.event(at, "opened", "Z", blade_type="T")
    shop.event(at, "mounted", "Z", saw="S1")
    shop.take(*(stroke(2000 + i, at + i, part="P1") for i in range(1, 90)))
    bring_up(shop)
    told = answer(shop, minute(at + 95))
    sql = shop.service.store._connection
    for column in ("fit.fit", "checkpoint.state"):
        table, name = column.split(".")
        assert sql.execute(f"UPDATE {table} SET {name} = ?", (junk,)).rowcount > 0
    assert answer(shop, minute(at + 95)) == told
    bring_up(shop)
    assert sql.execute("SELECT count(*) FROM fit WHERE fit = ?", (junk,)).fetchone() == (0,)
    assert answer(shop, minute(at + 95)) == told


def test_a_negative_zero_is_no_second_fact(shop: Shop) -> None:
    """A database gives it back as zero: the same stroke again is a repeat."""
    from collectors.fields import number

    assert str(number(-0.0, -1, 1, frozenset())) == "0.0"


def test_an_answer_that_rests_on_summaries_says_so(shop: Shop) -> None:
    """After keep_raw_days the readings have gone; idle power stays the same, and the answer tells its ground."""
    shop.event(-10, "opened", "A", blade_type="T")
    shop.event(-5, "mounted", "A", saw="S1")
    shop.take(*(Sample("S1", "1", "power_kw", "", minute(i / 10), 2.0, minute(i / 10)) for i in range(600)))
    strokes = [stroke(i, 70 + i, part="P1", mean_power_kw=2.1 if i % 3 else 9.0, duration_s=2.0) for i in range(1, 30)]
    shop.take(*strokes)
    before = shop.status(200)["S1", "1"]
    assert before.cuts == 9
    for days in (100, 103):
        shop.service.store.tidy(minute(days * DAY), 90, 2**40, 2**40)
    after = shop.status(200)["S1", "1"]
    assert after.cuts == 9
    assert not any("rest on summaries" in reason for reason in before.reasons)
    assert any("rest on summaries" in reason for reason in after.reasons)


def ended_cycles(shop: Shop, count: int, **accepted: str) -> float:
    """So many cycles of one part that ended by plan with a bench reading; the minute after the last."""
    at, strokes = 0.0, 300
    for number in range(count):
        plate = f"E{number}"
        shop.event(at, "opened", plate, blade_type="T")
        shop.event(at, "mounted", plate, saw="S1")
        shop.take(*(stroke(number * strokes + i, at + i, part="P1") for i in range(1, strokes + 1)))
        at += strokes + 10
        shop.event(at, "dismounted", plate, saw="S1", reason="worn-plan")
        shop.event(at + 1, "returned", plate, wear_um=str(240 + number))
        shop.event(at + 2, "accepted", plate, **accepted)
    return at + 5


def test_a_bench_reading_of_the_running_cycle_speaks_before_the_model(shop: Shop) -> None:
    """Taken off, measured beyond the limit, put back: the blade is to be changed, whatever its area says."""
    at = ended_cycles(shop, 8)
    shop.event(at, "opened", "Z", blade_type="T")
    shop.event(at, "mounted", "Z", saw="S1")
    shop.take(*(stroke(2400 + i, at + i, part="P1") for i in range(1, 200)))
    before = shop.status(at + 200)["S1", "1"]
    assert before.verdict in ("good", "prepare")
    shop.event(at + 201, "dismounted", "Z", saw="S1", reason="job-swap")
    shop.event(at + 202, "inspected", "Z", wear_um="265")
    shop.event(at + 203, "mounted", "Z", saw="S1")
    told = shop.status(at + 205)["S1", "1"]
    assert told.verdict == "change"
    assert "the bench measured 265 of 250 µm" in told.reasons
    assert told.wear_um is not None
    assert told.wear_um.low < 265 < told.wear_um.high


def test_what_is_measured_after_grinding_is_not_the_old_edge(make_shop: Callable[..., Shop]) -> None:
    """A bench that writes the new edge's 8 µm at acceptance teaches nothing false."""
    told = []
    for accepted in ({}, {"wear_um": "8"}):
        shop = make_shop()
        at = ended_cycles(shop, 8, **accepted)
        shop.event(at, "opened", "Z", blade_type="T")
        shop.event(at, "mounted", "Z", saw="S1")
        shop.take(*(stroke(2400 + i, at + i, part="P1") for i in range(1, 200)))
        told.append(shop.status(at + 201)["S1", "1"].wear_um)
    assert told[0] is not None
    assert told[0] == told[1]


def test_a_saw_that_never_spoke_is_not_called_good(shop: Shop) -> None:
    """Nothing seen, nothing told."""
    mounted(shop)
    told = shop.status(1000)["S1", "1"]
    assert (told.seen, told.verdict) == ("never", "cannot-tell")


def test_the_rule_by_cuts_needs_no_areas_and_the_one_used_further_rules(make_shop: Callable[..., Shop]) -> None:
    """A shop that has a counter and nothing else still has its rule of thumb."""
    cuts_only = make_shop(CONFIG.replace('id = "T"', 'id = "T"\nsite_limit_cuts = 100'))
    mounted(cuts_only)
    cuts_only.take(*(stroke(i, i) for i in range(1, 91)))
    told = cuts_only.status(95)["S1", "1"]
    assert (told.verdict, told.limit_kind, told.basis) == ("prepare", "cuts", "site-rule")
    both = make_shop(CONFIG.replace('id = "T"', 'id = "T"\nsite_limit_cuts = 100\nsite_limit_area_m2 = 30'))
    mounted(both)
    both.take(*(stroke(i, i, part="P1") for i in range(1, 121)))
    assert both.status(130)["S1", "1"].verdict == "change"


def test_an_area_that_is_mostly_a_guess_is_no_ground_to_call_a_blade_good(make_shop: Callable[..., Shop]) -> None:
    """A part that the table lacks: the answer says what to fill in."""
    shop = make_shop(CONFIG.replace('id = "T"', 'id = "T"\nsite_limit_area_m2 = 30'))
    mounted(shop)
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 11)), *(stroke(i, i, part="new") for i in range(11, 100)))
    told = shop.status(101)["S1", "1"]
    assert told.verdict == "cannot-tell"
    assert any("is a guess; fill the part table" in reason for reason in told.reasons)


def test_whatever_is_null_has_its_reason(shop: Shop) -> None:
    """In JSON; the screen stays short."""
    mounted(shop)
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 20)))
    answered = as_json(shop.status(21)["S1", "1"], shop.service.zone)
    assert answered["edge_index"] is None
    assert any(reason.startswith("edge index:") for reason in answered["reasons"])
    assert any(reason.startswith("wear in µm:") for reason in answered["reasons"])


def test_a_verdict_says_since_when_and_does_not_move(make_shop: Callable[..., Shop]) -> None:
    """The share was passed at one moment; later answers name the same, within the rounding of an hour's work."""
    shop = make_shop(CONFIG.replace('id = "T"', 'id = "T"\nsite_limit_area_m2 = 0.2'))
    mounted(shop)
    shop.take(*(stroke(i, i, part="P1") for i in range(1, 190)))
    raised = []
    for at in (161.1, 165, 179, 181, 185, 199.9):
        told = shop.status(at)["S1", "1"]
        assert told.verdict == "prepare"
        assert told.since_us is not None
        assert told.since_us <= minute(at)
        raised.append((told.since_us - minute(0)) / 60e6)
    assert shop.status(159)["S1", "1"].verdict == "good"
    assert max(raised) - min(raised) < 2.0
    assert raised[-1] == pytest.approx(160, abs=2.0)


def test_while_no_stroke_is_made_a_call_was_raised_when_it_was(shop: Shop) -> None:
    """A blade that may not last the next hours, asked again over the night and the week after: the same instant."""
    at = ended_cycles(shop, 5)
    shop.event(at, "opened", "Z", blade_type="T")
    shop.event(at, "mounted", "Z", saw="S1")
    shop.take(*(stroke(3000 + i, at + i, part="P1") for i in range(1, 285)))
    told = [shop.status(at + later)["S1", "1"] for later in (284.1, 300, 500, 1440, 7 * 1440)]
    assert {one.wear_verdict for one in told} == {"change"}
    assert len({one.since_us for one in told}) == 1
    assert told[0].since_us is not None
    assert told[0].since_us <= minute(at + 284.1)


def test_under_an_override_the_time_in_metal_tells_which_feed_was_sent(shop: Shop) -> None:
    """A programmed feed under 70 % is read as the actual one; an actual feed stays as it is."""
    shop.take(*(power(i * 10 + 5, 2.0) for i in range(6)))
    told = {"part": "P1", "height_mm": 84.0, "feed_override_pct": 70.0, "duration_s": 2.0, "energy_kj": 20.0}
    shop.take(stroke(1, 70, feed_mm_s=60.0, **told), stroke(2, 71, feed_mm_s=42.0, **told))
    service = shop.service
    work = SpotWork(service.config, service.store.signals, ("S1", "1"), minute(1000))
    blade = service.config.blade_types.at("T", 0)
    feeds = [work.cut(one, blade, 4.0).feed_tooth_mm for one in work.between(minute(0), minute(100))]
    assert feeds[0] == pytest.approx(feeds[1])


def test_a_shop_that_knows_no_area_cannot_tell(shop: Shop) -> None:
    """Strokes of parts that no table knows are no reason to call a blade good."""
    shop.event(-10, "opened", "A", blade_type="T")
    shop.event(-5, "mounted", "A", saw="S1")
    shop.take(*(stroke(i, i, part="nobody knows") for i in range(1, 50)))
    told = shop.status(60)["S1", "1"]
    assert (told.verdict, told.coverage.alloy) == ("cannot-tell", 0.0)
    assert any("area of none of its cuts" in reason for reason in told.reasons)


def test_records_of_saws_that_do_not_exist_are_questioned(shop: Shop) -> None:
    """A mount on a saw that the configuration lacks is a problem, an alias is not."""
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(1, "mounted", "A", saw="S9")
    shop.event(2, "opened", "B", blade_type="T")
    shop.event(3, "mounted", "B", saw="Saw 2", spindle="2")
    review = shop.service.review(minute(10))
    assert [problem.message for problem in review.problems] == ["saw S9 spindle 1 is not in the configuration"]
    assert {(a.saw, a.spindle): a.plate for a in review.assessments}["S2", "2"] == "B"
