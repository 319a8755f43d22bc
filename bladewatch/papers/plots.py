"""Where the marks of a plot go: numbers for the page's drawings, which are black on white."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.money import ZERO

WIDTH: Final = 640.0
GAP: Final = 0.25
STEP_HEIGHT: Final = 100.0
BAR_HEIGHT: Final = 56.0
LEAST_STEPS: Final = 0.45
"""Steps take so much of the height at least: the bars of the sums begin above nought then, and say so."""
Money = Callable[..., str]


class Step(NamedTuple):
    """A step of a way: its name and how far it goes up or down."""

    name: str
    amount: Decimal


class Mark(NamedTuple):
    """A bar: where it stands, its words, whether it is an end of the way or goes down; ``note`` stands below."""

    x: float
    y: float
    width: float
    height: float
    name: str
    text: str
    whole: bool
    down: bool
    note: str = ""

    @property
    def middle(self) -> float:
        """Where its words stand."""
        return self.x + self.width / 2


class Steps(NamedTuple):
    """The bars of a plot, where its base is, and from what sum on the bars of whole sums are drawn."""

    marks: tuple[Mark, ...]
    base: float
    width: float
    height: float
    begins: str | None = None

    @property
    def noted(self) -> bool:
        """Whether notes stand below."""
        return any(mark.note for mark in self.marks)


def steps_of(begin_name: str, begin: Decimal | None, steps: Sequence[Step], end: Decimal, money: Money) -> Steps:
    """A way from one sum to another, a bar a step that hangs between what was before it and what is after it."""
    start = end - sum((step.amount for step in steps), ZERO) if begin is None else begin
    spans: list[tuple[str, Decimal, Decimal, bool]] = []
    if begin is not None:
        spans.append((begin_name, ZERO, begin, True))
    reached = start
    for step in steps:
        spans.append((step.name, reached, reached + step.amount, False))
        reached += step.amount
    spans.append(("spent", ZERO, end, True))
    ends = [reached for _, first, last, whole in spans for reached in ((last,) if whole else (first, last))]
    low, high = min(ends), max(ends)
    floor = ZERO
    if low > 0 and (high - low) < Decimal(repr(LEAST_STEPS)) * high:
        floor = max(low - (high - low), ZERO).quantize(Decimal(1).scaleb(max(low.adjusted() - 1, 0)))
        floor = floor if floor < low else ZERO
    return _drawn(spans, money, STEP_HEIGHT, len(spans), floor)


def bars_of(values: Sequence[tuple[str, Decimal, str]], money: Money, places: int) -> Steps:
    """A bar a value with a note, each as wide as if there were so many."""
    drawn = _drawn([(name, ZERO, value, True) for name, value, _ in values], money, BAR_HEIGHT, places, ZERO)
    marks = zip(drawn.marks, values, strict=True)
    return drawn._replace(marks=tuple(mark._replace(note=note) for mark, (_, _, note) in marks))


def _drawn(
    spans: Sequence[tuple[str, Decimal, Decimal, bool]], money: Money, height: float, places: int, floor: Decimal
) -> Steps:  # fmt: skip
    drawn = [(name, max(first, floor) if whole else first, last, whole) for name, first, last, whole in spans]
    low = float(min((min(first, last) for _, first, last, _ in drawn), default=ZERO))
    high = float(max((max(first, last) for _, first, last, _ in drawn), default=ZERO))
    low = float(floor) if floor else min(low, 0.0)
    high = max(high, low + 1e-9)
    scale, each = height / (high - low), WIDTH / max(places, len(spans), 1)
    marks = []
    for place, (name, first, last, whole) in enumerate(drawn):
        top, bottom = float(max(first, last)), float(min(first, last))
        text = money(last) if whole else money(last - first, sign=True)
        marks.append(
            Mark(
                x=each * (place + GAP / 2),
                y=(high - top) * scale,
                width=each * (1 - GAP),
                height=max((top - bottom) * scale, 0.6),
                name=name,
                text=text,
                whole=whole,
                down=last < first,
            )
        )
    base = (high - (float(floor) if floor else 0.0)) * scale
    return Steps(tuple(marks), base, WIDTH, height, money(floor) if floor else None)
