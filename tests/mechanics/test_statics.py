"""Four loads to total, shares and centre of mass: published values, measured cars, symmetries."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mechanics.worlds import GEOMETRY, geometries, loads
from support import shared_data

from logger.mechanics.floor import attitude
from logger.mechanics.springs import Springs, warp_stiffness
from logger.mechanics.statics import Geometry, statics
from logger.units import G_N, IN_M, LB_KG

PROPERTY = settings(deadline=None, max_examples=60)


def value(quantity):
    assert quantity is not None
    return quantity.value


def test_four_loads_of_the_definition():
    """statics.four: constructed from the definition (from memory; number reproduced by script)."""
    got = statics(
        [310, 298, 276, 283], [0.01] * 4, Geometry(wheelbase_m=2.5, track_front_m=1.48, track_rear_m=1.46)
    )
    assert value(got.total) == 1167
    assert 2.5 - value(got.x) == pytest.approx(1.1975149957, abs=1e-9)
    assert value(got.y) == pytest.approx(0.0032305056, abs=1e-9)
    assert 100 * value(got.front) == pytest.approx(52.0994001714, abs=1e-9)
    assert 100 * value(got.left) == pytest.approx(50.2142245073, abs=1e-9)
    assert 100 * value(got.cross) == pytest.approx(49.1859468723, abs=1e-9)


def test_textbook_axle_loads_come_back():
    """statics.axle.1 (textbook problem, Halliday type), axle.3 (Halliday, Resnick & Walker ch. 12)."""
    for mass, length, from_front, g, front, rear, tolerance in (
        (961, 3.27, 0.615, 9.81, 3830, 887, 5),
        (1360, 3.05, 1.78, 9.8, 2770, 3890, 10),
    ):
        geometry = Geometry(wheelbase_m=length, track_front_m=1.5, track_rear_m=1.5)
        each = geometry.spread @ np.array([mass, mass * (length - from_front), 0]) * g
        assert each == pytest.approx([front, front, rear, rear], abs=tolerance)


def test_centre_of_mass_from_two_axle_loads():
    """statics.axle.2 (school worked example)."""
    geometry = Geometry(wheelbase_m=2.4, track_front_m=1.5, track_rear_m=1.5)
    got = statics([2250, 2250, 1750, 1750], [1.0] * 4, geometry)
    assert value(got.x) == pytest.approx(1.35, abs=1e-9)
    assert 2.4 - value(got.x) == pytest.approx(1.05, abs=1e-9)


def test_inches_and_pounds():
    """statics.lcg (worked example with an assumed 45/55 split): 40.425 in behind the front axle."""
    pounds = np.array([0.225, 0.225, 0.275, 0.275]) * 1808
    geometry = Geometry(wheelbase_m=73.5 * IN_M, track_front_m=55 * IN_M, track_rear_m=55 * IN_M)
    got = statics((pounds * LB_KG).tolist(), [0.1] * 4, geometry)
    assert 73.5 - value(got.x) / IN_M == pytest.approx(40.425, abs=1e-9)
    assert value(got.total.shown_in("lb")) == pytest.approx(1808, abs=1e-9)


def test_measured_cars_return_their_centre_of_mass():
    """NHTSA NCAP table (public domain): 0.01 in, front share to 5e-7 of the published value."""
    with shared_data("vehicle_cg_table", "truth_corners_derived.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 10
    for row in rows:
        r = {k: float(v) for k, v in row.items()}
        geometry = Geometry(
            wheelbase_m=r["wheelbase_in"] * IN_M,
            track_front_m=r["front_track_in"] * IN_M,
            track_rear_m=r["rear_track_in"] * IN_M,
        )
        loads = [r[c] * LB_KG for c in ("FL_lb", "FR_lb", "RL_lb", "RR_lb")]
        got = statics(loads, [0.01] * 4, geometry)
        assert r["wheelbase_in"] - value(got.x) / IN_M == pytest.approx(r["cg_long_in"], abs=0.01)
        # their lateral axis points to the passenger's side
        assert -value(got.y) / IN_M == pytest.approx(r["cg_lateral_in"], abs=0.01)
        assert value(got.front) == pytest.approx(r["wd_front_published"], abs=5e-7)
        assert value(got.total) / LB_KG == pytest.approx(r["test_weight_lb"], abs=0.01)


def test_one_millimetre_under_one_pad_of_four_equal_springs():
    """warp.equal: q = (n·z)/Σ(n²/k), n the null vector of equilibrium (from memory; reproduced by script)."""
    geometry = Geometry(wheelbase_m=2.5, track_front_m=1.47, track_rear_m=1.47)
    springs = Springs(wheel_front_N_per_m=25000, wheel_rear_N_per_m=25000)
    change = _shimmed(geometry, springs, 0)
    assert np.abs(change) == pytest.approx([0.6373226331] * 4, abs=1e-9)
    assert change[1] + change[2] == pytest.approx(-1.2746452662, abs=1e-9)


def test_one_millimetre_under_left_front_of_unequal_axles():
    """warp.unequal: rates 26/31 N/mm, tracks 1.48/1.46 m (as above)."""
    geometry = Geometry(wheelbase_m=2.5, track_front_m=1.48, track_rear_m=1.46)
    springs = Springs(wheel_front_N_per_m=26000, wheel_rear_N_per_m=31000)
    expected = [0.711998466287, -0.711998466287, -0.721751869934, 0.721751869934]
    assert _shimmed(geometry, springs, 0) == pytest.approx(expected, abs=1e-9)


def test_bars_and_chassis_in_series():
    """The warp stiffness falls with a soft chassis and rises with bars, as springs in series do."""
    plain = Springs(wheel_front_N_per_m=25000, wheel_rear_N_per_m=25000)
    barred = Springs(
        wheel_front_N_per_m=25000, wheel_rear_N_per_m=25000, bar_front_N_per_m=12500, bar_rear_N_per_m=12500
    )
    k = warp_stiffness(plain, GEOMETRY).value
    assert warp_stiffness(barred, GEOMETRY).value == pytest.approx(2 * k)
    soft = Springs(wheel_front_N_per_m=25000, wheel_rear_N_per_m=25000, chassis_Nm_per_rad=k)
    assert warp_stiffness(soft, GEOMETRY).value == pytest.approx(k / 2)


def _shimmed(geometry, springs, corner):
    theta = attitude(geometry)[2, corner] * 1e-3
    return warp_stiffness(springs, geometry).value / G_N * theta * geometry.warp


@PROPERTY
@given(loads, geometries, st.floats(-80, 80))
def test_no_warp_moves_total_or_place(load, geometry, kappa):
    """Rigid-body invariance: M, x, y do not change with any amount of warp."""
    plain = statics(load, [0.01] * 4, geometry)
    warped = statics((np.array(load) + kappa * geometry.warp).tolist(), [0.01] * 4, geometry)
    assert value(warped.total) == pytest.approx(value(plain.total), rel=1e-12)
    assert value(warped.x) == pytest.approx(value(plain.x), abs=1e-11)
    assert value(warped.y) == pytest.approx(value(plain.y), abs=1e-11)
    assert value(warped.front) == pytest.approx(value(plain.front), abs=1e-12)
    assert value(warped.kappa) - value(plain.kappa) == pytest.approx(kappa, abs=1e-9)


@PROPERTY
@given(loads, geometries)
def test_the_determinate_part_and_the_warp_are_all_there_is(load, geometry):
    """m = spread·wrench·m + kappa·v for any loads."""
    got = statics(load, [0.01] * 4, geometry)
    again = geometry.spread @ geometry.wrench @ np.array(load) + value(got.kappa) * geometry.warp
    assert again == pytest.approx(load, abs=1e-9)


@PROPERTY
@given(loads, geometries)
def test_mirror(load, geometry):
    """Left and right exchanged: y and kappa change sign, cross and left go to their complement."""
    plain = statics(load, [0.01] * 4, geometry)
    mirrored = statics([load[1], load[0], load[3], load[2]], [0.01] * 4, geometry)
    assert value(mirrored.y) == pytest.approx(-value(plain.y), abs=1e-12)
    assert value(mirrored.x) == pytest.approx(value(plain.x), abs=1e-12)
    assert value(mirrored.kappa) == pytest.approx(-value(plain.kappa), abs=1e-9)
    assert value(mirrored.cross) == pytest.approx(1 - value(plain.cross), abs=1e-12)
    assert value(mirrored.left) == pytest.approx(1 - value(plain.left), abs=1e-12)


@PROPERTY
@given(loads, geometries)
def test_half_turn(load, geometry):
    """Seen from the other end: x from the other axle, y to the other side, kappa and cross the same."""
    turned = Geometry(
        wheelbase_m=geometry.wheelbase_m,
        track_front_m=geometry.track_rear_m,
        track_rear_m=geometry.track_front_m,
    )
    plain, other = statics(load, [0.01] * 4, geometry), statics(load[::-1], [0.01] * 4, turned)
    assert value(other.x) == pytest.approx(geometry.wheelbase_m - value(plain.x), abs=1e-11)
    assert value(other.y) == pytest.approx(-value(plain.y), abs=1e-12)
    assert value(other.kappa) == pytest.approx(value(plain.kappa), abs=1e-9)
    assert value(other.cross) == pytest.approx(value(plain.cross), abs=1e-12)


@PROPERTY
@given(loads, geometries, st.sampled_from([LB_KG, 1e-3, 1000.0]), st.sampled_from([IN_M / 0.05, 2.0]))
def test_units_do_not_matter(load, geometry, per_mass, per_length):
    """Masses and lengths in other units: shares the same, places and u in the other unit."""
    other = Geometry(
        wheelbase_m=geometry.wheelbase_m * per_length,
        track_front_m=geometry.track_front_m * per_length,
        track_rear_m=geometry.track_rear_m * per_length,
    )
    a = statics(load, [0.04] * 4, geometry)
    b = statics([m * per_mass for m in load], [0.04 * per_mass**2] * 4, other)
    assert value(b.cross) == pytest.approx(value(a.cross), rel=1e-12)
    assert b.front.u == pytest.approx(a.front.u, rel=1e-9)
    assert b.x.u == pytest.approx(a.x.u * per_length, rel=1e-9)
    assert value(b.y) == pytest.approx(value(a.y) * per_length, abs=1e-12)


def test_uncertainty_agrees_with_the_uncertainties_package():
    """Linear propagation of correlated loads, against the `uncertainties` package."""
    from uncertainties import correlated_values

    rng = np.random.default_rng(3)
    root = rng.normal(0, 0.2, (4, 4))
    cov = root @ root.T
    load = [300.0, 290.0, 190.0, 188.0]
    lf, rf, lr, rr = correlated_values(load, cov)
    total = lf + rf + lr + rr
    got = statics(load, cov, GEOMETRY)
    x, y = GEOMETRY.x_m, GEOMETRY.y_m
    for have, want in (
        (got.total, total),
        (got.front, (lf + rf) / total),
        (got.cross, (rf + lr) / total),
        (got.x, (x[0] * lf + x[1] * rf) / total),
        (got.y, (y[0] * lf + y[1] * rf + y[2] * lr + y[3] * rr) / total),
    ):
        assert have.value == pytest.approx(want.nominal_value, rel=1e-12)
        assert have.u == pytest.approx(want.std_dev, rel=1e-9)


def test_without_wheelbase_shares_only():
    """No place and no warp term when a length is missing."""
    got = statics([310, 298, 276, 283], [0.01] * 4, Geometry(track_front_m=1.48, track_rear_m=1.46))
    assert (got.x, got.y, got.kappa) == (None, None, None)
    assert 100 * value(got.front) == pytest.approx(52.0994001714, abs=1e-9)


@pytest.mark.parametrize("load", [[1, 2, 3], [0, 0, 0, 0], [float("nan"), 1, 1, 1], [-5, 1, 1, 1]])
def test_what_are_not_four_loads(load):
    with pytest.raises(ValueError, match="four loads with a positive sum"):
        statics(load, [0.01] * 4, GEOMETRY)


def test_absurd_lengths_are_refused():
    with pytest.raises(ValueError, match=r"wheelbase_m is 2430 m"):
        Geometry(wheelbase_m=2430)
    with pytest.raises(ValueError, match="16 numbers"):
        statics([1, 1, 1, 1], [0.1] * 5, GEOMETRY)
