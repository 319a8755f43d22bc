"""The alerts' commands: what stands and has gone, and what the present rules would have called in the past."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bladewatch.cli.moments import answer_each
from bladewatch.cli.options import AtTimes, JsonFlag

if TYPE_CHECKING:
    from bladewatch.alerts import Raised
    from bladewatch.service import Service

alert_app = typer.Typer(no_args_is_help=True, help="What calls for somebody, and what would have called.")
TRIED_DAYS = 28


def register(app: typer.Typer) -> None:
    """Hang the commands into the program."""
    app.add_typer(alert_app, name="alert")


@alert_app.command("list")
def list_alerts(
    context: typer.Context,
    at: AtTimes = None,
    since: Annotated[
        str | None, typer.Option("--since", help="Show what has gone since this time; else of seven days.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """What stands now, the most pressing first, then what blades called for in the last days and has gone.

    Example: bladewatch alert list
    """
    from bladewatch.alerts import raised_json
    from bladewatch.errors import UsageError
    from bladewatch.recalling import alerts_at
    from bladewatch.screens.alerts import render

    def ask(shop: Service, at_us: int) -> list[Raised]:
        since_us = None if since is None else shop.instant(since, "--since")
        if since_us is not None and since_us >= at_us:
            raise UsageError(f"--since {since}: expected a time before the moment that is asked about")
        return alerts_at(shop, at_us, since_us)

    answer_each(context.obj, at or [], as_json, ask, lambda one, shop: raised_json(one, shop.zone), render)


@alert_app.command("follow")
def follow_alerts(context: typer.Context) -> None:
    """Look at the blades until SIGTERM or Ctrl-C, say new alerts, keep forecasts. Where a collector does so, needless.

    Example: bladewatch --config desk/bladewatch.toml alert follow
    """
    from bladewatch.looking import follow
    from bladewatch.service import Service

    with Service.open(context.obj) as service:
        follow(
            service,
            say=lambda text: print(text, flush=True),
            trouble=lambda text: print(text, file=sys.stderr, flush=True),
        )


@alert_app.command("try")
def try_rules(
    context: typer.Context,
    since: Annotated[str | None, typer.Option("--since", help="From when on; else four weeks back.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="To when; else now.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Replay the present rules over stored history as if it had come live: each alert, and how often it was right.

    Each saw is judged at the end of every hour in which it cut. Half a year of four saws takes some minutes.

    Example: bladewatch alert try --since 2026-03-01 --until 2026-04-01
    """
    _try(context.obj, since, until, as_json)


def _try(config_path: Path | None, since: str | None, until: str | None, as_json: bool) -> None:
    import msgspec

    from bladewatch.alerts import raised_json
    from bladewatch.errors import UsageError
    from bladewatch.screens import paint
    from bladewatch.screens.alerts import render_trial
    from bladewatch.service import Service
    from bladewatch.trying import score, try_alerts
    from collectors.instants import DAY_US

    def progress(done: int, of: int) -> None:
        if sys.stderr.isatty():
            print(f"\rjudged {done} of {of} parts", end="" if done < of else "\n", file=sys.stderr, flush=True)

    with Service.open(config_path) as service:
        until_us = service.clock() if until is None else service.instant(until, "--until")
        since_us = until_us - TRIED_DAYS * DAY_US if since is None else service.instant(since, "--since")
        if since_us >= until_us:
            raise UsageError(f"--since {since} --until {until or 'now'}: expected the first before the second")
        found = try_alerts(service, since_us, until_us, progress)
        if as_json:
            print(msgspec.json.encode([raised_json(raised, service.zone) for raised in found]).decode(), flush=True)
            return
        turned_out = score(service, found, since_us, until_us)
        console = paint.console()
        paint.show(render_trial(service.config, found, turned_out, since_us, until_us, console.width), console)
