"""The living screen: one block a saw, the one that needs somebody first, as much detail as the terminal has room for.

On a wide terminal a saw is one line under named columns; on a narrow one it is a few short lines. Where the height does
not suffice, the saws that need nobody give up their detail first. Colour only repeats what the words say.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from bladewatch.alerts import Alert
from bladewatch.assess.assessment import Assessment
from bladewatch.config.tables import Config
from bladewatch.format import count_text, day_text, near_text
from bladewatch.screens.condition import condition_cell, condition_text
from bladewatch.screens.ruler import ruler
from bladewatch.screens.words import (
    CALLING,
    STYLES,
    Line,
    age_note,
    caution,
    coverage_marks,
    in_order,
    left_text,
    name_text,
    needs_text,
    seen_text,
    spare_text,
    style_of,
    told_reasons,
    verdict_text,
    wrapped,
)
from collectors.instants import HOUR_US

WIDE: Final = 199
"""From this width on a saw is one line of columns."""
INDENT: Final = " " * 6
PLANNED_US: Final = 36 * HOUR_US
FULL, BRIEF, BARE = 2, 1, 0
LOW: Final = 16
"""A terminal of so many lines has no room for alerts and long cautions beside the saws."""
_COLUMNS: Final = (
    ("saw", 5), ("blade", 8), ("what to do", 36), ("sharp to limit", 27), ("used", 17), ("cuts left", 22),
    ("due", 34), ("edge", 6), ("idle", 10), ("vibration", 12), ("mist", 16), ("heard", 6),
)  # fmt: skip


def render(
    config: Config,
    assessments: Sequence[Assessment],
    alerts: Sequence[Alert],
    at_us: int,
    width: int,
    height: int | None = None,
    plain: bool = False,
    of: int | None = None,
) -> list[Line]:
    """The screen as lines of at most ``width`` characters; at most ``height`` of them where that is given.

    ``of`` is how many spindles there are, while not all have been looked at.
    """
    ordered = in_order(assessments)
    head = [*_head(config, ordered, at_us, width, of), Line("")]
    if width >= WIDE:
        head.append(Line("".join(f"{name:<{wide}}" for name, wide in _COLUMNS).rstrip(), "bold"))
    foot = age_note(ordered, at_us, config, width) if height is None or height > LOW else []
    if height is None or height > LOW:  # on a low terminal the saws' own lines say it
        foot = [*_alerts(alerts, width, None if height is None else max(height // 4, 3)), *foot]
    foot.extend(caution(width, short=height is not None and height <= LOW))
    room = None if height is None else max(height - len(head) - len(foot) - 1, 1)
    saws = _saws(config, ordered, at_us, width, room, plain)
    while saws and not saws[-1].text:
        saws.pop()
    return [Line(line.text[:width].rstrip(), line.style) for line in [*head, *saws, Line(""), *foot][:height]]


def _head(config: Config, ordered: Sequence[Assessment], at_us: int, width: int, of: int | None) -> list[Line]:
    heard = max((a.last_message_us for a in ordered if a.last_message_us is not None), default=None)
    until = "no data yet" if heard is None else f"data until {near_text(heard, at_us, config.zone)}"
    seen = needs_text(ordered) if of is None else f"looking: {len(ordered)} of {of} spindles"
    text = f"{day_text(at_us, config.zone)}  {config.site.name}  {seen}  {until}"
    return [Line(part, "bold") for part in ([text] if len(text) <= width else wrapped(text, width, ""))]


def _alerts(alerts: Sequence[Alert], width: int, room: int | None) -> list[Line]:
    """The alerts, action first, each in a line where the room is short."""
    if not alerts:
        return []
    texts = [wrapped(f"{alert.level}: {alert.text}", width, "  ") for alert in alerts]
    lines = [line for text in texts for line in text]
    if room is not None and len(lines) > room:
        lines = [_first_sentences(f"  {alert.level}: {alert.text}", width) for alert in alerts]
        if len(lines) > room:
            lines = [*lines[: room - 1], f"  and {len(lines) - room + 1} more: bladewatch status"]
    styles = [STYLES["act"] if line.lstrip().startswith(("act:", "change:")) else "" for line in lines]
    return [Line("Alerts", "bold"), *(Line(line, style) for line, style in zip(lines, styles, strict=True)), Line("")]


def _first_sentences(text: str, width: int) -> str:
    """As many whole sentences as a line holds, at least the first one's start."""
    if len(text) <= width:
        return text
    cut = text[:width].rfind(". ")
    return text[: cut + 1] if cut > 0 else text[: width - 3] + "…"


