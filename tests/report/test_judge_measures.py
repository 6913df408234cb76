"""The judge's figures against closed forms and known truths, on records made by hand."""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from logger.judge import measures as measure
from logger.judge.creep import creep
from logger.judge.returns import drift_per_h, zero_per_C, zero_return
from logger.judge.rocks import repeats
from logger.judge.seen import Hole, Seen, Stood, Zero
from logger.judge.verdict import judge
from logger.model import Gap, GapCause, Rest, Sample, ZeroCheck

from .repeated import car_rests


def seen(t, x, stood=(), resolution_kg=0.0, zeros=()) -> Seen:
    return Seen(
        pad="P1",
        t_s=np.asarray(t, float),
        x_kg=np.asarray(x, float),
        left_out={},
        resolution_kg=resolution_kg,
        stood=tuple(stood),
        zeros=tuple(zeros),
        holes=(),
    )


def stood(from_s, to_s, level_kg, declared_s=None, u_kg=0.05) -> Stood:
    return Stood(
        from_s=from_s,
        declared_s=from_s if declared_s is None else declared_s,
        to_s=to_s,
        level_kg=level_kg,
        u_kg=u_kg,
    )


# Exact 2 % settling times of a second-order step, in units of 1/ωn; closed forms, times found numerically
# (from memory; numbers reproduced by script).
TS2 = {0.1: 38.3833, 0.2: 19.602, 0.3: 11.2301}


@pytest.mark.parametrize("zeta", list(TS2))
def test_settling_time_of_a_second_order_step(zeta: float) -> None:
    wn, step, t0 = 2 * pi * 1.5, 250.0, 10.0
    t = np.arange(0, 40, 0.02)
    s = np.maximum(t - t0, 0)
    wd = wn * sqrt(1 - zeta**2)
    answer = 1 - np.exp(-zeta * wn * s) * (np.cos(wd * s) + zeta / sqrt(1 - zeta**2) * np.sin(wd * s))
    x = 20 + step * np.where(t > t0, answer, 0)
    (settle,) = measure.settles(
        seen(t, x, [stood(1, t0, 20.0), stood(t0 + 6, 39.9, 20 + step)], resolution_kg=0.02 * step)
    )
    assert settle.curve is not None
    assert settle.curve.decay == "viscous"
    assert settle.curve.damping_ratio == pytest.approx(zeta, rel=0.02)
    assert settle.curve.frequency_Hz == pytest.approx(wd / (2 * pi), rel=0.01)
    assert settle.settle_s is not None
    assert settle.settle_s + settle.t_step_s - t0 == pytest.approx(TS2[zeta] / wn, rel=0.03)


def test_settling_time_does_not_hang_on_one_reading_in_370() -> None:
    rng = np.random.default_rng(5)
    times = []
    for _ in range(5):
        t = np.arange(0, 60, 0.1)
        tail = np.where(t > 10, -8 * np.exp(-(t - 10) / 2.0), 0.0)
        x = np.where(t > 10, 300.0, 0.0) + tail + rng.normal(0, 0.1, len(t))
        (settle,) = measure.settles(
            seen(t, x, [stood(0, 10, 0.0), stood(18, 59.9, 300.0)], resolution_kg=0.1)
        )
        assert settle.settle_s is not None
        times.append(settle.settle_s)
    truth = 2.0 * np.log(8 / 0.3)  # the tail is within three standard deviations from here on
    assert np.median(times) == pytest.approx(truth, abs=0.6)
    assert max(times) < truth + 3


def test_a_rock_is_aligned_at_its_swing_and_not_at_its_push() -> None:
    t = np.arange(0, 30, 0.05)
    swing = np.where(t > 12, 40 * np.exp(-(t - 12) / 1.0) * np.cos(2 * pi * 1.6 * (t - 12)), 0)
    step = measure.arrival(t, 240 + swing, 240.02, 240.0, 18.0, near=0.3)
    assert 12 <= step < 13.5


@given(st.floats(0.01, 5), st.floats(-2, 2), st.integers(3, 80))
@settings(deadline=None, max_examples=25)
def test_noise_is_that_of_single_readings_whatever_the_level_does(
    sigma: float, slope: float, rate: int
) -> None:
    t = np.arange(0, 60, 1 / rate)
    x = 200 + slope * sigma * 0.1 * t + np.random.default_rng(1).normal(0, sigma, len(t))
    found = measure.noise(seen(t, x, [stood(0, 60, 200.0)]))
    assert found == pytest.approx(sigma, rel=0.3 if len(t) < 300 else 0.15)


