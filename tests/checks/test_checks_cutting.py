"""Outside checks of geometry, power and sections."""

from __future__ import annotations

from math import degrees

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import cutting, sections
from models.bar import bar_plan
from models.taylor import crossing, taylor_of

pytestmark = pytest.mark.outside


def test_kinematics_of_a_500_mm_blade() -> None:
    """v_c = π·D·n, f_z = v_f/(n·z), tooth frequency n·z/60: textbook formulas; D 500, z 120, 3000/min, 6000 mm/min."""
    assert cutting.rim_speed_m_s(500, 3000) == pytest.approx(78.5398, abs=1e-4)
    assert cutting.rim_speed_m_s(500, 3000) * 60 == pytest.approx(4712.39, abs=0.01)
    assert cutting.feed_per_tooth_mm(100, 3000, 120) == pytest.approx(0.0166667, abs=1e-7)
    assert cutting.tooth_frequency_hz(3000, 120) == 6000


@pytest.mark.parametrize(
    ("teeth", "rpm", "feed_mm_min", "low", "high", "entry", "leave", "arc", "chip", "in_cut"),
    [
        (60, 1500, 1800, -50, 50, 75.5225, 104.4775, 101.0721, 0.01978785, 4.825837),
        (96, 2800, 1500, -120, -40, 101.53696, 126.86990, 88.42864, 0.005048461, 6.755450),
    ],
)
def test_engagement_of_a_400_mm_blade(
    teeth: int, rpm: float, feed_mm_min: float, low: float, high: float,
    entry: float, leave: float, arc: float, chip: float, in_cut: float,
) -> None:  # fmt: skip
    """Own arithmetic on the exact formula; the identity b·h_m·z_e·v_c = b·H·v_f holds beside it."""
    tooth = cutting.feed_per_tooth_mm(feed_mm_min / 60, rpm, teeth)
    found = cutting.engagement(400, teeth, tooth, low, high)
    assert degrees(found.entry_rad) == pytest.approx(entry, abs=1e-4)
    assert degrees(found.exit_rad) == pytest.approx(leave, abs=1e-4)
    assert found.arc_mm == pytest.approx(arc, abs=1e-4)
    assert found.mean_chip_mm == pytest.approx(chip, rel=1e-6)
    assert found.teeth_in_cut == pytest.approx(in_cut, rel=1e-6)


@given(
    st.floats(250, 800), st.integers(20, 200), st.floats(300, 5000), st.floats(1, 200),
    st.floats(-0.99, 0.9), st.floats(0.01, 1),
)  # fmt: skip
def test_what_the_chips_carry_off_is_what_the_feed_brings(
    diameter: float, teeth: int, rpm: float, feed: float, start: float, share: float
) -> None:
    """b·h_m·z_e·v_c = b·H·v_f for every blade, speed and place of the work."""
    low = start * diameter / 2
    high = low + share * (0.99 * diameter / 2 - low)
    tooth = cutting.feed_per_tooth_mm(feed, rpm, teeth)
    found = cutting.engagement(diameter, teeth, tooth, low, high)
    chips = found.mean_chip_mm * found.teeth_in_cut * cutting.rim_speed_m_s(diameter, rpm) * 1000
    assert chips == pytest.approx((high - low) * feed, rel=1e-6)


def test_kienzle_numbers_of_a_cutter_catalogue() -> None:
    """Groups 22 (aluminium, hardened: 800, 0.25) and 27 (brass: 700, 0.27) after VDI 3323; asserted is the formula."""
    chips = (0.4, 0.3, 0.2, 0.1, 0.05, 0.02, 0.01)
    aluminium = [cutting.kienzle_n_mm2(800, 0.25, chip) for chip in chips]
    brass = [cutting.kienzle_n_mm2(700, 0.27, chip) for chip in chips]
    assert aluminium == pytest.approx([1005.9, 1081.0, 1196.3, 1422.6, 1691.8, 2127.3, 2529.8], abs=0.05)
    assert brass == pytest.approx([896.5, 968.9, 1081.0, 1303.5, 1571.7, 2012.9, 2427.2], abs=0.05)


