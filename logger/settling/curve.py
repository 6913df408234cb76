"""One settle, fitted: overshoot, frequency, damping, sort of decay, tail, creep, time to stand within d.

    x(t) = level + tail·exp(−t/τ) + creep·t + swing·e(t)·cos(2πf·t + φ)

with e(t) = exp(−ζωt) for a viscous damper or max(1 − t/T, 0) for dry friction (linear decay); t counts from
the start of the fit, the first turning point after the step. For given (τ, f, ζ or T) the rest is linear
least squares, so only those are searched for. Needs scipy, imported when called.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Decay = Literal["viscous", "friction", "none"]


@dataclass(frozen=True, kw_only=True)
class SettleCurve:
    """What a settle looked like; times in s from `t_step_s`, values in the unit of the readings.

    `overshoot` is the largest excursion past the level as a share of the step (None for steps below 10 d).
    `frequency_Hz` and `damping_ratio` are None without a swing; `friction_per_swing` is the loss of
    amplitude per half period where friction limits it. `tail_s` is None without a tail, `creep_per_s` 0.0
    where none can be told. `settle_s` is the time after which all readings stay within 1 d (or 3σ) of the
    level, None if never.
    """

    t_step_s: float
    before: float
    level: float
    u_level: float
    overshoot: float | None
    decay: Decay
    frequency_Hz: float | None
    damping_ratio: float | None
    friction_per_swing: float | None
    swing: float
    tail: float
    tail_s: float | None
    creep_per_s: float
    u_creep_per_s: float
    settle_s: float | None
    residual: float
    fit_from_s: float
    parameters: tuple[float, ...]

    def model(self, t_s: Array) -> Array:
        """Values of the fitted curve at times (s, same clock as t_step_s); nan before the fit's start."""
        t = np.asarray(t_s, dtype=float) - self.t_step_s - self.fit_from_s
        level, tail, tail_s, creep, cosine, sine, frequency, rate = self.parameters
        swing = _envelope(t, rate, self.decay) * (
            cosine * np.cos(2 * np.pi * frequency * t) + sine * np.sin(2 * np.pi * frequency * t)
        )
        values = level + tail * np.exp(-np.maximum(t, 0.0) / tail_s) + creep * t + swing
        return np.where(t >= 0, values, np.nan)


def _envelope(t: Array, rate: float, decay: Decay) -> Array:
    """Decay of the swing: exp(−rate·t), or 1 − rate·t down to nothing."""
    ahead = np.maximum(t, 0.0)
    if decay == "friction":
        return np.maximum(1.0 - rate * ahead, 0.0)
    return np.exp(-np.minimum(rate * ahead, 700.0))


