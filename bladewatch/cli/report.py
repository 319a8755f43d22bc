"""The reports' commands: the month's tooling spend."""

from __future__ import annotations

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
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """What blades cost in a month, what they were worth, and why it was more or less than planned.

    Example: bladewatch report spend --month 2026-05
    """
    from bladewatch.screens.spend import render
    from bladewatch.service import Service
    from bladewatch.spending.answer import as_json as told
    from bladewatch.spending.month import Month

    def ask(shop: Service, at_us: int) -> list[Month]:
        return [shop.spend(month, at_us)]

    answer_each(context.obj, at or [], as_json, ask, lambda one, shop: told(one, shop.zone), render, single=True)
