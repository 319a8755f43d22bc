"""Commands that show: status, why, watch."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any


def status(config_path: Path | None, at: list[str], as_json: bool, queue: Path | None = None) -> None:
    """Answer for each moment asked, in the order asked."""
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        moments = [service.instant(text) for text in at] or [service.clock()]
        for place, review in enumerate(service.reviews(moments, queue)):
            if as_json:
                _print_json(service, review.at_us, review.assessments)
            else:
                if place:
                    print()
                _print_text(service, review)


def _print_json(service: Any, at_us: int, assessments: Any) -> None:
    import msgspec

    from bladewatch.alerts import as_json as alert_json
    from bladewatch.alerts import judge
    from bladewatch.assess.assessment import as_json
    from bladewatch.format import time_text

    alerts = judge(assessments, at_us, service.zone)
    answer = {
        "at": time_text(at_us, service.zone),
        "site": service.config.site.name,
        "saws": [as_json(assessment, service.zone) for assessment in assessments],
        "alerts": [alert_json(alert, service.zone) for alert in alerts],
    }
    sys.stdout.write(msgspec.json.encode(answer).decode() + "\n")
    sys.stdout.flush()


def _print_text(service: Any, review: Any) -> None:
    from bladewatch.alerts import judge
    from bladewatch.screens import paint
    from bladewatch.screens.status import render

    console = paint.console()
    alerts = judge(review.assessments, review.at_us, service.zone)
    paint.show(
        render(service.config, review.assessments, alerts, review.at_us, console.width, paint.is_plain()), console
    )


def why(config_path: Path | None, saw: str, spindle: str, at: list[str], as_json: bool) -> None:
    """From the answer back to its inputs, for each moment asked."""
    import msgspec

    from bladewatch.screens import paint
    from bladewatch.screens import why as screen
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        for at_us in [service.instant(text) for text in at] or [service.clock()]:
            reckoning = service.reckon(saw, spindle, at_us)
            if as_json:
                told = screen.as_json(reckoning, at_us, service.config.site.name, service.zone)
                print(msgspec.json.encode(told).decode(), flush=True)
            else:
                console = paint.console()
                paint.show(screen.render(service.config, reckoning, at_us, console.width), console)


def watch(config_path: Path | None, every_s: float, once: bool, at: str | None, as_json: bool) -> None:
    """The living screen until Ctrl-C or SIGTERM; one picture where stdout is no terminal, or as it was at a time."""
    import signal

    from bladewatch.screens import paint
    from bladewatch.screens.watch import render
    from bladewatch.service import Service
    from bladewatch.watching import Watch

    console = paint.console()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with Service.open(config_path) as service:
        if at is not None:
            at_us = service.instant(at)
            service.clock = lambda: at_us
        seen = Watch(service)
        once = once or at is not None or not (as_json or console.is_terminal)
        if as_json or once:
            _follow(seen, service, every_s, once, as_json)
            return
        from rich.live import Live

        with Live(console=console, screen=True, auto_refresh=False) as live:
            try:
                while True:
                    started = time.monotonic()
                    seen.look()
                    of = None if seen.whole else seen.spots
                    lines = render(
                        service.config, seen.assessments, seen.alerts(), seen.at_us, *console.size, paint.is_plain(), of
                    )
                    live.update(paint.painted(lines), refresh=True)
                    if seen.whole:
                        time.sleep(max(every_s - (time.monotonic() - started), 0.02))
            except KeyboardInterrupt:
                return


def _follow(seen: Any, service: Any, every_s: float, once: bool, as_json: bool) -> None:
    """Whole pictures, one after the other: JSON a line each, or a single one in words."""
    from bladewatch.screens import paint
    from bladewatch.screens.watch import render

    try:
        while True:
            seen.look(float("inf"))
            if as_json:
                _print_json(service, seen.at_us, seen.assessments)
            else:
                console = paint.console()
                alerts = seen.alerts()
                plain = paint.is_plain()
                paint.show(render(service.config, seen.assessments, alerts, seen.at_us, console.width, None, plain))
            if once:
                return
            time.sleep(every_s)
    except KeyboardInterrupt:
        return
    except BrokenPipeError:  # whoever read it has had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
