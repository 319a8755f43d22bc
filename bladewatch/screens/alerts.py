"""Alerts as people read them: since when, until when, what to do; and what a trial over the past would have called."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bladewatch.alerts import Raised, Score
from bladewatch.config.tables import Config
from bladewatch.format import near_text, some_text, year_text
from bladewatch.screens.words import STYLES, Line, caution, wrapped
from bladewatch.units import percent


def render(config: Config, alerts: Sequence[Raised], at_us: int, width: int) -> list[Line]:
    """What stands, then what has gone."""
    standing = [raised for raised in alerts if raised.returned_us is None]
    count = f"{some_text(len(standing), 'alert')} stand{'s' if len(standing) == 1 else ''}"
    head = f"{year_text(at_us, config.zone)}   {config.site.name}   {count if standing else 'no alert stands'}"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for raised in standing:
        lines.extend((*_one(config, raised, at_us, width), Line("")))
    gone = [raised for raised in alerts if raised.returned_us is not None]
    if gone:
        lines.append(Line("Gone since", "bold"))
        for raised in gone:
            lines.extend(_one(config, raised, at_us, width))
        lines.append(Line(""))
    return [*lines, *caution(width)]


def render_trial(
    config: Config, alerts: Sequence[Raised], score: Score, since_us: int, until_us: int, width: int
) -> list[Line]:
    """Every alert that would have been raised, and how often it would have been right."""
    span = f"{year_text(since_us, config.zone)} to {year_text(until_us, config.zone)}"
    head = f"{span}   {config.site.name}   {some_text(len(alerts), 'alert')} by the present rules"
    lines = [*(Line(text, "bold") for text in wrapped(head, width, "")), Line("")]
    for raised in alerts:
        lines.extend(_one(config, raised, until_us, width))
    if alerts:
        lines.append(Line(""))
    lines.extend(Line(text) for told in _scored(score) for text in wrapped(told, width, ""))
    return [*lines, Line(""), *caution(width)]


def _one(config: Config, raised: Raised, at_us: int, width: int) -> Iterator[Line]:
    alert = raised.alert
    since = near_text(alert.raised_us, at_us, config.zone)
    until = "" if raised.returned_us is None else f", gone {near_text(raised.returned_us, at_us, config.zone)}"
    first, *rest = wrapped(f"{alert.level:<8} {since}{until}   {alert.text}", width, "")
    yield Line(first, STYLES.get(alert.level, "bold") if raised.returned_us is None else "")
    yield from (Line(text) for line in [" ".join(rest)] if line for text in wrapped(line, width, " " * 9))


def _scored(score: Score) -> Iterator[str]:
    blades = f"{some_text(score.called, 'grind cycle')} called for a change"
    if not score.measured:
        yield f"{blades}; of none did the bench measure the wear afterwards, so nothing tells whether that was right."
    else:
        yield (
            f"{blades}. Of the {score.measured} that the bench measured afterwards, {score.right} were at "
            f"{percent(score.share)} of the limit or more."
        )
    yield (
        f"{some_text(score.missed, 'blade')} came off past the limit, or declared dull, without "
        f"that call before, of {score.ended} that came off worn."
    )
