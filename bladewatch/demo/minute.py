"""The demo: an invented shop makes ten weeks of history, then its saws publish a day in fast time and the screen lives.

History comes in as files, the day over MQTT: broker, saws and collector are what they are in a real shop, each in a
process or thread of its own. At the end what was said stands beside what is true.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from bladewatch.alerts import judge
from bladewatch.config.tables import Mqtt
from bladewatch.demo import broker, papers, score
from bladewatch.demo.clock import Pace, PacedClock
from bladewatch.demo.day import Day, FromFile, Subscribed
from bladewatch.demo.hardness import hardness
from bladewatch.demo.play import connected, login_of
from bladewatch.demo.setting import Setting
from bladewatch.demo.stage import Stage, busy, tell
from bladewatch.demo.troubles import Episode
from bladewatch.screens import paint, watch
from bladewatch.screens.words import Line
from bladewatch.service import Service

if TYPE_CHECKING:
    from rich.console import Console

SEED: Final = 121
"""The first seed whose shop is as hard as it is meant to be and has one blade, of S1 or S4, near its limit on the last
day while the others have time. It was chosen by that story, not by its score."""
NEAR: Final = "S4"
WHOLE_S: Final = 52.0
QUICK_S: Final = 11.5
LONGEST_DAY_S: Final = 40.0
SHORTEST_DAY_S: Final = 2.0
DRAW_EVERY_S: Final = 0.3
STEP_US: Final = 4 * 60 * 1_000_000
"""No step is longer, however slow this machine is: ten minutes of silence would look like a saw that is not seen."""
REST_S: Final = 0.02
TROUBLES: Final = {"galling": "weak", "lot": "weak", "cold": "medium", "chip": "weak", "override": "weak"}


@dataclass(frozen=True, slots=True)
class Choice:
    """What the user chose. ``mqtt`` is a broker of theirs; None for the embedded one."""

    folder: Path
    quick: bool = False
    mqtt: Mqtt | None = None
    no_mqtt: bool = False


def setting() -> Setting:
    """The shop of the demo, with what is to happen on its last day."""
    plain = Setting(seed=SEED, kinds=1)
    day = plain.last_day

    def on(kind: str, saw: str, from_h: float, to_h: float, size: float = 1.0) -> Episode:
        return Episode(kind, saw, plain.at(day, from_h), plain.at(day, to_h), size)

    last_day = (on("mist", "S2", 8.5, 24, 1.5), on("override", "S3", 9, 11, 0.7), on("gap", "S5", 11.25, 24))
    return Setting(seed=SEED, kinds=1, troubles=TROUBLES, episodes=last_day)


OPENING: Final = (
    "1  The saw at the top is the one that needs somebody; its first line says what to do and by when.",
    "2  The ruler runs from sharp to limit: the dot is where the edge most likely is, the thick part where it may be.",
    (
        f"3  Today the blade of {NEAR} nears its limit, the mist of S2 fails at 08:30, S5 falls silent at 11:15; "
        "S3 runs at 70 % feed from 09:00 to 11:00, and that calls nobody."
    ),
)


def run(choice: Choice) -> int:
    """Run the demo; the exit code is 0, also where it was ended early."""
    began = time.monotonic()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    console = paint.console()
    for text in OPENING:
        tell(console, text)
    whole: list[Path] = []
    try:
        _run(choice, console, began, whole)
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second one must not cut short what is left to say
        left = (
            f"The invented shop stands in {choice.folder}; 'bladewatch import last-day.jsonl' there completes its day."
        )
        tell(console, f"Ended early. {left if whole else 'The shop is not whole: run it again, that replaces it.'}")
    return 0


def _run(choice: Choice, console: Console, began: float, whole: list[Path]) -> None:
    shop = setting()
    if choice.mqtt is not None:  # two demos at one broker must not hear each other
        shop = replace(shop, site=f"{shop.site}-{os.getpid()}")
    papers.make_room(choice.folder)
    with ExitStack() as stack:
        login, how = _broker(choice, stack)
        with busy(console, "the invented shop works ten weeks"):
            files = papers.write(shop, choice.folder, _mqtt_table(login))
        tell(console, hardness(files.truth).text())
        with (
            busy(console, f"reading its {files.messages} messages and its ledger, learning from ended cycles"),
            Service.open(files.config, lambda: shop.last_opens_us) as service,
        ):
            service.import_files([files.log, files.ledger], tidy=False)
        whole.append(files.folder)
        tell(console, how)
        left_s = (QUICK_S if choice.quick else WHOLE_S) - (time.monotonic() - began)
        _day(files, shop, min(max(left_s, SHORTEST_DAY_S), LONGEST_DAY_S), login, console)
    _end(files, shop, console, choice.folder)


def _broker(choice: Choice, stack: ExitStack) -> tuple[Mqtt | None, str]:
    """Where the day is published, and in what words; None where the MQTT leg is skipped."""
    if choice.no_mqtt:
        return None, "The MQTT leg is skipped, as asked: the day is read from its file."
    if choice.mqtt is not None:
        with connected(None, **login_of(choice.mqtt)):
            pass  # a broker that is not there is told before anything is made
        return choice.mqtt, f"The saws publish to the broker {choice.mqtt.host}:{choice.mqtt.port}."
    if not broker.available():
        return None, (
            f"The MQTT leg is skipped: there is no embedded broker ({broker.PACKAGE}) here, or none for this "
            "platform. The day is read from its file. With a broker of your own: bladewatch --config FILE demo"
        )
    port = stack.enter_context(broker.embedded())
    login = Mqtt(host=broker.HOST, port=port, version="3.1.1")
    return login, f"The saws publish over MQTT to an embedded broker on {broker.HOST}:{port}; the collector subscribes."


def _mqtt_table(login: Mqtt | None) -> str:
    """The broker as the shop's configuration names it; the password stays in its variable."""
    if login is None:
        return ""
    keys = ("host", "port", "tls", "version", "username", "password_env")
    values = {name: getattr(login, name) for name in keys if getattr(login, name) is not None}
    rows = [f"{name} = {msgspec.json.encode(value).decode()}" for name, value in values.items()]
    return "\n[mqtt]\n" + "\n".join(rows) + "\n"


