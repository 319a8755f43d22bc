"""The same facts from files, and from a shop's own topics."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import zstandard

from collectors.facts import Sample, Stroke
from collectors.fields import Site
from collectors.instants import parse_text
from collectors.logfile import Unreadable, open_log, rows
from collectors.mapping import Rule, Translator, check_rule
from collectors.payloads import Message

SITE = Site("hall", {"S1": frozenset({"1"}), "S2": frozenset({"1", "2"})}, {"Saw 2": "S2"})
TRANSLATOR = Translator(SITE)
CUT = {"ts": "2026-03-02T06:00:00Z", "stroke": 12, "area_mm2": 564.25, "energy_kj": 3.5}


def read(path: Path, zone: str | None = None, decimal: str | None = None) -> tuple[list, list[str]]:
    log = open_log(path, None if zone is None else ZoneInfo(zone), decimal)
    facts, reasons = [], []
    for row in rows(log, TRANSLATOR):
        facts.extend(row.facts)
        reasons.extend(item.reason for item in row.rejected)
    return facts, reasons


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


def line(payload: object, kind: str = "cut", received: str | None = "2026-03-02T06:00:01Z") -> str:
    content = {"topic": f"bladewatch/1/hall/S1/{kind}", "payload": payload}
    return json.dumps(content | ({} if received is None else {"received": received})) + "\n"


@pytest.mark.parametrize("packer", [lambda raw: raw, gzip.compress, zstandard.compress], ids=["plain", "gzip", "zstd"])
def test_json_lines_plain_and_packed(tmp_path: Path, packer: object) -> None:
    """Known from received, else from ts."""
    path = tmp_path / "log"
    path.write_bytes(packer((line(CUT) + line(CUT | {"stroke": 13}, received=None)).encode()))
    facts, reasons = read(path)
    assert reasons == []
    assert [(f.stroke, f.known_us - f.ts_us) for f in facts] == [(12, 1_000_000), (13, 0)]


def test_json_long_and_wide_csv_tell_the_same_facts(tmp_path: Path) -> None:
    """Whatever the form, the fact is one."""
    state = {"ts": "2026-03-02T06:00:00Z", "state": "running", "mist_ok": True, "bearing_c": 41.5}
    from_json, _ = read(write(tmp_path / "a", line(CUT, received=None) + line(state, "state", None)))
    wide, _ = read(write(tmp_path / "b", "ts,saw,stroke,area_mm2,energy_kj\n2026-03-02T06:00:00Z,S1,12,564.25,3.5\n"))
    long, reasons = read(
        write(
            tmp_path / "c",
            "ts,saw,signal,value,unit\n"
            "2026-03-02T06:00:00Z,S1,bearing_c,106.7,degF\n"
            "2026-03-02T07:00:00+01:00,S1,mist_ok,true,\n"
            "1772431200000,S1,state,running,\n",
        )
    )
    assert reasons == []
    assert wide == [fact for fact in from_json if isinstance(fact, Stroke)]
    samples = [fact for fact in from_json if isinstance(fact, Sample)]
    assert [(s.signal, s.ts_us, pytest.approx(s.value)) for s in long] == [
        (s.signal, s.ts_us, s.value) for s in samples
    ]


def test_decimal_comma_semicolon_mark_and_zone(tmp_path: Path) -> None:
    """A spreadsheet of the old world: alias of the saw, declared zone, thousands with a point."""
    text = "\ufeff# zone=Europe/Berlin\nts;saw;stroke;part;area_mm2\n2026-03-02 07:00;Saw 2;1;00417;1.234,5\n"
    facts, reasons = read(write(tmp_path / "a.csv", text))
    assert reasons == []
    at_us = parse_text("2026-03-02T06:00:00Z")
    assert facts == [Stroke("S2", "1", at_us, 1, at_us, part="00417", area_cmm2=123450)]


def test_a_time_without_offset_and_zone_is_refused_with_the_cure(tmp_path: Path) -> None:
    """Nobody guesses a zone."""
    path = write(tmp_path / "a.csv", "ts,saw,stroke\n2026-03-02T07:00:00,S1,1\n")
    facts, reasons = read(path)
    assert facts == []
    assert "declare the zone of the file with --zone" in reasons[0]
    assert len(read(path, zone="Europe/Berlin")[0]) == 1


def test_bad_rows_are_refused_alone_with_their_line(tmp_path: Path) -> None:
    """The file's digest and the line name a rejection."""
    good, odd = "2026-03-02T06:00:00Z,S1,power_kw,2", "2026-03-02T06:00:00Z,S1,colour,2,"
    lines = ["ts,saw,signal,value,unit", f"{good},hp", "x,S1,power_kw,2,", odd, f"{good},bar", ""]
    path = write(tmp_path / "a.csv", "\n".join(lines))
    log = open_log(path)
    told = [(row.line, item.reason.partition(":")[0]) for row in rows(log, TRANSLATOR) for item in row.rejected]
    assert told == [(3, "bad-time"), (4, "unknown-signal"), (5, "bad-unit")]
    assert read(path)[0][0].value == pytest.approx(1.491400)


@pytest.mark.parametrize("content", [b"\x00\x01\x02", b"hello world\n", b"a,b,c\n1,2,3\n", b"\x1f\x8b\x08broken"])
def test_a_file_that_is_no_log_is_named_with_what_was_expected(tmp_path: Path, content: bytes) -> None:
    """The user learns which three forms there are."""
    path = tmp_path / "a"
    path.write_bytes(content)
    with pytest.raises(Unreadable, match=r"expected JSON Lines|cannot be read"):
        list(rows(open_log(path), TRANSLATOR))


def test_a_shops_own_topic_fields_unit_and_signed_counter() -> None:
    """Declared, not programmed."""
    rules = [
        Rule("plant/{saw}/spindle", "power", fields={"ts": "time", "power_kw": "data.load"}, units={"power_kw": "hp"}),
        Rule("plant/{saw}/count", "cut", fields={"ts": "t", "stroke": "n"}, clock="epoch_s", signed_bits=16),
        Rule("old/counter", "cut", saw="S1", fields={"stroke": "n"}, clock="receipt"),
    ]
    translator = Translator(SITE, rules)
    received = parse_text("2026-03-02T06:00:02Z")

    def one(topic: str, payload: object) -> object:
        facts, rejected = translator.decode(Message(topic, json.dumps(payload).encode(), received, "broker"))
        return facts[0] if facts else rejected[0].reason

    power = one("plant/S1/spindle", {"time": "2026-03-02T06:00:00Z", "data": {"load": 10}})
    assert (power.signal, power.value) == ("power_kw", pytest.approx(7.457, abs=1e-3))
    assert one("plant/S1/count", {"t": 1772431200.5, "n": -32768}).stroke == 32768
    assert one("old/counter", {"n": 4}).ts_us == received
    assert one("plant/S9/count", {"t": 1, "n": 1}).startswith("unknown-saw")
    assert one("plant/S1/spindle", {"time": "2026-03-02T06:00:00Z"}).startswith("missing-field")
    assert translator.subscriptions == ["plant/+/spindle", "plant/+/count", "old/counter"]


def test_a_rule_that_cannot_work_is_told_at_the_start() -> None:
    """Before the first message."""
    assert check_rule(Rule("plant/#", "cut", fields={"stroke": "a..b"})) != []
    assert check_rule(Rule("plant/{saw}/x", "cut", fields={"stroke": "a.b"})) == []
