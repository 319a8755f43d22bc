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

SITE = Site("hall", {"S1": frozenset({"1"}), "S2": frozenset({"1", "2"})}, {"Saw 2": [(-(2**62), 2**62, "S2")]})
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
    huge = json.dumps({"t": 1772431200, "n": 1, "x": "a" * 5_000_000})
    facts, rejected = translator.decode(Message("plant/S1/count", huge.encode(), received, "broker"))
    assert (facts, rejected[0].reason.partition(":")[0], len(rejected[0].payload)) == ([], "too-large", 4096)
    assert one("plant/S9/count", {"t": 1, "n": 1}).startswith("unknown-saw")
    assert one("plant/S1/spindle", {"time": "2026-03-02T06:00:00Z"}).startswith("missing-field")
    assert translator.subscriptions == ["plant/+/spindle", "plant/+/count", "old/counter"]


def test_a_map_converts_units_of_strokes_and_of_fast_runs() -> None:
    """Declared units hold for every number of the message."""
    rules = [
        Rule("a/{saw}", "cut", fields={"ts": "t", "stroke": "n", "area_mm2": "a", "mean_power_kw": "p"},
             units={"area_mm2": "in**2", "mean_power_kw": "hp"}),
        Rule("b/{saw}", "power", fields={"ts": "t", "power_kw": "p"}, units={"power_kw": "hp"},
             constants={"dt_ms": 100}),
        Rule("c/{saw}", "cut", fields={"ts": "t", "stroke": "n"}, clock="epoch_s"),
    ]  # fmt: skip
    translator = Translator(SITE, rules)

    def decoded(topic: str, payload: str) -> tuple[list, list]:
        return translator.decode(Message(topic, payload.encode(), parse_text("2026-03-02T06:00:02Z"), "broker"))

    (cut,), _ = decoded("a/S1", '{"t":"2026-03-02T06:00:00Z","n":1,"a":2,"p":1}')
    assert (cut.area_cmm2, cut.mean_power_kw) == (129_032, pytest.approx(0.7457, abs=1e-4))
    run, _ = decoded("b/S1", '{"t":"2026-03-02T06:00:00Z","p":[1,2]}')
    assert [s.value for s in run] == pytest.approx([0.7457, 1.4914], abs=1e-4)
    for odd in ("NaN", "Infinity", "1e300", '"soon"'):
        assert decoded("c/S1", f'{{"t":{odd},"n":1}}')[1][0].reason.startswith(("bad-time", "undecodable"))


@pytest.mark.parametrize("text", ["2026-10-25 02:30:00", "2026-03-29 02:30:00"])
def test_a_clock_time_that_comes_twice_or_never_is_refused_with_the_cure(tmp_path: Path, text: str) -> None:
    """The hour of a clock change: nobody guesses, the row waits for its offset."""
    facts, reasons = read(write(tmp_path / "a.csv", f"ts,saw,stroke\n{text},S1,1\n"), zone="Europe/Berlin")
    assert facts == []
    assert "write its offset from UTC" in reasons[0]


@pytest.mark.parametrize(
    ("row", "taken"),
    [
        ("S1;1;4711,12;564.25", 564.25),  # a comma in an order number is no decimal comma
        ("S1;1;x;1.234,5", 1234.5),
        ("S1;1;x;12,5", 12.5),
    ],
)
def test_the_decimal_mark_is_told_by_columns_of_numbers(tmp_path: Path, row: str, taken: float) -> None:
    """And by nothing else."""
    facts, _ = read(write(tmp_path / "a.csv", f"ts;saw;stroke;order;area_mm2\n2026-03-02T06:00:00Z;{row}\n"))
    assert facts[0].area_cmm2 == round(taken * 100)


def test_a_point_in_a_file_of_decimal_commas_is_refused_where_it_groups_nothing(tmp_path: Path) -> None:
    """12.5 beside 12,5 may be a slip of a factor ten: the field waits for a person."""
    text = "ts;saw;stroke;area_mm2\n2026-03-02T06:00:00Z;S1;1;12,5\n2026-03-02T06:01:00Z;S1;2;12.5\n"
    facts, reasons = read(write(tmp_path / "a.csv", text))
    assert [fact.area_cmm2 for fact in facts] == [1250, None]
    assert reasons[0].startswith("wrong-type: area_mm2: found '12.5'")


def test_a_quote_left_open_costs_its_line_and_no_other(tmp_path: Path) -> None:
    """Each line stands for itself."""
    text = 'ts,saw,stroke,part\n2026-03-02T06:00:00Z,S1,1,"P\n2026-03-02T06:01:00Z,S1,2,P\n'
    facts, reasons = read(write(tmp_path / "a.csv", text))
    assert [fact.stroke for fact in facts] == [2]
    assert "is a quote left open?" in reasons[0]


@pytest.mark.parametrize(
    "odd",
    [
        '{"received":1780000000000,"topic":"x","payload":1}',
        '{"topic":5,"payload":1}',
        '{"topic":"x\\ud800","payload":1}',
    ],
)
def test_odd_lines_of_a_log_are_refused_alone(tmp_path: Path, odd: str) -> None:
    """Also the first of the file."""
    facts, reasons = read(write(tmp_path / "a", odd + "\n" + line(CUT)))
    assert len(facts) == len(reasons) == 1


def test_a_rule_that_cannot_work_is_told_at_the_start() -> None:
    """Before the first message."""
    assert check_rule(Rule("plant/#", "cut", fields={"stroke": "a..b"})) != []
    assert check_rule(Rule("plant/saw{saw}/x", "cut")) != []
    assert check_rule(Rule("plant/{saw}/x", "cut", units={"area_mm2": "kW"})) != []
    assert check_rule(Rule("plant/{saw}/x", "cut", fields={"stroke": "a.b"}, units={"area_mm2": "in**2"})) == []
