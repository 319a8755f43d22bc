"""A message to facts and rejections."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.facts import BladeNote, Check, Sample, Stroke, Waveform
from collectors.fields import Site
from collectors.instants import parse_text
from collectors.payloads import MAX_PAYLOAD_BYTES, Message, decode

SITE = Site("hall", {"S1": frozenset({"1"}), "S2": frozenset({"1", "2"})})
RECEIVED_US = parse_text("2026-03-02T06:00:01Z")
TS = "2026-03-02T07:00:00+01:00"


def read(kind: str, payload: object, saw: str = "S1") -> tuple[list, list[str]]:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    facts, rejected = decode(Message(f"bladewatch/1/hall/{saw}/{kind}", raw, RECEIVED_US, "broker"), SITE)
    return facts, [item.reason for item in rejected]


def test_a_cut_becomes_a_stroke_in_utc_and_hundredths_of_mm2() -> None:
    """Instant, counter and optional fields arrive; unknown fields are ignored."""
    facts, reasons = read("cut", {"ts": TS, "stroke": 7.0, "area_mm2": 564.25, "alloy": "6063", "colour": "grey"})
    assert reasons == []
    assert facts == [
        Stroke("S1", "1", parse_text("2026-03-02T06:00:00Z"), 7, RECEIVED_US, alloy="6063", area_cmm2=56425)
    ]


def test_epoch_milliseconds_are_the_same_instant_as_text() -> None:
    """Two ways to write an instant, one fact."""
    facts, _ = read("cut", {"ts": 1772431200000, "stroke": 1})
    assert facts[0].ts_us == parse_text(TS)


@pytest.mark.parametrize("stroke", [-12, 7.5, "7", True, None, 2**70, math.nan])
def test_a_stroke_without_a_usable_counter_is_refused_whole(stroke: object) -> None:
    """The counter is the one thing a stroke cannot do without."""
    facts, reasons = read("cut", {"ts": TS, "stroke": stroke})
    assert facts == []
    assert "stroke" in reasons[0]


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("energy_kj", "much", "wrong-type"),
        ("energy_kj", -999, "sentinel"),
        ("energy_kj", 65535, "sentinel"),
        ("area_mm2", -5, "out-of-range"),
        ("feed_mm_s", math.inf, "not-a-number"),
        ("pieces", 1.5, "wrong-type"),
        ("part", 417, "wrong-type"),
        ("kind", "slice", "wrong-value"),
        ("lot", "x" * 500, "too-long"),
    ],
)
def test_a_bad_optional_field_is_refused_alone(name: str, value: object, code: str) -> None:
    """The stroke, its counter and its good fields stay."""
    facts, reasons = read("cut", {"ts": TS, "stroke": 65535, "duration_s": 1.5, name: value})
    assert [(fact.stroke, fact.duration_s) for fact in facts] == [(65535, 1.5)]
    assert reasons[0].startswith(f"{code}: {name}: ")


def test_each_object_of_an_array_stands_for_itself() -> None:
    """One bad object does not take its neighbours along."""
    facts, reasons = read("cut", [{"ts": TS, "stroke": 1}, 5, {"stroke": 2}, {"ts": TS, "stroke": 3}])
    assert [fact.stroke for fact in facts] == [1, 3]
    assert [reason.partition(":")[0] for reason in reasons] == ["not-an-object", "missing-field"]


def test_the_fast_form_is_spread_over_its_instants() -> None:
    """Sample i lies at ts + i·dt_ms; a bad one is refused alone."""
    facts, reasons = read("power", {"ts": TS, "dt_ms": 100, "power_kw": [1.0, None, 1.2]})
    start = parse_text(TS)
    assert [(fact.ts_us - start, fact.value) for fact in facts] == [(0, 1.0), (200_000, 1.2)]
    assert reasons == ["wrong-type: power_kw[1]: found None, expected a number"]


def test_state_words_and_truth_values_become_numbers() -> None:
    """A state message is a sample of each signal it names."""
    facts, _ = read("state", {"ts": TS, "state": "running", "mist_ok": False, "bearing_c": 41.5})
    assert {(fact.signal, fact.value) for fact in facts} == {("state", 3.0), ("mist_ok", 0.0), ("bearing_c", 41.5)}


def test_every_kind_of_message_has_its_fact() -> None:
    """Vibration, waveform, check and blade messages arrive."""
    assert isinstance(read("vibration", {"ts": TS, "point": "spindle-front", "velocity_mm_s": 1.4})[0][0], Sample)
    wave = {"ts": TS, "point": "spindle-front", "fs_hz": 25600, "unit": "g", "samples": [0.1, -0.1]}
    assert isinstance(read("vibration", wave)[0][0], Waveform)
    assert isinstance(read("check", {"ts": TS, "what": "burr_mm", "value": 0.12})[0][0], Check)
    assert isinstance(read("blade", {"ts": TS, "event": "mounted", "plate": "A-0417"})[0][0], BladeNote)


@pytest.mark.parametrize(
    ("topic", "payload", "code"),
    [
        ("bladewatch/1/hall/S1/cuts", b"{}", "unknown-topic"),
        ("bladewatch/2/hall/S1/cut", b"{}", "unknown-topic"),
        ("bladewatch/1/hall/S 1/cut", b"{}", "unknown-topic"),
        ("bladewatch/1/other/S1/cut", b"{}", "unknown-site"),
        ("bladewatch/1/hall/S9/cut", b"{}", "unknown-saw"),
        ("bladewatch/1/hall/S1/cut", b'{"ts":', "broken-json"),
        ("bladewatch/1/hall/S1/cut", b"\xff\xfe", "broken-json"),
        ("bladewatch/1/hall/S1/cut", b"[" * 100_000, "broken-json"),
        ("bladewatch/1/hall/S1/cut", b" " * (MAX_PAYLOAD_BYTES + 1), "too-large"),
        ("bladewatch/1/hall/S1/cut", b'{"ts":"1970-01-01T00:00:00Z","stroke":1}', "clock-past"),
        ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-04T06:00:00Z","stroke":1}', "clock-ahead"),
        ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-02T06:00:00","stroke":1}', "bad-time"),
        ("bladewatch/1/hall/S1/cut", b'{"ts":"2026-03-02T06:00:00Z","stroke":1,"spindle":"2"}', "unknown-spindle"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_bytes_and_a_reason(topic: str, payload: bytes, code: str) -> None:
    """Nothing is dropped silently; a long payload keeps its head, length and hash."""
    facts, rejected = decode(Message(topic, payload, RECEIVED_US, "broker"), SITE)
    assert facts == []
    assert rejected[0].reason.startswith(code)
    assert payload.startswith(rejected[0].payload)
    if len(payload) > 256 * 1024:
        assert f"of {len(payload)} bytes, sha256 " in rejected[0].reason


def test_a_bare_nan_costs_its_field_and_not_the_message() -> None:
    """Gateways that write NaN are no JSON writers, yet their strokes count."""
    facts, reasons = read("cut", b'{"ts":"%s","stroke":4,"energy_kj":NaN}' % TS.encode())
    assert facts[0].stroke == 4
    assert reasons[0].startswith("not-a-number: energy_kj")


def test_an_empty_array_is_refused() -> None:
    """It says nothing, and nothing goes unsaid."""
    facts, rejected = decode(Message("bladewatch/1/hall/S1/cut", b"[]", RECEIVED_US, "broker"), SITE)
    assert (facts, [one.reason.partition(":")[0] for one in rejected]) == ([], ["no-objects"])


@given(st.binary(max_size=300), st.sampled_from(["power", "cut", "vibration", "state", "check", "blade"]))
def test_no_bytes_whatever_raise(payload: bytes, kind: str) -> None:
    """Any payload ends as facts or as rejections."""
    facts, rejected = decode(Message(f"bladewatch/1/hall/S1/{kind}", payload, RECEIVED_US, "broker"), SITE)
    assert facts or rejected


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=8,
)


@given(
    st.sampled_from(["power", "cut", "vibration", "state", "check", "blade"]),
    st.dictionaries(
        st.sampled_from(["ts", "stroke", "power_kw", "dt_ms", "point", "samples", "what", "value", "plate", "event",
                         "state", "part", "energy_kj", "spindle", "seq", "area_mm2"]),
        _JSON,
        max_size=8,
    ),
)  # fmt: skip
def test_no_object_whatever_raises(kind: str, item: dict[str, object]) -> None:
    """Any JSON object ends as facts or as rejections, and no fact carries NaN."""
    facts, rejected = decode(
        Message(f"bladewatch/1/hall/S1/{kind}", json.dumps(item).encode(), RECEIVED_US, "broker"), SITE
    )
    assert facts or rejected
    assert all(math.isfinite(fact.value) for fact in facts if isinstance(fact, Sample))


@pytest.mark.parametrize(
    "payload",
    [
        b'["\\ud800"]',
        b'[{"ts":"2026-03-02T06:00:00Z","stroke":2,"part":"\\ud800"}]',
        b'{"ts":"2026-03-02T06:00:00Z","stroke":1,"part":' + b"[" * 950 + b"]" * 950 + b"}",
        b'{"ts":' + b"[" * 950 + b"]" * 950 + b"}",
    ],
)
def test_a_poisoned_message_ends_as_a_rejection_and_not_as_the_collectors_end(payload: bytes) -> None:
    """What the broker would send again after every crash must not crash."""
    from collectors.mapping import Translator

    facts, rejected = Translator(SITE).decode(Message("bladewatch/1/hall/S1/cut", payload, RECEIVED_US, "broker"))
    assert len(facts) <= 1
    assert rejected[0].reason.encode()
    assert rejected[0].payload


def test_a_fast_run_that_ends_far_ahead_is_refused() -> None:
    """The clock rule holds for every sample of it."""
    facts, reasons = read("power", {"ts": TS, "dt_ms": 3_600_000, "power_kw": [1.0] * 48})
    assert facts == []
    assert reasons[0].startswith("clock-ahead: power_kw")
