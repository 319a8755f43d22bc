"""Questions as people read them: what is asked, what speaks for it, both stories, and the command that answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from bladewatch.assess.question import Question
from bladewatch.config.tables import Config
from bladewatch.format import near_text, year_text
from bladewatch.screens.words import Line, caution, wrapped

INDENT: Final = " " * 10
_OPTIONS: Final = {"probable-change": " yes --plate NUMBER", "conflict": " no --plate NUMBER"}


def render(config: Config, questions: Sequence[Question], at_us: int, width: int, with_settled: bool) -> list[Line]:
    """The open questions, the newest last; the settled ones in a line each."""
    waiting = [question for question in questions if question.open]
    settled = [question for question in questions if not question.open]
    count = f"{len(waiting)} open" if waiting else "no open question"
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   {count}, {len(settled)} settled"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for question in waiting:
        lines.extend((*_open(config, question, at_us, width), Line("")))
    if settled and with_settled:
        lines.append(Line("Settled", "bold"))
        for question in settled:
            lines.extend(Line(text) for text in wrapped(_settled(config, question, at_us), width, "  "))
        lines.append(Line(""))
    elif settled:
        lines.extend((Line("The settled ones: bladewatch questions --settled"), Line("")))
    return [*lines, *caution(width)]


def _open(config: Config, q: Question, at_us: int, width: int) -> list[Line]:
    raised = near_text(q.raised_us, at_us, config.zone)
    head = f"{q.id}  {q.text}"
    lines = [Line(text, "bold") for text in wrapped(head, width, "")]
    lines.extend(Line(text) for item in q.evidence for text in wrapped(f"- {item}", width, INDENT))
    for name, story in zip(("either", "or"), q.stories, strict=False):
        lines.extend(Line(text) for text in wrapped(f"{name} {story}", width, INDENT))
    option = _OPTIONS.get(q.kind, " yes").replace("NUMBER", q.suggests or "NUMBER")
    command = f"answer: bladewatch questions answer {q.id}{option}"
    rest = "yes or unknown" if q.kind == "conflict" else "no or unknown"
    lines.extend(Line(text) for text in wrapped(f"{command}, or {rest} (asked since {raised})", width, INDENT))
    if q.kind == "probable-change":
        more = "--at TIME and --reason WHY say when it was and why the old one came off, where somebody knows"
        lines.extend(Line(text) for text in wrapped(more, width, INDENT))
    return lines


def _settled(config: Config, q: Question, at_us: int) -> str:
    assert q.settled is not None  # noqa: S101
    when = near_text(q.settled.at_us, at_us, config.zone)
    plate = f", plate {q.settled.plate}" if q.settled.plate else ""
    by = f" by {q.settled.by}" if q.settled.by else ""
    return f"{q.id}  {q.text} {q.settled.word}{plate} ({when}{by})"
