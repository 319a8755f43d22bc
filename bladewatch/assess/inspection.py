"""The inspection of a plate that came in: the lines of its type, pass or fail, and the rows that follow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final

import msgspec

from bladewatch.assess.doubts import unknown_plate
from bladewatch.assess.known import Known
from bladewatch.config.kinds import Line
from bladewatch.errors import UsageError
from bladewatch.ledger.events import Event, identified
from bladewatch.ledger.fleet import Plate

USUAL: Final = (Line("tips"), Line("height"), Line("run_out_mm", None, 0.10), Line("kerf"), Line("cracks"))
"""The lines of a type that has none of its own: every tip there and ground, all of one height, run-out, kerf, no cracks
(common practice, no source)."""
_MEASURED: Final = {"kerf_mm": "kerf_mm", "diameter_mm": "diameter_mm", "wear_um": "wear_um"}


@dataclass(frozen=True, slots=True)
class Form:
    """The lines for one plate."""

    plate: str
    state: str
    lines: tuple[Line, ...]
    doubts: tuple[str, ...] = ()
    cracked: bool = False

    @property
    def texts(self) -> list[str]:
        """The form as it is printed."""
        head = f"Inspection of {self.plate}, recorded as {self.state}"
        doubts = [f"but look: {doubt}" for doubt in self.doubts]
        return [head, *doubts, *(f"  [ ] pass  [ ] fail   {line_text(line)}" for line in self.lines)]


@dataclass(frozen=True, slots=True)
class Result:
    """What an inspection found, the rows to write, and what to say."""

    failed: tuple[str, ...]
    events: tuple[Event, ...]
    texts: tuple[str, ...]


def line_text(line: Line) -> str:
    """A line with its limit.

    >>> line_text(Line("run_out_mm", None, 0.1)), line_text(Line("kerf_mm", 3.7, 4.1)), line_text(Line("cracks"))
    ('run_out_mm, at most 0.1', 'kerf_mm, 3.7 to 4.1', 'cracks')
    """
    if line.low is not None and line.high is not None:
        return f"{line.name}, {line.low:g} to {line.high:g}"
    if line.high is not None:
        return f"{line.name}, at most {line.high:g}"
    return line.name if line.low is None else f"{line.name}, at least {line.low:g}"


def form_of(known: Known, number: str) -> Form:
    """The form of a plate."""
    plate = known.fleet.plates.get(number) or Plate(number)
    doubts = []
    if number not in known.fleet.plates:
        doubts.append(unknown_plate(number, known.fleet.plates))
    if plate.cracked:
        doubts.append(f"plate {number} is recorded as cracked (row {plate.crack_row}): it stays so")
    elif plate.state in ("mounted", "out", "sharp", "scrapped", "lost"):
        doubts.append(f"plate {number} is recorded as {plate.state}")
    blade = known.blade_of(plate)
    lines = blade.inspect if blade is not None and blade.inspect else USUAL
    return Form(number, plate.state, lines, tuple(doubts), plate.cracked)


def inspected(
    known: Known, form: Form, told: Sequence[str], at_us: int, place: str | None, by: str | None, note: str | None
) -> Result:
    """The rows of an inspection: what was found, and, where every line passed, that the plate is accepted as sharp.

    Raises ``UsageError`` on a line that the form lacks, or a value that is none.
    """
    lines = {line.name: line for line in form.lines}
    findings, failed, texts = [], [], [f"but look: {doubt}" for doubt in form.doubts]
    measured: dict[str, Any] = {}
    for item in told:
        name, mark, value = item.partition("=")
        if not mark or name not in lines:
            raise UsageError(f"found {item!r}, expected LINE=pass, LINE=fail or LINE=NUMBER for {', '.join(lines)}")
        word = _judged(lines[name], value)
        findings.append(f"{name} {value} {word}" if value != word else f"{name} {word}")
        texts.append(f"  {word:<5} {line_text(lines[name])}" + ("" if value == word else f": {value}"))
        if word == "fail":
            failed.append(name)
        if name in _MEASURED and value not in ("pass", "fail"):
            measured[_MEASURED[name]] = Decimal(value.replace(",", "."))
    missing = [name for name in lines if name not in {item.partition("=")[0] for item in told}]
    row = Event(id="", at_us=at_us, event="inspected", known_us=known.now_us, plate=form.plate, by=by, note=note)
    rows = [msgspec.structs.replace(row, findings="; ".join(findings), **measured)]
    if failed:
        rows.append(msgspec.structs.replace(row, event="rejected", place=place))
        texts.append(f"{form.plate} is rejected: {', '.join(failed)} failed")
        if "cracks" in failed:
            texts.append("It is marked as cracked: tag it apart. A cracked body is scrapped, not ground.")
    elif missing:
        texts.append(f"Not accepted yet: {', '.join(missing)} not looked at")
    else:
        rows.append(msgspec.structs.replace(row, event="accepted", place=place))
        if form.cracked:
            cure = "only a person with a role takes the crack back, by a correction of that row"
            texts.append(f"{form.plate} stays cracked and is NOT sharp: {cure}")
        else:
            texts.append(f"{form.plate} is accepted as sharp")
    return Result(tuple(failed), tuple(identified(rows)), tuple(texts))


def _judged(line: Line, value: str) -> str:
    if value in ("pass", "fail"):
        return value
    if line.name == "cracks":
        raise UsageError(f"cracks: found {value!r}, expected pass or fail")
    try:
        number = float(Decimal(value.replace(",", ".")))
    except (InvalidOperation, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{line.name}: found {value!r}, expected pass, fail or a number")
    return "pass" if line.passes(number) else "fail"
