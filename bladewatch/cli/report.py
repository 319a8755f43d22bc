"""The reports' commands: the month's tooling spend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bladewatch.cli.moments import answer_each
from bladewatch.cli.options import AtTimes, JsonFlag

if TYPE_CHECKING:
    from bladewatch.service import Service
    from bladewatch.spending.account import Match

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
    account: Annotated[
        Path | None,
        typer.Option("--account", help="Hold it against finance's account: a CSV with the columns document, amount."),
    ] = None,
    journal: Annotated[
        Path | None,
        typer.Option("--journal", help="Write journal lines for finance, by account and cost centre (CSV)."),
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
    if journal is not None:
        _journal(context.obj, month, at or [], journal)
        return
    if account is not None:
        _account(context.obj, month, at or [], account, as_json)
        return
    from bladewatch.reporting import spend as told_spend
    from bladewatch.screens.spend import render
    from bladewatch.spending.answer import as_json as told
    from bladewatch.spending.month import Month

    def ask(shop: Service, at_us: int) -> list[Month]:
        return [told_spend(shop, month, at_us)]

    answer_each(context.obj, at or [], as_json, ask, lambda one, shop: told(one, shop.zone), render, single=True)


def _save(config_path: Path | None, month: str | None, at: list[str], path: Path) -> None:
    from bladewatch.errors import UsageError
    from bladewatch.papers.saving import SUFFIXES, save_month
    from bladewatch.reporting import spend as told_spend
    from bladewatch.service import Service

    if path.suffix not in SUFFIXES:
        raise UsageError(f"--save {path}: expected a name that ends in {', '.join(SUFFIXES)}")
    with Service.open(config_path) as service:
        at_us = _instant(service, at)
        for file in save_month(service.config, told_spend(service, month, at_us), path, at_us):
            print(file, flush=True)


def _journal(config_path: Path | None, month: str | None, at: list[str], path: Path) -> None:
    from bladewatch.papers.saving import save_journal
    from bladewatch.reporting import spend as told_spend
    from bladewatch.service import Service
    from bladewatch.spending.account import journal

    with Service.open(config_path) as service:
        told = told_spend(service, month, _instant(service, at))
        save_journal(service.config, told, journal(service.config, told), path)
        print(path, flush=True)


def _account(config_path: Path | None, month: str | None, at: list[str], path: Path, as_json: bool) -> None:
    from bladewatch.reporting import beside_account
    from bladewatch.screens.account import match_json, render_match

    def ask(shop: Service, at_us: int) -> list[Match]:
        return [beside_account(shop, path, month, at_us)]

    answer_each(config_path, at, as_json, ask, lambda one, _: match_json(one), render_match, single=True)


def _instant(service: Service, at: list[str]) -> int:
    from bladewatch.errors import UsageError

    if len(at) > 1:
        raise UsageError("--at: expected one at most where a file is written")
    return service.instant(at[0]) if at else service.clock()
