"""Facts as lines of the line protocol: one point a fact, whatever it says, and back to what it is known by."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point as TheirPoint
from influxdb_client import WritePrecision
from shops import minute, stroke

from bladewatch.stores.lines import READING, Series, known_by_series, points_of
from collectors.facts import STROKE_CONTENT, Sample, Stroke

NAMES = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), min_size=1, max_size=12).map(
    lambda text: text.strip() or "x"
)
NUMBERS = st.floats(-1e12, 1e12, allow_nan=False)


@given(NAMES, NAMES, NAMES, NUMBERS, st.integers(0, 65_535), st.integers(1, 2**52))
def test_a_line_is_what_the_client_library_writes(
    saw: str, part: str, order: str, length: float, counter: int, ts_us: int
) -> None:
    """influxdb-client's own point of the same values, but for tags that end in a backslash, which no line can hold."""
    one = Stroke(saw, "1", ts_us, counter, 7, part=part, order=order, length_mm=length, area_cmm2=counter)
    (ours,) = points_of([one])
    names = ("seq", *STROKE_CONTENT)
    mask = sum(1 << names.index(name) for name in ("part", "area_cmm2", "length_mm", "order"))
    theirs = TheirPoint("stroke").tag("saw", saw).tag("spindle", "1").field("stroke", counter).field("known_us", 7)
    theirs = theirs.field("part", part).field("area_cmm2", counter).field("length_mm", float(length))
    theirs = theirs.field("order", order).field("told", mask).time(ours.time_ns, WritePrecision.NS)
    series = Series("stroke", f"{saw[:-1]}∖" if saw.endswith("\\") else saw, "1")
    assert known_by_series(f"{ours.line}\n{ours.line}") == {series: {ours.time_ns: 7}}
    if not saw.endswith("\\"):
        written = theirs.to_line_protocol()
        assert sorted(fields(ours.line)) == sorted(fields(written))
        assert ours.line[: ours.line.index("stroke=")] == written[: written.index(next(iter(fields(written))))]


def fields(line: str) -> list[str]:
    """The fields of a line; a float is told by its value, however it is written."""
    head, _, _ = line.rpartition(" ")
    start = head.index(" ")
    while head[start - 1] == "\\":
        start = head.index(" ", start + 1)
    found, quoted, escaped, begin = [], False, False, start + 1
    for place, letter in enumerate(head[start + 1 :], start + 1):
        if escaped:
            escaped = False
        elif letter == "\\":
            escaped = True
        elif letter == '"':
            quoted = not quoted
        elif letter == "," and not quoted:
            found.append(head[begin:place])
            begin = place + 1
    found.append(head[begin:])
    return [_plain(text) for text in found]


def _plain(text: str) -> str:
    name, _, value = text.partition("=")
    return f"{name}={float(value)!r}" if not value.startswith('"') and not value.endswith("i") else text


def test_every_field_has_one_type_for_good() -> None:
    """Whole numbers are integers and measures floats, also where a float is whole; text is quoted."""
    values = {
        name: 3.0 if "float" in str(kind) else 3 if "int" in str(kind) else "3"
        for name, kind in Stroke.__annotations__.items()
        if name in STROKE_CONTENT
    }
    (point,) = points_of([Stroke("S1", "1", 1, 2, 3, **values)])
    told = dict(field.split("=") for field in point.line.split(" ")[1].split(","))
    for name, value in values.items():
        assert told[name] == {float: "3.0", int: "3i", str: '"3"'}[type(value)], name


def test_two_strokes_of_one_instant_are_two_points_and_a_repeat_is_one() -> None:
    """By the counter's last digits in the nanoseconds."""
    a, b, again = points_of([stroke(7, 1), stroke(8, 1), stroke(7, 1, part="P1")])
    assert (a.series, a.time_ns) == (again.series, again.time_ns)
    assert b.time_ns - a.time_ns == 1
    assert a.time_ns // 1000 == minute(1)


@pytest.mark.parametrize(
    ("point", "tags"),
    [
        ("", "saw=S1,signal=power_kw,spindle=2"),
        ("drive end", "point=drive\\ end,saw=S1,signal=power_kw,spindle=2"),
    ],
)
def test_readings_are_points_of_one_measurement(point: str, tags: str) -> None:
    """The signal and the place are tags, the value a field."""
    ts_us = int(datetime(2031, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
    (told,) = points_of([Sample("S1", "2", "power_kw", point, ts_us, 2.0, ts_us + 5)])
    assert told.line == f"reading,{tags} value=2.0,known_us={ts_us + 5}i {ts_us}000"
    assert known_by_series(told.line) == {Series(READING, "S1", "2", "power_kw", point): {ts_us * 1000: ts_us + 5}}
