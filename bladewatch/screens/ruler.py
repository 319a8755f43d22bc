"""A blade's life as a ruler from sharp to limit: where the edge stands, and how sure that is.

The thick stretch is where the edge may be, the dot where it most likely is. A wide stretch looks as unsure as it
is. Where nothing can be told the ruler is empty and carries a question mark.
"""

from __future__ import annotations

from models.forecast import Quantity

PLAIN = str.maketrans({"├": "|", "┤": "|", "─": "-", "━": "=", "●": "O"})
BEYOND = 1.2
"""The ruler reaches a fifth past the limit."""


def ruler(share: Quantity | None, width: int = 30, plain: bool = False) -> str:
    """The ruler over ``width`` characters; ``plain`` draws it in ASCII.

    >>> ruler(Quantity(0.5, 0.4, 0.65, 0.42), 25)
    '├───────━━●━━━──────┤───┤'
    >>> ruler(None, 25)
    '├ ? ────────────────┤───┤'
    """
    inner = width - 2
    limit = round(inner / BEYOND)
    cells = ["─"] * inner
    if share is not None:
        low, middle, high = (
            min(inner - 1, max(0, int(v / BEYOND * inner))) for v in (share.low, share.estimate, share.high)
        )
        for place in range(low, high + 1):
            cells[place] = "━"
        cells[limit] = "┤"
        cells[middle] = "●"
    else:
        cells[0:3] = [" ", "?", " "]
        cells[limit] = "┤"
    text = "├" + "".join(cells) + "┤"
    return text.translate(PLAIN) if plain else text
