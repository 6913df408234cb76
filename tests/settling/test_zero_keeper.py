"""Zero checks, the line between them, the bridge's uncertainty, restating."""

from __future__ import annotations

import random

import pytest
from settling.helpers_settling import Row, run

from logger.model import Rest, Sample, ZeroCheck
from logger.settling.settings import Settling
from logger.settling.zero import Check, ZeroKeeper


def keeper() -> ZeroKeeper:
    zero = ZeroKeeper(Settling(zero_drift_share_per_sqrt_s=1e-5), 500.0)
    zero.add(Check(0.0, 0.2, 0.01))
    return zero


def test_line_and_brownian_bridge() -> None:
    """σ²(t−a)(b−t)/(b−a) plus the checks' own: halfway it is σ²·T/4 (Brownian bridge, textbook)."""
    zero = keeper()
    assert zero.at(100.0)[1] == pytest.approx((0.01**2 + 0.005**2 * 100) ** 0.5)
    zero.add(Check(400.0, 0.21, 0.01))
    value, u = zero.at(200.0)
    assert value == pytest.approx(0.205)
    assert u == pytest.approx((2 * (0.5 * 0.01) ** 2 + 0.005**2 * 400 / 4) ** 0.5, rel=0.2)
    assert zero.at(400.0) == pytest.approx((0.21, 0.01))


def test_limits_of_empty() -> None:
    fresh = ZeroKeeper(Settling(), 500.0)
    assert fresh.is_empty(20.0, 0.1, 0.0)
    assert not fresh.is_empty(120.0, 0.1, 0.0)  # beyond 20 % of Max, and a wheel
    assert not fresh.is_empty(60.0, 0.1, 0.0)
    zero = keeper()
    assert zero.is_empty(0.9, 0.1, 10.0)
    assert not zero.is_empty(5.0, 0.1, 10.0)
    assert not ZeroKeeper(Settling(), None).is_empty(0.0, 0.1, 0.0)


def test_sentence_says_age_and_doubt() -> None:
    assert "not known" in ZeroKeeper(Settling(), 500.0).sentence(0.0)
    text = keeper().sentence(23 * 60.0)
    assert text.startswith("zero is 23 minutes old, ±0.4 kg")
    assert text.endswith("let the pads stand empty for five seconds")


def test_drift_per_hour_and_degree() -> None:
    zero = ZeroKeeper(Settling(), 500.0)
    assert zero.drift_kg_per_h() is None
    for k in range(13):
        zero.add(Check(300.0 * k, 0.05 * k, 0.01, 20.0 - k))
    assert zero.drift_kg_per_h() == pytest.approx(0.6)
    assert zero.drift_kg_per_C() == pytest.approx(-0.05)


def readings(back: float) -> list[Row]:
    """Empty at +0.5 kg, 300 kg on, empty again at `back`."""
    dice = random.Random(2)
    rows: list[Row] = []
    for start, end, value in ((0, 8, 0.5), (8, 40, 300.5), (40, 50, back)):
        rows += [(k / 10, "a", round(value + dice.gauss(0, 0.05), 1)) for k in range(start * 10, end * 10)]
    return rows


def test_readings_are_corrected_and_restated() -> None:
    out, pipeline = run(readings(0.9), {"a": 700.0})
    checks = [r for r in out if isinstance(r, ZeroCheck)]
    assert checks[0].zero_kg == pytest.approx(0.5, abs=0.05)
    loaded = [r for r in out if isinstance(r, Rest) and r.mass_kg > 100]
    assert loaded[0].mass_kg == pytest.approx(300.0, abs=0.12)  # by the zero before
    last = loaded[-1]
    assert last.zero_kg == pytest.approx(0.7, abs=0.1)  # on the line between 0.5 and 0.9
    assert last.mass_kg == pytest.approx(299.8, abs=0.1)
    assert last.declared_mass_kg == loaded[0].declared_mass_kg
    assert last.revision == loaded[-2].revision + 1
    live = [r for r in out if isinstance(r, Sample) and 20e9 < r.t_mono_ns < 30e9]
    assert all(r.mass_kg == pytest.approx(r.mass_wire_kg - 0.5, abs=0.1) for r in live if r.mass_wire_kg)
    assert pipeline.pads["a"].zero.zero_kg == pytest.approx(0.9, abs=0.05)


def test_a_load_left_behind_is_no_zero() -> None:
    out, _ = run(readings(12.0), {"a": 700.0})
    assert not [r for r in out if isinstance(r, ZeroCheck) and r.zero_kg > 2]


def test_without_capacity_values_stay_as_on_the_wire() -> None:
    out, _ = run(readings(0.9))
    assert not [r for r in out if isinstance(r, ZeroCheck)]
    assert [r for r in out if isinstance(r, Rest)][-1].zero_kg == 0.0
    assert max(r.mass_kg for r in out if isinstance(r, Rest)) > 300.3
