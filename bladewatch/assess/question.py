"""What only a person can settle: the question, both stories, and how an answer finds its question again."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final, NamedTuple

import msgspec

from bladewatch.format import time_text
from bladewatch.stores.protocols import Answer, Spot
from collectors.instants import HOUR_US, parse_text

KINDS: Final = ("probable-change", "conflict", "counter", "unit-step", "lot", "clock", "other")
WORDS: Final = ("yes", "no", "unknown")
ONE_CHANGE_US: Final = 4 * HOUR_US
"""Signs of a change this close together on one spindle speak of one change."""


@dataclass(frozen=True, slots=True)
class Settled:
    """The answer that settled a question."""

    word: str
    at_us: int
    plate: str | None
    by: str | None


@dataclass(frozen=True, slots=True)
class Question:
    """A question. ``from_us``-``to_us`` is the window in which it happened, ``stories`` what may be true.

    ``text`` can be answered with yes or no. ``rows`` are ids of ledger rows, the one in doubt first; ``suggests`` is
    the plate that later rows name, ``wrote`` are the rows that an answer has written. ``anchor`` is what stays while
    the window is still being found: the row that took the last blade off. ``raised_us`` is when the last fact that the
    question rests on became known.
    """

    kind: str
    saw: str | None
    spindle: str | None
    plate: str | None
    from_us: int
    to_us: int
    text: str
    stories: tuple[str, ...]
    evidence: tuple[str, ...]
    raised_us: int
    rows: tuple[str, ...] = ()
    suggests: str | None = None
    wrote: tuple[str, ...] = ()
    anchor: str | None = None
    settled: Settled | None = None

    @property
    def id(self) -> str:
        """A short name that stays while the question is the same."""
        told = self.rows[:1] if self.kind == "conflict" else (self.saw, self.spindle, self.anchor or self.to_us)
        return hashlib.sha256(repr((self.kind, *told)).encode()).hexdigest()[:8]

    @property
    def open(self) -> bool:
        """Whether nobody has answered."""
        return self.settled is None

    @property
    def spot(self) -> Spot:
        """Saw and spindle."""
        return self.saw or "", self.spindle or "1"

    def overlaps(self, other: Question) -> bool:
        """Whether the windows of two questions of one kind and spindle meet."""
        same = self.kind == other.kind and self.spot == other.spot
        return same and self.from_us <= other.to_us and other.from_us <= self.to_us

    def same_change(self, asked: Question) -> bool:
        """Whether an answered question was about this change: signs that came later may have moved its window."""
        bare = self.plate is None and asked.plate is None
        return self.overlaps(asked) or (bare and self.near(asked))

    def near(self, other: Question) -> bool:
        """Whether two questions of a change speak of the same one."""
        same = self.kind == other.kind and self.spot == other.spot
        return same and self.from_us <= other.to_us + ONE_CHANGE_US and other.from_us <= self.to_us + ONE_CHANGE_US


def at_spot(
    kind: str,
    spot: Spot,
    window_us: tuple[int, int],
    text: str,
    stories: tuple[str, str],
    evidence: Iterable[str],
    raised_us: int,
    plate: str | None = None,
) -> Question:
    """A question about a spindle."""
    return Question(
        kind=kind,
        saw=spot[0],
        spindle=spot[1],
        plate=plate,
        from_us=window_us[0],
        to_us=window_us[1],
        text=text,
        stories=stories,
        evidence=tuple(evidence),
        raised_us=raised_us,
    )


class Given(NamedTuple):
    """An answer, and the question as it stood when it was given."""

    answer: Answer
    asked: Question


def given(answers: Iterable[Answer]) -> list[Given]:
    """Answers as they are stored, with their questions read."""
    return [Given(answer, from_json(msgspec.json.decode(answer.asked))) for answer in answers]


def denied(answers: Sequence[Given]) -> list[Question]:
    """The changes of which somebody said that there was none."""
    said = {answer.question: (answer.word, asked) for answer, asked in answers}
    return [asked for word, asked in said.values() if word == "no"]


def settle(found: Iterable[Question], answers: Sequence[Given]) -> list[Question]:
    """Questions with their answers, the newest word of each; what was asked then and is gone now stays, settled.

    An answer holds for its id, and a change also for signs of it that came later and moved its window.
    """
    newest: dict[str, tuple[Question, Settled]] = {}
    for answer, asked in answers:
        newest[answer.question] = asked, Settled(answer.word, answer.known_us, answer.plate, answer.by)
    said: list[Question] = []
    for question in found:
        pair = newest.get(question.id)
        if pair is None and question.kind == "probable-change":
            pair = next((pair for pair in newest.values() if question.same_change(pair[0])), None)
        if pair is None:
            said.append(question)
    said.extend(replace(asked, settled=settled) for asked, settled in newest.values())
    return sorted(said, key=lambda question: (question.raised_us, question.id))


def as_json(question: Question, zone: tzinfo) -> dict[str, Any]:
    """The question as the contract's JSON object, with what its text and stories say beside."""
    q = question
    settled = None
    if q.settled is not None:
        s = q.settled
        settled = {"word": s.word, "at": time_text(s.at_us, zone), "plate": s.plate, "by": s.by}
    return {
        "id": q.id,
        "kind": q.kind,
        "saw": q.saw,
        "spindle": q.spindle,
        "plate": q.plate,
        "from": time_text(q.from_us, zone),
        "to": time_text(q.to_us, zone),
        "evidence": list(q.evidence),
        "raised_at": time_text(q.raised_us, zone),
        "settled": settled,
        "text": q.text,
        "stories": list(q.stories),
        "rows": list(q.rows),
        "suggests": q.suggests,
        "wrote": list(q.wrote),
        "anchor": q.anchor,
    }


def from_json(told: dict[str, Any]) -> Question:
    """The question of its JSON, without its answer."""
    return Question(
        kind=told["kind"],
        saw=told["saw"],
        spindle=told["spindle"],
        plate=told["plate"],
        from_us=parse_text(told["from"]),
        to_us=parse_text(told["to"]),
        text=told["text"],
        stories=tuple(told["stories"]),
        evidence=tuple(told["evidence"]),
        raised_us=parse_text(told["raised_at"]),
        rows=tuple(told["rows"]),
        suggests=told.get("suggests"),
        wrote=tuple(told.get("wrote", ())),
        anchor=told.get("anchor"),
    )
