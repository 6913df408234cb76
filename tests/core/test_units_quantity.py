"""Units against their definitions, and numbers written with the digits that their uncertainty supports."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.quantity import Quantity, rounded
from logger.quantity_text import read_quantity
from logger.report.sections import PSI_KPA
from logger.units import G_N, IN_M, KG_PER, LB_KG, from_kg, from_m, to_kg, to_m

masses = st.floats(-5000, 5000, allow_nan=False)


def test_units_are_as_defined() -> None:
    # NIST SP 811 B.8, Handbook 44 App. C: exact by definition (g_n, ounce: from memory, by script)
    assert LB_KG == 0.45359237
    assert IN_M == 0.0254
    assert G_N == 9.80665
    assert KG_PER["oz"] == 0.028349523125
    assert from_kg(1.0, "lb") == pytest.approx(2.2046226218487757, rel=1e-15)
    assert to_kg(4.4482216152605, "N") == pytest.approx(LB_KG, rel=1e-15)  # pound-force
    assert pytest.approx(6.894757293168361, rel=1e-15) == PSI_KPA
    assert read_quantity("1 lbf/in", "rate").value == pytest.approx(175.12683524647636, rel=1e-15)
    assert read_quantity("5.710147154732646 lbf/in", "rate").value == pytest.approx(1000, rel=1e-15)  # 1 N/mm


@given(masses, st.sampled_from(sorted(KG_PER)))
def test_there_and_back(mass_kg: float, unit: str) -> None:
    assert to_kg(from_kg(mass_kg, unit), unit) == pytest.approx(mass_kg, rel=1e-14, abs=1e-12)


def test_an_unknown_unit_is_named_with_those_known() -> None:
    with pytest.raises(ValueError, match="'stone' is not one of kg, g, t, lb"):
        to_kg(1, "stone")
    with pytest.raises(ValueError, match="'yd' is not one of m, mm"):
        to_m(1, "yd")
    assert from_m(0.0254, "in") == 1.0


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (968.4321, 0.31, "968.4 ± 0.6 kg"),
        (968.4321, 0.11, "968.43 ± 0.22 kg"),
        (1304.5, 6.0, "1304 ± 12 kg"),
        (1304.5, 60.0, "1300 ± 120 kg"),
        (-0.0004, 0.05, "0.00 ± 0.10 kg"),
        (12.5, None, "12.5 kg"),
        (12.5, 0.0, "12.5 kg"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float | None, text: str) -> None:
    assert Quantity(value, u, "kg").text() == text


def test_shares_show_as_percent_and_lengths_in_inches() -> None:
    assert Quantity(0.5012, 0.0007, "1").shown_in("%").text() == "50.12 ± 0.14 %"
    assert Quantity(2.54, 0.01, "m").shown_in("in").value == pytest.approx(100.0)
    assert Quantity(1.0, None, "kg·m").shown_in("lb·in").value == pytest.approx(86.7961662, rel=1e-8)
    assert Quantity(1.0, None, "N·m/rad").shown_in("lbf·ft/deg").value == pytest.approx(
        0.0128728879, rel=1e-8
    )
    assert Quantity(2.54, 0.01, "m").shown_beside("lb").unit == "in"
    with pytest.raises(ValueError, match="cannot show 'kg' in 'm'"):
        Quantity(1, None, "kg").shown_in("m")


@given(st.floats(-1e5, 1e5, allow_nan=False), st.floats(1e-4, 1e3))
def test_rounding_moves_a_number_by_less_than_its_uncertainty(value: float, u: float) -> None:
    shown = float(Quantity(value, u, "kg").text().split(" ")[0])
    assert abs(shown - value) <= 0.5 * u


def test_no_minus_zero() -> None:
    assert rounded(-0.01, 1) == "0.0"