def _saws(
    config: Config, ordered: Sequence[Assessment], at_us: int, width: int, room: int | None, plain: bool
) -> list[Line]:
    """The saws in their order, with as much detail as fits.

    Those that need nobody give it up first, the last ones before the others; what still does not fit is counted.
    """
    draw = _wide if width >= WIDE else _narrow
    shown = ordered if room is None else ordered[: room + 1]
    blocks = [draw(config, a, at_us, width, FULL, plain) for a in shown]
    length = sum(map(len, blocks))
    if room is not None:
        for needing, detail in ((False, BRIEF), (False, BARE), (True, BRIEF), (True, BARE)):
            for place in range(len(blocks) - 1, -1, -1):
                if length <= room:
                    break
                if (shown[place].verdict in CALLING) == needing:
                    length -= len(blocks[place])
                    blocks[place] = draw(config, shown[place], at_us, width, detail, plain)
                    length += len(blocks[place])
        if length > room or len(shown) < len(ordered):
            return _counted(ordered, blocks, room)
    return [line for block in blocks for line in block]


def _counted(ordered: Sequence[Assessment], blocks: Sequence[list[Line]], room: int) -> list[Line]:
    """As many saws as fit, and what the others are in words."""
    shown = 0
    lines: list[Line] = []
    for block in blocks:
        if len(lines) + len(block) > room - 1:
            break
        lines.extend(block)
        shown += 1
    words: dict[str, int] = {}
    for a in ordered[shown:]:
        word = "not seen" if a.seen == "blind" else "cannot be told" if a.verdict == "cannot-tell" else a.verdict
        words[word] = words.get(word, 0) + 1
    rest = ", ".join(f"{count} blade: {word}" if word == "good" else f"{count} {word}" for word, count in words.items())
    return [*lines, Line(f"{INDENT}and {len(ordered) - shown} more: {rest}")]


def _narrow(config: Config, a: Assessment, at_us: int, width: int, detail: int, plain: bool) -> list[Line]:
    style = style_of(a)
    head = f"{name_text(a):<5} {a.plate or '-':<9} {verdict_text(a, at_us, config)}"
    heard = f"heard {_age(a, at_us)} ago" if a.seen == "live" else seen_text(a, at_us, config)
    left = "" if a.seen == "blind" else left_text(a, config).replace(" cuts left,", " cuts,")
    if detail == BARE:
        return [Line(_both(head, left or heard, width, bare=True)[0], style)]
    lines = [Line(text, style) for text in _both(head, heard, width)]
    if a.plate is not None:
        line = "  ".join(part for part in (_drawn(a, 28, plain), _share(a), left) if part)
        lines.extend(Line(text) for text in _filled([line] if len(line) + 6 <= width else line.split("  "), width))
    if detail == BRIEF:
        return lines
    due = _due(a, at_us, config)
    items = [f"due {due}" if due else ""]
    if a.seen != "blind":
        items.append(f"edge {a.edge_index.estimate:.2f}" if a.edge_index is not None else "")
        names = {"idle": "warm idle", "vibration": "vibration", "mist": "mist"}
        items.extend(f"{names[c.name]} {condition_cell(c, at_us, config.zone)}" for c in a.conditions)
    lines.extend(Line(text) for text in _filled([item for item in items if item], width))
    lines.extend(Line(text) for text in wrapped("; ".join(_why(config, a, at_us)), width, INDENT))
    return [*lines, Line("")]


