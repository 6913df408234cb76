"""How fast a rocked car swings, and how its swing dies once the hands let go: least squares on the cells.

    x(t) = level + drift·t + exp(−λt)·(a·cos 2πft + b·sin 2πft),   ζ = λ/√(λ² + (2πf)²)

Turning points alone tell neither well: the largest swing is still pushed, the smallest are lost in the
display, slow displays pass over some, and a well damped car has no three. When the hands let go is not known
either: the fit is tried from several moments on; the earliest is kept from which values follow such a curve.

The settles that `judge` looks at are fitted by `curve`, with all they may hold (friction, tail, creep), from
a begin that is known, and by scipy. The daemon does without that, and a rock needs no more than this.

Times and values have a row a series (the total, or every pad at its own times) and a column a cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SLOWEST, FASTEST_HZ, APART, STEP_HZ = 0.7, 3.2, 0.55, 0.05
"""Frequencies looked at: from this share of what was counted (displays pass over swings, invent none), to the
fastest car, or so many periods from cell to cell (uneven ones show a little more than half of one); and the
step from one to the next, a fifth of the width that a line has in SPAN_S."""
SPAN_S = 4.0
"""So long a stretch is looked at: later, tails of tyres and dampers are larger than swings."""
LEAST_CELLS = 8
"""Fewer cells are not looked at."""
BEGINS = 12
"""So many moments at most are tried."""
DAMPING = 0.15
"""Damping ratio that the search sets out from, between worn and good dampers (common practice, no source)."""
STEPS = 4
"""Steps of the search: they get to a millionth up to a damping of a third, to a hundredth up to a half."""
RIDGES = {size: 1e-9 * np.eye(size) for size in (2, 4)}
"""Added to squares of values that are 1 at most, by their size."""
HERTZ, RATE = (0.2, 6.0), (0.01, 40.0)
"""Frequencies (Hz) and rates λ (1/s) that the search stays within."""
NOISES, PARTS, TWICE = 2.0, 0.02, 2.0
"""A curve is followed where what is left is within so many noises, or that part of the swing (dampers are not
quite linear), and so many times the least that is left from any moment on: before, hands were still at it."""
ROUGHLY = 0.06
"""Where no moment is followed so well, this part of the swing has to do: dry friction dies along a line."""
FEW = 1.5
"""Values in which the swing stands out of twice the noise, for each unknown of it: two a series, and two."""
AGREES = 0.2
"""Hands push in time with the swing: a fit that is further off, as a share, has found something else."""
SURE = 0.05
"""Standard uncertainty of the frequency, as a share: what dry friction ends within a swing tells neither."""
OUT, LEAST = 4.0, 0.25
"""The fitted swing is larger than so many noises, and no smaller than this share of the largest followed: the
end of dry friction is another curve."""
BEYOND = 1.5
"""And no larger than so many times what was seen: else it is made up."""


@dataclass(frozen=True)
class _Fits:
    """One fit for each moment tried: frequency (Hz), λ (1/s), amplitude, rms left, cells where it shows, and
    the standard uncertainty of the frequency as a share."""

    hertz: Array
    rate: Array
    swing: Array
    left: Array
    seen: Array
    unsure: Array


def _mean_gap(t: Array) -> float:
    """Mean time from one cell to the next (s)."""
    return float(t[-1] - t[0]) / (len(t) - 1)


def strongest_hertz(t: Array, x: Array, counted: float) -> float:
    """Frequency (Hz) of the sine that explains most of all series beside a line; `counted` is about right."""
    since = t - t.mean()
    fastest = min(FASTEST_HZ, APART / _mean_gap(t[0]))
    hertz = np.arange(min(SLOWEST * counted, fastest), fastest + STEP_HZ, STEP_HZ)
    columns = np.empty((len(hertz), *t.shape, 5))
    columns[..., 0], columns[..., 1], columns[..., 4] = 1.0, since, x - x.mean(axis=1, keepdims=True)
    phase = 2.0 * pi * hertz[:, None, None] * since
    columns[..., 2], columns[..., 3] = np.cos(phase), np.sin(phase)
    products = columns.swapaxes(-1, -2) @ columns
    found = _solved(products[..., :4, :4], products[..., :4, 4:])
    explained = (found * products[..., :4, 4:]).sum(axis=(1, 2, 3))
    return float(hertz[np.argmax(explained)])


def free_decay(
    t: Array, x: Array, between: tuple[float, float], hertz: float, noise: float
) -> tuple[float, float] | None:
    """Frequency (Hz, of the damped swing) and damping ratio of a swing that is let go between two moments.

    `t`, `x`: times (s) and values of the cells; the last one is at rest. `hertz` is about right, `noise` the
    standard deviation of a value. None where no such curve is followed, or by too few cells.
    """
    near = (t[0] >= between[0]) & (t[0] <= between[1] + SPAN_S)
    t, x = t[:, near], (x - x[:, -1:])[:, near]
    begins = t[0][t[0] <= between[1]]
    if t.shape[1] < LEAST_CELLS or not len(begins):
        return None
    scale = float(np.abs(x).max()) + 1e-30
    x, noise, gap = x / scale, noise / scale, _mean_gap(t[0])
    fits = _search(t, x, begins[:: -(-len(begins) // BEGINS)], hertz, noise)
    told = (fits.seen * len(t) >= FEW * (2 * len(t) + 2)) & (fits.seen * gap * fits.hertz >= 1.0)
    told &= (np.abs(fits.hertz - hertz) <= AGREES * hertz) & (fits.unsure <= SURE)
    told &= fits.swing > OUT * noise
    told &= fits.left <= np.maximum(NOISES * noise, ROUGHLY * fits.swing)
    if not told.any():
        return None
    told &= fits.swing >= LEAST * float(fits.swing[told].max())
    closely = told & (fits.left <= np.maximum(NOISES * noise, PARTS * fits.swing))
    if closely.any():
        told = closely & (fits.left <= TWICE * fits.left[closely].min())
    first = int(np.argmax(told))
    frequency, rate = float(fits.hertz[first]), float(fits.rate[first])
    return frequency, rate / hypot(rate, 2.0 * pi * frequency)


def _search(t: Array, x: Array, begins: Array, hertz: float, noise: float) -> _Fits:
    """Gauss–Newton from every beginning at once; what is linear is solved for at every step.

    All that a step needs are products of columns with each other: 1 and time, the swing's cosine and sine,
    these times time (by which they change with frequency and λ), and the values.
    """
    f = np.full(len(begins), hertz)
    rate = 2.0 * pi * f * DAMPING
    since = t - begins[:, None, None]
    inside = ((since >= 0.0) & (since <= SPAN_S)).astype(np.float64)
    since *= inside
    columns = np.empty((*since.shape, 7))
    columns[..., 0], columns[..., 1], columns[..., 6] = inside, since, x * inside
    for _ in range(STEPS):
        a, b, rest = _linear(columns, f, rate)
        across, square = _turned(a, b, rest)
        step = _solved(square, (across @ rest[..., :2, 2:]).sum(axis=1))
        f = _moved(f, step[:, 0, 0], 0.2 * f, HERTZ)
        rate = _moved(rate, step[:, 1, 0], 0.5 * rate + 0.1, RATE)
    a, b, rest = _linear(columns, f, rate)
    swing = np.sqrt((a * a + b * b).mean(axis=1))
    envelope = np.hypot(columns[..., 2], columns[..., 3])
    seen = (swing[:, None, None] * envelope > 2.0 * noise).sum(axis=2).mean(axis=1)
    freedom = np.maximum(inside.sum(axis=(1, 2)) - 4.0 * len(t) - 2.0, 1.0)
    made_up = swing > BEYOND * np.sqrt((np.abs(columns[..., 6]).max(axis=2) ** 2).mean(axis=1))
    rms = np.sqrt(np.maximum(rest[..., 2, 2].sum(axis=1), 0.0) / freedom)
    unsure = np.maximum(rms, noise) * np.sqrt(_solved(_turned(a, b, rest)[1], np.eye(2))[:, 0, 0]) / f
    return _Fits(f, rate, np.where(made_up, 0.0, swing), rms, seen, unsure)


def _linear(columns: Array, f: Array, rate: Array) -> tuple[Array, Array, Array]:
    """Coefficients of cosine and sine; products of what these and a line leave of the other columns."""
    since = columns[..., 1]
    phase = 2.0 * pi * f[:, None, None] * since
    envelope = np.exp(-np.minimum(rate[:, None, None] * since, 50.0)) * columns[..., 0]
    columns[..., 2], columns[..., 3] = envelope * np.cos(phase), envelope * np.sin(phase)
    columns[..., 4:6] = since[..., None] * columns[..., 2:4]
    products = columns.swapaxes(-1, -2) @ columns
    found = _solved(products[..., :4, :4], products[..., :4, 4:])
    return found[..., 2, 2], found[..., 3, 2], products[..., 4:, 4:] - products[..., 4:, :4] @ found


def _turned(a: Array, b: Array, rest: Array) -> tuple[Array, Array]:
    """What the columns times time make of frequency and λ; products of these two, over all series."""
    across = np.empty((*a.shape, 2, 2))
    across[..., 0, 0], across[..., 0, 1] = 2.0 * pi * b, -2.0 * pi * a
    across[..., 1, 0], across[..., 1, 1] = -a, -b
    return across, (across @ rest[..., :2, :2] @ across.swapaxes(-1, -2)).sum(axis=1)


def _moved(at: Array, step: Array, most: Array, within: tuple[float, float]) -> Array:
    """One step on, of a limited length, within limits."""
    limited = np.minimum(np.maximum(step, -most), most)
    moved: Array = np.minimum(np.maximum(at + limited, within[0]), within[1])
    return moved


def _solved(square: Array, right: Array) -> Array:
    """Solve square systems; the ridge only keeps what cannot be told from being infinite."""
    return np.asarray(np.linalg.solve(square + RIDGES[square.shape[-1]], right), np.float64)
