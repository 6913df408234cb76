"""Zero checks, their published limits, the line between them, the bridge's uncertainty, drift, sentences."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest
from settling.helpers_settling import Row, run, sample
from support import shared_data

from logger.model import CarRest, Condition, PadCondition, Rest, Sample, ZeroCheck
from logger.settling.pipeline import Pipeline
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


def takes(zero: ZeroKeeper, kg: float, t_s: float, **more: float) -> bool:
    """Is a level this far from nothing taken for zero? Of a pad with d = 0.1 kg, quiet and well known."""
    how = {"stood_s": 2.0, "slope_kg_per_s": 0.0, "resolution_kg": 0.1, "e_kg": 0.1} | more
    return zero.takes(Check(t_s, kg, how.pop("u_kg", 0.02)), **how)  # type: ignore[arg-type]


def limit(name: str) -> float:
    """A published limit (check_values: R 76-1:2006; secondary transcription, the clauses were not read)."""
    values = json.loads(shared_data("..", "check_values.json").read_text())
    return float(next(v["expected"] for v in values if v["id"] == name))


def test_defaults_are_the_published_limits() -> None:
    s = Settling()
    assert s.zero_initial_share * 100 == limit("r76.zero.initial")
    assert s.zero_track_share * 100 == limit("r76.zero.range")
    assert s.zero_track_d_per_s == limit("r76.zero.track.rate")
    assert s.zero_set_after_s == limit("r76.zero.auto")
    assert s.zero_accuracy_e == limit("r76.zero.accuracy")


def test_zero_is_followed_at_half_a_d_a_second_and_set_after_five() -> None:
    """1.3 kg in 20 s is 0.65 d/s: no drift, so it has to stand for 5 s first (R 76 4.5.6, 4.5.7)."""
    assert takes(keeper(), 0.2 + 0.45 * 0.1 * 20, 20.0)
    assert not takes(keeper(), 0.2 + 0.65 * 0.1 * 20, 20.0)
    assert takes(keeper(), 0.2 + 0.65 * 0.1 * 20, 20.0, stood_s=5.0)


def test_a_level_that_moves_or_is_not_sure_is_no_zero() -> None:
    assert takes(keeper(), 0.2, 20.0, slope_kg_per_s=0.04)
    assert not takes(keeper(), 0.2, 20.0, slope_kg_per_s=0.06)
    assert takes(keeper(), 0.2, 20.0, u_kg=0.03)  # d/√12 is the display's own
    assert not takes(keeper(), 0.2, 20.0, u_kg=0.04)  # sqrt((0.25 e)² + d²/12) = 0.038
    assert not takes(keeper(), 0.2, 20.0, stood_s=0.5)


@pytest.mark.parametrize("seed", range(0, 24, 3))
def test_three_and_a_half_seconds_of_an_empty_pad_give_a_zero(seed: int) -> None:
    """Noise of 3 d: with e taken from cells instead of readings every fifth pad had no zero."""
    dice = random.Random(seed)
    loads = [290.0 * min(max(k / 20 - 3.4, 0) / 0.5, 1) for k in range(240)]
    rows: list[Row] = [(k / 20, "a", round(x + dice.gauss(0.05, 0.03), 2)) for k, x in enumerate(loads)]
    _, pipeline = run(rows, {"a": 500.0})
    assert pipeline.pads["a"].zero.zero_kg == pytest.approx(0.05, abs=0.03)


def test_slow_drift_is_followed_and_a_ramp_is_not() -> None:
    """r76.zero.track.rate: drift below 0.5 d/s is absorbed, a 0.6 d/s ramp and any load are not."""
    for d_per_s, followed in ((0.1, True), (0.6, False)):
        rows: list[Row] = [(k / 10, "a", 0.3) for k in range(80)]
        rows += [(8 + k / 10, "a", round(0.3 + d_per_s * 0.1 * k / 10, 1)) for k in range(300)]
        out, pipeline = run(rows, {"a": 500.0}, resolution_kg=0.1)
        zero = pipeline.pads["a"].zero.zero_kg
        assert zero == pytest.approx(rows[-1][2] if followed else 0.3, abs=0.1)
        assert followed or not [r for r in out if isinstance(r, ZeroCheck) and r.t_mono_ns > 12 * 10**9]


def test_drift_per_hour_and_degree() -> None:
    zero = ZeroKeeper(Settling(), 500.0)
    assert zero.drift_kg_per_h() is None
    for k in range(13):
        zero.add(Check(300.0 * k, 0.05 * k, 0.01, 20.0 - k))
    assert zero.drift_kg_per_h() == pytest.approx(0.6)
    assert zero.drift_kg_per_C() == pytest.approx(-0.05)
    assert zero.drift_text() == "zero drifts +0.6 kg/h, -0.05 kg/°C"
    assert keeper().drift_text() == ""


def test_a_pad_that_sends_its_temperature_says_its_drift_by_degree_when_empty() -> None:
    """Zero +0.05 kg a degree, 4 degrees in 8 minutes; the condition on the bus carries it."""
    pipeline, out = Pipeline(["a"], capacity_kg={"a": 500.0}), []
    for k in range(10 * 520):
        warm = 8.0 + k / 10 / 120
        load = 80.0 if 480 <= k / 10 < 490 else 0.0
        out += pipeline.feed(sample(k / 10, "a", round(load + 0.05 * warm, 2), temperature_C=warm))
    told = [r for r in out if isinstance(r, PadCondition) and r.condition is Condition.EMPTY][-1]
    by_hour, by_degree = (
        float(word.split()[0]) for word in told.reason.removeprefix("zero drifts ").split(",")
    )
    assert by_hour == pytest.approx(1.5, abs=0.1)
    assert by_degree == pytest.approx(0.05, abs=0.003)


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


def test_never_while_loaded_however_light_the_load() -> None:
    """Loads of 3 to 300 kg stand for half a minute each between looks at the empty pad: no check then."""
    dice = random.Random(4)
    rows: list[Row] = []
    for k, load in enumerate((0.0, 3.0, 0.0, 30.0, 0.0, 300.0, 0.0)):
        values = [round(load + 0.5 + dice.gauss(0, 0.05), 1) for _ in range(300)]
        rows += [(30 * k + i / 10, "a", v) for i, v in enumerate(values)]
    checks = [r for r in run(rows, {"a": 700.0})[0] if isinstance(r, ZeroCheck)]
    empty = {int((c.t_mono_ns * 1e-9 - 1.0) // 30) for c in checks}
    assert empty == {0, 2, 4, 6}
    assert len(checks) >= 16  # again and again while it stands empty
    assert all(c.zero_kg == pytest.approx(0.5, abs=0.05) for c in checks)


def test_the_bridge_covers_a_zero_that_wanders() -> None:
    """Brownian zeros between checks: the truth lies within 2 u of the line in about 95 of 100 cases."""
    rng = np.random.default_rng(12)
    sigma, inside, n = 0.005, 0, 0
    for _ in range(300):
        walk = np.concatenate([[0.0], np.cumsum(rng.normal(0, sigma, 600))])
        zero = ZeroKeeper(Settling(zero_drift_share_per_sqrt_s=sigma / 500), 500.0)
        first, last = (Check(float(t), float(walk[t] + rng.normal(0, 0.01)), 0.01) for t in (0, 600))
        zero.add(first)
        zero._drift2, learned = sigma**2, zero._drift2  # the very drift, not what two checks teach of it
        zero.add(last)
        zero._drift2 = learned
        for t in (60, 300, 540):
            value, u = zero.at(t)
            inside += abs(value - walk[t]) <= 2 * u
            n += 1
    assert inside / n == pytest.approx(0.954, abs=0.03)


def test_the_car_is_restated_too_and_the_present_comes_last() -> None:
    rows: list[Row] = []
    for pad, extra in (("a", 0.4), ("b", -0.2)):
        rows += [(t + (0.01 if pad == "b" else 0.0), pad, x + extra * (t > 40)) for t, _, x in readings(0.5)]
    rows.sort(key=lambda row: row[0])
    out, _ = run(rows, {"a": 700.0, "b": 700.0})
    cars = [r for r in out if isinstance(r, CarRest)]
    loaded = [r for r in cars if r.mass_kg > 100]
    assert len({r.t_from_mono_ns for r in loaded}) == 1
    assert [r.revision for r in loaded] == list(range(len(loaded)))
    before = next(r for r in loaded if not r.open)
    last = loaded[-1]
    assert last.declared_mass_kg == loaded[0].declared_mass_kg
    assert last.loads_kg[0] - before.loads_kg[0] == pytest.approx(-0.2, abs=0.07)  # half of what it moved
    assert last.loads_kg[1] - before.loads_kg[1] == pytest.approx(0.1, abs=0.07)
    assert sum(last.loads_kg) == pytest.approx(last.mass_kg, abs=1e-6)
    assert sum(last.covariance_kg2) == pytest.approx(last.u_kg**2, rel=0.05)
    for kind in (Rest, CarRest):
        told = [r for r in out if isinstance(r, kind) and getattr(r, "pad", "a") == "a"]
        assert told[-1].t_from_mono_ns == max(r.t_from_mono_ns for r in told)


def test_a_load_left_behind_is_no_zero() -> None:
    out, _ = run(readings(12.0), {"a": 700.0})
    assert not [r for r in out if isinstance(r, ZeroCheck) and r.zero_kg > 2]


def test_without_capacity_values_stay_as_on_the_wire() -> None:
    out, _ = run(readings(0.9))
    assert not [r for r in out if isinstance(r, ZeroCheck)]
    assert [r for r in out if isinstance(r, Rest)][-1].zero_kg == 0.0
    assert max(r.mass_kg for r in out if isinstance(r, Rest)) > 300.3