def test_a_stream_that_repeats_its_readings_is_not_called_quiet() -> None:
    x = np.repeat(np.random.default_rng(2).normal(0, 1.0, 600), 5)
    assert measure.noise(seen(np.arange(3000) / 100, x, [stood(0, 30, 0.0)])) == pytest.approx(1.0, rel=0.15)


def test_creep_is_measured_where_a_rest_lasts_half_an_hour() -> None:
    t = np.arange(0, 2000, 0.5)
    x = np.where(t < 30, 0.0, 250 + 0.6 * (1 - np.exp(-(t - 30) / 400)))
    found = creep(seen(t, x, [stood(0, 30, 0.0), stood(30, 1999, 250.3, declared_s=35)]))
    assert not found.extrapolated
    assert found.in_30min_kg == pytest.approx(0.6 * (exp(-5 / 400) - exp(-1805 / 400)), abs=0.01)
    assert found.from_15_to_30min_kg == pytest.approx(0.6 * (exp(-905 / 400) - exp(-1805 / 400)), abs=0.01)


def test_creep_is_extrapolated_along_the_logarithm_of_time_and_says_so() -> None:
    t = np.arange(0, 160, 0.1)
    x = np.where(t < 20, 0.0, 250 + 0.2 * np.log(np.maximum(t - 20, 0.1)))
    x += np.random.default_rng(3).normal(0, 0.02, len(t))
    found = creep(seen(t, x, [stood(0, 20, 0.0), stood(20, 159, 250.0, declared_s=25)]))
    assert found.extrapolated
    assert found.in_30min_kg == pytest.approx(0.2 * np.log(1805 / 5), rel=0.05)


def test_creep_is_not_invented_from_noise_or_from_an_empty_pad() -> None:
    t = np.arange(0, 160, 0.1)
    noise = np.random.default_rng(4).normal(0, 0.05, len(t))
    loaded = np.where(t < 20, 0.0, 250.0) + noise
    assert creep(seen(t, loaded, [stood(0, 20, 0.0), stood(20, 159, 250.0)])).in_30min_kg is None
    drifting = 0.01 * t + noise
    assert creep(seen(t, drifting, [stood(0, 159, 0.8)])).in_30min_kg is None


def stairs(*levels: float, rest_s: float = 8.0, every_s: float = 10.0, u_kg: float = 0.05) -> list[Stood]:
    return [stood(every_s * k, every_s * k + rest_s, x, u_kg=u_kg) for k, x in enumerate(levels)]


def test_zero_per_degree_comes_from_zero_checks() -> None:
    zeros = [Zero(t_s=600.0 * k, zero_kg=0.1 + 0.05 * k, u_kg=0.01, temperature_C=4.0 - k) for k in range(4)]
    assert zero_per_C(zeros) == pytest.approx(-0.05)
    assert zero_per_C([Zero(t_s=z.t_s, zero_kg=z.zero_kg, u_kg=0.01) for z in zeros]) is None


def test_what_one_load_left_behind_is_told_with_its_uncertainty() -> None:
    """After a second load as much was there as before it: only the first left something."""
    back = zero_return(seen([0, 1], [0, 0], stairs(5.0, 205.0, 105.0, 5.4, 205.0, 5.4)))
    assert back is not None
    assert back.value == pytest.approx(0.4)
    assert back.u == pytest.approx(0.05 * sqrt(2))
    assert zero_return(seen([0, 1], [0, 0], stairs(5.0, 205.0, 105.0))) is None
    assert zero_return(seen([0, 1], [0, 0], stairs(5.0, 5.1, 5.4))) is None  # there was no load


