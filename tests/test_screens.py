"""Screens: pure, of any width, with and without colour."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from shops import CONFIG, T0_US, minute

from bladewatch.alerts import judge
from bladewatch.assess.assessment import Assessment, Coverage, TimeQuantity
from bladewatch.config.decode import parse
from bladewatch.config.tables import Config
from bladewatch.screens.status import render
from bladewatch.screens.words import in_order
from models.forecast import Quantity

NOW_US = minute(600)
CRACKED = "plate A-S1 is recorded as cracked and as mounted"


@pytest.fixture
def config() -> Config:
    """The configuration of the common test shop."""
    return parse(CONFIG, Path("c.toml"))


def spindle(saw: str, verdict: str, share: float | None, hours: float = 30, **more: object) -> Assessment:
    """An assessment as a moment would give it."""
    told = {} if share is None else {
        "used_share": Quantity(share, share * 0.8, share * 1.25, share * 0.85),
        "remaining_cuts": Quantity(1934.0, 900.0, 2800.0, 1110.0),
        "due": TimeQuantity(*(NOW_US + round(h * 3.6e9) for h in (hours * 1.5, hours * 0.9, hours * 3, hours))),
    }  # fmt: skip
    base = {"plate": f"A-{saw}", "blade_type": "T", "cycle": 3, "seen": "live", "last_message_us": NOW_US, "cuts": 900}
    base["wear_verdict"] = verdict
    return Assessment(saw, "1", verdict=verdict, coverage=Coverage(1.0, 0.4, 1.0, 1.0), **(base | told | more))


def shop() -> list[Assessment]:
    """One saw of each kind."""
    return [
        spindle("S1", "good", 0.3),
        spindle("S2", "change", 0.93, 5, reasons=("the blade may not last the next 8 hours", "from 12 cycles"),
                spare="A-9 in rack 2"),
        spindle("S3", "cannot-tell", 0.4, seen="blind", reasons=("not seen: it ran when its messages stopped",)),
        spindle("S4", "prepare", 0.85, 20, reasons=("85% of the limit is used",)),
        spindle("S5", "cannot-tell", None, reasons=("cannot tell: 1 ended cycle of blade type T",)),
        Assessment("S6", "1", reasons=("7 strokes with no blade on record",), coverage=Coverage(blade=0.0),
                   since_us=T0_US),
    ]  # fmt: skip


@pytest.mark.parametrize("width", [60, 80, 120, 136, 200])
@pytest.mark.parametrize("plain", [False, True])
def test_no_line_is_wider_than_the_screen(config: Config, width: int, plain: bool) -> None:
    """At any width, with and without box drawing; plain text is ASCII in its rulers."""
    alerts = judge(shop(), NOW_US, config.zone)
    lines = render(config, shop(), alerts, NOW_US, width, plain)
    assert max(len(line.text) for line in lines) <= width
    if plain:
        assert not any(mark in line.text for line in lines for mark in "├┤━●")


def test_who_needs_somebody_comes_first(config: Config) -> None:
    """Change before prepare, an unseen saw before one that only lacks data, good last."""
    assert [a.saw for a in in_order(shop())] == ["S2", "S4", "S3", "S5", "S6", "S1"]


def test_the_screen_at_eighty_columns(config: Config, golden: Callable[[str, str], None]) -> None:
    """As a technician sees it, word for word."""
    alerts = judge(shop(), NOW_US, config.zone)
    text = "\n".join(line.text for line in render(config, shop(), alerts, NOW_US, 80))
    golden("status80.txt", text + "\n")
    for forbidden in ("safe", "OK to", " go "):
        assert forbidden not in text
    assert "blade: good" in text


def test_alerts_put_the_action_first_and_fit_a_lock_screen(config: Config) -> None:
    """Saw, plate, what to do and by when in the first sixty characters; three hundred in all."""
    alerts = judge(shop(), NOW_US, config.zone)
    assert [(a.level, a.saw) for a in alerts] == [("change", "S2"), ("prepare", "S4"), ("data", "S6"), ("data", "S3")]
    assert alerts[0].text.startswith("saw S2: change blade A-S2 by 21:00.")
    assert "Spare: A-9 in rack 2" in alerts[0].text
    assert all(len(alert.text) <= 300 and alert.raised_us <= NOW_US for alert in alerts)


def test_a_cracked_plate_calls_for_somebody_and_promises_nothing(config: Config) -> None:
    """No cuts left are told for a blade that should not turn."""
    (alert,) = judge(
        [spindle("S1", "act", 0.3, wear_verdict="good", reasons=(CRACKED,), dangers=(CRACKED,))], NOW_US, config.zone
    )
    assert alert.text.startswith("saw S1: look at blade A-S1 now.")
    assert "cuts left" not in alert.text
