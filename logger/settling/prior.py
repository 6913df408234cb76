# cython: annotation_typing=False, auto_pickle=False
"""What is learned of tails: how often, how slow, how large for the size of the movement before.

One object serves all pads of a bay: the same tyres and dampers settle on all of them.
"""

from __future__ import annotations

import math
from array import array
from typing import Any

from numpy import float64
from numpy.typing import NDArray

from logger.settling.kept import Kept
from logger.settling.settings import Settling
from logger.settling.sums import latest_beyond, spreads
from logger.settling.tail import Estimate, Tails

Array = NDArray[float64]


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
        none, slow = settings.no_tail_weight, len(settings.tails_s)
        rarer = [settings.tail_rarer**size for size in range(len(self.sizes)) for _ in range(slow)]
        self._first = [none, *[(1.0 - none) * share for share in _shares(rarer)]]
        self._counts = [settings.tail_prior_rests * first for first in self._first]
        self._told = [0.0] * len(self._first)
        """Log likelihood of every kind of tail, were it the same at all rests."""
        self.log_prior = [math.log(first) for first in self._first]
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
        s, weights = self.settings, fit.weights()
        keep, tail_told, tail_same = 1.0 - 1.0 / s.tail_memory_rests, s.tail_told, s.tail_same
        told = [math.log(max(w, 1e-6)) - p for w, p in zip(weights, self.log_prior, strict=True)]
        most = max(told)
        self._told = [a * keep + tail_told * (b - most) for a, b in zip(self._told, told, strict=True)]
        self._counts = [count * keep + w for count, w in zip(self._counts, weights, strict=True)]
        most = max(self._told)
        same = [first * math.exp(t - most) for first, t in zip(self._first, self._told, strict=True)]
        mixed = zip(_shares(same), _shares(self._counts), strict=True)
        self.log_prior = [math.log(tail_same * a + (1.0 - tail_same) * b) for a, b in mixed]
        self._begin()


def _shares(weights: list[float]) -> list[float]:
    """What part of their sum each is."""
    total = sum(weights)
    return [weight / total for weight in weights]