def _wide(config: Config, a: Assessment, at_us: int, width: int, detail: int, plain: bool) -> list[Line]:
    blind = a.seen == "blind"
    cuts = "" if blind else count_text(a.remaining_cuts, "").replace(" ,", ",").strip()
    edge = f"{a.edge_index.estimate:.2f}" if a.edge_index is not None else "?"
    cells = (
        name_text(a), a.plate or "-", verdict_text(a, at_us, config), _drawn(a, 26, plain),
        _share(a).partition(" (")[0] if blind else _share(a), cuts,
        _due(a, at_us, config), "" if blind else edge,
        *("" if blind else condition_cell(c, at_us, config.zone) for c in a.conditions),
        {"live": _age(a, at_us), "blind": "unseen"}.get(a.seen, a.seen),
    )  # fmt: skip
    text = ""
    for cell, (_, wide) in zip(cells, _COLUMNS, strict=False):
        text += f"{cell:<{wide}}" if len(cell) < wide else f"{cell} "
    lines = [Line(text.rstrip()[:width], style_of(a))]
    why = _why(config, a, at_us)
    if a.seen != "live":
        why.insert(0, seen_text(a, at_us, config))
    if detail == FULL and why:
        lines.extend(Line(part) for part in wrapped("; ".join(why), width, INDENT))
    return lines


def _share(a: Assessment) -> str:
    """How much of the limit is used, with its range; what was known last where the saw is not seen."""
    used = a.used_share
    if used is None:
        return ""
    text = f"{100 * used.estimate:.0f} %"
    if used.low < used.high:
        text += f" ({100 * used.low:.0f} to {100 * used.high:.0f})"
    return f"last {text}" if a.seen == "blind" else text


def _due(a: Assessment, at_us: int, config: Config) -> str:
    """When the limit is met, and from when on it may be; nothing for a saw that is not seen."""
    if a.due is None or a.seen == "blind":
        return ""
    when, earliest = (_near(us, at_us, config.zone) for us in (a.due.estimate_us, a.due.at_least_us))
    if a.due.low_us == a.due.high_us or a.due.at_least_us >= a.due.estimate_us:
        return when
    today = "today " if " " not in earliest and " " in when else ""
    return f"{when}, earliest {today}{earliest}"


def _near(us: int, at_us: int, zone: tzinfo) -> str:
    """An instant in few letters: weekday and clock where people plan by the hour, only the day further off."""
    text = near_text(us, at_us, zone)
    if us > at_us + PLANNED_US or " " not in text:
        return text.rpartition(" ")[0] or text
    weekday, *_, clock = text.split(" ")
    return f"{weekday} {clock}"


def _age(a: Assessment, at_us: int) -> str:
    """How long ago the last message came."""
    seconds = max(at_us - (a.last_message_us or at_us), 0) // 1_000_000
    return f"{seconds} s" if seconds < 100 else f"{seconds // 60} min"


def _drawn(a: Assessment, width: int, plain: bool) -> str:
    """The ruler; a saw that is not seen has no mark on it."""
    return "" if a.plate is None else ruler(a.used_share if a.seen != "blind" else None, width, plain)


def _why(config: Config, a: Assessment, at_us: int) -> list[str]:
    """What the numbers rest on; all reasons where somebody is called or something is in doubt."""
    told = [condition_text(c, at_us, config.zone) for c in a.conditions if c.level in ("alert", "act")]
    told.extend(spare_text(a))
    doubts = ("record", "by the site", "from ", "Was ", "revised", "hazard")
    told.extend(reason for reason in told_reasons(a) if a.verdict != "good" or reason.startswith(doubts))
    return [*told, *coverage_marks(a)]


def _both(left: str, right: str, width: int, bare: bool = False) -> list[str]:
    """Two texts at the two ends of a line, or under each other; with ``bare`` the right one is left out instead."""
    room = width - len(left) - 2
    if right and len(right) <= room:
        return [f"{left}  {right:>{room}}"]
    lines = [left] if len(left) <= width else wrapped(left, width, "")
    return lines if bare or not right else [*lines, *wrapped(right, width, INDENT)]


def _filled(items: Sequence[str], width: int) -> list[str]:
    """Items side by side, in as few lines as they need."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 3 + len(item) <= width:
            lines[-1] += f"   {item}"
        else:
            lines.append(f"{INDENT}{item}"[:width])
    return lines
