"""Random days of a blade ledger, played against a model of a few lines that was written from the rules alone."""

from __future__ import annotations

from collections import Counter
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from bladewatch.ledger.book import Book, fold
from bladewatch.ledger.events import Event

HOUR = 3_600_000_000
ENDS = {"worn-plan", "worn-burr", "chipped", "cracked"}
AT_HAND = {"unknown", "received", "sharp", "part-used", "dull", "returned", "found"}
RANK = {"dismounted": 0, "opened": 1, "found": 1, "sent": 2, "returned": 3, "rejected": 5, "retipped": 5,
        "accepted": 6, "mounted": 7}  # fmt: skip


def played(rows: list[dict[str, Any]]) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
    """Plates and what is on each saw, by going through the rows in time, one plain rule each."""
    withdrawn = {row["corrects"] for row in rows if row["event"] == "corrected"}
    rows = [row for row in rows if row["event"] != "corrected" and row["id"] not in withdrawn]
    rows = sorted(rows, key=lambda r: (r["at"], RANK.get(r["event"], 8), r["known"], r["id"]))
    plates: dict[str, dict[str, Any]] = {}
    on: dict[str, str] = {}

    def plate(name: str) -> dict[str, Any]:
        return plates.setdefault(name, {"state": "unknown", "regrinds": 0, "tips": 1, "ends": [], "fresh": False,
                                        "cracked": False, "work": None})  # fmt: skip

    def off(name: str) -> None:
        for saw in [saw for saw, there in on.items() if there == name]:
            del on[saw]

    for row in rows:
        what, name, saw = row["event"], row["plate"], row.get("saw")
        p = plate(name)
        if row.get("reason") == "cracked":
            p["cracked"] = True
            if p["state"] in AT_HAND:
                p["state"] = "quarantined"
        if what in ("opened", "accepted"):
            if what == "opened":
                p["regrinds"] = 0
            elif p["state"] == "out":
                p["regrinds"] += not p["work"]
            p["fresh"] = True
            if name not in on.values():
                if p["ends"] and p["ends"][-1] is None:
                    p["ends"][-1] = row["at"]
                p["state"] = "quarantined" if p["cracked"] else "sharp"
        elif what == "mounted":
            before = on.get(saw)
            if before is not None:
                off_saw(on, saw)
                if before not in on.values():
                    plates[before]["state"] = "quarantined" if plates[before]["cracked"] else "part-used"
            if p["fresh"] or not p["ends"]:
                if p["ends"] and p["ends"][-1] is None:
                    p["ends"][-1] = row["at"]
                p["ends"].append(None)
            elif p["ends"][-1] is not None:
                p["ends"][-1] = None
            p["fresh"], p["state"] = False, "mounted"
            on[saw] = name
        elif what == "dismounted":
            there = on.get(saw)
            if there is not None:
                off_saw(on, saw)
                if there not in on.values():
                    plates[there]["state"] = "quarantined" if plates[there]["cracked"] else "part-used"
            if there == name and row["reason"] in ENDS:
                p["ends"][-1] = row["at"]
                if name not in on.values():
                    p["state"] = "quarantined" if p["cracked"] else "dull"
        elif what in ("sent", "quarantined", "scrapped", "lost"):
            off(name)
            if what == "sent" and p["ends"] and p["ends"][-1] is None:
                p["ends"][-1] = row["at"]
            p["state"] = {"sent": "out"}.get(what, what)
            p["work"] = None if what == "sent" else p["work"]
        elif what == "returned":
            p["regrinds"] += p["state"] == "out" and not p["work"]
            if name not in on.values():
                p["state"] = "returned"
        elif what == "rejected" and name not in on.values():
            p["state"] = "rejected"
        elif what == "retipped":
            p["tips"] += 1
            p["regrinds"] = 0
            p["work"] = p["work"] or p["state"] == "out"
        elif what == "found" and p["state"] in ("lost", "unknown", "out", "scrapped"):
            p["state"] = "found"
    return plates, on


def off_saw(on: dict[str, str], saw: str) -> None:
    """What is on a saw comes off; a plate written on two saws stays on the other."""
    del on[saw]


