"""Grades: limits to the published figures, and one sentence that says the one thing to do."""

from __future__ import annotations

import json
from typing import Any

import pytest
from support import shared_data

from logger.settling import grade as limits
from logger.settling.grade import Measures, cell_creep_v, cell_tolerance_v, grade, tolerance_e

GOOD = Measures(
    pad="P1", resolution_kg=0.1, noise_kg=0.03, load_kg=250.0, settle_s=3.0, creep_30min_kg=0.02,
    creep_15_30_kg=0.01, creep_20_30_kg=0.01, zero_return_kg=0.02, drift_kg_per_h=0.05, zero_kg_per_C=0.005,
    repeatability_kg=0.05, samples=10_000, lost=5, longest_gap_s=0.4,
)  # fmt: skip


def known(name: str) -> Any:
    """A published value (check_values: OIML R 76 by a secondary transcription, R 60 read in an open copy)."""
    values = json.loads(shared_data("..", "check_values.json").read_text())
    return next(v for v in values if v["id"] == name)


@pytest.mark.parametrize("name", ["I", "II", "III", "IIII"])
def test_bands_of_r76_an_edge_takes_the_smaller_error(name: str) -> None:
    value = known(f"r76.mpe.{name}")
    edges = value["inputs"]["bands_in_e"][:2]
    assert [tolerance_e(edge, name) for edge in edges] == value["expected"][:2]
    assert [tolerance_e(edge + 1, name) for edge in edges] == value["expected"][1:]


def test_worked_creep_of_r60() -> None:
    """C3, D_max = E_max: 0.735 v within 30 min, 0.1575 v between 20 and 30 (R 60-1:2021, 5.5.1)."""
    whole, late = known("r60.creep.30"), known("r60.creep.20_30")
    n, share = whole["inputs"]["n"], whole["inputs"]["pLC"]
    assert cell_creep_v(n, "C", share) == pytest.approx((whole["expected"], late["expected"]), abs=1e-12)
    for name, upper in (("r60.mpe.C", "C"), ("r60.mpe.D", "D")):
        bands = known(name)["inputs"]["bands_v"]
        assert [cell_tolerance_v(b, upper) for b in bands] == pytest.approx(
            known(name)["expected"], abs=1e-12
        )


def test_creep_and_zero_limits_are_the_published_ones() -> None:
    assert known("r76.creep.30")["expected"] == limits.CREEP_30_MIN_E
    assert known("r76.creep.15_30")["expected"] == limits.CREEP_15_30_E
    assert limits.ZERO_RETURN_E == known("r76.zeroreturn")["expected"] == known("r60.DR")["expected"]
    assert known("r76.temp.zero")["expected"] == limits.ZERO_PER_5_C_E


def changed(**more: float) -> Measures:
    return Measures(**({name: getattr(GOOD, name) for name in GOOD.__dataclass_fields__} | more))


@pytest.mark.parametrize(
    ("what", "advice", "says"),
    [
        ({}, "trust", "trust it: 12 of 12"),
        ({"drift_kg_per_h": 0.2}, "warm up", "trust it after a warm-up"),
        ({"zero_kg_per_C": 0.03}, "warm up", "zero per 5 °C is 1.5 e against 1"),
        ({"zero_return_kg": 0.07}, "swap", "swap it with another to see whether the fault goes along"),
        ({"creep_30min_kg": 0.2}, "service", "service it: creep in 30 min is 2 e against 0.5"),
        ({"repeatability_kg": 0.5}, "service", "repeatability is 5 e against 1.5"),
        ({"creep_20_30_kg": 0.02}, "swap", "creep 20 to 30 min, load cell is 0.2 v against 0.1575"),
        ({"lost": 900}, "service", "look after its radio"),
    ],
)  # fmt: skip
def test_one_sentence_says_what_to_do_and_why(what: dict[str, float], advice: str, says: str) -> None:
    found = grade(changed(**what), e_kg=0.1)
    assert found.advice == advice
    assert says in found.sentence
    assert found.sentence.startswith("Pad P1: ")


def test_what_is_not_told_is_neither_met_nor_failed() -> None:
    bare = grade(Measures(pad="P1", resolution_kg=0.1, noise_kg=0.03, load_kg=250.0), e_kg=0.1)
    assert {c.name for c in bare.criteria if c.met is not None} == {"noise", "longest gap"}
    assert all(c.source for c in bare.criteria)


def test_an_unknown_class_is_refused_and_a_load_beyond_takes_the_widest_band() -> None:
    with pytest.raises(ValueError, match="class 'V' is not one of"):
        grade(GOOD, accuracy_class="V")
    with pytest.raises(ValueError, match="beyond class III"):
        tolerance_e(10_001, "III")
    wide = {c.name: c.limit for c in grade(changed(load_kg=5000.0), e_kg=0.1).criteria}
    assert wide["repeatability"] == 1.5
