"""The commands and their options."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from bladewatch.cli import alert, ledger, model, report, show
from bladewatch.cli.options import AtTimes, JsonFlag

Shop = Path | None

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="How worn each saw blade is, when it must go to the grinder, and what blades cost. "
    "bladewatch watches; it commands no machine.",
)
rejects_app = typer.Typer(rich_markup_mode=None)
questions_app = typer.Typer(rich_markup_mode=None)
store_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Upkeep of the store.")
demo_app = typer.Typer(rich_markup_mode=None)
app.add_typer(demo_app, name="demo")
app.add_typer(rejects_app, name="rejects")
app.add_typer(questions_app, name="questions")
app.add_typer(store_app, name="store")


@app.callback()
def options(
    context: typer.Context,
    config: Annotated[
        Shop,
        typer.Option("--config", help="The configuration; else $BLADEWATCH_CONFIG, else ./bladewatch.toml."),
    ] = None,
) -> None:
    """Options before the command."""
    context.obj = config


@app.command()
def init(folder: Annotated[Path, typer.Argument(help="Where to write bladewatch.toml.")] = Path()) -> None:
    """Write a commented sample configuration that runs as it is.

    Example: bladewatch init my-shop
    """
    from bladewatch.config.sample import SAMPLE
    from bladewatch.errors import UsageError

    path = folder / "bladewatch.toml"
    if path.exists():
        raise UsageError(f"{path}: stands already and is left as it is")
    folder.mkdir(parents=True, exist_ok=True)
    path.write_text(SAMPLE, encoding="utf-8")
    typer.echo(f"{path} written. Next: bladewatch --config {path} import FILE, or collect, then status")


@app.command()
def collect(context: typer.Context) -> None:
    """Subscribe to the broker and store until SIGTERM or Ctrl-C; says 'ready' once subscribed.

    Example: bladewatch --config shop/bladewatch.toml collect
    """
    from bladewatch.living import collect as live
    from bladewatch.service import Service

    with Service.open(context.obj) as service:
        live(
            service,
            say=lambda text: print(text, flush=True),
            trouble=lambda text: print(text, file=sys.stderr, flush=True),
        )


@app.command("import")
def import_(
    context: typer.Context,
    files: Annotated[list[Path], typer.Argument(help="Logs (JSON Lines, CSV; .gz, .zst) and ledger CSV.")],
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 if anything was refused.")] = False,
    preview: Annotated[bool, typer.Option("--preview", help="Say what would be refused; store nothing.")] = False,
    zone: Annotated[
        str | None,
        typer.Option("--zone", help="Zone of times without an offset, like Europe/Berlin."),
    ] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help="Decimal mark of the file: , or .")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Import logs and ledgers, told apart by their content. Importing again changes nothing.

    Example: bladewatch import strokes.jsonl.gz ledger.csv
    """
    from bladewatch.cli.taking import import_files, preview_files

    if preview:
        raise typer.Exit(preview_files(context.obj, files, zone, decimal, as_json))
    raise typer.Exit(import_files(context.obj, files, zone, decimal, strict, as_json))


@rejects_app.callback(invoke_without_command=True)
def rejects(context: typer.Context, as_json: JsonFlag = False) -> None:
    """List what was refused, why, and how often.

    Example: bladewatch rejects --json
    """
    if context.invoked_subcommand is None:
        from bladewatch.cli.taking import list_rejects

        list_rejects(context.obj, as_json)


@rejects_app.command("show")
def rejects_show(
    context: typer.Context,
    number: Annotated[int, typer.Argument(help="Id of the rejection.")],
    as_json: JsonFlag = False,
) -> None:
    """Print the kept bytes of one rejection.

    Example: bladewatch rejects show 12
    """
    from bladewatch.cli.taking import show_reject

    show_reject(context.obj, number, as_json)


