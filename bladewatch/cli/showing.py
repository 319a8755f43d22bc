"""The commands of the invented shop: the demo, shops made to order, logs played live."""

from __future__ import annotations

import textwrap
from datetime import timedelta
from pathlib import Path


def demo(config_path: Path | None, folder: Path, quick: bool, no_mqtt: bool) -> int:
    """Run the demo; a configuration given on the command line lends it its broker."""
    from bladewatch.config.decode import load
    from bladewatch.demo.minute import Choice, run

    mqtt = None if config_path is None else load(config_path).mqtt
    return run(Choice(folder, quick, mqtt, no_mqtt))


def make_shop(folder: Path, seed: int, saws: int, weeks: float, form: str, troubles: list[str], as_json: bool) -> None:
    """Write a shop, and say how hard it is before it is used."""
    import msgspec

    from bladewatch.demo import papers
    from bladewatch.demo.hardness import hardness
    from bladewatch.demo.setting import Setting
    from bladewatch.errors import UsageError

    chosen = {}
    for text in troubles:
        name, mark, strength = text.partition("=")
        if not mark:
            raise UsageError(f"--trouble: found {text!r}, expected NAME=STRENGTH, like galling=medium")
        chosen[name] = strength
    if not 0.1 <= weeks <= 600:
        raise UsageError(f"--weeks: found {weeks:g}, expected 0.2 to 600")
    setting = Setting(seed=seed, saws=saws, days=max(round(weeks * 7), 1), form=form, troubles=chosen)
    written = papers.write(setting, folder)
    hard = hardness(written.truth)
    if as_json:
        figures = {"rule_error": hard.rule_error, "life_spread": hard.life_spread, "noise": hard.noise}
        counts = {"messages": written.messages, "last_day": written.live, "cycles": hard.cycles}
        print(msgspec.json.encode({"folder": str(folder), **counts, **figures}).decode())
        return
    print(hard.text())
    names = ", ".join((papers.LOG, papers.LAST_DAY, papers.LEDGER, papers.CONFIG, papers.TRUTH))
    print(f"{folder}: {names}; {written.messages} messages, and {written.live} of the last day")
    at = f"{setting.start + timedelta(days=setting.last_day)} {setting.closes:02d}:00"
    print(f"Next: cd {folder} && bladewatch import {papers.LOG} {papers.LAST_DAY} {papers.LEDGER}")
    print(f'Then: bladewatch status --at "{at}"')


def list_troubles(as_json: bool) -> None:
    """Every trouble with its three strengths."""
    import msgspec

    from bladewatch.demo.troubles import STRENGTHS, TROUBLES

    if as_json:
        rows = [
            {"name": name, **dict(zip(STRENGTHS, trouble.sizes, strict=True)), "what": trouble.what}
            for name, trouble in TROUBLES.items()
        ]
        print(msgspec.json.encode(rows).decode())
        return
    from bladewatch.screens.paint import console

    width, column = console().width, 35
    print(f"{'name':<12} {'weak':>6} {'medium':>6} {'strong':>6}  what the number is")
    for name, trouble in TROUBLES.items():
        sizes = " ".join(f"{size:>6g}" for size in trouble.sizes)
        head = f"{name:<12} {sizes}  "
        for text in textwrap.wrap(trouble.what, max(width - column, 20)):
            print(f"{head:<{column}}{text}")
            head = ""


def play_log(config_path: Path | None, log: Path, speed: float) -> None:
    """Publish a log to the broker of the configuration."""
    import msgspec

    from bladewatch.config.decode import load
    from bladewatch.demo.play import entries, login_of, play
    from bladewatch.errors import UsageError
    from bladewatch.service import find_config

    mqtt = load(find_config(config_path)).mqtt
    try:
        if next(entries(log), None) is None:
            raise UsageError(f"{log}: holds no message")
    except (OSError, msgspec.DecodeError, ValueError) as error:
        raise UsageError(f"{log}: cannot be read as a log of JSON lines: {error}") from error
    taken = play(log, speed, **login_of(mqtt))
    print(f"{taken} messages published to {mqtt.host}:{mqtt.port}")
