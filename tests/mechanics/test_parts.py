"""What came off and where it sat: published uncertainties, exact differences, and what cannot be located."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mechanics.worlds import GEOMETRY, PADS, STATE, geometries, weighing

from logger.mechanics.parts import difference
from logger.mechanics.solve import solve, solve_builds
from logger.mechanics.statics import Geometry, statics
from logger.mechanics.weighing import Known

PROPERTY = settings(deadline=None, max_examples=40)


def without(mass, x, y, state=STATE):
    return state - mass * np.array([1.0, x, y, 0.0])


def pair(mass, x, y, *, u=0.1, geometry=None):
    geometry = geometry or Geometry(wheelbase_m=2.5, track_front_m=1.48, track_rear_m=1.46)
    state = np.array([1000.0, 1300.0, 5.0, 2.0])
    loads = [geometry.spread @ s[:3] + s[3] * geometry.warp for s in (state, without(mass, x, y, state))]
    return [statics(m.tolist(), [u**2] * 4, geometry) for m in loads]


def test_uncertainty_of_a_part_inside_and_outside_the_wheelbase():
    """part.inside, part.outside: linear propagation (from memory; reproduced by script)."""
    inside = difference(*pair(10, 1.25, 0), slope=0.0)
    assert inside.mass.u == pytest.approx(0.2828427125, abs=1e-9)
    assert inside.x.u == pytest.approx(0.0353553391, abs=1e-9)
    assert inside.y.u == pytest.approx(0.0207894204, abs=1e-9)
    before, after = pair(10, 2.8 - 2.5 - 0.6, 0.4)
    assert after.loads_kg[0] > before.loads_kg[0] - 1e-9 or after.loads_kg[1] > before.loads_kg[1]
    # the published case counts x from the front axle: 2.8 m behind it is 0.3 m behind the rear axle
    outside = difference(*pair(10, 2.5 - 2.8, 0.4), slope=0.0)
    assert outside.x.u == pytest.approx(0.0563205114, abs=1e-9)
    assert outside.y.u == pytest.approx(0.0236685445, abs=1e-9)


def test_a_wheel_may_get_lighter_when_weight_goes_on():
    """part.outside: one wheel gets heavier as the part behind the axle comes off, and that is legal."""
    before, after = pair(10, -0.3, 0.4)
    assert max(np.array(after.loads_kg) - np.array(before.loads_kg)) > 0
    got = difference(before, after)
    assert (got.mass.value, got.x.value, got.y.value) == pytest.approx((10, -0.3, 0.4))


@PROPERTY
@given(st.floats(3, 200), st.floats(-1, 3.5), st.floats(-1, 1), geometries)
def test_any_part_is_found_exactly(mass, x, y, geometry):
    before, after = pair(mass, x, y, u=0.01, geometry=geometry)
    got = difference(before, after)
    assert (got.mass.value, got.x.value, got.y.value) == pytest.approx((mass, x, y), abs=1e-7)


@PROPERTY
@given(st.floats(3, 200), st.floats(-1, 3.5), st.floats(-1, 1))
def test_adding_then_removing_is_nothing(mass, x, y):
    """Off and on again: no mass, and no place is claimed for it."""
    before, after = pair(mass, x, y)
    off, on = difference(before, after), difference(after, before)
    assert off.mass.value + on.mass.value == pytest.approx(0, abs=1e-9)
    assert (on.x.value, on.y.value) == pytest.approx((off.x.value, off.y.value), abs=1e-9)
    nothing = difference(before, before)
    assert nothing.mass.value == 0
    assert nothing.x is None
    assert nothing.too_light_to_locate
    assert any("No change" in n for n in nothing.notes)


def test_something_that_went_on_has_negative_mass_and_is_said():
    got = difference(*reversed(pair(35, 1.1, 0.0)))
    assert got.mass.value == pytest.approx(-35)
    assert got.x.value == pytest.approx(1.1)
    assert any("35 kg heavier" in n for n in got.notes)


def test_more_than_half_the_car_is_doubted():
    before, after = pair(700, 1.3, 0.0)
    assert any("hardly the same car" in n for n in difference(before, after).notes)


def test_too_light_to_locate():
    """700 g and pads of 0.1 kg: more than its ±, too little for a place; ten kilograms are found."""
    light = difference(*pair(0.7, -0.6, 0.1))
    assert light.too_light_to_locate
    assert light.x is not None
    assert any("Too light to locate" in n for n in light.notes)
    assert not difference(*pair(10, 1.2, 0.1)).too_light_to_locate


def test_ellipse_follows_the_covariance():
    got = difference(*pair(10, 1.2, 0.1))
    cov = np.reshape(got.covariance, (3, 3))[1:, 1:]
    major, minor, angle = got.ellipse_m
    axis = np.array([np.cos(angle), np.sin(angle)])
    assert axis @ cov @ axis == pytest.approx(major**2)
    assert major**2 + minor**2 == pytest.approx(np.trace(cov))


def test_different_geometries_are_refused():
    other = pair(10, 1.2, 0.1, geometry=GEOMETRY)[1]
    with pytest.raises(ValueError, match="different wheelbase"):
        difference(pair(10, 1.2, 0.1)[0], other)


def test_without_geometry_a_mass_only():
    before, after = (statics(s.loads_kg, s.covariance_kg2, Geometry()) for s in pair(10, 1.2, 0.1))
    got = difference(before, after)
    assert got.mass.value == pytest.approx(10)
    assert got.x is None
    assert not got.too_light_to_locate


def weighed_twice(heights, facings=("out",), zero_u=0.0, runs=1):
    rows = []
    for build, state in (("with", STATE), ("without", without(12, 0.3, -0.4))):
        for f in facings:
            for n in range(runs):
                more = {"zero_check": "z1", "zero_u_kg": (zero_u,) * 4} if zero_u else {}
                pads = PADS if f == "out" else PADS[::-1]
                rows.append(
                    weighing(
                        f, pads, state=state, heights=heights, build=build, run=f"{build} {f} {n}", **more
                    )
                )
    return rows


def test_a_sloping_twisted_floor_does_not_touch_a_difference():
    """Same spots, same facing: floor terms cancel, and their allowance with them."""
    rows = weighed_twice(np.array([0.0, 0.006, 0.012, 0.004]))
    builds = solve_builds(rows, GEOMETRY)
    assert builds.solutions["with"].x.u > 0.002
    for got in (builds.part("with", "without"), difference(*builds.solutions.values())):
        assert got.mass.value == pytest.approx(12, abs=1e-6)
        assert got.mass.u == pytest.approx(0.2828427, rel=1e-3)
        # the floor moves a part by (its height − the car's)·slope; here both are equal but for rounding
        assert got.x.value == pytest.approx(0.3, abs=0.004)
        assert got.y.value == pytest.approx(-0.4, abs=0.004)
        assert got.x.u < 0.04


def test_a_zero_common_to_both_cancels_in_the_joint_solution():
    """The same zero check: counted once, so the part is sharper than both weighings; apart it is wider."""
    rows = weighed_twice((0.0,) * 4, zero_u=0.5)
    joint = solve_builds(rows, GEOMETRY, Known(gain_u=0.0))
    assert joint.solutions["with"].total.u == pytest.approx(np.hypot(0.2, 1.0), rel=1e-2)
    assert joint.part("with", "without").mass.u == pytest.approx(0.2828427, rel=1e-2)
    assert difference(*joint.solutions.values()).mass.u > 1.4


def test_different_placements_count_everything():
    """Out before, back after: the floor does not cancel, and the ± says so."""
    before = solve([weighing("out")], GEOMETRY)
    after = solve([weighing("back", PADS[::-1], state=without(12, 0.3, -0.4))], GEOMETRY)
    same = solve([weighing("out", state=without(12, 0.3, -0.4))], GEOMETRY)
    assert difference(before, after).x.u > 5 * difference(before, same).x.u


def test_ten_kilograms_within_a_decimetre():
    """Pads of 0.1 kg resolution, rests repeating to 0.1 kg, car not moved, ten rests before and after.

    One rest each leaves the mass to ±0.57 kg (2u): four pads twice at 0.1 kg. Ten rests bring it below 0.2.
    """
    rng = np.random.default_rng(8)
    mass_ok, place_ok = [], []
    for _ in range(120):
        x, y = rng.uniform(0, 2.4), rng.uniform(-0.6, 0.6)
        rows = [
            weighing(
                state=s,
                noise=np.round(rng.normal(0, 0.1, 4), 1),
                u_kg=np.hypot(0.1, 0.1 / np.sqrt(12)),
                build=b,
                run=f"{b} {n}",
            )
            for b, s in (("a", STATE), ("b", without(10, x, y)))
            for n in range(10)
        ]
        got = solve_builds(rows, GEOMETRY).part("a", "b")
        mass_ok.append(abs(got.mass.value - 10) <= 0.2)
        place_ok.append(np.hypot(got.x.value - x, got.y.value - y) <= 0.1)
    assert np.mean(mass_ok) >= 0.95
    assert np.mean(place_ok) == 1.0
