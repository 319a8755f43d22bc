"""The configuration file."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from bladewatch.config.decode import load, parse
from bladewatch.config.sample import SAMPLE
from bladewatch.errors import UsageError
from collectors.instants import parse_text

LEAST = '[site]\nname="h"\n[[saw]]\nid="S1"\n[[blade_type]]\nid="T"\n'


def test_the_sample_is_a_valid_configuration() -> None:
    """What ``init`` writes runs as it is."""
    config = parse(SAMPLE, Path("bladewatch.toml"))
    assert config.site.name == "hall-two"
    assert list(config.saws) == ["S1", "S2"]


def test_three_names_are_enough() -> None:
    """Only the site's name, a saw and a blade type are required; the rest has defaults."""
    config = parse(LEAST, Path("c.toml"))
    assert config.store.url == "sqlite:///bladewatch.sqlite"
    assert config.retention.keep_raw_days == 90
    assert config.mqtt.port == 1883


def test_money_is_decimal_as_number_and_as_text() -> None:
    """No float touches an amount."""
    text = LEAST.replace('id="T"', 'id="T"\nprice=380.10\ngrind_price="48.00"\ntip_price=9')
    row = parse(text, Path("c.toml")).blade_types.at("T", 0)
    assert row is not None
    assert (row.price, str(row.grind_price), row.tip_price) == (Decimal("380.10"), "48.00", Decimal(9))


def test_every_mistake_is_told_at_once() -> None:
    """File, key, what was found, what would be right: for each of them in one go."""
    text = """
    [site]
    timezone = "Mars/Olympus"
    curency = "EUR"
    [[saw]]
    id = "S 1"
    rated_rpm = "fast"
    [[saw]]
    id = "S2"
    spindles = 0
    [[blade_type]]
    id = "T"
    price = "a lot"
    wear_limit_um = nan
    [[part]]
    area_mm2 = -4
    [mqtt]
    port = 99999
    [colours]
    """
    with pytest.raises(UsageError) as caught:
        parse(text, Path("shop.toml"))
    told = str(caught.value)
    assert told.startswith("shop.toml: 12 mistakes")
    for piece in (
        "[site] name: missing", "[site] timezone: found 'Mars/Olympus'", "curency: unknown key; did you mean currency?",
        "[[saw]] 'S 1' id: found 'S 1', expected 1 to 64", "rated_rpm: found 'fast', expected a number from 1 to 30000",
        "spindles: found 0", "price: found 'a lot', expected an amount", "wear_limit_um: found NaN",
        "[[part]] 1 id: missing", "area_mm2: found -4", "colours: unknown key", "port: found 99999",
    ):  # fmt: skip
        assert piece in told


def test_a_row_with_valid_from_takes_over() -> None:
    """The part table has a history; before its first row a part is not known."""
    text = LEAST + (
        '[[part]]\nid="P"\narea_mm2=100\nvalid_from=2026-01-01\n'
        '[[part]]\nid="P"\narea_mm2=120\nvalid_from=2026-03-01T06:00:00+01:00\n'
    )
    parts = parse(text, Path("c.toml")).parts

    def area(at: str) -> float | None:
        row = parts.at("P", parse_text(at))
        return None if row is None else row.area_mm2

    assert area("2025-12-31T23:59:59Z") is None
    assert area("2026-01-01T00:00:00Z") == 100
    assert area("2026-03-01T04:59:59Z") == 100
    assert area("2026-03-01T05:00:00Z") == 120


def test_a_row_that_stands_twice_is_a_mistake() -> None:
    """Two rows of one id need different valid_from."""
    with pytest.raises(UsageError, match="stands twice"):
        parse(LEAST + '[[alloy]]\nid="A"\n[[alloy]]\nid="A"\n', Path("c.toml"))


def test_a_row_with_a_mistake_makes_no_other_row_wrong() -> None:
    """A saw that fits a blade type is not blamed for the type's price."""
    text = LEAST.replace('id="S1"', 'id="S1"\nfits=["T"]').replace('id="T"', 'id="T"\nprice="380,00"')
    with pytest.raises(UsageError, match="1 mistake in the configuration") as caught:
        parse(text, Path("c.toml"))
    assert "price: found '380,00'" in str(caught.value)


def test_a_missing_file_names_the_cure(tmp_path: Path) -> None:
    """Somebody who has no configuration yet is told how to get one."""
    with pytest.raises(UsageError, match="bladewatch init"):
        load(tmp_path / "none.toml")


def test_broken_toml_names_the_line() -> None:
    """A slip of syntax is told with its place."""
    with pytest.raises(UsageError, match="line 2"):
        parse('[site]\nname = "h\n', Path("c.toml"))


@pytest.mark.parametrize(
    "row",
    [
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = 1e200 }',
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = inf }',
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = nan }',
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = ' + "9" * 400 + " }",
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = ' + "9" * 5000 + " }",
        '[[part]]\nid = "P1"\nsection = { shape = "round", diameter_mm = "' + "9" * 400 + ' in" }',
        '[[part]]\nid = "P1"\nsection = { shape = "angle", leg_a_mm = 5, leg_b_mm = 5, thickness_mm = 50 }',
        '[[part]]\nid = "P1"\nsection = { shape = "channel", depth_mm = 5, flange_mm = 100, thickness_mm = 5 }',
        '[[part]]\nid = "P1"\nbars = 1000\nsection = { shape = "rectangle", width_mm = 2000, height_mm = 2000 }',
        '[[saw]]\nid = "S2"\ndiameter_mm = [-5, 420]',
        '[[saw]]\nid = "S2"\ndiameter_mm = 420',
        '[[saw]]\nid = "S2"\nspindles = ["a", "a"]',
        '[[blade_type]]\nid = "T2"\ninspect = ["kerf_mm 4 to 3"]',
        '[[blade_type]]\nid = "T2"\ninspect = ["tips", "tips"]',
        '[[blade_type]]\nid = "T2"\ninspect = ["cracks <= 3"]',
        '[[blade_type]]\nid = "T2"\nprice = "1e999999"',
        '[[supplier]]\nid = "G"\nvan_weekday = 1',
    ],
)
def test_a_value_that_cannot_be_is_one_mistake_of_its_row(row: str) -> None:
    """Huge, endless, turned inside out, twice the same: told with its row, never a fault of our own."""
    with pytest.raises(UsageError) as caught:
        parse(f"{LEAST}{row}\n", Path("bladewatch.toml"))
    text = str(caught.value)
    assert "1 mistake" in text or "too long" in text
    assert len(text) < 1000
