"""The commands of the blade ledger and the crib, and their options."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from bladewatch.cli.options import AtTimes, Cell, JsonFlag

crib_app = typer.Typer(rich_markup_mode=None)
batch_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Batches of blades to the grinder and back.")


def register(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (change, blade, plate, inspect, export):
        app.command()(command)
    app.add_typer(crib_app, name="crib")
    app.add_typer(batch_app, name="batch")


def change(
    context: typer.Context,
    saw: Annotated[str | None, typer.Argument(help="The saw; asked for where it is left out.")] = None,
    reason: Annotated[str | None, typer.Option(help="Why the blade comes off: worn-plan, worn-burr, …")] = None,
    on: Annotated[str | None, typer.Option("--on", help="The plate that goes on; '-' for none.")] = None,
    planned: Annotated[bool | None, typer.Option("--planned/--unplanned", help="Whether it was planned.")] = None,
    off: Annotated[
        str | None,
        typer.Option("--off", help="The plate that comes off; else the one on record."),
    ] = None,
    spindle: Annotated[str | None, typer.Option("--spindle", help="Which of the saw's spindles.")] = None,
    at: Annotated[str | None, typer.Option(help="When it was; else the last stop, or now.")] = None,
    tips_chipped: Annotated[int | None, typer.Option(min=0, help="Chipped or missing tips.")] = None,
    kerf_mm: Annotated[str | None, typer.Option(help="Kerf set at the controller.")] = None,
    place: Annotated[str | None, typer.Option(help="Where the one that came off is put.")] = None,
    by: Cell = None,
    note: Cell = None,
    as_json: JsonFlag = False,
) -> None:
    """Write down a change of blade: what came off and why, what went on. In a terminal it asks for what is missing.

    Example: bladewatch change S3 --reason worn-burr --on A-0388 --unplanned
    """
    from bladewatch.cli.changing import Told, change_blade

    told = Told(saw, spindle, off, reason, on, planned, at, tips_chipped, kerf_mm, place, by, note)
    change_blade(context.obj, told, as_json)


def blade(
    context: typer.Context,
    event: Annotated[str, typer.Argument(help="mounted, dismounted, opened, bought, received, sent, returned, …")],
    number: Annotated[str | None, typer.Argument(help="The etched number; or --plate.", metavar="[PLATE]")] = None,
    plate: Cell = None,
    at: Annotated[str | None, typer.Option(help="When it happened; default now, without offset site time.")] = None,
    saw: Cell = None,
    spindle: Cell = None,
    reason: Annotated[str | None, typer.Option(help="Why it came off: worn-plan, worn-burr, chipped, …")] = None,
    blade_type: Annotated[str | None, typer.Option("--type", "--blade-type", help="The blade type.")] = None,
    planned: Annotated[str | None, typer.Option(help="yes or no.")] = None,
    minutes: Cell = None,
    wear_um: Annotated[str | None, typer.Option(help="Flank wear measured at the bench.")] = None,
    stock_removed_um: Cell = None,
    kerf_mm: Cell = None,
    diameter_mm: Cell = None,
    tips_replaced: Cell = None,
    tips_chipped: Cell = None,
    batch: Cell = None,
    supplier: Cell = None,
    cost: Cell = None,
    tax: Cell = None,
    freight: Cell = None,
    currency: Cell = None,
    fx_rate: Cell = None,
    document: Cell = None,
    place: Cell = None,
    corrects: Annotated[str | None, typer.Option(help="Id of the event that this one replaces or withdraws.")] = None,
    regrinds: Cell = None,
    used_share: Cell = None,
    counter: Cell = None,
    work: Annotated[str | None, typer.Option(help="What the grinder is asked: grind, tips, retip, check.")] = None,
    due: Annotated[str | None, typer.Option(help="The day that is promised, like 2026-03-12.")] = None,
    findings: Annotated[str | None, typer.Option(help="What an inspection found; see 'bladewatch inspect'.")] = None,
    by: Cell = None,
    note: Cell = None,
    id: Annotated[str | None, typer.Option("--id", help="An id of your own; else one is made.")] = None,  # noqa: A002
    as_json: JsonFlag = False,
) -> None:
    """Write one event of a blade into the ledger; the options are the ledger's columns.

    Example: bladewatch blade dismounted A-0417 --saw S3 --reason worn-burr
    """
    from bladewatch.cli.taking import record
    from bladewatch.ledger.events import COLUMNS

    given: dict[str, Any] = dict(locals())
    row = {name: given[name] for name in COLUMNS if given.get(name) is not None}
    record(context.obj, row if number is None else row | {"plate": number}, as_json)


def plate(
    context: typer.Context,
    number: Annotated[str, typer.Argument(help="The etched number.", metavar="PLATE")],
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """One plate with its history: state and place, regrinds, tip set, kerf, its grind cycles, every row.

    Example: bladewatch plate A-0417
    """
    from bladewatch.cli.crib import show_plate

    show_plate(context.obj, number, at or [], as_json)


def inspect(
    context: typer.Context,
    number: Annotated[str, typer.Argument(help="The etched number.", metavar="PLATE")],
    lines: Annotated[list[str] | None, typer.Argument(help="LINE=pass, LINE=fail or LINE=NUMBER.")] = None,
    at: Annotated[str | None, typer.Option(help="When; default now.")] = None,
    place: Annotated[str | None, typer.Option(help="Where it is put.")] = None,
    by: Cell = None,
    note: Cell = None,
    as_json: JsonFlag = False,
) -> None:
    """The inspection of a plate that came in: the lines of its type, pass or fail; all passed, it is accepted as sharp.

    Without lines the form is shown. Example: bladewatch inspect A-0417 tips=pass run_out_mm=0.06 cracks=pass
    """
    from bladewatch.cli.crib import inspect_plate

    raise typer.Exit(inspect_plate(context.obj, number, lines or [], at, place, by, note, as_json))


def export(
    context: typer.Context,
    what: Annotated[str, typer.Argument(help="A folder for all files; or 'cycles': one row a grind cycle, to stdout.")],
    at: Annotated[str | None, typer.Option("--at", help="The cycles as they were known at this time.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Every fact in plain files that 'import' reads again: ledger, answers, strokes, readings, messages, cycles.

    Example: bladewatch export my-shop-2026
    """
    from bladewatch.cli.taking import export_cycles, export_files

    if what == "cycles":
        export_cycles(context.obj, at, as_json)
    else:
        export_files(context.obj, what)


