"""Lines onto a terminal: with colour where it may be, in ASCII where the terminal can show nothing else."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from bladewatch.screens.words import Line

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

ASCII: Final = str.maketrans(
    {
        "²": "2", "µ": "u", "\u00a0": " ", "…": "..", "×": "x", "Σ": "sum of ", "σ": "sigma", "κ": "kappa", "·": "*",
        "−": "-", "≥": ">=", "–": "-",
    }
)  # fmt: skip
"""For a terminal that can show nothing else; what is left over is shown as a question mark."""


def is_plain() -> bool:
    """Whether stdout takes ASCII only."""
    stream = sys.__stdout__  # a living screen stands in for sys.stdout and tells no encoding
    encoding = "" if stream is None else stream.encoding
    return encoding.lower().replace("-", "") not in ("utf8", "utf16")


def console() -> Console:
    """The terminal; ``NO_COLOR`` and ``TERM=dumb`` are honoured."""
    from rich.console import Console

    return Console(highlight=False, markup=False, soft_wrap=True)


def painted(lines: Sequence[Line]) -> Text:
    """Lines as one text."""
    from rich.text import Text

    plain = is_plain()
    text = Text(no_wrap=True, end="")
    for place, line in enumerate(lines):
        if place:
            text.append("\n")
        text.append(_ascii(line.text) if plain else line.text, line.style)
    return text


def _ascii(text: str) -> str:
    return text.translate(ASCII).encode("ascii", "replace").decode()


def show(lines: Sequence[Line], where: Console | None = None) -> None:
    """Print lines once."""
    (where or console()).print(painted(lines))
