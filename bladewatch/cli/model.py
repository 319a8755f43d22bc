"""The model's commands: fit it, show what it has learnt and how well it foretells; lives and trials of blades."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bladewatch.cli.moments import answer_each
from bladewatch.cli.options import AtTimes, JsonFlag

if TYPE_CHECKING:
    from bladewatch.config.tables import Config
    from bladewatch.screens.words import Line
    from bladewatch.service import Service

model_app = typer.Typer(no_args_is_help=True, help="What the ended cycles have taught: wear by alloy, saws, blades.")


def register(app: typer.Typer) -> None:
    """Hang the commands into the program."""
    app.add_typer(model_app, name="model")


@model_app.command("fit")
def fit(context: typer.Context, as_json: JsonFlag = False) -> None:
    """Fit the model of each blade type to all that is known, and keep it. The collector and import do so by themselves.

    Example: bladewatch model fit
    """
    import msgspec

    from bladewatch.assess.learnt import as_json as told
    from bladewatch.format import some_text
    from bladewatch.service import Service

    with Service.open(context.obj) as service:
        for line in service.bring_up_to_date():
            if not as_json:
                print(line, flush=True)
        models = service.models()
    if as_json:
        sys.stdout.write(msgspec.json.encode([told(model) for model in models]).decode() + "\n")
        return
    for model in models:
        what = (
            f"from {some_text(model.cycles, 'cycle')}, fit {model.key}"
            if model.lack is None
            else f"no fit: {model.lack}"
        )
        print(f"blade type {model.blade_type}: {what}", flush=True)


@model_app.command("show")
def show(
    context: typer.Context,
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """The wear that each alloy brings per area, with range and cycles behind it; saws and blades that stand out.

    Example: bladewatch model show
    """
    from bladewatch.assess.learnt import as_json as told
    from bladewatch.screens.model import render

    answer_each(context.obj, at or [], as_json, lambda shop, us: shop.models(us), lambda one, _: told(one), render)


@model_app.command("check")
def check(
    context: typer.Context,
    at: AtTimes = None,
    issued: Annotated[
        bool, typer.Option("--issued", help="Score what was said at the time, not what the model would say today.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """How well the model foretells the ends of cycles that it did not learn from, beside two plain rules.

    Example: bladewatch model check
    """
    from bladewatch.assess.checking import as_json as told
    from bladewatch.screens.check import render

    def progress(blade_type: str, way: str, done: int, of: int) -> None:
        if sys.stderr.isatty():
            print(f"\r\033[K{blade_type}, {way}: {done} of {of} fits", end="", file=sys.stderr, flush=True)

    def ask(shop: Service, at_us: int) -> list[Any]:
        found = shop.checks(at_us, issued, progress)
        if sys.stderr.isatty() and not issued:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
        return found

    answer_each(context.obj, at or [], as_json, ask, lambda one, _: told(one), render)


@model_app.command("life")
def life(context: typer.Context, at: AtTimes = None, as_json: JsonFlag = False) -> None:
    """How long blades last and by what they end, and when a planned change costs least.

    What a change costs stands in [budget] planned_change and unplanned_change.

    Example: bladewatch model life
    """
    from bladewatch.assess.lives import as_json as told
    from bladewatch.screens.lives import render

    answer_each(context.obj, at or [], as_json, lambda shop, us: shop.lives(us), lambda one, _: told(one), render)


@model_app.command("compare")
def compare(
    context: typer.Context,
    by: Annotated[str, typer.Option("--by", help="blade-type, grinder, saw, or date.")] = "grinder",
    split: Annotated[
        str | None, typer.Option("--split", help="With --by date: since when something is otherwise, like the lube.")
    ] = None,
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """Whether blades of two types, from two grinders, or before and since a date last longer; or undecided.

    Example: bladewatch model compare --by date --split 2026-04-01
    """
    from bladewatch.assess.lives import GROUPS, verdict_json
    from bladewatch.errors import UsageError
    from bladewatch.screens.lives import render_verdicts

    if by not in GROUPS:
        raise UsageError(f"--by: found {by!r}, expected one of {', '.join(GROUPS)}")
    if (by == "date") != (split is not None):
        raise UsageError("--split TIME goes with --by date, and --by date needs it")

    def ask(shop: Service, at_us: int) -> list[Any]:
        return shop.compare(by, None if split is None else shop.instant(split, "--split"), at_us)

    def render(config: Config, found: list[Any], at_us: int, width: int) -> list[Line]:
        return render_verdicts(config, found, by, at_us, width)

    answer_each(context.obj, at or [], as_json, ask, lambda one, _: verdict_json(one), render)