class Days(RuleBasedStateMachine):
    """People write rows, some hours late, some wrong, some taken back; the book follows row by row."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[dict[str, Any]] = []
        self.now = 0
        self.book = Book(may_clear_cracks={"M1"})

    def write(self, event: str, plate: str, late: int = 0, **cells: Any) -> None:
        self.now += 1
        row = {"id": f"r{len(self.rows):04d}", "event": event, "plate": plate, "at": max(self.now - late, 0),
               "known": self.now, **cells}  # fmt: skip
        self.rows.append(row)
        known = {name: value for name, value in cells.items() if name != "at"}
        self.book.add([Event(id=row["id"], event=event, plate=plate, at_us=row["at"] * HOUR,
                             known_us=self.now * HOUR, **known)])  # fmt: skip

    plates = st.sampled_from(["A-1", "A-2", "A-3"])
    saws = st.sampled_from(["S1", "S2"])
    late = st.sampled_from([0, 0, 0, 1, 3, 9])
    reasons = st.sampled_from(["worn-plan", "worn-burr", "chipped", "cracked", "job-swap", "trial", "unknown"])

    @rule(plate=plates, event=st.sampled_from(["sent", "returned", "accepted"]), late=late)
    def to_the_grinder_and_back(self, plate: str, event: str, late: int) -> None:
        self.write(event, plate, late)

    @rule(plate=plates, event=st.sampled_from(["opened", "rejected", "retipped"]), late=late)
    def what_is_done_with_it(self, plate: str, event: str, late: int) -> None:
        self.write(event, plate, late)

    @rule(plate=plates, event=st.sampled_from(["quarantined", "scrapped", "lost", "found"]), late=late)
    def where_it_is_put(self, plate: str, event: str, late: int) -> None:
        self.write(event, plate, late)

    @rule(plate=plates, saw=saws, late=late)
    def mount(self, plate: str, saw: str, late: int) -> None:
        self.write("mounted", plate, late, saw=saw)

    @rule(plate=plates, saw=saws, late=late, reason=reasons)
    def dismount(self, plate: str, saw: str, late: int, reason: str) -> None:
        self.write("dismounted", plate, late, saw=saw, reason=reason)

    @precondition(lambda self: self.rows)
    @rule(back=st.integers(0, 8))
    def withdraw(self, back: int) -> None:
        open_rows = [row for row in self.rows if row["event"] != "corrected"]
        row = open_rows[max(len(open_rows) - 1 - back, 0)]
        self.write("corrected", row["plate"], 0, corrects=row["id"], by="M1")

    @rule()
    def the_book_is_kept_and_taken_up_again(self) -> None:
        book = Book(may_clear_cracks={"M1"})
        book.take_up(self.book.packed())
        assert (book.fleet, book.line, book.rows) == (self.book.fleet, self.book.line, self.book.rows)
        self.book = book

    @invariant()
    def the_book_says_what_the_plain_rules_say(self) -> None:
        plates, on = played(self.rows)
        fleet = self.book.fleet
        assert {name: plate.state for name, plate in fleet.plates.items()} == {n: p["state"] for n, p in plates.items()}
        for name, p in plates.items():
            plate = fleet.plates[name]
            assert (plate.regrinds, plate.tip_set, plate.cracked) == (p["regrinds"], p["tips"], p["cracked"]), name
            ended = [None if c.ended_us is None else c.ended_us // HOUR for c in plate.cycles]
            assert ended == p["ends"], name
        there = {saw: fleet.on(saw, "1") for saw in ("S1", "S2")}
        assert {saw: mount.plate for saw, mount in there.items() if mount is not None} == on

    @invariant()
    def every_plate_is_in_one_state_and_the_totals_are_all_plates(self) -> None:
        states = Counter(plate.state for plate in self.book.fleet.plates.values())
        assert sum(states.values()) == len(self.book.fleet.plates)

    def teardown(self) -> None:
        """Row by row is the same as all at once."""
        events = list(self.book.rows.values())
        assert fold(events, may_clear_cracks={"M1"}) == self.book.fleet


TestDays = Days.TestCase
TestDays.settings = settings(max_examples=300, stateful_step_count=40, deadline=None)
