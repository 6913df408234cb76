"""One settle, fitted: overshoot, frequency, damping, sort of decay, tail, creep, time to stand within d.

    x(t) = level + tail·exp(−t/τ) + creep·t + swing·e(t)·cos(2πf·t + φ)

with e(t) = exp(−ζωt) for a viscous damper or max(1 − t/T, 0) for dry friction (linear decay); t counts from
the start of the fit, the first turning point after the step. For given (τ, f, ζ or T) the rest is linear
least squares, so only those are searched for (`projection`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from logger.settling.projection import Columns, Projected, fit_projected, hang_together

Array = NDArray[np.float64]
Decay = Literal["viscous", "friction", "none"]
KINDS: tuple[Decay, ...] = ("none", "viscous", "friction")
HERTZ = (0.2, 5.0)
"""Frequencies (Hz) of a swing: slower is a tail, faster the arrival of the load."""
QUICKEST = 8.0
"""Decay (1/s) of a swing, in its frequency: then a fiftieth is left after half a period (damping 0.8)."""
TAIL_S = 0.3
"""A tail that is over sooner is the arrival of the load."""
ARRIVED, THERE = 0.1, 0.02
"""Parts of the step: so near the level the load may have come, and so near it has, if it does not go past."""


@dataclass(frozen=True, kw_only=True)
class SettleCurve:
    """What a settle looked like; times in s from `t_step_s`, values in the unit of the readings.

    `overshoot` is the largest excursion past the level as a share of the step (None for steps below 10 d).
    `frequency_Hz` and `damping_ratio` are None without a swing; `friction_per_swing` is the loss of
    amplitude per half period where friction limits it. `tail_s` is None without a tail, `creep_per_s` 0.0
    where none can be told. `settle_s` is the time after which all readings stay within 1 d (or 3σ) of the
    level, None if never. `u_…` are standard uncertainties, widened where the residuals hang together; None
    where the quantity is.
    """

    t_step_s: float
    before: float
    level: float
    u_level: float
    overshoot: float | None
    decay: Decay
    frequency_Hz: float | None
    u_frequency_Hz: float | None
    damping_ratio: float | None
    u_damping_ratio: float | None
    friction_per_swing: float | None
    u_friction_per_swing: float | None
    swing: float
    tail: float
    u_tail: float | None
    tail_s: float | None
    u_tail_s: float | None
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
    `resolution`: d in the same unit, 0 if not known. None with fewer than 12 readings after the step, or all
    at one time.
    """
    keep = (t_s >= t_step_s) & np.isfinite(x)
    t, y = t_s[keep] - t_step_s, x[keep]
    if len(t) < 12:
        return None
    settled = float(np.median(y[-max(len(y) // 4, 4) :]))
    noise = _noise(y)
    start = _fit_start(t, y - settled, before - settled, max(3 * noise, resolution))
    tt, yy = t[start:] - t[start], y[start:]
    if len(tt) < 10 or tt[-1] <= 0:
        return None
    hertz = _dominant(tt, yy)
    floor = noise**2 + resolution**2 / 12.0 + 1e-24
    candidates = [_fit(tt, yy, kind, hertz, floor) for kind in KINDS]
    best = min((c for c in candidates if c.decay == "none" or c.swings), key=lambda c: c.score)
    return _described(best, t, y, before, t_step_s, float(t[start]), max(3 * noise, resolution))


@dataclass(frozen=True)
class _Fit:
    """One fit with its score; covariance of (level, creep, tail, ln tail_s, cosine, sine, ln f, ln rate)."""

    decay: Decay
    score: float
    parameters: tuple[float, ...]
    residual: float
    has_tail: bool
    covariance: Array

    @property
    def swings(self) -> bool:
        """Is it a swing, of a frequency that swings have and seen for half a period at least."""
        frequency, rate = self.parameters[6:]
        return self.decay != "none" and HERTZ[0] <= frequency <= HERTZ[1] and rate <= QUICKEST * frequency


def _noise(y: Array) -> float:
    """Standard deviation of a reading from second differences (they are blind to slopes)."""
    second = y[2:] - 2 * y[1:-1] + y[:-2]
    return float(np.median(np.abs(second)) / 0.6745 / 6**0.5)


def _fit_start(t: Array, off: Array, step: float, band: float) -> int:
    """Index of the first turning point after the load has come: where the free settle begins.

    `off`: values less the level, `step` the same of the value before. The load has come where it is past the
    level, or near: what is left of a load that is still coming is no part of the settle.
    """
    size = np.abs(off)
    come = (step * off <= 0) | (size <= max(THERE * abs(step), band))
    first = max(int(np.argmax(size <= max(ARRIVED * abs(step), band))), int(np.argmax(come)))
    away = size[first : first + max(int(np.searchsorted(t, t[first] + 1.0)) - first, 1)]
    return first if len(away) < 3 or away.max() <= band else first + int(np.argmax(away))


def _columns(t: Array, decay: Decay, tail: bool) -> Columns:
    """Design matrix of level, creep, tail and swing for (ln tail_s, ln frequency, ln rate)."""
    plain = [np.ones_like(t), t]

    def columns(p: Array) -> Array:
        values = np.exp(np.clip(p, -12, 8))
        out = [*plain, np.exp(-t / values[0])] if tail else list(plain)
        if decay != "none":
            frequency, rate = values[-2:]
            envelope, phase = _envelope(t, float(rate), decay), 2 * np.pi * frequency * t
            out += [envelope * np.cos(phase), envelope * np.sin(phase)]
        return np.stack(out, axis=1)

    return columns


def _fit(t: Array, y: Array, decay: Decay, hertz: float, floor: float) -> _Fit:
    """Best fit with one sort of swing, with and without a tail; scored by the Bayesian information
    criterion."""
    options = []
    for tail in (False, True):
        starts = _starts(float(t[-1]), decay, hertz, tail)
        found = fit_projected(_columns(t, decay, tail), y, starts, tolerance=1e-7)
        options.append(_judged(found, decay, tail, floor))
    return min((c for c in options if not c.has_tail or c.parameters[2] >= TAIL_S), key=lambda c: c.score)


def _starts(span_s: float, decay: Decay, hertz: float, tail: bool) -> list[Array]:
    """Where to begin the search: swing frequency from the spectrum, two tails."""
    lasting = hertz / 3 if decay == "friction" else hertz
    swing = [] if decay == "none" else [np.log(hertz), np.log(lasting)]
    tails = [[np.log(span_s / 8)], [np.log(span_s / 2)]] if tail else [[]]
    return [np.array([*first, *swing], dtype=float) for first in tails]


def _dominant(t: Array, y: Array) -> float:
    """Frequency (Hz) between 0.3 and 4, or half the readings' rate, that explains most of the early ones."""
    early = t <= max(min(4.0, t[-1]), 1.0)
    te, ye = t[early], y[early]
    fastest = min(4.0, 0.5 * len(t) / float(t[-1]))
    columns = _columns(te, "viscous", False)
    best, least = 1.0, np.inf
    for frequency in np.geomspace(0.3, max(fastest, 0.4), 40):
        design = columns(np.log([frequency, frequency]))
        left = ye - design @ np.linalg.lstsq(design, ye, rcond=None)[0]
        if (left**2).sum() < least:
            best, least = float(frequency), float((left**2).sum())
    return best


def _judged(found: Projected, decay: Decay, tail: bool, floor: float) -> _Fit:
    """Score a fit and set its parameters in one order, tail or swing or not."""
    searched, linear = list(found.searched), list(found.linear)
    n, k = len(found.residuals), len(searched) + len(linear)
    score = n * np.log(float((found.residuals**2).mean()) + 0.1 * floor) + k * np.log(n)
    order = [len(searched), len(searched) + 1]
    order += [len(searched) + 2, 0] if tail else [-1, -1]
    order += [k - 2, k - 1, len(searched) - 2, len(searched) - 1] if decay != "none" else [-1] * 4
    wide = np.zeros((k + 1, k + 1))
    more = max(found.variance, floor) / max(found.variance, 1e-30) * hang_together(found.residuals)
    wide[:k, :k] = found.covariance * more
    tail_value, tail_s = (linear[2], float(np.exp(np.clip(searched[0], -12, 8)))) if tail else (0.0, 1.0)
    swing = (
        (*linear[-2:], *np.exp(np.clip(searched[-2:], -12, 8))) if decay != "none" else (0.0, 0.0, 1.0, 0.0)
    )
    return _Fit(
        decay=decay,
        score=float(score),
        parameters=tuple(float(v) for v in (linear[0], tail_value, tail_s, linear[1], *swing)),
        residual=found.variance**0.5,
        has_tail=tail,
        covariance=wide[np.ix_(order, order)],
    )


def _u(covariance: Array, slopes: dict[int, float]) -> float:
    """Standard uncertainty of what changes so with the parameters (places in _Fit.covariance)."""
    g = np.zeros(len(covariance))
    for place, slope in slopes.items():
        g[place] = slope
    return float(np.sqrt(max(float(g @ covariance @ g), 0.0)))


def _described(
    fit: _Fit, t: Array, y: Array, before: float, t_step_s: float, fit_from_s: float, band: float
) -> SettleCurve:
    level, tail, tail_s, creep = fit.parameters[:4]
    step = level - before
    past = float(np.max((y - level) * np.sign(step)))
    u = [_u(fit.covariance, {place: 1.0}) for place in range(8)]
    outside = np.flatnonzero(np.abs(y - level - creep * (t - fit_from_s)) > band)
    settled = float(t[outside[-1] + 1]) if len(outside) and outside[-1] + 1 < len(t) else None
    return SettleCurve(
        t_step_s=t_step_s,
        before=before,
        level=level,
        u_level=u[0],
        overshoot=max(past, 0.0) / abs(step) if abs(step) > 10 * band else None,
        **_swing(fit, band),
        tail=tail,
        u_tail=u[2] if fit.has_tail else None,
        tail_s=tail_s if fit.has_tail else None,
        u_tail_s=tail_s * u[3] if fit.has_tail else None,
        creep_per_s=creep if abs(creep) > 2 * u[1] else 0.0,
        u_creep_per_s=u[1],
        settle_s=0.0 if not len(outside) else settled,
        residual=fit.residual,
        fit_from_s=fit_from_s,
        parameters=fit.parameters,
    )


def _swing(fit: _Fit, band: float) -> dict[str, Any]:
    """What SettleCurve says of the swing; nothing of one that is smaller than `band`."""
    cosine, sine, frequency, rate = fit.parameters[4:]
    swing, omega = float(np.hypot(cosine, sine)), 2 * np.pi * frequency
    none = dict.fromkeys(("frequency_Hz", "damping_ratio", "friction_per_swing"))
    out: dict[str, Any] = {"decay": "none", "swing": swing, **none, **{f"u_{name}": None for name in none}}
    if fit.decay == "none" or swing <= band:
        return out
    out |= {
        "decay": fit.decay,
        "frequency_Hz": frequency,
        "u_frequency_Hz": frequency * _u(fit.covariance, {6: 1.0}),
    }
    if fit.decay == "viscous":
        zeta = rate / float(np.hypot(rate, omega))
        slope = zeta * (1 - zeta**2)
        out |= {"damping_ratio": zeta, "u_damping_ratio": _u(fit.covariance, {6: -slope, 7: slope})}
        return out
    loss = swing * rate / (2 * frequency)
    slopes = {4: loss * cosine / swing**2, 5: loss * sine / swing**2, 6: -loss, 7: loss}
    out |= {"friction_per_swing": loss, "u_friction_per_swing": _u(fit.covariance, slopes)}
    return out
