"""Lines, least squares, propagation and factors against published values."""

from __future__ import annotations

from math import hypot, sqrt

import numpy as np
import pytest

from logger.mechanics.budget import propagate
from logger.mechanics.lines import least_squares, line, student
from logger.mechanics.pads import effective_freedom

NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9,
    338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0,
    11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
    448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,
    117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
LONGLEY = [
    (60323, 83.0, 234289, 2356, 1590, 107608), (61122, 88.5, 259426, 2325, 1456, 108632),
    (60171, 88.2, 258054, 3682, 1616, 109773), (61187, 89.5, 284599, 3351, 1650, 110929),
    (63221, 96.2, 328975, 2099, 3099, 112075), (63639, 98.1, 346999, 1932, 3594, 113270),
    (64989, 99.0, 365385, 1870, 3547, 115094), (63761, 100.0, 363112, 3578, 3350, 116219),
    (66019, 101.2, 397469, 2904, 3048, 117388), (67857, 104.6, 419180, 2822, 2857, 118734),
    (68169, 108.4, 442769, 2936, 2798, 120445), (66513, 110.8, 444546, 4681, 2637, 121950),
    (68655, 112.6, 482704, 3813, 2552, 123366), (69564, 114.2, 502601, 3931, 2514, 125368),
    (69331, 115.7, 518173, 4806, 2572, 127852), (70551, 116.9, 554894, 4007, 2827, 130081),
]  # fmt: skip


def test_norris():
    """nist.norris: NIST StRD (certified), 36 points."""
    got = line(NORRIS_X, NORRIS_Y)
    assert got.a == pytest.approx(-0.262323073774029, rel=1e-10)
    assert got.b == pytest.approx(1.00211681802045, rel=1e-10)
    assert got.u_a == pytest.approx(0.232818234301152, rel=1e-10)
    assert got.u_b == pytest.approx(0.000429796848199937, rel=1e-10)
    assert got.chi2 == pytest.approx(26.6173985294224, rel=1e-10)
    assert sqrt(got.chi2 / got.freedom) == pytest.approx(0.884796396144373, rel=1e-10)


def test_longley():
    """nist.longley: NIST StRD (certified), 16 × 6, ill-conditioned on purpose."""
    table = np.array(LONGLEY, dtype=float)
    design = np.column_stack([np.ones(16), table[:, 1:], 1947.0 + np.arange(16)])
    p, _, least = least_squares(design, table[:, 0])
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.035819179292591,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ]
    assert p == pytest.approx(certified, rel=1e-8)
    assert sqrt(least / 9) == pytest.approx(304.854073561965, rel=1e-8)


