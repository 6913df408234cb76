"""Height of the centre of mass: exact forward models, published forms, sensitivity, doubts."""

from __future__ import annotations

from math import radians, sin, tan

import numpy as np
import pytest
from mechanics.worlds import GEOMETRY, STATE, true_loads, weighing

from logger.mechanics.height import (
    PLAUSIBLE_M,
    Lift,
    LiftStep,
    axle_lift,
    expected_u,
    half_turn,
    height_of_step,
    lift_angle_rad,
    stability_factor,
)
from logger.mechanics.statics import Geometry, statics
from logger.mechanics.weighing import Allowances
from logger.quantity import Quantity


def lift(steps, **changes):
    fields = {
        "raised": "rear",
        "wheelbase_m": 2.5,
        "radius_front_m": 0.3,
        "radius_rear_m": 0.3,
        "total_kg": 1200.0,
        "level_kg": 660.0,
    }
    return Lift(**(fields | changes), steps=tuple(steps))


def test_equal_radii():
    """cgh.fwd.equal: rigid-body geometry (ISO 10392 6.5, formula from memory): 0.480 m exactly."""
    one = LiftStep(lift_m=0.6, load_kg=681.360299877714)
    got = lift([one])
    assert np.degrees(lift_angle_rad(got, 0.6)) == pytest.approx(13.886540362629, abs=1e-9)
    assert height_of_step(got, one) == pytest.approx(0.48, abs=1e-9)


def test_unequal_radii():
    """cgh.fwd.unequal: own derivation; the usual interpolated radius is 0.44 mm off, ours is not."""
    one = LiftStep(lift_m=0.6, load_kg=681.29215410129)
    got = lift([one], radius_front_m=0.29, radius_rear_m=0.315)
    theta = lift_angle_rad(got, 0.6)
    assert np.degrees(theta) == pytest.approx(13.903833859618, abs=1e-9)
    assert height_of_step(got, one) == pytest.approx(0.48, abs=1e-9)
    interpolated = 0.29 + 0.025 * 0.45 + 2.5 * (one.load_kg - 660) / (1200 * tan(theta))
    assert interpolated == pytest.approx(0.4804435865, abs=1e-9)


def test_raising_the_front_is_the_mirror_image():
    """The same car seen from its other end gives the same height."""
    one = LiftStep(lift_m=0.6, load_kg=681.29215410129)
    got = lift([one], raised="front", radius_front_m=0.315, radius_rear_m=0.29)
    assert height_of_step(got, one) == pytest.approx(0.48, abs=1e-9)


def test_a_van_makers_form():
    """cgh.bodybuilder (body-builder guideline): another formula, the same 0.180 m above the axle."""
    one = LiftStep(lift_m=0.6, load_kg=681.3602998777142)
    assert height_of_step(lift([one]), one) - 0.3 == pytest.approx(0.18, abs=1e-9)


def test_textbook_formula():
    """cgh.formula.numeric (form of Milliken & Milliken ch. 18; the inputs are no real car)."""
    inch, wheelbase, mass, front = 0.0254, 2.7, 55.0, 150.0
    ahead, behind = 27 * inch, 30 * inch
    bare = lift(
        [],
        wheelbase_m=wheelbase,
        radius_front_m=1e-12,
        radius_rear_m=1e-12,
        total_kg=mass,
        level_kg=mass * behind / 2.7,
    )
    step = LiftStep(lift_m=wheelbase * sin(radians(10)), load_kg=front)
    radii = 11 * inch * behind / wheelbase + 15 * inch * ahead / wheelbase
    assert radii + height_of_step(bare, step) == pytest.approx(37.6153671776983, abs=1e-9)


def test_sensitivity_to_the_lifted_load():
    """cgh.sens: L/(W·tan θ) and u for 0.5 kg each."""
    got = lift([], u_load_kg=0.5, u_radius_m=0.0)
    raised = 2.5 * sin(radians(13.88654))
    assert expected_u(got, raised) == pytest.approx(0.0059587, abs=1e-6)
    one, other = (height_of_step(got, LiftStep(lift_m=raised, load_kg=x)) for x in (681.0, 682.0))
    assert other - one == pytest.approx(0.0084268, abs=1e-6)
    assert expected_u(got, 0.1) > 4 * expected_u(got, 0.5)


def forward(height, raise_m, *, radius_down=0.3, radius_up=0.3, total=1200.0, level=660.0, length=2.5):
    """Load on the axle that stays down, by solving moments about its ground contact in the lifted pose."""
    trial = lift(
        [],
        radius_front_m=radius_down,
        radius_rear_m=radius_up,
        total_kg=total,
        level_kg=level,
        wheelbase_m=length,
    )
    low, high = level, total
    for _ in range(80):
        middle = (low + high) / 2
        if height_of_step(trial, LiftStep(lift_m=raise_m, load_kg=middle)) < height:
            low = middle
        else:
            high = middle
    return middle


def steps(noise, lifts=(0.2, 0.35, 0.5), drag=0.0):
    found = [(x, "up") for x in lifts] + [(x, "down") for x in lifts[-2::-1]]
    return [
        LiftStep(lift_m=x, load_kg=forward(0.48, x) + e + (drag if d == "down" else 0.0), direction=d)
        for (x, d), e in zip(found, noise, strict=True)
    ]


def test_regression_over_steps_up_and_down():
    """Five steps with noise: within 2u of the truth, line through nothing, no doubt in words."""
    rng = np.random.default_rng(5)
    got = axle_lift(lift(steps(rng.normal(0, 0.2, 5))))
    assert got.height.value == pytest.approx(0.48, abs=2 * got.height.u)
    assert 0.003 < got.height.u < 0.02
    assert abs(got.line.a) < 3 * got.line.u_a
    assert got.hysteresis_kg < 1.0
    assert got.up == pytest.approx(0.48, abs=0.02)


