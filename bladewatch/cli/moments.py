"""An answer for each moment asked, in the order asked: a line of JSON, or a screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bladewatch.config.tables import Config
    from bladewatch.screens.words import Line
    from bladewatch.service import Service


def answer_each(
    config_path: Path | None,
    at: Sequence[str],
    as_json: bool,
    ask: Callable[[Service, int], Sequence[Any]],
    told: Callable[[Any, Service], Any],
    render: Callable[[Config, Any, int, int], Sequence[Line]],
    single: bool = False,
) -> None:
    """Ask at each moment, now where none is given.

    ``told`` makes one item of an answer JSON, ``render`` the whole answer the lines of a screen of a width. An answer
    that is a ``single`` item is no list in JSON.
    """
    import msgspec

    from bladewatch.screens import paint
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        for at_us in [service.instant(text) for text in at] or [service.clock()]:
            answer = ask(service, at_us)
            if as_json:
                items = [told(item, service) for item in answer]
                print(msgspec.json.encode(items[0] if single else items).decode(), flush=True)
            else:
                console = paint.console()
                paint.show(render(service.config, answer, at_us, console.width), console)