@crib_app.callback(invoke_without_command=True)
def crib(context: typer.Context, at: AtTimes = None, as_json: JsonFlag = False) -> None:
    """Sharp blades by type against their minimum, what is due back and overdue, what to buy.

    Example: bladewatch crib
    """
    if context.invoked_subcommand is None:
        from bladewatch.cli.crib import show_crib

        show_crib(context.obj, at or [], as_json)


@crib_app.command("count")
def crib_count(
    context: typer.Context,
    place: Annotated[str, typer.Argument(help="The rack or place that is counted.")],
    plates: Annotated[list[str], typer.Argument(help="The numbers seen there; '-' reads them from standard input.")],
    reason: Annotated[
        str | None,
        typer.Option(help="Write the differences down with this reason; without it they are only shown."),
    ] = None,
    by: Cell = None,
    as_json: JsonFlag = False,
) -> None:
    """A stock count of one place: what was seen is written; differences are shown, and written with a reason.

    Example: bladewatch crib count "rack 2" A-0401 A-0404 --reason "count of March"
    """
    from bladewatch.cli.crib import count_place

    count_place(context.obj, place, plates, reason, by, as_json)


@batch_app.command("suggest")
def batch_suggest(
    context: typer.Context,
    supplier: Annotated[str | None, typer.Option(help="Only for this grinder.")] = None,
    at: Annotated[str | None, typer.Option(help="As it was known at this time; default now.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Which dull blades could go now, with the next van and its minimum charge.

    Example: bladewatch batch suggest
    """
    from bladewatch.cli.crib import suggest_batch

    suggest_batch(context.obj, supplier, at, as_json)


@batch_app.command("send")
def batch_send(
    context: typer.Context,
    plates: Annotated[
        list[str], typer.Argument(help="The plates that go; PLATE:WORK to ask for grind, tips, retip or check.")
    ],
    batch: Annotated[str | None, typer.Option(help="The batch's number; default the next one.")] = None,
    supplier: Annotated[str | None, typer.Option(help="The grinder; default that of the blade type.")] = None,
    due: Annotated[str | None, typer.Option(help="The day that is promised, like 2026-03-12.")] = None,
    at: Annotated[str | None, typer.Option(help="When they went; default now.")] = None,
    by: Cell = None,
    as_json: JsonFlag = False,
) -> None:
    """Write a batch that goes to the grinder, and print its packing list.

    Example: bladewatch batch send A-0401 A-0404:tips --supplier grinder-a
    """
    from bladewatch.cli.crib import send_batch

    send_batch(context.obj, plates, batch, supplier, due, at, by, as_json)


@batch_app.command("receive")
def batch_receive(
    context: typer.Context,
    batch: Annotated[str, typer.Argument(help="The batch's number.")],
    plates: Annotated[
        list[str] | None, typer.Argument(help="What came: PLATE or PLATE:stock_removed_um=350,tips_replaced=2")
    ] = None,
    at: Annotated[str | None, typer.Option(help="When they came; default now.")] = None,
    by: Cell = None,
    as_json: JsonFlag = False,
) -> None:
    """Tick what came back against the list of its batch: what is missing, what is not of it. No plates: the list again.

    Example: bladewatch batch receive B-007 A-0401 A-0404:stock_removed_um=310,tips_replaced=1
    """
    from bladewatch.cli.crib import receive_batch

    receive_batch(context.obj, batch, plates or [], at, by, as_json)