def fit_settle(
    t_s: Array, x: Array, *, t_step_s: float, before: float, resolution: float
) -> SettleCurve | None:
    """Fit the settle that follows a step at `t_step_s` from the value `before`.

    `t_s`, `x`: readings of one pad from the step to the end of the rest after it (s, any unit; sorted).
    `resolution`: d in the same unit, 0 if not known. None with fewer than 12 readings after the step.
    """
    keep = (t_s >= t_step_s) & np.isfinite(x)
    t, y = t_s[keep] - t_step_s, x[keep]
    if len(t) < 12:
        return None
    settled = float(np.median(y[-max(len(y) // 4, 4) :]))
    noise = _noise(y)
    start = _fit_start(t, y - settled, before - settled, max(3 * noise, resolution))
    tt, yy = t[start:] - t[start], y[start:]
    if len(tt) < 10:
        return None
    candidates = [_fit(tt, yy, kind, noise, resolution) for kind in ("none", "viscous", "friction")]
    best = min(candidates, key=lambda c: c.score)
    return _described(best, t, y, before, t_step_s, float(t[start]), max(3 * noise, resolution))


@dataclass(frozen=True)
class _Fit:
    decay: Decay
    score: float
    parameters: tuple[float, ...]
    residual: float
    u_level: float
    u_creep: float
    has_tail: bool
    period_s: float


def _noise(y: Array) -> float:
    """Standard deviation of a reading from second differences (they are blind to slopes)."""
    second = y[2:] - 2 * y[1:-1] + y[:-2]
    return float(np.median(np.abs(second)) / 0.6745 / 6**0.5)


def _fit_start(t: Array, off: Array, step: float, band: float) -> int:
    """Index of the first turning point after the load has come: where the free settle begins."""
    arrived = np.flatnonzero(np.abs(off) <= max(0.1 * abs(step), band))
    first = int(arrived[0]) if len(arrived) else 0
    window = off[first : first + max(int(np.searchsorted(t, t[first] + 1.0)) - first, 1)]
    if len(window) < 3 or np.max(np.abs(window)) <= band:
        return first
    return first + int(np.argmax(np.abs(window)))


def _linear(
    t: Array, y: Array, shape: tuple[float, float, float], decay: Decay
) -> tuple[Array, Array, Array]:
    """Solve for the linear coefficients at given (tail_s, frequency, rate); design, coefficients,
    residuals."""
    tail_s, frequency, rate = shape
    columns = [np.ones_like(t), t - t.mean()]
    if np.isfinite(tail_s):
        columns.append(np.exp(-t / tail_s))
    if decay != "none":
        envelope = _envelope(t, rate, decay)
        columns += [
            envelope * np.cos(2 * np.pi * frequency * t),
            envelope * np.sin(2 * np.pi * frequency * t),
        ]
    design = np.stack(columns, axis=1)
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    return design, coefficients, y - design @ coefficients


def _fit(t: Array, y: Array, decay: Decay, noise: float, resolution: float) -> _Fit:
    """Best fit with one sort of swing, with and without a tail; scored by the Bayesian information
    criterion."""
    from scipy.optimize import minimize  # noqa: PLC0415 - heavy, and only judge asks for fits

    floor = noise**2 + resolution**2 / 12.0 + 1e-24
    options: list[_Fit] = []
    span = float(t[-1])
    for tail in (False, True):
        starts = _starts(t, y, decay, tail, span)

        def misfit(p: Array, tail: bool = tail) -> float:
            return float(np.mean(_linear(t, y, _shape(p, decay, tail), decay)[2] ** 2))

        found: Array | None = None
        least = np.inf
        for p0 in starts:
            if not len(p0):
                found, least = np.array([]), misfit(np.array([]))
                break
            result = minimize(misfit, p0, method="Nelder-Mead", options={"maxiter": 400, "xatol": 1e-4})
            if result.fun < least:
                found, least = result.x, float(result.fun)
        assert found is not None
        options.append(_judged(t, y, _shape(found, decay, tail), decay, tail, floor))
    return min(options, key=lambda c: c.score)


def _shape(p: Array, decay: Decay, tail: bool) -> tuple[float, float, float]:
    """Search variables (logarithms) to (tail_s, frequency_Hz, rate)."""
    values = [float(np.exp(np.clip(v, -12, 8))) for v in p]
    tail_s = values.pop(0) if tail else np.inf
    return (tail_s, values[0], values[1]) if decay != "none" else (tail_s, 1.0, 0.0)


def _starts(t: Array, y: Array, decay: Decay, tail: bool, span: float) -> list[Array]:
    """Where to begin the search: swing frequency from the spectrum, two tails."""
    swing: list[float] = []
    if decay != "none":
        frequency = _dominant(t, y)
        swing = [np.log(frequency), np.log(frequency if decay == "viscous" else frequency / 3)]
    tails = [np.log(span / 8), np.log(span / 2)] if tail else [None]
    return [np.array(([v] if v is not None else []) + swing) for v in tails]


def _dominant(t: Array, y: Array) -> float:
    """Frequency (Hz) between 0.3 and 4 that explains most of the early readings."""
    early = t <= max(min(4.0, t[-1]), 1.0)
    te, ye = t[early], y[early]
    best, least = 1.0, np.inf
    for frequency in np.geomspace(0.3, 4.0, 40):
        left = _linear(te, ye, (np.inf, float(frequency), float(frequency)), "viscous")[2]
        if (left**2).sum() < least:
            best, least = float(frequency), float((left**2).sum())
    return best


def _judged(
    t: Array, y: Array, shape: tuple[float, float, float], decay: Decay, tail: bool, floor: float
) -> _Fit:
    design, c, left = _linear(t, y, shape, decay)
    n, k = len(t), design.shape[1] + (1 if tail else 0) + (2 if decay != "none" else 0)
    variance = float((left**2).sum()) / max(n - k, 1)
    score = n * np.log(float((left**2).mean()) + 0.1 * floor) + k * np.log(n)
    covariance = np.linalg.pinv(design.T @ design) * max(variance, floor)
    level = c[0] - c[1] * t.mean()  # the slope's column is centred
    rest = [*c[2:]]
    tail_value = rest.pop(0) if tail else 0.0
    cosine, sine = (rest[0], rest[1]) if decay != "none" else (0.0, 0.0)
    tail_s = shape[0] if tail else 1.0
    return _Fit(
        decay=decay,
        score=float(score),
        parameters=(float(level), float(tail_value), tail_s, float(c[1]), cosine, sine, shape[1], shape[2]),
        residual=variance**0.5,
        u_level=float(np.sqrt(max(covariance[0, 0], 0.0))),
        u_creep=float(np.sqrt(max(covariance[1, 1], 0.0))),
        has_tail=tail,
        period_s=1.0 / shape[1],
    )


def _described(
    fit: _Fit, t: Array, y: Array, before: float, t_step_s: float, fit_from_s: float, band: float
) -> SettleCurve:
    level, tail, tail_s, creep, cosine, sine, frequency, rate = fit.parameters
    step = level - before
    past = float(np.max((y - level) * np.sign(step)))
    swing = float(np.hypot(cosine, sine))
    omega = 2 * np.pi * frequency
    swings = fit.decay != "none" and swing > band
    outside = np.flatnonzero(np.abs(y - level - creep * (t - fit_from_s)) > band)
    settled = float(t[outside[-1] + 1]) if len(outside) and outside[-1] + 1 < len(t) else None
    return SettleCurve(
        t_step_s=t_step_s,
        before=before,
        level=level,
        u_level=fit.u_level,
        overshoot=max(past, 0.0) / abs(step) if abs(step) > 10 * band else None,
        decay=fit.decay if swings else "none",
        frequency_Hz=frequency if swings else None,
        damping_ratio=rate / float(np.hypot(rate, omega)) if swings and fit.decay == "viscous" else None,
        friction_per_swing=swing * rate / (2 * frequency) if swings and fit.decay == "friction" else None,
        swing=swing,
        tail=tail,
        tail_s=tail_s if fit.has_tail else None,
        creep_per_s=creep if abs(creep) > 2 * fit.u_creep else 0.0,
        u_creep_per_s=fit.u_creep,
        settle_s=0.0 if not len(outside) else settled,
        residual=fit.residual,
        fit_from_s=fit_from_s,
        parameters=fit.parameters,
    )