def test_a_zero_that_drifts_is_no_bad_return() -> None:
    """3 kg an hour, seen at rests of an empty pad between loads; and in one long rest without any load."""
    per_s, levels = 3.0 / 3600, [0.0, 250.0] * 10
    drifting = [stood(60 * k, 60 * k + 40, x + per_s * 60 * k, u_kg=0.01) for k, x in enumerate(levels)]
    pad = seen([0, 1], [0, 0], drifting)
    back, drift = zero_return(pad), drift_per_h(pad)
    assert back is not None
    assert drift is not None
    assert abs(back.value) < 0.01
    assert drift.value == pytest.approx(3.0)
    assert drift_per_h(seen([0, 1], [0, 0], drifting[:5])) is None  # over four minutes
    t = np.arange(0, 1200, 0.5)
    x = per_s * t + np.random.default_rng(1).normal(0, 0.05, len(t))
    drift = drift_per_h(seen(t, x, [stood(0, 1199, 0.5, u_kg=0.01)]))
    assert drift is not None
    assert drift.value == pytest.approx(3.0, abs=2 * (drift.u or 0.0))
    assert 0.0 < (drift.u or 0.0) < 0.15


def test_a_zero_too_far_off_to_be_checked_is_a_bad_return_all_the_same() -> None:
    rests = stairs(0.1, 250.0, 4.1, 250.0, 4.2)
    back = zero_return(seen([0, 1], [0, 0], rests, zeros=[Zero(t_s=5.0, zero_kg=0.1, u_kg=0.01)]))
    assert back is not None
    assert back.value == pytest.approx(4.0)


def records(loads=(0.0, 250.0, 0.3), rate=10, sigma=0.05):
    """A pad empty, loaded and empty again, as the pipeline would tell it; d is 0.1 kg."""
    rng, out, t_ns = np.random.default_rng(6), [], 0
    for load in loads:
        start = t_ns
        for _ in range(40 * rate):
            mass = round(load + rng.normal(0, sigma), 1)
            out.append(
                Sample(
                    pad="P1",
                    t_mono_ns=t_ns,
                    t_wall_ns=t_ns,
                    mass_wire_kg=mass,
                    mass_kg=mass,
                    resolution_kg=0.01,
                )
            )
            t_ns += 10**9 // rate
        out.append(
            Rest(
                pad="P1",
                t_from_mono_ns=start + 2 * 10**9,
                t_from_wall_ns=start + 2 * 10**9,
                t_declared_mono_ns=start + 3 * 10**9,
                t_to_mono_ns=t_ns - 10**9,
                declared_mass_kg=load,
                declared_u_kg=0.05,
                mass_kg=load,
                u_kg=0.03,
                slope_kg_per_s=0.0,
                n=370,
                zero_kg=0.0,
                u_zero_kg=0.0,
                open=False,
            )
        )
    return out


def kg(pad: str) -> tuple[str, float]:
    return "kg", 1.0


def test_a_good_pad_is_trusted_and_a_bad_return_is_not() -> None:
    (good,) = judge("a", records((0.0, 250.0, 0.02)), kg, e_kg=0.5).pads
    assert good.grade.advice == "trust"
    assert good.measures.resolution_kg == pytest.approx(0.1)  # the stream says 0.01 and never shows it
    (bad,) = judge("a", records((0.0, 250.0, 2.0)), kg, e_kg=0.5).pads
    assert bad.grade.advice == "service"
    assert "zero return" in bad.grade.sentence


def test_a_pad_that_never_came_back_is_not_trusted() -> None:
    (pad,) = judge("a", records((0.0, 250.0)), kg).pads
    assert pad.grade.advice == "not judged"
    assert "empty, loaded and empty again" in pad.grade.sentence


def test_a_pad_that_never_rested_is_not_judged() -> None:
    samples = [r for r in records() if isinstance(r, Sample)]
    (pad,) = judge("a", samples, kg).pads
    assert pad.grade.advice == "not judged"
    assert pad.grade.criteria == ()


def test_losses_and_what_was_left_out_are_counted() -> None:
    told = records()
    told.insert(
        50, Gap(pad="P1", t_from_mono_ns=10**9, t_to_mono_ns=4 * 10**9, cause=GapCause.LOST_FRAMES, count=31)
    )
    told.insert(60, Sample(pad="P1", t_mono_ns=10**9, t_wall_ns=0, mass_wire_kg=None, mass_kg=None))
    told.append(ZeroCheck(pad="P2", t_mono_ns=0, zero_kg=0.0, u_kg=0.1, n=3))
    (pad,) = judge("a", told, kg).pads
    assert pad.measures.lost == 31
    assert pad.measures.longest_gap_s == pytest.approx(3.0)
    assert pad.seen.left_out == {"without a value": 1}
    assert pad.seen.holes == (Hole(from_s=1.0, to_s=4.0, cause="lost_frames", count=31),)


