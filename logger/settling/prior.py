# cython: annotation_typing=False, auto_pickle=False
"""What is learned of tails: how often, how slow, how large for the size of the movement before.

One object serves all pads of a bay: the same tyres and dampers settle on all of them.
"""

from __future__ import annotations

from array import array
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.settling.kept import Kept
from logger.settling.settings import Settling
from logger.settling.sums import latest_beyond, spreads
from logger.settling.tail import Estimate, Tails

Array = NDArray[np.float64]


MOVING_BANDS = 2.0
"""What lay farther from the level than so many bands was movement, not its end."""


def stirred(behind: Array, band: float) -> int:
    """Index of the latest of these deviations from the level (oldest first) that was movement; 0 for none."""
    return latest_beyond(behind, MOVING_BANDS * band)


class TailPrior(Kept):
    """Expectation of tails, sharpened by every rest that lasted long enough to show its own."""

    kept = ("settings", "times_s", "sizes", "log_prior", "_first", "_counts", "_told")

    def __init__(self, settings: Settling) -> None:
        self.settings = settings
        self.times_s = [settings.fast_tail_s, *settings.tails_s]
        """The fast tail's time constant, then those of slow ones."""
        self.sizes = list(settings.tail_sizes)
        rarer = settings.tail_rarer ** np.repeat(np.arange(len(self.sizes)), len(settings.tails_s))
        some = (1.0 - settings.no_tail_weight) * rarer / rarer.sum()
        self._first: Array = np.concatenate(((settings.no_tail_weight,), some))
        self._counts = settings.tail_prior_rests * self._first
        self._told = np.zeros(len(self._first))
        """Log likelihood of every kind of tail, were it the same at all rests."""
        self.log_prior: list[float] = np.log(self._first).tolist()
        self._begin()

    def _begin(self) -> None:
        """Make what is worked out anew whenever it is needed."""
        s = self.settings
        self._times = array("d", self.times_s)
        self._tails = Tails(self.times_s, self.log_prior, len(self.sizes), s.tail_doubt, s.modest)

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self._begin()

    def tails(self, behind: Array, behind_s: Array, now_s: float, latest: int, band: float) -> Tails:
        """What tails of each size and time constant may have to go, for all that is expected; good until
        asked again.

        `behind` are the deviations from the level in the movement before, `behind_s` their times; a tail is a
        share of the movement that caused it, and any touch may leave `tail_least_band`, which has faded since
        the one at `latest`.
        """
        s, still_s = self.settings, now_s - float(behind_s[latest])
        least, floor = s.tail_least_band * band, 1e-3 * band + 1e-12
        tails = self._tails
        spreads(tails.spread, behind, behind_s, now_s, self._times, self.sizes, least, still_s, floor)
        return tails

    def learn(self, fit: Estimate) -> None:
        """Take the fit of a whole rest: most cars have one kind of tail, some now one and now another."""
        s = self.settings
        keep = 1.0 - 1.0 / s.tail_memory_rests
        weights = np.array(fit.weights())
        told = np.log(np.maximum(weights, 1e-6)) - self.log_prior
        self._told = self._told * keep + s.tail_told * (told - np.maximum.reduce(told))
        self._counts = self._counts * keep + weights
        same = self._first * np.exp(self._told - np.maximum.reduce(self._told))
        seen = (1.0 - s.tail_same) * self._counts / np.add.reduce(self._counts)
        mixed = s.tail_same * same / np.add.reduce(same) + seen
        self.log_prior = np.log(mixed).tolist()
        self._begin()