def test_calibration_line_of_the_guide():
    """gum.H3: JCGM 100:2008 H.3.3–H.3.4, Table H.6."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16]
    got = line([x - 20 for x in t], b)
    assert got.a == pytest.approx(-0.1712, abs=5e-5)
    assert got.u_a == pytest.approx(0.0029, abs=5e-5)
    assert got.b == pytest.approx(0.00218, abs=5e-6)
    assert got.u_b == pytest.approx(0.00067, abs=5e-6)
    assert got.covariance / got.u_a / got.u_b == pytest.approx(-0.93, abs=5e-3)
    assert sqrt(got.chi2 / got.freedom) == pytest.approx(0.0035, abs=5e-5)
    assert got.freedom == 9
    assert got.at(10.0) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_weighted_lines_of_the_standard():
    """iso28037.wls1 and wls2: ISO/TS 28037:2010 p. 13 and 14."""
    x = [1, 2, 3, 4, 5, 6]
    got = line(x, [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6)
    assert (got.a, got.b, got.u_a, got.u_b) == pytest.approx(
        (1.866667, 1.757143, 0.4654747, 0.1195229), abs=1e-6
    )
    assert got.covariance == pytest.approx(-0.05, abs=1e-6)
    assert got.chi2 == pytest.approx(1.665, abs=1e-3)
    assert got.inverse(10.5, 0.5) == pytest.approx((4.913, 0.322), abs=5e-4)
    got = line(x, [3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5, 0.5, 0.5, 1, 1, 1])
    assert (got.a, got.b, got.u_a, got.u_b) == pytest.approx((0.8852, 2.057, 0.5297081, 0.177892), abs=1e-4)
    assert got.covariance == pytest.approx(-0.08227848, abs=1e-6)
    assert got.chi2 == pytest.approx(4.131, abs=1e-3)
    assert got.inverse(10.5, 1.0) == pytest.approx((4.674, 0.533), abs=5e-4)


def test_errors_in_both_axes_by_effective_variance():
    """iso28037.gdr (p. 21): effective variance, as the axle lift uses it, stays within an eighth of u.

    It is no full regression of errors in both axes; the standard's answer shows what that costs.
    """
    x, y = [1.2, 1.9, 2.9, 4.0, 4.7, 5.9], [3.4, 4.4, 7.2, 8.5, 10.8, 13.5]
    slope = 2.0
    for _ in range(20):
        got = line(x, y, [hypot(u, 0.2 * slope) for u in (0.2, 0.2, 0.2, 0.4, 0.4, 0.4)])
        slope = got.b
    assert got.a == pytest.approx(0.5788, abs=0.4764 / 8)
    assert got.b == pytest.approx(2.1597, abs=0.1355 / 8)
    assert (got.u_a, got.u_b) == pytest.approx((0.4764, 0.1355), rel=0.02)


def test_errors_in_both_axes_of_unequal_weight():
    """pearson.york: Pearson's data with York's weights (Neri et al., J. Phys. E 22, 1989).

    Effective variance gives the published slope of -0.4805 to a third of its u of 0.0576.
    """
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500])
    slope = -0.5
    for _ in range(50):
        got = line(x, y, np.sqrt(1 / wy + slope**2 / wx))
        slope = got.b
    assert got.b == pytest.approx(-0.480533407, abs=0.057617 / 3)
    assert got.a == pytest.approx(5.47991022, abs=0.29193 / 3)
    assert (got.u_a, got.u_b) == pytest.approx((0.29193, 0.057617), rel=0.05)


def test_youngs_modulus_over_temperature():
    """natrella: NBS Handbook 91, 5-4.1; scatter of 16 points about their line, and u of the line at 1200."""
    x = [30, *range(100, 1600, 100)]
    y = [4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999]
    got = line(x, y)
    assert (got.a, got.b) == pytest.approx((4654.9846, -0.44985482), rel=1e-6)
    assert (got.u_a, got.u_b) == pytest.approx((4.458638, 0.005064489), rel=1e-6)
    assert sqrt(got.chi2 / got.freedom) == pytest.approx(9.277617, rel=1e-6)
    assert got.at(1200.0)[1] == pytest.approx(3.245, abs=5e-4)


def test_propagation_to_first_order_where_it_holds_and_where_it_does_not():
    """jcgm101.9.2.2, 9.2.4, 9.3 and npl.log: the framework's own answers beside those of Monte Carlo.

    JCGM 101:2008 Tables 2, 4, 5 and NPL DEM-ES-011 9.2: in the last three first order is known to be wrong.
    """

    def u_of(function, values, us):
        found, covariance, _ = propagate(function, np.array(values), np.diag(np.square(us)))
        return float(found[0]), sqrt(covariance[0, 0])

    def total(p):
        return np.array([p.sum()])

    assert u_of(total, [0.0] * 4, [1.0] * 4) == pytest.approx((0.0, 2.0), abs=1e-12)
    assert 1.959964 * u_of(total, [0.0] * 4, [1.0] * 4)[1] == pytest.approx(3.92, abs=0.01)
    u = u_of(total, [0.0] * 4, [1.0, 1.0, 1.0, 10.0])[1]
    assert u == pytest.approx(10.1, abs=0.1)
    assert 1.959964 * u == pytest.approx(19.9, abs=0.1)

    def conventional_mass(p):
        reference, more, air, weight, standard = p
        return np.array([(reference + more) * (1 + (air - 1.2) * (1 / weight - 1 / standard)) - 1e5])

    half = np.array([0.1, 1000.0, 50.0]) / sqrt(3)
    mass, u = u_of(conventional_mass, [1e5, 1.234, 1.2, 8000.0, 8000.0], [0.05, 0.02, *half])
    assert (mass, u) == pytest.approx((1.234, 0.0539), abs=5e-5)
    assert u_of(np.log, [0.6], [1 / sqrt(12)]) == pytest.approx((-0.511, 0.481), abs=1e-3)


def test_correlated_inputs():
    """gum.H2 and H2.zero: JCGM 100:2008 Tables H.2–H.5; without the correlations the answer is another."""
    volt = np.array([5.007, 4.994, 5.005, 4.99, 4.999])
    ampere = np.array([19.663, 19.639, 19.64, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    sets = np.vstack([volt, ampere, phase])
    covariance = np.cov(sets) / 5

    def rxz(p):
        z = p[0] / p[1]
        return np.array([z * np.cos(p[2]), z * np.sin(p[2]), z])

    values, cov, _ = propagate(rxz, sets.mean(axis=1), covariance)
    assert values == pytest.approx([127.732, 219.847, 254.26], abs=1.1e-3)
    us = np.sqrt(np.diag(cov))
    assert us == pytest.approx([0.071, 0.295, 0.236], abs=1.1e-3)
    r = cov / np.outer(us, us)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=1.1e-3)
    _, apart, _ = propagate(rxz, sets.mean(axis=1), np.diag(np.diag(covariance)))
    assert np.sqrt(np.diag(apart)) == pytest.approx([0.195, 0.201, 0.204], abs=1e-3)


def test_effective_freedom_of_the_end_gauge():
    """gum.H1: JCGM 100:2008 H.1.6."""
    assert effective_freedom([5.8, 3.9, 6.7], [24, 5, 8]) == pytest.approx(25.6, abs=0.2)
    assert effective_freedom([25, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]) == pytest.approx(16.7, abs=0.1)
    assert effective_freedom([0.3], [float("inf")]) == float("inf")


def test_effective_freedom_of_two_terms():
    """ws.simple: a course's example; 0.25 of known u beside 0.57 from ten readings."""
    assert effective_freedom([0.57, 0.25], [9, float("inf")]) == pytest.approx(12.8, abs=0.1)


def test_students_factors():
    """gum.t (Table G.2), gum.k (Table G.1): by the z of the same probability; and scipy."""
    from scipy import stats

    for (p, nu), expected in zip(
        ((68.27, 1), (95, 1), (95, 10), (95.45, 10), (99, 16), (95, 50)),
        (1.84, 12.71, 2.23, 2.28, 2.92, 2.01),
        strict=True,
    ):
        z = stats.norm.isf((1 - p / 100) / 2)
        assert student(z, nu) == pytest.approx(expected, abs=0.006)
    assert student(2.0, float("inf")) == 2.0
    for nu in (2, 3, 5, 9, 30):
        assert student(2.0, nu) == pytest.approx(stats.t.isf(stats.norm.sf(2.0), nu), rel=0.012)


@pytest.mark.parametrize(("x", "u"), [([1.0, 1.0, 1.0], None), ([1.0], [0.1]), ([1.0, 2.0], None)])
def test_no_line_through_too_little(x, u):
    with pytest.raises(ValueError, match="two different x"):
        line(x, [1.0] * len(x), u)
