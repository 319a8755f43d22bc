"""A shop that answers its questions: each with the truth, at the end of the day on which it stands."""

from __future__ import annotations

from bladewatch.assess.question import Question
from bladewatch.demo.papers import Papers
from bladewatch.demo.setting import Setting
from bladewatch.demo.truth import Mounted, Truth
from bladewatch.errors import UsageError
from bladewatch.service import Service
from collectors.instants import HOUR_US, MINUTE_US

ASKED = ("probable-change", "conflict")


def answer_all(service: Service, papers: Papers, setting: Setting) -> int:
    """Answer every change and every conflict of a shop day by day; returns how many were answered."""
    tried: set[str] = set()
    answered = 0
    for day in range(setting.last_day + 1):
        if not setting.works(day):
            continue
        at_us = setting.at(day, setting.closes) + HOUR_US
        service.clock = lambda at_us=at_us: at_us  # type: ignore[misc]
        while True:
            waiting = [q for q in service.questions(at_us) if q.open and q.kind in ASKED and q.id not in tried]
            if not waiting:
                break
            for question in sorted(waiting, key=lambda q: (q.raised_us, q.id)):
                tried.add(question.id)
                answered += _answer(service, papers.truth, question)
    service.clock = lambda: setting.ends_us
    return answered


def _answer(service: Service, truth: Truth, question: Question) -> bool:
    try:
        if question.kind == "conflict":
            row = next(e for e in service.store.books.events(2**62, 2**62) if e.id == question.rows[0])
            true = _near(truth, row.saw or question.saw, row.at_us, row.event == "dismounted")
            if true is None or row.event not in ("mounted", "dismounted"):
                service.answer(question.id, "unknown")
            elif true.plate == row.plate:
                service.answer(question.id, "yes")
            else:
                service.answer(question.id, "no", true.plate)
            return True
        change = next((m for m in _starts(truth, question.saw) if _within(m, question)), None)
        if change is not None and change.plate != question.plate:
            at_us = min(max(change.from_us, question.from_us), question.to_us)
            service.answer(question.id, "yes", change.plate, at_us)
        elif question.plate is None:
            on = _near(truth, question.saw, question.to_us, False)
            service.answer(question.id, "yes", None if on is None else on.plate)
        else:
            service.answer(question.id, "no")
    except UsageError:
        return False
    return True


def _starts(truth: Truth, saw: str) -> list[Mounted]:
    """The blades that truly came on a saw after its first."""
    return [mount for mount in truth.mounts if mount.saw == saw][1:]


def _within(mount: Mounted, question: Question) -> bool:
    return question.from_us - 15 * MINUTE_US <= mount.from_us <= question.to_us + 15 * MINUTE_US


def _near(truth: Truth, saw: str, at_us: int, off: bool) -> Mounted | None:
    """The blade that truly was on a saw: before an instant where it came off then, else after it."""
    mounts = [mount for mount in truth.mounts if mount.saw == saw]
    if off:
        ended = [mount for mount in mounts if mount.to_us is not None]
        return min(ended, key=lambda mount: abs((mount.to_us or 0) - at_us), default=None)
    on = [mount for mount in mounts if mount.from_us <= at_us + 15 * MINUTE_US]
    return max(on, key=lambda mount: mount.from_us, default=None)
