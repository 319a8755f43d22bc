"""Changes of blade that nobody wrote down, on invented shops whose truth is known: how many are asked about, how soon,
and how often a question is asked of nothing.

    python tests/bench/bench_changes.py [--first 1] [--seeds 3] [--forms straight,all] [--troubles calm,rough]

A change counts where true wear stepped by more than 60 µm, or the record was left without a blade; the others are shown
beside. It is in time where the question stands when the saw has run eight hours more. Questions are answered with
the truth an hour after they are raised, as a shop would; with --silent nobody answers, and the record stays wrong.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from bladewatch.assess.question import Question
from bladewatch.demo.papers import Papers, write
from bladewatch.demo.setting import Setting
from bladewatch.demo.truth import Mounted
from bladewatch.service import Service
from collectors.instants import DAY_US

SHIFT_H = 8
STEP_UM = 60.0
NEAR_US = 15 * 60_000_000
TROUBLES = {
    "calm": {},
    "rough": dict.fromkeys(
        (
            "galling",
            "cleaning",
            "mist",
            "lot",
            "override",
            "unlogged",
            "cold",
            "chip",
            "early",
            "gap",
            "late",
            "correction",
        ),
        "medium",
    ),
}


@dataclass
class Change:
    """A change that nobody wrote down, or of which only the dismount was."""

    mount: Mounted
    before: Mounted
    step_um: float
    bare: bool


def unwritten(papers: Papers) -> list[Change]:
    """Every such change of a shop."""
    found = []
    by_saw: dict[str, list[Mounted]] = {}
    for mount in papers.truth.mounts:
        by_saw.setdefault(mount.saw, []).append(mount)
    ledger = papers.ledger.read_text()
    for mounts in by_saw.values():
        for before, mount in pairwise(mounts):
            if mount.recorded:
                continue
            cycles = papers.truth.cycles
            old = cycles[before.cycle].at(before.to_us or 0).wear_um
            new = cycles[mount.cycle].at(mount.from_us).wear_um
            off = [line for line in ledger.splitlines() if f",dismounted,{before.plate},{mount.saw}," in line]
            at = iso(before.to_us or 0)
            found.append(Change(mount, before, abs(old - new), any(at in line for line in off)))
    return found


def iso(us: int) -> str:
    """As the ledger writes an instant."""
    from zoneinfo import ZoneInfo

    from collectors.instants import to_datetime

    return to_datetime(us, ZoneInfo("Europe/Berlin")).isoformat(timespec="seconds")


def matching(change: Change, questions: list[Question]) -> Question | None:
    """The question that speaks of a change."""
    off_us, on_us = change.before.to_us or 0, change.mount.from_us
    for question in questions:
        if question.saw == change.mount.saw and (
            question.from_us - NEAR_US <= on_us and off_us <= question.to_us + NEAR_US
        ):
            return question
    return None


def shift_end(setting: Setting, from_us: int) -> int | None:
    """When the saw has run eight hours after an instant; None where the days end before."""
    left = SHIFT_H * 3.6e9
    for day in range(setting.last_day + 1):
        if setting.works(day):
            opens, closes = max(setting.at(day, setting.opens), from_us), setting.at(day, setting.closes)
            if closes > opens and closes - opens >= left:
                return round(opens + left)
            left -= max(closes - opens, 0)
    return None


def changes_asked(service: Service, at_us: int) -> list[Question]:
    """The changes asked about at a moment."""
    return [question for question in service.questions(at_us) if question.kind == "probable-change"]


def settle_all(service: Service, papers: Papers, setting: Setting) -> None:
    """Answer each question with the truth, an hour after it was raised, as a shop would."""
    tried: set[str] = set()
    while True:
        waiting = [q for q in changes_asked(service, setting.ends_us) if q.open and q.id not in tried]
        if not waiting:
            return
        later = waiting[0]
        for hours in (1, 8, 24, 24 * 365):
            answered_us = min(later.raised_us + hours * 3_600_000_000, setting.ends_us)
            there = [q for q in changes_asked(service, answered_us) if q.open and q.near(later)]
            if there:
                break
        tried.add(later.id)
        if not there:
            continue
        service.clock = lambda at_us=answered_us: at_us  # type: ignore[misc]
        question = there[0]
        change = next((c for c in unwritten(papers) if matching(c, [question])), None)
        on = true_plate(papers, question)
        if change is not None:
            at_us = min(max(change.mount.from_us, question.from_us), question.to_us)
            service.answer(question.id, "yes", change.mount.plate, at_us)
        elif question.plate is None and on not in (None, last_recorded(service, question, answered_us)):
            service.answer(question.id, "yes", on)
        else:
            service.answer(question.id, "no")


def true_plate(papers: Papers, question: Question) -> str | None:
    """What was on the saw at the end of a window."""
    on = [m for m in papers.truth.mounts if m.saw == question.saw and m.from_us <= question.to_us]
    return max(on, key=lambda mount: mount.from_us).plate if on else None


def last_recorded(service: Service, question: Question, at_us: int) -> str | None:
    """What the record had on the saw last, before a window."""
    with service.store.snapshot():
        mounts = service.moment(at_us).known().fleet.mounts.get(question.spot, [])
    before = [mount.plate for mount in mounts if mount.from_us <= question.to_us]
    return before[-1] if before else None


def shop(setting: Setting, show: bool, silent: bool) -> dict[str, float]:
    """Counts of one shop."""
    counts = dict.fromkeys(("due", "asked", "late", "small", "small_asked", "false"), 0.0)
    with tempfile.TemporaryDirectory() as name:
        papers = write(setting, Path(name))
        changes = unwritten(papers)
        with Service.open(papers.config, lambda: setting.ends_us) as service:
            service.import_files([papers.log, papers.last_day, papers.ledger])
            if not silent:
                settle_all(service, papers, setting)
            found = changes_asked(service, setting.ends_us)
            right: set[str] = set()
            for change in changes:
                question = matching(change, found)
                if question is not None:
                    right.add(question.id)
                end_us = shift_end(setting, change.mount.from_us)
                if end_us is None:
                    continue
                in_time = matching(change, changes_asked(service, end_us)) is not None
                if change.step_um > STEP_UM or change.bare:
                    counts["due"] += 1
                    counts["asked"] += in_time
                    counts["late"] += question is not None and not in_time
                    if show and not in_time:
                        when = iso(change.mount.from_us)
                        print(
                            "missed", setting.seed, change.mount.saw, when, round(change.step_um), change.bare, question
                        )
                else:
                    counts["small"] += 1
                    counts["small_asked"] += in_time
    wrong = [q for q in found if q.id not in right and not late_for(q, changes, found)]
    counts["late"] += sum(q.id not in right for q in found) - len(wrong)
    for question in wrong if show else ():
        print("false", setting.seed, question.saw, iso(question.from_us), iso(question.to_us), question.evidence)
    counts["false"] = len(wrong)
    counts["saw_years"] = setting.saws * setting.days / 365
    return counts


def late_for(question: Question, changes: list[Change], found: list[Question]) -> bool:
    """Whether a question that has the window wrong is about a change that no other question saw: asked days later,
    when its plate was sent to the grinder."""
    for change in changes:
        days = (question.to_us - change.mount.from_us) / DAY_US
        if change.mount.saw == question.saw and 0 <= days <= 14 and matching(change, found) is None:
            return question.plate is None
    return False


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--forms", default="straight,all")
    parser.add_argument("--troubles", default="calm,rough")
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--show", action="store_true", help="each one missed and each false one")
    parser.add_argument("--silent", action="store_true", help="nobody answers: the record stays wrong")
    chosen = parser.parse_args()
    for form in chosen.forms.split(","):
        for rough in chosen.troubles.split(","):
            total: dict[str, float] = {}
            for seed in range(chosen.first, chosen.first + chosen.seeds):
                setting = Setting(
                    seed=seed, days=chosen.days, form=form,
                    troubles={**TROUBLES[rough], "unrecorded": "strong", "half": "medium"},
                )  # fmt: skip
                for key, value in shop(setting, chosen.show, chosen.silent).items():
                    total[key] = total.get(key, 0.0) + value
            share = total["asked"] / max(total["due"], 1)
            told = {key: round(value, 2) for key, value in total.items()}
            print(
                json.dumps(
                    {
                        "form": form,
                        "troubles": rough,
                        "share_in_a_shift": round(share, 3),
                        "false_a_saw_year": round(total["false"] / total["saw_years"], 2),
                        **told,
                    }
                ),
                flush=True,
            )


if __name__ == "__main__":
    main()
