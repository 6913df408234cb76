"""Calibration lines against published examples, and refusals of what would be absurd."""

from __future__ import annotations

import random
from math import sqrt

import pytest

from drivers.calibration import CalibrationRefused, Point, fit, weighted_line


def test_weighted_line_equal_weights() -> None:
    # ISO/TS 28037:2010 p. 13, read in an open copy
    line = weighted_line([1, 2, 3, 4, 5, 6], [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6)
    assert line.at_zero == pytest.approx(1.866667, abs=1e-6)
    assert line.slope == pytest.approx(1.757143, abs=1e-6)
    assert sqrt(line.var_zero) == pytest.approx(0.4654747, abs=1e-6)
    assert sqrt(line.var_slope) == pytest.approx(0.1195229, abs=1e-6)
    assert line.covariance == pytest.approx(-0.05, abs=1e-6)
    assert line.chi2 == pytest.approx(1.665, abs=5e-4)
    assert line.mass_kg(10.5) == pytest.approx(4.913, abs=5e-4)
    assert line.u_kg(10.5, 0.5) == pytest.approx(0.322, abs=5e-4)


def test_weighted_line_unequal_weights() -> None:
    # ISO/TS 28037:2010 p. 14, read in an open copy
    line = weighted_line([1, 2, 3, 4, 5, 6], [3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5] * 3 + [1] * 3)
    assert line.at_zero == pytest.approx(0.8852, abs=1e-4)
    assert line.slope == pytest.approx(2.057, abs=1e-4)
    assert line.covariance == pytest.approx(-0.08227848, abs=1e-6)
    assert line.chi2 == pytest.approx(4.131, abs=5e-4)
    assert line.mass_kg(10.5) == pytest.approx(4.674, abs=5e-4)
    assert line.u_kg(10.5, 1.0) == pytest.approx(0.533, abs=5e-4)


def test_scatter_found_by_the_line_itself() -> None:
    # JCGM 100:2008 H.3, Table H.6, read in an open copy: s from the residuals, prediction at 30 degC
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = weighted_line([item - 20 for item in t], b, [1.0] * 11)
    s = sqrt(line.chi2 / line.degrees)
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert (line.at_zero, line.slope) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.00218, abs=5e-6))
    assert s * sqrt(line.var_zero) == pytest.approx(0.0029, abs=5e-5)
    assert s * sqrt(line.var_slope) == pytest.approx(0.00067, abs=5e-6)


def test_read_backwards() -> None:
    # Eurachem/CITAC QUAM example A5, read in an open copy: two readings, s = 0.005486
    x = [level for level in (0.1, 0.3, 0.5, 0.7, 0.9) for _ in range(3)]
    y = [
        0.028,
        0.029,
        0.029,
        0.084,
        0.083,
        0.081,
        0.135,
        0.131,
        0.133,
        0.18,
        0.181,
        0.183,
        0.215,
        0.23,
        0.216,
    ]
    s = 0.005486
    line = weighted_line(x, y, [s] * 15)
    assert sqrt(line.chi2 / line.degrees) * s == pytest.approx(s, abs=5e-7)
    assert line.mass_kg((0.0712 + 0.0716) / 2) == pytest.approx(0.26, abs=5e-4)
    assert line.u_kg(0.0714, s / sqrt(2)) == pytest.approx(0.018, abs=5e-4)


def test_two_points() -> None:
    line = fit([Point(mass_kg=0, counts=-33000, u_counts=5), Point(mass_kg=20, counts=167000, u_counts=5)])
    assert line.mass_kg(67000) == pytest.approx(10)
    assert line.u_kg(-33000) == pytest.approx(5 / 10000)
    assert line.u_kg(167000) == pytest.approx(5 / 10000)
    assert line.u_kg(67000) < line.u_kg(167000) < line.u_kg(1_000_000)


def test_uncertainty_of_the_mass_counts() -> None:
    sure = fit([Point(mass_kg=0, counts=0, u_counts=1), Point(mass_kg=80, counts=80_000, u_counts=1)])
    body = fit(
        [Point(mass_kg=0, counts=0, u_counts=1), Point(mass_kg=80, counts=80_000, u_counts=1, u_mass_kg=0.2)]
    )
    assert sure.u_kg(80_000) == pytest.approx(0.001, rel=0.01)
    assert body.u_kg(80_000) == pytest.approx(0.2, rel=0.01)


def test_stated_uncertainty_covers_the_truth() -> None:
    rng = random.Random(1)
    inside = 0
    for _ in range(400):
        points = [
            Point(mass_kg=m, counts=500 + 1000 * m + rng.gauss(0, 20), u_counts=20) for m in (0, 10, 20, 40)
        ]
        line = fit(points)
        inside += abs(line.mass_kg(500 + 1000 * 30) - 30) < 2 * line.u_kg(500 + 1000 * 30)
    assert 0.92 < inside / 400 < 0.995


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(0, 100)], "two different loads"),
        ([(20, 100), (20, 5000)], "two different loads"),
        ([(0, 100), (20, 130)], "too little to tell"),
        ([(0, 100), (-20, 5000)], "cannot be negative"),
        ([(0, 100), (10, 10_100), (20, 17_000)], "off the line"),
        ([(0, 100), (20, float("nan"))], "not a finite"),
    ],
)
def test_absurd_calibrations_are_refused(points: list[tuple[float, float]], words: str) -> None:
    with pytest.raises(CalibrationRefused, match=words):
        fit([Point(mass_kg=mass, counts=counts, u_counts=5) for mass, counts in points])


def test_points_that_scatter_widen_the_line() -> None:
    calm = [Point(mass_kg=m, counts=1000 * m, u_counts=2) for m in (0, 10, 20, 40)]
    wild = [
        Point(mass_kg=p.mass_kg, counts=p.counts + d, u_counts=2)
        for p, d in zip(calm, (60, -90, 50, -20), strict=True)
    ]
    assert fit(wild).u_kg(15_000) > 10 * fit(calm).u_kg(15_000)
