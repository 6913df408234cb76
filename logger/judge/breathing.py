"""Is somebody breathing aboard? A slow sway, seen in the readings of a rest on several pads at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.drawing.numbers import Floats

BREATHS_HZ = (0.18, 0.40)
"""11 to 24 breaths a minute: resting adults breathe 12 to 20 times (common knowledge, no source)."""
BELOW_HZ = 0.06
"""What is below tells whether a line stands alone, or on the flank of a tail or creep."""
BESIDE_HZ = 1.2
"""Up to here lies what is not breathing, and tells how strong a chance line is."""
LEAST_S, LEAST_READINGS = 8.0, 40
"""Two slow breaths; and enough readings to tell noise from a sway."""
CHANCE = 0.001
"""Noise alone is called breathing so often at most."""
CLEAR = 3.0
"""And the line's power is so many times that of the frequencies about it: a tail has all slow ones."""


@dataclass(frozen=True, kw_only=True)
class Breath:
    """A breathing seen: its rate and the largest sway of a pad (amplitude, kg)."""

    frequency_Hz: float
    amplitude_kg: float


def breathing(loads: Sequence[tuple[Floats, Floats]]) -> Breath | None:
    """Look for one line between 11 and 24 breaths a minute in all pads' (times, values) of a rest.

    The sum of the pads' powers, each against its own noise, has to stand out of what the frequencies beside
    show by chance (an F test with the number of tries allowed for). None if none does, or the rest is short.
    """
    fits = [(t, x) for t, x in loads if len(t) >= LEAST_READINGS and t[-1] - t[0] >= LEAST_S]
    if not fits or len(fits) < len(loads):
        return None
    from scipy.stats import f as f_ratio  # noqa: PLC0415  heavy, and only asked for lists and verdicts

    span = min(float(t[-1] - t[0]) for t, _ in fits)
    frequencies = np.arange(BELOW_HZ, BESIDE_HZ, 0.5 / span)
    amplitudes = np.array([_amplitudes(t, x, frequencies) for t, x in fits])
    beside = frequencies > BREATHS_HZ[1] + 1.0 / span
    if beside.sum() < 2:
        return None
    noise = (amplitudes[:, beside] ** 2).mean(axis=1) + 1e-30
    ratio = (amplitudes**2 / noise[:, None]).mean(axis=0)
    inside = np.flatnonzero((frequencies >= BREATHS_HZ[0]) & (frequencies <= BREATHS_HZ[1]))
    best = int(inside[np.argmax(ratio[inside])])
    freedom = 2 * len(fits)
    limit = f_ratio.isf(CHANCE / len(inside), freedom, freedom * beside.sum() / 2)
    around = ratio[[best - 2, best - 3, best + 2, best + 3]]  # one to one and a half line widths away
    if ratio[best] < max(limit, CLEAR * float(around.max())):
        return None
    return Breath(frequency_Hz=float(frequencies[best]), amplitude_kg=float(amplitudes[:, best].max()))


def _amplitudes(t: Floats, x: Floats, frequencies: Floats) -> Floats:
    """Amplitude of the best sine at each frequency, beside a parabola (kg)."""
    s = (t - t.mean()) / max(float(t[-1] - t[0]), 1e-9)
    slow = np.stack([np.ones_like(s), s, s * s], axis=1)
    out = []
    for f in frequencies:
        phase = 2 * np.pi * f * (t - t[0])
        design = np.concatenate([slow, np.cos(phase)[:, None], np.sin(phase)[:, None]], axis=1)
        c = np.linalg.lstsq(design, x, rcond=None)[0]
        out.append(float(np.hypot(c[3], c[4])))
    return np.array(out)