def scattered(shared: float, own: float, total_steps=(0.0,) * 6):
    rng, pattern = np.random.default_rng(7), np.array([1, -1, -1, 1]) / 2
    return car_rests(
        np.array([280.0, 270, 205, 213])
        + 2 * shared * rng.normal() * pattern
        + rng.normal(0, own, 4)
        + step / 4
        for step in total_steps
    )


def test_a_sticking_suspension_is_told_from_pads_that_scatter() -> None:
    sticking = repeats(scattered(shared=1.5, own=0.03, total_steps=(0.0,) * 12))
    assert sticking is not None
    assert sticking.pattern == ("P1", "P4")
    assert sticking.shared_kg == pytest.approx(1.5, rel=0.5)
    assert max(sticking.own_range_kg) < 0.2
    assert "the suspension sticks, the pads do not" in sticking.sentence
    scattering = repeats(scattered(shared=0.0, own=0.5, total_steps=(0.0,) * 12))
    assert scattering is not None
    assert "the rest is the pads' own" in scattering.sentence


def test_another_load_is_no_repeat() -> None:
    assert repeats(scattered(shared=1.0, own=0.1, total_steps=(0, 0, 70, 70, 0, 0))) is None


def test_a_settle_begins_when_nobody_pushes_any_more() -> None:
    t = np.arange(0, 60, 0.05)
    load = np.where(t > 10, 250.0, 0.0)
    pushed = np.where((t > 20) & (t < 26), 30 * np.sin(2 * pi * 1.1 * (t - 20)), 0)
    let_go = np.where(t >= 26, 30 * np.exp(-(t - 26) / 0.8) * np.sin(2 * pi * 1.1 * (t - 20)), 0)
    step = measure.arrival(t, load + pushed + let_go, 0.0, 250.0, 32.0, near=0.3)
    assert 25 < step < 27


def test_a_slow_ramp_begins_to_settle_where_it_is_half_done() -> None:
    t = np.arange(0, 30, 0.1)
    x = np.clip((t - 10) / 8, 0, 1) * 200.0
    assert measure.arrival(t, x, 0.0, 200.0, 20.0, near=0.3) == pytest.approx(14, abs=0.2)


def test_not_more_settles_are_fitted_than_it_takes() -> None:
    t = np.arange(0, 1000, 0.5)
    x = np.where((t // 10) % 2 == 0, 0.0, 100.0)
    rests = [stood(10 * k + 1, 10 * k + 9.5, 100.0 * (k % 2)) for k in range(100)]
    every = list(measure.settles(seen(t, x, rests, resolution_kg=0.1)))
    assert len(every) == 99
    assert 30 <= sum(s.curve is not None for s in every) <= measure.MOST_FITS


def test_no_pad_is_sent_to_service_for_an_extrapolated_creep() -> None:
    def creeping(record):
        if not isinstance(record, Sample) or record.mass_wire_kg < 200:
            return record
        grown = 2.0 * np.log(record.t_mono_ns * 1e-9 - 39)
        return replace(record, mass_wire_kg=round(record.mass_wire_kg + grown, 1))

    told = [creeping(record) for record in records((0.0, 250.0, 0.02))]
    (pad,) = judge("a", told, kg, e_kg=0.5).pads
    assert pad.measures.creep_extrapolated
    assert pad.grade.advice == "not judged"
    assert "let a load stand for half an hour to be sure" in pad.grade.sentence


def test_lost_readings_are_counted_by_the_pauses_of_a_regular_stream() -> None:
    t = np.arange(0, 60, 0.05)
    kept = np.random.default_rng(8).random(len(t)) > 0.03
    kept[[0, -1]] = True
    assert measure.lost(seen(t[kept], t[kept] * 0)) == len(t) - kept.sum()
    assert measure.lost(seen(t, t * 0)) == 0
    bursts = np.repeat(np.arange(0, 60, 0.8), 8) + np.tile(np.arange(8) * 0.001, 75)
    assert measure.lost(seen(bursts, bursts * 0)) == 0
    assert measure.lost(seen([1.0], [0.0])) == 0
