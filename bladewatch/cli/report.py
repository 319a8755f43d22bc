"""The reports' commands: the month's tooling spend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bladewatch.cli.moments import answer_each
from bladewatch.cli.options import AtTimes, JsonFlag

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bladewatch.config.tables import Config
    from bladewatch.screens.words import Line
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
    rows: Annotated[
        str | None,
        typer.Option("--rows", help="The rows behind one figure: new, grind, tips, accrued, consumption ..."),
    ] = None,
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """What blades cost in a month, what they were worth, and why it was more or less than planned.

    Example: bladewatch report spend --month 2026-05 --save may.html
    """
    _one_of(save=save, account=account, journal=journal, rows=rows)
    if as_json and (save or journal or rows):
        from bladewatch.errors import UsageError

        raise UsageError("--json: expected alone, or with --account; --save, --journal and --rows have their own form")
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
    from bladewatch.screens.rows import check_figure, render_rows
    from bladewatch.screens.spend import render
    from bladewatch.spending.answer import as_json as told
    from bladewatch.spending.month import Month

    if rows is not None:
        check_figure(rows)

    def page(config: Config, months: Sequence[Month], at_us: int, width: int) -> list[Line]:
        return render(config, months, at_us, width) if rows is None else render_rows(config, months[0], rows)

    def ask(shop: Service, at_us: int) -> list[Month]:
        return [told_spend(shop, month, at_us)]

    answer_each(context.obj, at or [], as_json, ask, lambda one, shop: told(one, shop.zone), page, single=True)


@report_app.command("close")
def close(
    context: typer.Context,
    month: Annotated[str, typer.Option("--month", help="The month that is closed, like 2026-05.")],
    by: Annotated[str | None, typer.Option("--by", help="Who closes it.")] = None,
    action: Annotated[
        list[str] | None, typer.Option("--action", help="What is to be done, with its owner first; may be repeated.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Close a month: what its report says then stays told, and what becomes known later is shown as restated.

    Example: bladewatch report close --month 2026-05 --by M7 --action "M7: check the clamp of S2 by 15 June"
    """
    import msgspec

    from bladewatch.ledger.events import filled_row
    from bladewatch.reporting import close as close_month
    from bladewatch.service import Service

    with Service.open(context.obj) as service:
        written = close_month(service, month, by, action or [])
        row, label = filled_row(written, service.zone), written.document
    print(msgspec.json.encode([row]).decode() if as_json else f"{label} is closed, row {row['id']}", flush=True)


def _one_of(**given: object) -> None:
    """Raises ``UsageError`` where more than one of some options is given."""
    from bladewatch.errors import UsageError

    names = [f"--{name}" for name, value in given.items() if value is not None]
    if len(names) > 1:
        raise UsageError(f"{' '.join(names)}: expected one of these at a time")


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
    from bladewatch.reporting import journal_of
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        save_journal(service.config, *journal_of(service, month, _instant(service, at)), path)
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


@report_app.command("ahead")
def ahead(context: typer.Context, at: AtTimes = None, as_json: JsonFlag = False) -> None:
    """What blades will cost in the next month and the next three, with its range.

    Example: bladewatch report ahead
    """
    from bladewatch.reporting import coming
    from bladewatch.screens.ahead import ahead_json, render_ahead

    answer_each(
        context.obj,
        at or [],
        as_json,
        lambda shop, us: [coming(shop, us)],
        lambda one, shop: ahead_json(one, shop.zone, shop.config.site.currency),
        render_ahead,
        single=True,
    )


@report_app.command("quote")
def quote(
    context: typer.Context,
    part: Annotated[str, typer.Argument(help="A part of the part table.")],
    cuts: Annotated[int, typer.Argument(min=1, max=10**9, help="How many strokes of the saw.")],
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """What the blades of an order would cost, for quoting, with its range.

    Example: bladewatch report quote P-100 20000
    """
    from bladewatch.reporting import quoted
    from bladewatch.screens.ahead import quote_json, render_quotes

    answer_each(
        context.obj,
        at or [],
        as_json,
        lambda shop, us: quoted(shop, part, cuts, us),
        lambda one, _: quote_json(one),
        render_quotes,
    )
