"""Rules of a rest that single recordings and sessions once broke."""

from __future__ import annotations

from math import gcd
from statistics import fmean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from settling.helpers_settling import Row, read, rests, run, span
from support import shared_data

from drivers.sim.sessions import PADS, session
from logger.model import Boarding, CarRest, Knock
from logger.settling.resolution import common


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
