"""Where the marks of a plot go: numbers for the page's drawings, which are black on white."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Final, NamedTuple

from bladewatch.money import ZERO

HEIGHT: Final = 120.0
WIDTH: Final = 640.0
GAP: Final = 0.25
Money = Callable[..., str]


class Step(NamedTuple):
    """A step of a way: its name and how far it goes up or down."""

    name: str
    amount: Decimal


class Mark(NamedTuple):
    """A bar: where it stands, its words, whether it is an end of the way, and whether it goes down."""

    x: float
    y: float
    width: float
    height: float
    name: str
    text: str
    whole: bool
    down: bool

    @property
    def middle(self) -> float:
        """Where its words stand."""
        return self.x + self.width / 2


class Steps(NamedTuple):
    """The bars of a plot, and where its base is."""

    marks: tuple[Mark, ...]
    base: float
    width: float
    height: float


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
    return _drawn(spans, money)


def bars_of(values: Sequence[tuple[str, Decimal]], money: Money) -> Steps:
    """A bar a value."""
    return _drawn([(name, ZERO, value, True) for name, value in values], money)


def _drawn(spans: Sequence[tuple[str, Decimal, Decimal, bool]], money: Money) -> Steps:
    low = float(min((min(first, last) for _, first, last, _ in spans), default=ZERO))
    high = float(max((max(first, last) for _, first, last, _ in spans), default=ZERO))
    low, high = min(low, 0.0), max(high, 1e-9)
    scale, each = HEIGHT / (high - low), WIDTH / max(len(spans), 1)
    marks = []
    for place, (name, first, last, whole) in enumerate(spans):
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
    return Steps(tuple(marks), high * scale, WIDTH, HEIGHT)
