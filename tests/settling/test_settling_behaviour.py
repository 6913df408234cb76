"""Made-up readings with known truth: what is told, when, and what must never be."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from settling.helpers_settling import Row, read, rests, run, sample, span
from support import shared_data

from drivers.api import FLAG_OVERLOAD
from logger.model import (
    FLAG_STALE,
    FLAG_WILD,
    Boarding,
    CarOff,
    CarOn,
    Condition,
    Gap,
    PadCondition,
    Rest,
    Rock,
    Sample,
    ZeroCheck,
)
from logger.settling.pipeline import Pipeline


def noisy(
    level: float,
    start: float,
    end: float,
    *,
    rate: float = 10.0,
    sd: float = 0.05,
    d: float = 0.1,
    seed: int = 1,
) -> list[Row]:
    """A steady load on pad "a", rounded to d."""
    dice = random.Random(f"{seed} {start}")
    count = round((end - start) * rate)
    return [
        (start + k / rate, "a", round(round((level + dice.gauss(0, sd)) / d) * d, 6)) for k in range(count)
    ]


def test_two_levels_and_the_step_between() -> None:
    out, _ = run(noisy(200, 0, 12) + noisy(260, 12, 24))
    found = rests(out, "a")
    assert [round(r.mass_kg) for r in found] == [200, 260]
    assert abs(span(found[0])[1] - 12) < 0.15  # closed at the first evidence
    steps = [r for r in out if r.__class__.__name__ == "Step"]
    assert len(steps) == 1
    assert steps[0].size_kg == pytest.approx(60, abs=0.1)  # type: ignore[attr-defined]
    for rest in found:
        assert abs(rest.mass_kg - round(rest.mass_kg)) < 2 * rest.u_kg
        assert rest.declared_u_kg >= rest.u_kg


def test_declaration_is_causal_and_does_not_change() -> None:
    told = [r for r in run(noisy(200, 0, 30))[0] if isinstance(r, Rest)]
    assert told[0].revision == 0
    assert told[0].open
    assert not told[-1].open
    assert {(r.declared_mass_kg, r.declared_u_kg, r.t_declared_mono_ns) for r in told} == {
        (told[0].declared_mass_kg, told[0].declared_u_kg, told[0].t_declared_mono_ns)
    }
    assert [r.revision for r in told] == list(range(len(told)))
    assert told[0].t_to_mono_ns <= told[0].t_declared_mono_ns


def test_one_wild_value_splits_nothing_and_is_flagged() -> None:
    rows = noisy(200, 0, 20)
    rows[120] = (rows[120][0], "a", -8.4e6)
    out, pipeline = run(rows)
    assert len(rests(out, "a")) == 1
    flagged = [r for r in out if isinstance(r, Sample) and r.flags & FLAG_WILD]
    assert [r.mass_wire_kg for r in flagged] == [-8.4e6]
    assert pipeline.excluded["a"] == {"wild": 1}
    assert abs(rests(out, "a")[0].mass_kg - 200) < 0.1
    assert len([r for r in out if isinstance(r, Sample)]) == len(rows)


def test_small_step_of_two_d_is_not_merged() -> None:
    out, _ = run(noisy(200, 0, 20, sd=0.06) + noisy(200.2, 20, 40, sd=0.06))
    assert len(rests(out, "a")) == 2


def test_slow_ramp_is_no_rest() -> None:
    ramp = [(20 + k / 10, "a", round(200 + 0.05 * k, 1)) for k in range(200)]
    out, _ = run(noisy(200, 0, 20) + ramp + noisy(210, 40, 60))
    assert [round(r.mass_kg) for r in rests(out, "a")] == [200, 210]


def test_slow_creep_is_one_rest_with_its_slope() -> None:
    dice = random.Random(5)
    rows: list[Row] = [(k / 10, "a", round(200 + 0.0005 * k + dice.gauss(0, 0.05), 2)) for k in range(1200)]
    found = rests(run(rows)[0], "a")
    assert len(found) == 1
    assert found[0].slope_kg_per_s == pytest.approx(0.005, abs=0.002)


def test_settled_value_is_predicted_not_averaged() -> None:
    """A tail of 6 s after a step of 200 kg: what is told first stands when it is over."""
    dice = random.Random(3)

    def load(t: float) -> float:
        return 200 + (2.0 * math.exp(-t / 6) + 12 * math.exp(-1.5 * t) * math.cos(9 * t) if t >= 0 else -200)

    rows: list[Row] = [
        (k / 20, "a", round(load(k / 20 - 8) + dice.gauss(0, 0.05), 1)) for k in range(20 * 50)
    ]
    found = [r for r in rests(run(rows)[0], "a") if r.mass_kg > 100]
    assert len(found) == 1
    rest = found[0]
    assert abs(rest.declared_mass_kg - 200) < 0.1 + 2 * rest.declared_u_kg
    assert rest.t_declared_mono_ns * 1e-9 - 1 < 8 + 6 * math.log(20) + 2
    assert abs(rest.mass_kg - 200) < 0.05


@pytest.mark.parametrize("value", [0.0, 412.5, -17.25, 8.39e6])
def test_all_equal_values_rest_with_a_floor(value: float) -> None:
    found = rests(run([(k / 10, "a", value) for k in range(100)])[0], "a")
    assert len(found) == 1
    assert found[0].mass_kg == pytest.approx(value)
    assert found[0].u_kg > 0


def test_one_sample_is_no_rest() -> None:
    out, _ = run([(0.0, "a", 5.0)])
    assert rests(out, "a") == []
    assert sum(isinstance(r, Sample) for r in out) == 1


def test_not_numbers_are_counted_and_left_out() -> None:
    rows = noisy(200, 0, 20)
    rows[60:60] = [(6.0, "a", math.nan), (6.0, "a", math.inf), (6.0, "a", -math.inf), (6.0, "a", None)]
    out, pipeline = run(rows)
    assert pipeline.excluded["a"] == {"not_finite": 3, "missing": 1}
    assert len(rests(out, "a")) == 1
    assert rests(out, "a")[0].n == 200


def test_time_going_back_is_flagged_and_left_out() -> None:
    rows = noisy(200, 0, 20)
    rows.insert(100, (2.0, "a", 999.0))
    out, pipeline = run(rows)
    assert pipeline.excluded["a"] == {"stale": 1}
    assert sum(isinstance(r, Sample) and bool(r.flags & FLAG_STALE) for r in out) == 1
    assert [round(r.mass_kg) for r in rests(out, "a")] == [200]


def test_pad_that_vanishes_closes_its_rest_at_its_last_sample() -> None:
    pipeline = Pipeline(["a", "b"])
    out = pipeline.feed_many(sample(t, p, v) for t, p, v in noisy(200, 0, 10))
    assert not pipeline.advance(11_000_000_000)  # 0.1 s later: nothing to tell
    late = pipeline.advance(16_000_000_000)
    closed = [r for r in late if isinstance(r, Rest)]
    assert len(closed) == 1
    assert not closed[0].open
    assert closed[0].t_to_mono_ns == 10_900_000_000
    assert any(isinstance(r, PadCondition) and r.condition is Condition.SILENT for r in late)
    assert closed[0].mass_kg == pytest.approx([r for r in out if isinstance(r, Rest)][-1].mass_kg, abs=0.05)


def test_time_passing_changes_no_content() -> None:
    rows = noisy(200, 0, 10) + noisy(240, 10, 20)
    plain = [r for r in run(rows)[0] if isinstance(r, Rest)]
    pipeline = Pipeline(["a"])
    out = []
    for t, pad, value in rows:
        out += pipeline.advance(round((t + 1) * 1e9))
        out += pipeline.feed(sample(t, pad, value))
    out += pipeline.finish()
    assert [r for r in out if isinstance(r, Rest)] == plain


def test_radio_gap_lies_within_one_rest() -> None:
    rows = [r for r in noisy(200, 0, 30) if not 12 < r[0] < 15]
    out, _ = run(rows)
    assert len(rests(out, "a")) == 1
    gaps = [r for r in out if isinstance(r, Gap)]
    assert len(gaps) == 1
    assert 27 <= (gaps[0].count or 0) <= 30


def test_knock_does_not_end_the_level() -> None:
    rows = noisy(200, 0, 30)
    for k, v in ((150, 215.0), (151, 188.0), (152, 206.0), (153, 197.0)):
        rows[k] = (rows[k][0], "a", v)
    out, _ = run(rows)
    assert len(rests(out, "a")) == 1
    assert any(r.__class__.__name__ == "Knock" for r in out)


def test_resolution_becoming_coarser_is_learned() -> None:
    out, pipeline = run(noisy(200, 0, 30, d=0.1, sd=0.1) + noisy(200, 30, 90, d=0.5, sd=0.4))
    assert pipeline.pads["a"].intake.d == pytest.approx(0.5)
    assert all(abs(r.mass_kg - 200) < 0.3 for r in rests(out, "a"))


def test_stated_resolution_counts() -> None:
    _, pipeline = run(noisy(200, 0, 5), resolution_kg=0.2)
    assert pipeline.pads["a"].intake.d == 0.2


def test_unit_change_in_mid_stream_is_a_step_not_an_average() -> None:
    out, _ = run(noisy(200, 0, 15) + noisy(200 / 0.45359237, 15, 30))
    assert [round(r.mass_kg) for r in rests(out, "a")] == [200, 441]


def test_overload_is_no_rest() -> None:
    pipeline = Pipeline(["a"])
    rows = [sample(t, p, v) for t, p, v in noisy(300, 0, 10)]
    rows += [sample(10 + k / 10, "a", None, flags=FLAG_OVERLOAD) for k in range(100)]
    rows += [sample(t, p, v) for t, p, v in noisy(100, 20, 30)]
    out = pipeline.feed_many(rows) + pipeline.finish()
    assert [round(r.mass_kg) for r in rests(out, "a")] == [300, 100]
    assert span(rests(out, "a")[0])[1] < 10.05
    assert pipeline.excluded["a"] == {"overload": 100}
    assert any(isinstance(r, PadCondition) and r.condition is Condition.OVERLOADED for r in out)


def test_changing_rates_and_bursts() -> None:
    rows = noisy(200, 0, 10, rate=80) + noisy(200, 10, 25, rate=4)
    burst = [(25 + (k // 8) * 0.8, "a", v) for k, (_, _, v) in enumerate(noisy(200, 25, 40))]
    found = rests(run(rows + burst)[0], "a")
    assert len(found) == 1
    assert abs(found[0].mass_kg - 200) < 0.05


def test_unknown_pad_passes_untouched() -> None:
    pipeline = Pipeline(["a"])
    other = sample(0.0, "z", 5.0)
    assert pipeline.feed(other) == [other]


@given(st.lists(st.tuples(st.floats(0, 60), st.floats(allow_nan=True, allow_infinity=True)), max_size=60))
@settings(max_examples=60, deadline=None)
def test_nothing_raises(points: list[tuple[float, float]]) -> None:
    out, _ = run([(t, "ab"[k % 2], v) for k, (t, v) in enumerate(points)])
    assert sum(isinstance(r, Sample) for r in out) == len(points)
    for rest in rests(out, "a"):
        assert math.isfinite(rest.mass_kg)
        assert rest.u_kg >= 0


@pytest.mark.parametrize("size", [1e-308, 1e-160, 1e60, 1e155, 1e300])
def test_sizes_whose_squares_are_no_numbers_raise_nothing(size: float) -> None:
    for seed in range(12):
        dice = random.Random(seed)
        points = [(0.02 * k, "ab"[k % 2], dice.choice([0.0, 1.0, size * dice.random()])) for k in range(150)]
        out, pipeline = run(points)
        assert sum(isinstance(r, Sample) for r in out) == len(points)
        beyond = sum(abs(x) >= 1e60 for _, _, x in points)
        assert sum(counts.get("not_finite", 0) for counts in pipeline.excluded.values()) == beyond


def car(t: float, dice: random.Random) -> list[float]:
    """Four pads: empty, car on at 10 s, rocked at 25 s, a person in at 45 s, out at 65 s, off at 85 s."""
    zeros = (0.6, -0.4, 0.2, 1.1)
    loads = (300.0, 290.0, 205.0, 195.0)
    share = (0.4, 0.25, 0.22, 0.13)
    out = []
    for zero, load, part in zip(zeros, loads, share, strict=True):
        x = zero
        if 10 <= t < 85:
            x += load
        if 25 <= t < 31:
            x += 0.15 * load * math.sin(2 * math.pi * 1.4 * t) * (1 if t < 28 else math.exp(-2.0 * (t - 28)))
        if 45 <= t < 65:
            x += part * (72 + 0.3 * math.sin(2 * math.pi * 0.27 * t))
        out.append(round(x + dice.gauss(0, 0.05), 1))
    return out


def test_an_afternoon_with_a_car() -> None:
    dice = random.Random(11)
    rows: list[Row] = []
    for k in range(95 * 20):
        rows += [(k / 20 + 0.001 * i, f"P{i}", v) for i, v in enumerate(car(k / 20, dice))]
    out, pipeline = run(rows, {f"P{i}": 700.0 for i in range(4)})
    found = rests(out, "*")
    assert [round(r.mass_kg) for r in found] == [0, 990, 990, 1062, 990, 0]
    for rest in found:
        assert sum(rest.loads_kg) == pytest.approx(rest.mass_kg, abs=1e-6)  # type: ignore[union-attr]
        assert sum(rest.covariance_kg2) == pytest.approx(rest.u_kg**2, rel=0.02)  # type: ignore[union-attr]
    rocks = [r for r in out if isinstance(r, Rock)]
    assert len(rocks) == 1
    assert rocks[0].frequency_Hz == pytest.approx(1.4, abs=0.15)
    assert rocks[0].swings >= 6
    people = [r for r in out if isinstance(r, Boarding)]
    assert [round(r.size_kg) for r in people] == [72, -72]
    assert len([r for r in out if isinstance(r, CarOn)]) == 1
    assert len([r for r in out if isinstance(r, CarOff)]) == 1
    checks = [r for r in out if isinstance(r, ZeroCheck)]
    assert {c.pad for c in checks} == {"P0", "P1", "P2", "P3"}
    assert not any(10.5 < c.t_mono_ns * 1e-9 - 1 < 85 for c in checks)  # never while loaded
    assert pipeline.pads["P3"].zero.zero_kg == pytest.approx(1.1, abs=0.06)


def test_blocks_of_any_size_give_the_same() -> None:
    rows = [sample(*r) for r in read(shared_data("hx711_staircase", "swing_run1_serial.csv"))]
    pads = ["LC1", "LC2", "LC3", "LC4", "LC5", "LC6"]
    one = Pipeline(pads)
    expected = [x for r in rows for x in one.feed(r)] + one.finish()
    for size in (1, 7, 1000):
        other = Pipeline(pads)
        blocks = (rows[k : k + size] for k in range(0, len(rows), size))
        got = [x for block in blocks for x in other.feed_many(block)] + other.finish()
        assert got == expected