@rejects_app.command("replay")
def rejects_replay(
    context: typer.Context,
    numbers: Annotated[list[int] | None, typer.Argument(help="Ids; none for all.")] = None,
    receipt_time: Annotated[
        bool, typer.Option("--receipt-time", help="Take the time of receipt where the sender's clock was wrong.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Take refused messages again after the cause was cured.

    Example: bladewatch rejects replay 3 4
    """
    from bladewatch.cli.taking import replay

    raise typer.Exit(replay(context.obj, numbers, receipt_time, as_json))


@questions_app.callback(invoke_without_command=True)
def questions(
    context: typer.Context,
    at: AtTimes = None,
    settled: Annotated[bool, typer.Option("--settled", help="Show those that were answered too.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """What only a person can settle: a change that nobody wrote down, records that contradict each other, counters.

    Example: bladewatch questions
    """
    if context.invoked_subcommand is None:
        from bladewatch.cli.asking import list_questions

        list_questions(context.obj, at or [], settled, as_json)


@questions_app.command("answer")
def questions_answer(
    context: typer.Context,
    question: Annotated[str, typer.Argument(help="The question's id.")],
    word: Annotated[str, typer.Argument(help="yes, no or unknown.")],
    plate: Annotated[str | None, typer.Option(help="The plate that is on, or the right number.")] = None,
    at: Annotated[str | None, typer.Option(help="When it was; without it the middle of the window.")] = None,
    reason: Annotated[str | None, typer.Option(help="Why the blade came off, where somebody knows.")] = None,
    by: Annotated[str | None, typer.Option(help="Who says so.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Settle a question. What the answer says is written into the ledger, and a correction takes it back.

    Example: bladewatch questions answer 3f2a91c0 yes --plate A-0417
    """
    from bladewatch.cli.asking import answer

    answer(context.obj, question, word, plate, at, by, reason, as_json)


@app.command()
def status(
    context: typer.Context,
    at: AtTimes = None,
    queue: Annotated[
        Path | None, typer.Option("--queue", help="CSV of saw,part,strokes: what the saws will cut next, in order.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """How worn each blade is and what to do, the saw that needs somebody first.

    Example: bladewatch status --at "2026-03-02 06:15" --queue tonight.csv
    """
    show.status(context.obj, at or [], as_json, queue)


@app.command()
def why(
    context: typer.Context,
    saw: Annotated[str, typer.Argument(help="The saw.")],
    spindle: Annotated[str, typer.Option("--spindle", help="Which of its spindles.")] = "1",
    at: AtTimes = None,
    as_json: JsonFlag = False,
) -> None:
    """From a saw's answer back to its inputs: steps, formulas, sources, rows, and what would make it surer.

    Example: bladewatch why S3
    """
    show.why(context.obj, saw, spindle, at or [], as_json)


@app.command()
def watch(
    context: typer.Context,
    every: Annotated[float, typer.Option("--every", min=0.1, max=3600, help="Seconds between two looks.")] = 1.0,
    once: Annotated[bool, typer.Option("--once", help="One picture, then end; so too where stdout is a file.")] = False,
    at: Annotated[
        str | None,
        typer.Option("--at", help="One picture, as it was known at this time. Without offset: site time."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="A line of JSON a look, as status gives it.")] = False,
) -> None:
    """The living screen of all saws, the one that needs somebody first; Ctrl-C ends it.

    Example: bladewatch watch --every 5
    """
    show.watch(context.obj, every, once, at, as_json)


@demo_app.callback(invoke_without_command=True)
def demo(
    context: typer.Context,
    folder: Annotated[Path, typer.Option("--folder", help="Where the invented shop is left.")] = Path(
        "bladewatch-demo"
    ),
    quick: Annotated[bool, typer.Option("--quick", help="A quarter of a minute instead of a minute.")] = False,
    no_mqtt: Annotated[
        bool, typer.Option("--no-mqtt", help="Without a broker: the day is read from its file.")
    ] = False,
) -> None:
    """A minute that shows it: an invented shop, its saws live over MQTT, estimates beside the truth.

    Example: bladewatch demo --quick
    """
    if context.invoked_subcommand is None:
        from bladewatch.cli.showing import demo as run

        raise typer.Exit(run(context.obj, folder, quick, no_mqtt))


@demo_app.command("make")
def demo_make(
    folder: Annotated[Path, typer.Argument(help="Where to write log, ledger, configuration and truth.")],
    seed: Annotated[int, typer.Option(help="The same seed makes the same shop.")] = 417,
    saws: Annotated[int, typer.Option(help="How many saws.")] = 5,
    weeks: Annotated[float, typer.Option(help="How many weeks.")] = 10.4,
    form: Annotated[
        str, typer.Option(help="How edges truly wear: straight, curved, lagging, seasonal, unlike, travel, all.")
    ] = "all",
    trouble: Annotated[
        list[str] | None,
        typer.Option("--trouble", help="NAME=weak, medium or strong; may be repeated. See 'bladewatch demo troubles'."),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Write an invented shop whose truth is known, and say how hard it is.

    Example: bladewatch demo make hall --seed 7 --form lagging --trouble galling=strong
    """
    from bladewatch.cli.showing import make_shop

    make_shop(folder, seed, saws, weeks, form, trouble or [], as_json)


@demo_app.command("troubles")
def demo_troubles(as_json: JsonFlag = False) -> None:
    """What can go wrong in an invented shop, and how strongly.

    Example: bladewatch demo troubles
    """
    from bladewatch.cli.showing import list_troubles

    list_troubles(as_json)


@demo_app.command("play")
def demo_play(
    context: typer.Context,
    log: Annotated[Path, typer.Argument(help="A log in JSON Lines, as 'demo make' writes it.")],
    speed: Annotated[float, typer.Option(min=0.01, help="How many times faster than it happened.")] = 600.0,
) -> None:
    """Publish a log live, in fast time, to the broker of the configuration.

    Example: bladewatch --config hall/bladewatch.toml demo play hall/last-day.jsonl
    """
    from bladewatch.cli.showing import play_log

    play_log(context.obj, log, speed)


@store_app.command("rebuild")
def store_rebuild(context: typer.Context) -> None:
    """Make roll-ups, checkpoints and fits anew from the facts; no answer changes.

    Example: bladewatch store rebuild
    """
    from bladewatch.service import Service

    with Service.open(context.obj) as service:
        for line in service.rebuild():
            print(line, flush=True)


@store_app.command("tidy")
def store_tidy(context: typer.Context, as_json: JsonFlag = False) -> None:
    """Pack old readings, let those past keep_raw_days go, keep the quotas. The collector does this by itself.

    Example: bladewatch store tidy
    """
    from bladewatch.cli.taking import tidy

    tidy(context.obj, as_json)


@store_app.command("init")
def store_init(context: typer.Context) -> None:
    """Make the buckets of the shared store that are missing, and set how long each keeps its points.

    Example: bladewatch store init
    """
    from bladewatch.cli.shared import prepare

    prepare(context.obj)


@store_app.command("copy")
def store_copy(
    context: typer.Context,
    source: Annotated[str, typer.Argument(help="sqlite:///FILE, postgresql://… or influx://…", show_default=False)],
    target: Annotated[str, typer.Argument(help="Another of these.", show_default=False)],
) -> None:
    """Copy books or signals to where they are missing, and hold both against each other day by day.

    Example: bladewatch store copy sqlite:///bladewatch.sqlite postgresql://books.invalid/hall
    """
    from bladewatch.cli.shared import copy

    copy(context.obj, source, target)


@store_app.command("forward")
def store_forward(context: typer.Context, as_json: JsonFlag = False) -> None:
    """Send what waits for the shared store, and see that it is there. The collector does this by itself.

    Example: bladewatch store forward
    """
    from bladewatch.cli.shared import forward

    forward(context.obj, as_json)


alert.register(app)
ledger.register(app)
model.register(app)
report.register(app)
