"""Rules of a rest that single recordings and sessions once broke."""

from __future__ import annotations

import random
from math import exp, gcd, pi, sin
from statistics import fmean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from settling.helpers_settling import Row, read, rests, run, sample, span
from support import shared_data

from drivers.sim.sessions import PADS, session
from logger.model import Boarding, CarRest, Knock, Rest
from logger.settling.pipeline import Pipeline
from logger.settling.resolution import Resolution, common, digits
from logger.units import LB_KG


@pytest.mark.parametrize("seed", [1, 2, 8])
def test_a_car_rest_carries_the_loads_of_its_own_readings(seed: int) -> None:
    one = session(seed)
    rows: list[Row] = [(t, pad, mass) for t, pad, mass, _ in one.samples]
    out, _ = run(rows)
    found = [r for r in rests(out, "*") if isinstance(r, CarRest)]
    assert len(found) >= 3
    for rest in found:
        lo, hi = span(rest)
        means = [fmean(x for t, p, x in rows if p == pad and lo <= t <= hi and x is not None) for pad in PADS]
        assert rest.loads_kg == pytest.approx(means, abs=3.0), span(rest)


def test_a_pad_that_never_changed_takes_its_siblings_resolution() -> None:
    d = 0.2
    rows: list[Row] = []
    for k in range(100):
        rows += [(k / 10, "still", 0.0), (k / 10, "busy", round(d * (k % 3), 6))]
        rows += [(k / 10 + 0.01, "third", 1.4)]
    out, pipeline = run(rows)
    assert [pad.intake.d for pad in pipeline.pads.values()] == pytest.approx([d] * 3)
    assert rests(out, "still")[-1].u_kg == pytest.approx(d / 12**0.5, rel=0.25)


@given(st.integers(1, 16), st.integers(1, 16), st.sampled_from([0.1, 0.2, 0.5, 0.0907185, 0.226796]))
def test_the_common_step_of_two_differences(a: int, b: int, d: float) -> None:
    assert common(round(a * d, 6), round(b * d, 6)) == pytest.approx(gcd(a, b) * d, rel=0.01)


def test_corners_that_wander_are_no_surer_than_they_wander() -> None:
    """Seconds' means of single corners wander by 2 to 5 N; the total stands by 0.3 N.

    The later half of a rest counts: what led to it may have been a tail.
    """
    rows = read(shared_data("four_corner_standing", "kistler_standing.csv"))
    out, _ = run(rows)
    for pad in dict.fromkeys(r[1] for r in rows):
        for rest in rests(out, pad):
            lo, hi = span(rest)
            seconds = [
                fmean(x for t, p, x in rows if p == pad and k <= t < k + 1 and x is not None)
                for k in range(int((lo + hi) / 2), int(hi))
            ]
            if len(seconds) > 2:
                assert 2 * rest.u_kg >= pstdev(seconds), (pad, span(rest))
    (total,) = rests(out, "*")
    assert total.u_kg < 0.3