def test_coverage_of_the_height():
    """±2u holds the truth in 93 to 99.5 % of 400 lifts with all inputs uncertain."""
    rng = np.random.default_rng(11)
    clean = steps(np.zeros(5))
    inside = 0
    for _ in range(400):
        noisy = [
            LiftStep(
                lift_m=s.lift_m + rng.normal(0, 0.002),
                load_kg=s.load_kg + rng.normal(0, 0.2),
                direction=s.direction,
            )
            for s in clean
        ]
        r = 0.3 + rng.normal(0, 0.003)
        got = axle_lift(lift(noisy, radius_front_m=r, radius_rear_m=r, level_kg=660 + rng.normal(0, 0.2)))
        inside += abs(got.height.value - 0.48) <= 2 * got.height.u
    assert 0.93 <= inside / 400 <= 0.995


def test_sticking_is_seen():
    """A suspension that sticks: up and down differ, and the answer says so."""
    got = axle_lift(lift(steps(np.zeros(5), drag=3.0)))
    assert got.hysteresis_kg == pytest.approx(3.0, abs=1e-6)
    assert any("Up and down differ by 3 kg" in n for n in got.notes)
    assert any("blocked solid" in n for n in got.notes)
    assert got.down > got.up


def test_one_way_and_low_lifts_are_said():
    got = axle_lift(lift([LiftStep(lift_m=x, load_kg=forward(0.48, x)) for x in (0.05, 0.1, 0.15)]))
    assert got.hysteresis_kg is None
    assert any("one way only" in n for n in got.notes)
    assert any("twice as high (0.30 m)" in n for n in got.notes)


def test_too_few_lifts_and_impossible_ones():
    with pytest.raises(ValueError, match="2 different lifts"):
        axle_lift(lift([LiftStep(lift_m=x, load_kg=670.0) for x in (0.2, 0.3, 0.3)]))
    with pytest.raises(ValueError, match="longer than the car"):
        axle_lift(lift([LiftStep(lift_m=x, load_kg=670.0) for x in (0.2, 0.3, 2.6)]))
    with pytest.raises(ValueError, match="three above zero"):
        axle_lift(lift([LiftStep(lift_m=x, load_kg=670.0) for x in (0.0, 0.3, 0.6)]))


def test_an_absurd_height_is_doubted():
    got = axle_lift(lift([LiftStep(lift_m=x, load_kg=660 + 200 * x) for x in (0.2, 0.3, 0.4)]))
    assert any("is not a car's" in n for n in got.notes)


def test_half_turn_on_a_known_slope():
    """x and y shift by 2·h·tan of the slope between the facings."""
    heights = 0.02 * GEOMETRY.x_m + 0.01 * GEOMETRY.y_m
    out, back = (
        statics(weighing(f, heights=heights, h_m=0.52).loads_kg, [0.01] * 4, GEOMETRY)
        for f in ("out", "back")
    )
    slope = Quantity(np.arctan(0.02), 0.0005, "rad"), Quantity(np.arctan(0.01), 0.0007, "rad")
    got = half_turn(out, back, *slope)
    assert got.value == pytest.approx(0.52, abs=1e-3)
    assert 0.005 < got.u < 0.02
    with pytest.raises(ValueError, match="steeper"):
        half_turn(out, back, Quantity(0.001, 0.0005, "rad"), Quantity(0.0, 0.0007, "rad"))


def test_side_slope_moves_load():
    """tilt.side: W·h·sin φ/T to the low side, total cos φ (from memory; number reproduced by script)."""
    geometry = Geometry(wheelbase_m=2.5, track_front_m=1.47, track_rear_m=1.47)
    phi = radians(0.2)
    total = 1200 * np.cos(phi)
    state = np.array([total, total * 1.3, 0.0, 0.0])
    got = weighing(state=state, geometry=geometry, heights=tan(phi) * geometry.y_m, h_m=0.48)
    flat = true_loads(state, geometry)
    moved = np.array(got.loads_kg) - flat
    assert moved[1] + moved[3] == pytest.approx(1.3677654525, abs=1e-6)
    assert 1e6 * (sum(got.loads_kg) / 1200 - 1) == pytest.approx(-6.0923, abs=1e-4)


def test_stability_factor_of_measured_cars():
    """nhtsa.ssf.1–6: T/(2h) of NHTSA LVIPD + NCAP rollover data, collated."""
    for h, track, expected in (
        (0.449834, 1.43256, 1.591),
        (0.471424, 1.48336, 1.573),
        (0.462788, 1.58496, 1.7129),
        (0.519938, 1.494155, 1.4367),
        (0.51943, 1.5113, 1.4553),
        (0.519176, 1.58242, 1.5246),
    ):
        geometry = Geometry(wheelbase_m=2.6, track_front_m=track, track_rear_m=track)
        assert stability_factor(geometry, Quantity(h, 0.01, "m")).value == pytest.approx(expected, abs=0.002)


def test_what_is_allowed_for_is_what_cars_have():
    """nhtsa.h.stats and nhtsa.h.reg: heights of 1,270 vehicles, and cars' regression on mass (204)."""
    allow = Allowances()
    assert allow.cg_height_m == pytest.approx(0.553, abs=0.005)
    assert allow.cg_height_m - 2 * allow.cg_height_u_m < 0.4498
    assert PLAUSIBLE_M[0] < 0.4498
    assert PLAUSIBLE_M[1] > 0.9911
    for mass in (900, 1400, 1900):
        assert 5e-5 * mass + 0.46983 == pytest.approx(allow.cg_height_m, abs=allow.cg_height_u_m / 2)
    assert STATE[0] > 0
