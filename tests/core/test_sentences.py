"""Sentences that count in SI, shown to a reader of pounds."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.sentences import in_unit, kilograms, significant
from logger.units import LB_KG

# NIST SP 811: 1 lb = 0.45359237 kg, 1 in = 25.4 mm, both exact
SAID = [
    ("The total is 103.3 ± 2.2 kg above.", "The total is 227.7 ± 4.9 lb above."),
    ("total +1170 kg, moments −22.5 kg·m along", "total +2579 lb, moments -1953 lb·in along"),
    ("not a car's (50 to 15000 kg).", "not a car's (110 to 33069 lb)."),
    ("±0.1 kg is assumed", "±0.2 lb is assumed"),
    ("0.42 m ahead of the rear axle and 0.05 m left", "16.5 in ahead of the rear axle and 2.0 in left"),
    ("lay 5 mm under the pad", "lay 0.20 in under the pad"),
]
LEFT = [
    "5 mm in a metre, one standard deviation",
    "18600 ± 3000 N·m/rad",
    "0.75 kg/L",
    "2.5 mm/m",
    "w3.1 moved; pounds were taken as kilograms",
    "values in lb entered as kg?",
]


@pytest.mark.parametrize(("sentence", "shown"), SAID)
def test_quantities_are_converted(sentence: str, shown: str) -> None:
    assert in_unit(sentence, "lb") == shown
    assert in_unit(sentence, "kg") == sentence


@pytest.mark.parametrize("sentence", LEFT)
def test_what_is_no_mass_moment_or_length_stays(sentence: str) -> None:
    assert in_unit(sentence, "lb") == sentence


@settings(deadline=None, max_examples=200)
@given(st.floats(-20_000, 20_000), st.integers(1, 6))
def test_a_mass_written_into_a_sentence_comes_out_in_pounds(mass_kg: float, digits: int) -> None:
    text = kilograms(mass_kg, digits)
    assert float(text.removesuffix(" kg")) == pytest.approx(mass_kg, rel=0.51 * 10.0 ** (1 - digits))
    places = len(text.removesuffix(" kg").partition(".")[2])
    shown = re.fullmatch(r"It is (-?[\d.]+) lb\.", in_unit(f"It is {text}.", "lb"))
    assert shown is not None
    assert float(shown[1]) == pytest.approx(
        float(text.removesuffix(" kg")) / LB_KG, abs=0.501 * 10.0**-places
    )


def test_thousands_stand_in_full() -> None:
    assert significant(1166.4, 3) == "1170"
    assert significant(21340, 3, sign=True) == "+21300"
    assert significant(-0.0123456, 3, sign=True) == "-0.0123"
