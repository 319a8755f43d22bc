"""A month beside finance's account: what agrees, what differs, what either side lacks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any, Final

from bladewatch.config.tables import Config
from bladewatch.format import some_text
from bladewatch.money import ZERO, money_text
from bladewatch.screens.words import Line, wrapped
from bladewatch.spending.account import Beside, Match

NAME: Final = 26


def match_json(match: Match) -> dict[str, Any]:
    """The answer as JSON, money as text."""
    return {
        "ours": str(match.ours),
        "theirs": str(match.theirs),
        "agree": len(match.agree),
        "differ": [_row(one) for one in match.differ],
        "only_ours": [_row(one) for one in match.only_ours],
        "only_theirs": [_row(one) for one in match.only_theirs],
        "no_document": [{"row": line.row, "amount": str(line.amount)} for line in match.nameless],
    }


def _row(one: Beside) -> dict[str, Any]:
    ours, theirs = (None if amount is None else str(amount) for amount in (one.ours, one.theirs))
    return {"document": one.document, "ours": ours, "theirs": theirs, "month": one.month}


def render_match(config: Config, matches: Sequence[Match], _at_us: int, width: int) -> list[Line]:
    """The page."""
    return [line for match in matches for line in _page(config, match, width)]


def _page(config: Config, match: Match, width: int) -> Iterator[Line]:
    def money(amount: Decimal) -> str:
        return money_text(amount, config.site.decimal)

    off = match.ours - match.theirs
    head = f"Ours {money(match.ours)}, the account's {money(match.theirs)} {config.site.currency}: "
    head += "they agree." if not off else f"{money(abs(off))} {'more' if off > 0 else 'less'} here."
    yield from (Line(line, "bold") for line in wrapped(head, width, ""))
    yield Line(f"{some_text(len(match.agree), 'document')} agree to the cent.")
    for title, rows in (
        ("Differ", match.differ),
        ("The account lacks", match.only_ours),
        ("We lack", match.only_theirs),
    ):
        if rows:
            yield Line("")
            yield Line(f"{title:<{NAME}}{'ours':>14}{'account':>14}{'difference':>14}", "bold")
        for one in rows:
            ours, theirs = one.ours or ZERO, one.theirs or ZERO
            cells = "".join(f"{money(amount):>14}" for amount in (ours, theirs, ours - theirs))
            yield Line(f"  {(one.document or 'no document')[: NAME - 3]:<{NAME - 2}}{cells}")
            if one.month is not None:
                yield Line(f"    ours is of {one.month}")
    if match.nameless:
        yield Line("")
        total = sum((line.amount for line in match.nameless), ZERO)
        text = f"{some_text(len(match.nameless), 'line')} of ours without a document: {money(total)}"
        yield from (Line(line) for line in wrapped(text, width, ""))