def test_power_of_the_symmetrical_case_and_by_unit_power() -> None:
    """Case A with kerf 4: k_c 2132.997, 25.596 kW. Unit power 0.8 J/mm³ (Groover, table of unit power) gives 9.6 kW."""
    tooth = cutting.feed_per_tooth_mm(30, 1500, 60)
    chip = cutting.engagement(400, 60, tooth, -50, 50).mean_chip_mm
    specific = cutting.kienzle_n_mm2(800, 0.25, chip)
    removal = cutting.removal_mm3_s(4.0, 100, 30)
    assert specific == pytest.approx(2132.997, abs=1e-3)
    assert cutting.power_kw(specific, removal) == pytest.approx(25.596, abs=1e-3)
    assert cutting.power_kw(800, removal) == pytest.approx(9.6)


@pytest.mark.parametrize(("hp_min_in3", "j_mm3"), [(0.25, 0.683), (0.3, 0.819), (0.8, 2.184), (0.15, 0.410)])
def test_the_unit_power_table_is_consistent_in_both_units(hp_min_in3: float, j_mm3: float) -> None:
    """Groover, Fundamentals of Modern Manufacturing, typical unit power: 1 hp·min/in³ = 2.73032 J/mm³."""
    import pint

    value = pint.get_application_registry().Quantity(hp_min_in3, "hp*min/inch**3").to("J/mm**3").magnitude
    assert value == pytest.approx(j_mm3, abs=6e-4)


def test_a_dull_edge_doubles_energy_by_what_the_feed_leaves() -> None:
    """K_c 750, K_e 15: the rise of u when K_e doubles falls with feed per tooth (67, 50, 40, 29, 20 %)."""
    rises = []
    for feed in (0.01, 0.02, 0.03, 0.05, 0.08):
        sharp, dull = cutting.edge_energy_n_mm2(750, 15, feed), cutting.edge_energy_n_mm2(750, 30, feed)
        rises.append(dull / sharp - 1)
    assert rises == pytest.approx([0.667, 0.5, 0.4, 0.286, 0.2], abs=1e-3)


def test_tooth_travel_of_a_50_mm_bar() -> None:
    """50 × 50 solid at 50 and 80 mm/s, z 96, 2800/min: 2.3 and 1.46 m of travel a tooth (own arithmetic)."""
    for feed, travel in ((50, 2.33), (80, 1.46)):
        tooth = cutting.feed_per_tooth_mm(feed, 2800, 96)
        assert cutting.tooth_travel_m(2500, tooth, 96) == pytest.approx(travel, abs=0.005)


@pytest.mark.parametrize(
    ("lb_ft", "in2"),
    [
        (0.577, 0.491), (1.135, 0.965), (1.738, 1.478), (2.212, 1.881),
        (2.834, 2.410), (1.637, 1.392), (2.311, 1.965), (4.030, 3.427),
    ],
)  # fmt: skip
def test_area_by_mass_of_standard_shapes(lb_ft: float, in2: float) -> None:
    """Aluminum Association standard channels and I-beams, 6061-T6, 0.098 lb/in³ (areas from memory)."""
    kg_m = lb_ft * 0.45359237 / 0.3048
    density = 0.098 * 27.679905
    assert sections.from_mass(kg_m, density) / 645.16 == pytest.approx(in2, abs=6e-4)


