"""Fits of exponentials to the certified digits of NIST StRD, from published starting points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from support import shared_data

from logger.settling.projection import Array, fit_projected


def problem(name: str) -> tuple[Array, Array, list[list[float]], Array, Array, float]:
    """x, y, both starting points, certified parameters with their standard deviations, residual sum."""
    lines = shared_data("nist_strd", f"{name}.dat").read_text().splitlines()
    rows = [line.split("=")[1].split() for line in lines if line.strip().startswith("b") and "=" in line]
    numbers = np.array(rows, float)
    squares = float(next(line for line in lines if line.startswith("Residual Sum")).split()[-1])
    begin = max(k for k, line in enumerate(lines) if line.startswith("Data:")) + 1
    data = np.array([line.split() for line in lines[begin:] if line.strip()], float)
    starts = [list(numbers[:, 0]), list(numbers[:, 1])]
    return data[:, 1], data[:, 0], starts, numbers[:, 2], numbers[:, 3], squares


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", ["BoxBOD", "Misra1a"])
def test_one_exponential(name: str, start: int) -> None:
    x, y, starts, certified, sd, squares = problem(name)

    def columns(p: Array) -> Array:
        return -np.expm1(-np.exp(p[0]) * x)[:, None]

    fit = fit_projected(columns, y, [np.log([starts[start][1]])])
    rate = np.exp(fit.searched[0])
    u = np.sqrt(np.diag(fit.covariance))
    assert [fit.linear[0], rate] == pytest.approx(certified, rel=1e-6)
    assert [u[1], u[0] * rate] == pytest.approx(sd, rel=1e-4)
    assert fit.residuals @ fit.residuals == pytest.approx(squares, rel=1e-9)


def test_two_exponentials_that_nearly_cancel() -> None:
    """MGH17, "difficult for some very good algorithms"; from the published second start."""
    x, y, starts, certified, sd, squares = problem("MGH17")

    def columns(p: Array) -> Array:
        a, b = np.exp(p)
        return np.stack([np.ones_like(x), np.exp(-a * x), np.exp(-b * x)], axis=1)

    fit = fit_projected(columns, y, [np.log(starts[1][3:])], tolerance=1e-14)
    order = np.argsort(fit.searched)
    rates = np.exp(fit.searched)[order]
    found = [fit.linear[0], *fit.linear[1:][order], *rates]
    u = np.sqrt(np.diag(fit.covariance))
    assert found == pytest.approx(certified, rel=1e-5)
    assert [u[2], *u[3:][order], *(u[:2][order] * rates)] == pytest.approx(sd, rel=1e-3)
    assert fit.residuals @ fit.residuals == pytest.approx(squares, rel=1e-8)


def test_scipy_finds_the_same_of_a_decaying_swing_and_as_sure() -> None:
    t, rng = np.linspace(0, 8, 200), np.random.default_rng(2)

    def swing(t: Array, level: float, size: float, rate: float, hertz: float) -> Array:
        return level + size * np.exp(-rate * t) * np.cos(2 * np.pi * hertz * t)

    y = swing(t, 200.0, 15.0, 0.8, 1.4) + rng.normal(0, 0.1, len(t))

    def columns(p: Array) -> Array:
        return np.stack([np.ones_like(t), np.exp(-p[0] * t) * np.cos(2 * np.pi * p[1] * t)], axis=1)

    fit = fit_projected(columns, y, [np.array([1.0, 1.3])])
    theirs, covariance = curve_fit(swing, t, y, p0=[200, 15, 1.0, 1.35])
    ours = [*fit.linear, *fit.searched]
    assert ours == pytest.approx(theirs, rel=1e-5)
    u = np.sqrt(np.diag(fit.covariance))
    assert [*u[2:], *u[:2]] == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)


def test_without_anything_to_search_it_is_a_line() -> None:
    x = np.arange(10.0)
    fit = fit_projected(lambda _: np.stack([np.ones_like(x), x], axis=1), 3 + 2 * x, [np.array([])])
    assert fit.linear == pytest.approx([3, 2])
    assert fit.variance == pytest.approx(0, abs=1e-20)
