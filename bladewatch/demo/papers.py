"""The invented shop as files: a log, a ledger, a configuration and the truth, in the forms that any shop uses."""

from __future__ import annotations

import csv
import gzip
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bladewatch.demo.metal import METALS, WORKS, Metal, Work
from bladewatch.demo.setting import BLADE_KINDS, RPM, BladeKind, Setting
from bladewatch.demo.shop import Message, Shop
from bladewatch.demo.truth import Truth
from bladewatch.demo.wire import Wire
from bladewatch.errors import UsageError
from bladewatch.ledger.events import COLUMNS
from collectors.instants import text_of

LOG: Final = "log.jsonl.gz"
LAST_DAY: Final = "last-day.jsonl"
LEDGER: Final = "ledger.csv"
TRUTH: Final = "truth.json"
CONFIG: Final = "bladewatch.toml"
MARK: Final = b"the truth of an invented shop"
MONTH_A_SAW: Final = 120
"""What the invented shop plans to spend on a saw in a month."""


@dataclass(frozen=True, slots=True)
class Papers:
    """A shop's folder, and its truth."""

    folder: Path
    truth: Truth
    messages: int
    live: int

    @property
    def log(self) -> Path:
        """All that the saws told before the last day."""
        return self.folder / LOG

    @property
    def last_day(self) -> Path:
        """What they tell on the last day."""
        return self.folder / LAST_DAY

    @property
    def ledger(self) -> Path:
        """The blade ledger."""
        return self.folder / LEDGER

    @property
    def config(self) -> Path:
        """The configuration."""
        return self.folder / CONFIG


def make_room(folder: Path) -> None:
    """An earlier invented shop's files give way; a folder with anything else in it is left alone.

    Raises ``UsageError`` where the folder cannot be ours, or cannot be made.
    """
    ours = {LOG, LAST_DAY, LEDGER, TRUTH, CONFIG} | {f"bladewatch.sqlite{tail}" for tail in ("", "-wal", "-shm")}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = list(folder.iterdir())
        strange = [path.name for path in paths if path.name not in ours or not path.is_file()]
        truth = folder / TRUTH
        if strange or (paths and not (truth.is_file() and MARK in truth.read_bytes()[:200])):
            found = strange[0] if strange else "files without an invented shop's truth"
            raise UsageError(f"{folder}: holds {found}, which is no invented shop's; give another folder")
        for path in paths:
            path.unlink()
        truth.write_bytes(b'{"what": "' + MARK + b'; not finished"}\n')
    except OSError as error:
        raise UsageError(f"{folder}: cannot be a folder for the invented shop: {error}") from error


def write(setting: Setting, folder: Path, mqtt: str = "") -> Papers:
    """Run a shop and write it down, in the place of an earlier one. ``mqtt`` is the [mqtt] table as text."""
    make_room(folder)
    shop = Shop(setting)
    wire = Wire(setting, shop.truth.episodes)
    counts = [0, 0]
    with (
        (folder / LOG).open("wb") as raw,
        gzip.GzipFile("", "wb", 1, raw, mtime=0) as packed,
        (folder / LAST_DAY).open("wb") as live,
    ):
        for arrived in _in_order(wire.carry(sent) for sent in shop.days()):
            last = arrived.received_us >= setting.last_opens_us
            counts[last] += 1
            (live if last else packed).write(line(setting.site, arrived))
    with (folder / LEDGER).open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(sorted(shop.records.rows, key=lambda row: row.get("entered", row["at"])))
    (folder / CONFIG).write_text(configuration(setting) + mqtt, encoding="utf-8")
    (folder / TRUTH).write_bytes(shop.truth.to_json())
    return Papers(folder, shop.truth, counts[0], counts[1])


def _in_order(days: Iterable[list[Message]]) -> Iterator[Message]:
    """Messages in the order of arrival; some of a day come in the next."""
    waiting: list[Message] = []
    for day in days:
        start_us = day[0].received_us if day else 0
        yield from (message for message in waiting if message.received_us < start_us)
        waiting = [message for message in waiting if message.received_us >= start_us]
        waiting = sorted([*waiting, *day])
    yield from waiting


def line(site: str, message: Message) -> bytes:
    """A message as a line of the log."""
    head = f'{{"topic":"bladewatch/1/{site}/{message.saw}/{message.kind}","received":"{text_of(message.received_us)}"'
    return head.encode() + b',"payload":' + message.payload + b"}\n"


def configuration(setting: Setting) -> str:
    """The shop's configuration; all names and numbers in it are invented."""
    kinds = BLADE_KINDS[: setting.kinds]
    rows = [
        "# An invented shop. Every name and number is made up.",
        f'[site]\nname = "{setting.site}"\ntimezone = "{setting.zone.key}"\ncurrency = "EUR"\nunits = "metric"',
        '[store]\nurl = "sqlite:///bladewatch.sqlite"',
        f"[budget]\nmonth = {MONTH_A_SAW * setting.saws}\nper_1000_cuts = 22",
    ]
    rows.extend(
        f'[[saw]]\nid = "{name}"\nrated_rpm = {RPM:g}\nload_base_kw = 22\nfits = ["{setting.kind_of(place).id}"]'
        for place, name in enumerate(setting.saw_names())
    )
    rows.extend(map(_blade_type, kinds))
    rows.extend(map(_alloy, METALS.values()))
    rows.extend(map(_part, WORKS))
    rows.append('[[supplier]]\nid = "grinder-a"\nvan_weekday = "thu"\nturnround_days = 7')
    return "\n\n".join(rows) + "\n"


def _blade_type(kind: BladeKind) -> str:
    return (
        f'[[blade_type]]\nid = "{kind.id}"\ndiameter_mm = {kind.diameter_mm:g}\nteeth = {kind.teeth}\n'
        f"kerf_mm = {kind.kerf_mm:g}\nwear_limit_um = {kind.limit_um:g}\n"
        f"site_limit_area_m2 = {kind.site_area_m2:g}\nmax_rpm = 4000\n"
        f'price = "{kind.price}"\ngrind_price = "{kind.grind_price}"\ntip_price = "{kind.tip_price}"\n'
        f'regrinds_expected = 12\nturnround_days = 7\nsupplier = "grinder-a"'
    )


def _alloy(metal: Metal) -> str:
    aliases = f'\naliases = ["EN AW-{metal.id}"]' if metal.id.startswith("6") else ""
    return f'[[alloy]]\nid = "{metal.id}"\ndensity = {metal.density:g}{aliases}'


def _part(work: Work) -> str:
    return (
        f'[[part]]\nid = "{work.id}"\nalloy = "{work.metal}"\narea_mm2 = {work.area_mm2:g}\n'
        f"height_mm = {work.height_mm:g}\nbars = {work.bars}\npieces = {work.bars}"
    )