def test_section_formulas() -> None:
    """Round, tube, box, angle, channel with sharp corners: geometry, own arithmetic."""
    assert sections.round_bar(100) == pytest.approx(7853.98, abs=0.01)
    assert sections.round_bar(100) * 2.70e-3 == pytest.approx(21.206, abs=1e-3)
    assert sections.round_tube(50, 3) == pytest.approx(442.965, abs=1e-3)
    assert sections.box(60, 40, 3) == 564
    assert sections.angle(50, 50, 5) == 475
    assert sections.channel(100, 50, 5) == 950
    assert sections.hexagon(20) == pytest.approx(346.410, abs=1e-3)
    assert sections.mitred(100, 45) == pytest.approx(141.421, abs=1e-3)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: sections.round_bar(0), lambda: sections.round_tube(20, 11), lambda: sections.box(20, 20, 11),
        lambda: sections.mitred(1, 90), lambda: cutting.kienzle_n_mm2(700, 0.25, 0),
        lambda: cutting.engagement(400, 60, 0.02, 10, 300), lambda: cutting.feed_per_tooth_mm(10, 0, 60),
        lambda: cutting.edge_energy_n_mm2(700, 15, 0),
    ],
)  # fmt: skip
def test_impossible_dimensions_are_refused_with_words(wrong: object) -> None:
    """What was found, what was expected."""
    with pytest.raises(ValueError, match=r"expected"):
        wrong()


def test_taylor_through_two_points() -> None:
    """Groover, tool-life example: 160 m/min 5 min, 100 m/min 41 min; the book prints n = 0.223, C = 229."""
    fit = taylor_of(160, 5, 100, 41)
    assert fit.n == pytest.approx(0.22337, abs=1e-5)
    assert fit.c == pytest.approx(229, rel=2e-3)


def test_taylor_from_wear_curves() -> None:
    """Groover, tool technology chapter, problem 1: VB 0.75 mm is met at 20.4 and 10 min; n 0.614, C 637."""
    slow = crossing([1, 5, 11, 15, 20, 25], [0.12, 0.27, 0.45, 0.58, 0.73, 0.97], 0.75)
    fast = crossing([1, 5, 9, 11, 13], [0.22, 0.47, 0.70, 0.80, 0.99], 0.75)
    assert slow == pytest.approx(20.4167, abs=1e-4)
    assert fast == pytest.approx(10.0)
    fit = taylor_of(100, slow or 0, 155, fast or 0)
    assert (fit.n, fit.c) == (pytest.approx(0.6140, abs=1e-4), pytest.approx(637.3, abs=0.1))


def test_speed_and_life() -> None:
    """Kalpakjian & Schmid, problems of the cutting chapter: n 0.5, half the speed lives four times as long."""
    fit = taylor_of(100, 1, 50, 4)
    assert fit.n == pytest.approx(0.5)
    slower = type(fit)(0.4, 450.0)
    assert slower.life(80) / slower.life(100) == pytest.approx(1.7469, abs=1e-4)
    assert slower.life(130) / slower.life(100) == pytest.approx(0.5190, abs=1e-4)


def test_a_curve_that_never_meets_the_limit_has_no_crossing() -> None:
    """None is an answer; readings out of order are not."""
    assert crossing([1, 2], [0.1, 0.2], 0.5) is None
    assert crossing([1, 2], [0.6, 0.7], 0.5) == 1
    with pytest.raises(ValueError, match="rise"):
        crossing([2, 1], [0.1, 0.2], 0.5)
    with pytest.raises(ValueError, match="as many"):
        crossing([1, 2], [0.1], 0.5)


def test_loss_of_a_load_with_nose_trim_and_clamp() -> None:
    """Half an inch of nose trim, a clamp that needs the last 2½ in: about 3 in a load where the stock is a fitting
    multiple. Common practice, no source."""
    inch, piece, kerf = 25.4, 6 * 25.4, 0.15 * 25.4
    stock = 0.5 * inch + kerf + 20 * (piece + kerf) + 2.5 * inch
    plan = bar_plan(stock, piece, kerf, trim_mm=0.5 * inch, clamp_mm=2.5 * inch)
    assert plan.pieces == 20
    assert plan.loss_mm / inch == pytest.approx(3.0)
    longer = bar_plan(stock + 3 * inch, piece, kerf, trim_mm=0.5 * inch, clamp_mm=2.5 * inch)
    assert (longer.pieces, longer.loss_mm / inch) == (20, pytest.approx(6.0))
