"""Where the demo shows itself: a living screen on a terminal, a line an hour elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from bladewatch.contact import hour_of
from bladewatch.format import clock_text
from bladewatch.screens import paint, watch
from bladewatch.screens.words import in_order, name_text, verdict_text, wrapped
from bladewatch.service import Service
from bladewatch.watching import Watch

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live

ABOVE: Final = 2
"""Lines left free above the living screen."""
LEAST_ROWS: Final = 12


@contextmanager
def busy(console: Console, what: str) -> Iterator[None]:
    """Progress of what takes a while."""
    if console.is_terminal:
        with console.status(f"{what} .."):
            yield
    else:
        console.print(f"{what} ..")
        yield


def tell(console: Console, text: str) -> None:
    """Print a paragraph, wrapped to the terminal."""
    for line in wrapped(text, console.width, ""):
        console.print(line)


class Stage:
    """The screen of a day; each ``draw`` looks and shows. ``said`` are the alerts as the collector raised them."""

    def __init__(self, service: Service, console: Console, said: list[str]) -> None:
        self._service = service
        self._console = console
        self._said = said
        self._told = 0
        self._hour = -1
        self._seen = Watch(service)
        self._live = _live(console) if console.is_terminal else None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()

    def draw(self) -> None:
        """Look at every saw, and show."""
        self._seen.look(float("inf"))
        if self._live is not None:
            self._draw(self._live)
        else:
            self._report()

    def _draw(self, live: Live) -> None:
        seen, service = self._seen, self._service
        width, height = self._console.size
        rows = max(height - ABOVE, LEAST_ROWS)
        plain = paint.is_plain()
        lines = watch.render(service.config, seen.assessments, seen.alerts(), seen.at_us, width, rows, plain)
        live.update(paint.painted(lines), refresh=True)

    def _report(self) -> None:
        seen, zone = self._seen, self._service.zone
        clock = clock_text(seen.at_us, zone)
        for text in self._said[self._told :]:
            tell(self._console, f"{clock}  {text}")
        self._told = len(self._said)
        hour = hour_of(seen.at_us)
        if hour != self._hour:
            self._hour = hour
            config = self._service.config
            words = [f"{name_text(a)} {verdict_text(a, seen.at_us, config)}" for a in in_order(seen.assessments)]
            tell(self._console, f"{clock}  {'; '.join(words)}")


def _live(console: Console) -> Live:
    from rich.live import Live

    return Live(console=console, auto_refresh=False, vertical_overflow="crop")
