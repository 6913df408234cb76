"""What is learned of tails: how often, how slow, how large for the size of the movement before.

One object serves all pads of a bay: the same tyres and dampers settle on all of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logger.settling.settings import Settling
from logger.settling.tail import FAST, Estimate

Array = NDArray[np.float64]


class TailPrior:
    """Expectation of tails, sharpened by every rest that lasted long enough to show its own."""

    def __init__(self, settings: Settling) -> None:
        self.settings = settings
        self.tails_s: Array = np.array(settings.tails_s)
        slow = len(settings.tails_s) - FAST
        share = (1.0 - settings.no_tail_weight) / slow
        self._counts = settings.tail_prior_rests * np.array([settings.no_tail_weight, *[share] * slow])
        self._square = settings.tail_root**2
        self._weight = settings.tail_prior_rests
        self.log_prior: Array = np.log(self._counts / self._counts.sum())

    def spread(self, behind: Array, age_s: Array, still_s: float, band: float) -> Array:
        """Prior standard deviation of what each tail has to go.

        `behind` are the deviations from the level in the movement before, `age_s` how long each is past. The
        size of a tail grows as the root of the movement's (in bands): more than for a constant touch, less
        than in proportion, because dry friction hides the large ones and shows the small ones.
        """
        least = self.settings.tail_least_band * band * np.exp(-np.minimum(still_s / self.tails_s, 30.0))
        spread: Array = np.sqrt(self._square * self._reach(behind, age_s, band) ** 2 + least * least)
        return np.maximum(spread, 1e-3 * band + 1e-12)

    def _reach(self, behind: Array, age_s: Array, band: float) -> Array:
        root = np.sqrt(behind * band)
        faded = root * np.exp(-np.minimum(age_s / self.tails_s[:, None], 30.0))
        reach: Array = faded.max(axis=1)
        return reach

    def learn(self, fit: Estimate, behind: Array, age_s: Array, band: float) -> None:
        """Take the fit of a whole rest; the rest's end is `age_s` after the movement before it."""
        reach = np.maximum(self._reach(behind, age_s, band), self.settings.tail_least_band * band)
        share = fit.left / reach[FAST:]
        p = fit.weights
        keep = 1.0 - 1.0 / self.settings.tail_memory_rests
        total = self._weight * keep + float(p[1:].sum())
        self._square = (self._square * self._weight * keep + float((p[1:] * share * share).sum())) / total
        self._weight = total
        self._counts = self._counts * keep + p
        self.log_prior = np.log(self._counts / self._counts.sum())
