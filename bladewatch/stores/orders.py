"""Strokes of an hour by order, part, alloy and kind: sums that can be joined, whatever speed a saw is rated at."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from bladewatch.stores.protocols import OrderSum
from collectors.facts import Stroke


class OrderHour(NamedTuple):
    """As ``OrderSum``, with the strokes apart that tell a feed and no speed.

    ``turns`` and ``turn_areas`` are of those that tell their speed; ``per_feed`` [s/mm] and ``per_feed_areas`` are one
    over the feed of the others, and that times the area: the rated speed times them joins the former.
    """

    order: str | None
    part: str | None
    alloy: str | None
    kind: str | None
    strokes: int = 0
    with_area: int = 0
    area_cmm2: int = 0
    with_length: int = 0
    lengths: float = 0.0
    length_areas: float = 0.0
    fed: int = 0
    turns: float = 0.0
    turn_areas: float = 0.0
    per_feed: float = 0.0
    per_feed_areas: float = 0.0


_NONE: Final = OrderHour(None, None, None, None)[4:]


def order_hours(strokes: Iterable[Stroke]) -> list[OrderHour]:
    """The sums of strokes, in no order."""
    groups: dict[tuple[str | None, ...], list[float]] = {}
    for one in strokes:
        sums = groups.setdefault((one.order, one.part, one.alloy, one.kind), list(_NONE))
        area = one.area_cmm2
        sums[0] += 1
        if area is not None:
            sums[1] += 1
            sums[2] += area
        if one.length_mm is not None:
            sums[3] += 1
            sums[4 if area is None else 5] += one.length_mm * (1 if area is None else area)
        if one.feed_mm_s is not None and one.feed_mm_s > 0:
            sums[6] += 1
            rpm = one.spindle_rpm
            turn = (1.0 if rpm is None else rpm) / one.feed_mm_s
            sums[(7 if area is None else 8) + (0 if rpm is not None else 2)] += turn * (1 if area is None else area)
    return [OrderHour(*key, *sums) for key, sums in groups.items()]  # type: ignore[arg-type]


def order_sums(hours: Iterable[OrderHour], rated_rpm: float | None) -> list[OrderSum]:
    """The sums of several hours together, ordered; a stroke without a speed has none where no rated one is known."""
    groups: dict[tuple[str | None, ...], list[float]] = {}
    for hour in hours:
        sums = groups.setdefault(hour[:4], [0] * 11)
        for place, value in enumerate(hour[4:]):
            sums[place] += value
    ordered = sorted(groups.items(), key=lambda pair: [(name is not None, name or "") for name in pair[0]])
    return [OrderSum._make((*key, *_at(rated_rpm or 0.0, sums))) for key, sums in ordered]


def _at(rated_rpm: float, sums: list[float]) -> list[float]:
    return [*sums[:7], sums[7] + rated_rpm * sums[9], sums[8] + rated_rpm * sums[10]]