def _day(files: papers.Papers, shop: Setting, day_s: float, login: Mqtt | None, console: Console) -> None:
    """The day: saws publish, the collector stores, the screen looks, step by step until the shift is over."""
    clock = PacedClock(shop.last_opens_us)
    with Service.open(files.config, clock) as hearing, Service.open(files.config, clock) as looking:
        day: Day = FromFile(files, clock, hearing) if login is None else Subscribed(files, clock, login, hearing)
        try:
            day.start()
            with Stage(looking, console, day.said) as stage:
                stage.draw()
                pace = Pace(shop.last_opens_us, shop.ends_us, day_s)
                _follow(day, stage, pace, shop.last_opens_us, shop.ends_us)
        finally:
            with _undisturbed():
                day.stop()


@contextmanager
def _undisturbed() -> Iterator[None]:
    """A second Ctrl-C must not cut the cleaning up short."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _follow(day: Day, stage: Stage, pace: Pace, from_us: int, ends_us: int) -> None:
    """However slow this machine is, the screen shows the shop as far as the saws have told of it."""
    now_us, drawn = from_us, 0.0
    while now_us < ends_us:
        due_us = pace.due_us
        now_us = min(due_us, now_us + STEP_US) if due_us > now_us else now_us
        day.advance(now_us)
        began = time.monotonic()
        if began - drawn >= DRAW_EVERY_S:
            stage.draw()
            drawn = 2 * time.monotonic() - began  # drawing takes half of the time at most
        if due_us <= now_us:
            time.sleep(REST_S)
    day.close()
    stage.draw()


def _end(files: papers.Papers, shop: Setting, console: Console, folder: Path) -> None:
    """What was said beside what is true, and what to try next."""
    with Service.open(files.config, lambda: shop.ends_us) as service:
        review = service.review()
        rules = score.rules_of(service.ended_cycles())
        found = score.scores(files.truth, review.assessments, shop.ends_us, rules)
        if not console.is_terminal:
            alerts = judge(review.assessments, review.at_us, service.zone)
            lines = watch.render(service.config, review.assessments, alerts, review.at_us, console.width)
            paint.show([Line(""), *lines], console)
    console.print()
    paint.show([Line("What was said beside what is true", "bold"), *map(Line, score.table(found)), Line("")], console)
    at = f'--at "{shop.start + timedelta(days=shop.last_day)} {shop.closes:02d}:00"'
    console.print(f"The shop is yours to try: cd {shlex.quote(str(folder))}")
    program = _program()
    for command in (
        f"status {at}",
        f"why {NEAR} {at}",
        f"report spend --month {shop.start + timedelta(days=shop.last_day - 31):%Y-%m}",
        f"status --json {at.replace(f'{shop.closes:02d}:00', '10:00')}",
        "import last-day.jsonl",
        "rejects",
    ):
        console.print(f"  {program} {command}")
    tell(console, "The import changes nothing: all of it is known.")


def _program() -> str:
    """This program, as it can be called from the shop's folder."""
    mine = Path(sys.executable).with_name("bladewatch")
    found = shutil.which("bladewatch")
    return "bladewatch" if found is not None and Path(found).resolve() == mine.resolve() else str(mine)
