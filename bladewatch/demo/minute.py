"""The demo: an invented shop makes ten weeks of history, then its saws publish a day in fast time and the screen lives.

History comes in as files, the day over MQTT: broker, saws and collector are what they are in a real shop, each in a
process or thread of its own. At the end what was said stands beside what is true.
"""

from __future__ import annotations

import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from bladewatch.alerts import judge
from bladewatch.config.tables import Mqtt
from bladewatch.demo import broker, papers, score
from bladewatch.demo.clock import FastClock
from bladewatch.demo.day import Day, FromFile, Subscribed
from bladewatch.demo.hardness import hardness
from bladewatch.demo.setting import Setting
from bladewatch.demo.stage import Stage, busy, tell
from bladewatch.demo.troubles import Episode
from bladewatch.errors import UsageError
from bladewatch.screens import paint, watch
from bladewatch.screens.words import Line
from bladewatch.service import Service

if TYPE_CHECKING:
    from rich.console import Console

SEED: Final = 417
NEAR: Final = "S1"
"""The saw whose blade nears its limit on the last day of the shop of this seed."""
WHOLE_S: Final = 52.0
QUICK_S: Final = 11.5
LONGEST_DAY_S: Final = 40.0
SHORTEST_DAY_S: Final = 2.0
DRAW_EVERY_S: Final = 0.3
SETTLE_S: Final = 15.0
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
    day = plain.days - 1

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
    console = paint.console()
    for text in OPENING:
        tell(console, text)
    try:
        _run(choice, console, began)
    except KeyboardInterrupt:
        tell(console, f"Ended early. The invented shop stands in {choice.folder}.")
    return 0


def _run(choice: Choice, console: Console, began: float) -> None:
    shop = setting()
    _make_room(choice.folder)
    with ExitStack() as stack:
        login, how = _broker(choice, stack)
        with busy(console, "the invented shop works ten weeks"):
            files = papers.write(shop, choice.folder, _mqtt_table(login))
        tell(console, f"{hardness(files.truth).text()}.")
        with (
            busy(console, f"reading its {files.messages} messages and its ledger, learning from ended cycles"),
            Service.open(files.config, lambda: shop.last_opens_us) as service,
        ):
            service.import_files([files.log, files.ledger], tidy=False)
        tell(console, how)
        left_s = (QUICK_S if choice.quick else WHOLE_S) - (time.monotonic() - began)
        _day(files, shop, min(max(left_s, SHORTEST_DAY_S), LONGEST_DAY_S), login, console)
    _end(files, shop, console, choice.folder)


def _broker(choice: Choice, stack: ExitStack) -> tuple[Mqtt | None, str]:
    """Where the day is published, and in what words; None where the MQTT leg is skipped."""
    if choice.no_mqtt:
        return None, "The MQTT leg is skipped, as asked: the day is read from its file."
    if choice.mqtt is not None:
        return choice.mqtt, f"The saws publish to the broker {choice.mqtt.host}:{choice.mqtt.port}."
    if not broker.available():
        return None, (
            f"The MQTT leg is skipped: there is no embedded broker ({broker.PACKAGE}) for this platform. The day is "
            "read from its file. With a broker of your own: bladewatch --config FILE demo"
        )
    port = stack.enter_context(broker.embedded())
    login = Mqtt(host=broker.HOST, port=port, version="3.1.1")
    return login, f"The saws publish over MQTT to an embedded broker on {broker.HOST}:{port}; the collector subscribes."


def _mqtt_table(login: Mqtt | None) -> str:
    """The broker as the shop's configuration names it; the password stays in its variable."""
    if login is None:
        return ""
    rows = [f'host = "{login.host}"', f"port = {login.port}", f'version = "{login.version}"']
    texts = (("username", login.username), ("password_env", login.password_env))
    rows.extend(f'{name} = "{value}"' for name, value in texts if value is not None)
    if login.tls:
        rows.append("tls = true")
    return "\n[mqtt]\n" + "\n".join(rows) + "\n"


def _make_room(folder: Path) -> None:
    """An earlier demo's files give way; a folder with anything else in it is left alone."""
    if not folder.exists():
        return
    ours = {papers.LOG, papers.LAST_DAY, papers.LEDGER, papers.TRUTH, papers.CONFIG}
    ours |= {f"bladewatch.sqlite{tail}" for tail in ("", "-wal", "-shm")}
    names = {path.name for path in folder.iterdir()} if folder.is_dir() else {folder.name}
    if names - ours or (names and papers.TRUTH not in names):
        raise UsageError(f"{folder}: stands already and is no demo's; give another with --folder DIR")
    for name in names:
        (folder / name).unlink()


def _day(files: papers.Papers, shop: Setting, day_s: float, login: Mqtt | None, console: Console) -> None:
    """The day: saws publish, the collector stores, the screen looks, until the clock stands and all is stored."""
    speed = (shop.ends_us - shop.last_opens_us) / 1e6 / day_s
    clock = FastClock(shop.last_opens_us, shop.ends_us, time.time() + 0.3, speed)
    with Service.open(files.config, clock) as hearing, Service.open(files.config, clock) as looking:
        day: Day = FromFile(files, clock, hearing) if login is None else Subscribed(files, clock, login, hearing)
        try:
            day.start()
            with Stage(looking, console, day.said) as stage:
                _follow(day, stage, clock, files.live)
        finally:
            day.stop()


def _follow(day: Day, stage: Stage, clock: FastClock, messages: int) -> None:
    settle_until = None
    while True:
        started = time.monotonic()
        stage.draw()
        if clock.over:
            settle_until = settle_until or started + SETTLE_S
            if day.stored >= messages or started > settle_until:
                break
        time.sleep(max(DRAW_EVERY_S - (time.monotonic() - started), 0.02))
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
    at = f'--at "{shop.start + timedelta(days=shop.days - 1)} {shop.closes:02d}:00"'
    console.print(f"The shop is yours to try: cd {folder}")
    for command in (
        f"status {at}",
        f"why {NEAR} {at}",
        f"status --json {at.replace(f'{shop.closes:02d}:00', '10:00')}",
        "import last-day.jsonl   (all of it is known: nothing changes)",
        "rejects",
    ):
        console.print(f"  bladewatch {command}")
