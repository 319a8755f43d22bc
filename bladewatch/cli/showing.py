"""The commands of the invented shop: the demo, shops made to order, logs played live."""

from __future__ import annotations

import os
import time
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
    setting = Setting(seed=seed, saws=saws, days=round(weeks * 7), form=form, troubles=chosen)
    if (folder / papers.CONFIG).exists() and not (folder / papers.TRUTH).exists():
        raise UsageError(f"{folder}: holds a configuration that is no invented shop's; give another folder")
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
    print(f"{'name':<12} {'weak':>6} {'medium':>6} {'strong':>6}  what the number is")
    for name, trouble in TROUBLES.items():
        sizes = " ".join(f"{size:>6g}" for size in trouble.sizes)
        print(f"{name:<12} {sizes}  {trouble.what}")


def play_log(config_path: Path | None, log: Path, speed: float) -> None:
    """Publish a log to the broker of the configuration."""
    from bladewatch.config.decode import load
    from bladewatch.demo.clock import FastClock
    from bladewatch.demo.play import entries, publish
    from bladewatch.errors import UsageError
    from bladewatch.service import find_config

    mqtt = load(find_config(config_path)).mqtt
    first = next(entries(log), None)
    if first is None:
        raise UsageError(f"{log}: holds no message")
    password = os.environ.get(mqtt.password_env) if mqtt.password_env is not None else None
    clock = FastClock(first.at_us, 2**62, time.time(), speed)
    taken = publish(
        log, clock, mqtt.host, mqtt.port,
        username=mqtt.username, password=password, tls=mqtt.tls, version=mqtt.version,
    )  # fmt: skip
    print(f"{taken} messages published to {mqtt.host}:{mqtt.port}")