def test_a_slow_display_does_not_rest_between_two_values() -> None:
    """A load that moves on all the time, shown once a second in a stream of 20 Hz."""
    rows: list[Row] = [
        (k / 20, "a", round(5.0 * (k // 20) + 0.1 * (k // 20) ** 2, 1)) for k in range(20 * 60)
    ]
    out, _ = run(rows)
    assert not [r for r in rests(out, "a") if span(r)[0] > 20], "sixteen changes show how slow it is"


def test_a_disturbance_of_a_few_d_is_no_knock() -> None:
    for seed in (1, 3, 4):
        one = session(seed)
        d = one.scenario.pads["P1"].resolution_kg
        out, _ = run([(t, pad, mass) for t, pad, mass, _ in one.samples])
        assert all(r.amplitude_kg >= 3 * d for r in out if isinstance(r, Knock))


def test_nobody_boards_a_bridge() -> None:
    out, _ = run(read(shared_data("bridge_force", "ReferenceState.csv")))
    assert not [r for r in out if isinstance(r, Boarding)]


def test_the_first_change_is_the_load_not_the_resolution() -> None:
    """Four displays that never changed, and then jump within one sample: no step of 70 kg is a resolution."""
    rows: list[Row] = []
    for k in range(200):
        for n, pad in enumerate(("A", "B", "C", "D")):
            rows.append((k / 10 + n / 50, pad, 0.0 if k < 100 else 0.0 if pad == "D" else 70.0 + 20.0 * n))
    out, pipeline = run(rows)
    for n, pad in enumerate(("A", "B", "C")):
        assert [r.mass_kg for r in rests(out, pad)] == pytest.approx([0.0, 70.0 + 20.0 * n], abs=0.5)
    assert all(pad.intake.d <= 0.5 for pad in pipeline.pads.values())


@pytest.mark.parametrize("gap_s", [3.0, 5.2, 6.0, 9.0])
def test_a_radio_gap_in_a_movement_that_is_longer_than_a_breath(gap_s: float) -> None:
    """The first reading after it is alone in the time of a breath: nothing to divide by, and no sway."""
    dice = random.Random(1)
    rows: list[Row] = []
    for k in range(260):
        t = k / 10 + (gap_s if k >= 160 else 0.0)
        load, noise = (10.0, 0.05) if k < 100 else (200.0, 9.0 if k < 160 else 0.05)
        rows.append((t, "P1", round(round((load + dice.gauss(0, noise)) / 0.05) * 0.05, 2)))
    out, _ = run(rows)
    assert [round(r.mass_kg) for r in rests(out, "P1")] == [10, 200]


def test_what_was_still_going_when_it_moved_on_is_no_level() -> None:
    """A tail of 9 s that is broken off after 6 s, with 4 d still to go."""
    dice = random.Random(5)
    d = 0.1
    rows: list[Row] = []
    for k in range(200):
        t = k / 10
        x = 100.0 if t < 5 else 300.0 - 8.0 * d * exp(-(t - 5.5) / 9.0) if t < 11.5 else 150.0
        rows.append((t, "P1", round(round((x + dice.gauss(0, 0.4 * d)) / d) * d, 6)))
    out, _ = run(rows)
    assert [round(r.mass_kg) for r in rests(out, "P1")] == [100, 150]


@pytest.mark.parametrize(
    ("shown", "unit_kg", "d"),
    [(172.5, LB_KG, 0.5), (231.3, 1.0, 0.1), (17.24, 1.0, 0.02), (0.0, 1.0, 0.1), (86.0, LB_KG, 0.5)],
)
def test_the_step_of_a_display_that_never_changed(shown: float, unit_kg: float, d: float) -> None:
    assert digits(shown * unit_kg) == pytest.approx(max(d * unit_kg, 1e-4 * shown * unit_kg))


def test_the_step_of_what_is_no_display_is_the_finest_of_pads() -> None:
    assert digits(123.456789) == pytest.approx(0.0123456789)
    assert digits(1e300) == pytest.approx(1e296)
    assert digits(float("inf")) == 0.1


@pytest.mark.parametrize(("shove_kg", "lasts_s", "seed"), [(1.0, 0.7, 3), (3.0, 1.3, 10), (0.3, 1.7, 7)])
def test_hands_between_two_stands_at_one_level_belong_to_neither(
    shove_kg: float, lasts_s: float, seed: int
) -> None:
    """A pad that is empty, handled for a second, and empty again: what is told of it is that of standing."""
    dice = random.Random(seed)
    rows: list[Row] = []
    walk = 0.0
    for k in range(260):
        busy = k / 10 - 12.0
        handled = 0 < busy < lasts_s
        walk = walk + dice.gauss(0, shove_kg) if handled else 0.0
        x = walk * sin(pi * busy / lasts_s) if handled else 0.0
        rows.append((k / 10, "P1", round(x + dice.gauss(0, 0.04), 3)))
    out, _ = run(rows)
    for rest in (r for r in out if isinstance(r, Rest)):
        assert rest.mass_kg == pytest.approx(0.0, abs=0.1), span(rest)


def test_two_levels_in_coarse_noise_are_two() -> None:
    """Half a kilogram of difference, noise of 0.08 kg: however unsure a rest is, it does not take in the
    other level."""
    dice = random.Random(3)
    rows: list[Row] = []
    for k in range(340):
        t = k / 10
        x = 16.2 if t < 12 else 18.9 if t < 12.6 else 16.7 if t < 19 else 19.0
        rows.append((t, "P1", round(round((x + dice.gauss(0, 0.08)) / 0.05) * 0.05, 2)))
    out, _ = run(rows)
    assert [r.mass_kg for r in rests(out, "P1")] == pytest.approx([16.2, 16.7, 19.0], abs=0.08)


def test_the_sum_of_four_coarse_displays_rests_as_soon_as_they_do() -> None:
    """Four displays that stand, off by up to half a d each: nobody can know the sum to one d."""
    rows: list[Row] = []
    for k in range(160):
        for n, (pad, load) in enumerate(zip(PADS, (241.5, 238.0, 199.5, 203.5), strict=True)):
            rows.append((k / 10 + n / 100, pad, load if k > 60 else 0.0))
    out, _ = run(rows)
    told = rests(out, "*")[-1]
    assert told.mass_kg == pytest.approx(882.5, abs=0.01)
    assert told.t_declared_mono_ns * 1e-9 - 1.0 < 6.1 + 5.0
    assert told.u_kg < 0.4


def test_a_fine_display_that_creeps_is_told_with_its_slope() -> None:
    """0.5 g a second on 88 kg, shown to 1 g: finer than any pad is, and no movement."""
    dice = random.Random(8)
    rows: list[Row] = []
    for k in range(1600):
        t = k / 80
        x = 49.8 if t < 6 else 87.9 + 0.0005 * (t - 6)
        rows.append((t, "P1", round(x + dice.gauss(0, 0.005), 3)))
    out, _ = run(rows)
    told = rests(out, "P1")[-1]
    assert told.t_declared_mono_ns * 1e-9 - 1.0 < 6.0 + 4.5
    assert told.slope_kg_per_s == pytest.approx(0.0005, rel=0.3)


def test_the_step_of_a_display_seen_in_movement_alone() -> None:
    """Differences of 3, 7, 4, … steps have one step as their common measure, though none was of one step."""
    resolution = Resolution()
    for k, steps in enumerate((3, 7, 4, 9, 5, 11, 6, 13, 8, 15, 3, 10, 12, 7, 9, 5, 4)):
        resolution.see(0.05 * steps, 30.0, k * 10**8)
    assert resolution.known
    assert resolution.value == pytest.approx(0.05)


def test_a_display_that_steps_by_more_than_its_last_decimal() -> None:
    """Shown to 0.01 kg in steps of 0.05 kg, as many indicators do: what it states is only a lower bound."""
    dice = random.Random(9)
    rows: list[Row] = []
    for k in range(900):
        t = k / 20
        x = (0.0, 61.3, 240.7, 178.4)[int(t // 11.25)] + (12.0 * sin(9.0 * t) if t % 11.25 < 1.0 else 0.0)
        rows.append((t, "P1", round(round((x + dice.gauss(0, 0.03)) / 0.05) * 0.05, 2)))
    out, pipeline = run(rows, resolution_kg=0.01)
    assert pipeline.pads["P1"].intake.d == pytest.approx(0.05)
    told = rests(out, "P1")
    assert [r.mass_kg for r in told] == pytest.approx([0.0, 61.3, 240.7, 178.4], abs=0.05)
    for rest in told[1:]:
        assert (rest.t_declared_mono_ns - rest.t_from_mono_ns) * 1e-9 < 5.0


def test_movement_teaches_no_coarse_resolution() -> None:
    """A display that mostly repeats, then sixteen large changes of a wheel rolling on."""
    resolution = Resolution()
    for k in range(4):
        resolution.see(0.2, 0.2, k * 10**9)
    resolution.seen = 200
    for k in range(16):
        resolution.see(3.0 + 7.2 * k, 200.0, (5 + k) * 10**8)
    assert resolution.known
    assert resolution.value == pytest.approx(0.2)


def test_the_times_of_the_movement_before_a_rest_stay_while_the_rest_lasts() -> None:
    pipeline = Pipeline(["a"])
    dice = random.Random(1)
    channel, before = pipeline.pads["a"].channel, None
    for k in range(900):
        value = 80.0 * sin(k / 3) if k < 60 else 200.0 + dice.gauss(0, 0.05)
        pipeline.feed(sample(k / 10, "a", value))
        if channel.level is not None:
            now = list(channel._trail.off_s)[: channel._trail.count]
            assert before is None or now == before, k
            before = now
    assert before
