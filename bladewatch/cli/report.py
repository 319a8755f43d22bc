"""The reports' commands: the month's tooling spend."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bladewatch.cli.moments import answer_each
from bladewatch.cli.options import AtTimes, JsonFlag

report_app = typer.Typer(no_args_is_help=True, help="What blades cost: the month's tooling spend.")


def register(app: typer.Typer) -> None:
    """Hang the commands into the program."""
    app.add_typer(report_app, name="report")


@report_app.command("spend")
def spend(
    context: typer.Context,
    month: Annotated[str | None, typer.Option("--month", help="A month like 2026-05; else the running one.")] = None,
    save: Annotated[
        Path | None,
        typer.Option(
            "--save", help="Write it to a file: .html to print, .xlsx with the rows behind it, .csv the rows."
        ),
    ] = None,
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """What blades cost in a month, what they were worth, and why it was more or less than planned.

    Example: bladewatch report spend --month 2026-05 --save may.html
    """
    if save is not None:
        _save(context.obj, month, at or [], save)
        return
    from bladewatch.screens.spend import render
    from bladewatch.service import Service
    from bladewatch.spending.answer import as_json as told
    from bladewatch.spending.month import Month

    def ask(shop: Service, at_us: int) -> list[Month]:
        return [shop.spend(month, at_us)]

    answer_each(context.obj, at or [], as_json, ask, lambda one, shop: told(one, shop.zone), render, single=True)


def _save(config_path: Path | None, month: str | None, at: list[str], path: Path) -> None:
    from bladewatch.errors import UsageError
    from bladewatch.papers.saving import SUFFIXES, save_month
    from bladewatch.service import Service

    if path.suffix not in SUFFIXES:
        raise UsageError(f"--save {path}: expected a name that ends in {', '.join(SUFFIXES)}")
    if len(at) > 1:
        raise UsageError("--save: expected one --at at most")
    with Service.open(config_path) as service:
        at_us = service.instant(at[0]) if at else service.clock()
        for file in save_month(service.config, service.spend(month, at_us), path, at_us):
            print(file, flush=True)
