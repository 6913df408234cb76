# cython: annotation_typing=False, auto_pickle=False
"""What one stream's noise is: learned in quiet stretches, downwards faster than upwards."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from logger.settling.cells import Cells
from logger.settling.kept import Kept
from logger.settling.settings import Settling
from logger.settling.tail import ENOUGH_CELLS, Estimate, Noise

CALM_CELLS = 12
"""Cells in a stretch that may show the noise where no rest did."""
FIRST_CELLS = 8
"""The same where there are too few cells to choose from."""
SEEK_CELLS = 160
"""Cells looked back upon while no rest is found."""


class NoiseLearner(Kept):
    """Noise, resolution and what follows from them for one stream."""

    kept = ("settings", "cells", "resolution", "hold_s", "copies", "variance", "eta", "_calm", "_calm_of")

    def __init__(self, settings: Settling, cells: Cells) -> None:
        self.settings = settings
        self.cells = cells
        self.resolution = 0.0
        self.hold_s = 0.0
        """How long the display shows a value before the next."""
        self.copies = 1.0
        """How many independent roundings add up in a value (the total of four pads: 4)."""
        self.variance: float | None = None
        """Variance of one sample in quiet rests; None until one was seen."""
        self.eta = 1.0
        """Von Neumann ratio of the residuals: 1 for white noise, less where an indicator averages."""
        self._calm = 0.0
        self._calm_of = (0, 0, 0)
        self._begin()

    def _begin(self) -> None:
        """Have constants at hand that are asked for several times a cell."""
        s = self.settings
        self._band_sigma, self._finest_share, self._likely_d = s.band_sigma, s.finest_share, s.likely_sigma_d
        self._unknown_s, self._tolerance_sigma = s.unknown_rest_s, s.tolerance_sigma
        self._distrust, self._fit_bands = s.distrust, s.fit_bands

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self._begin()

    @property
    def rounding(self) -> float:
        """Variance of the rounding error."""
        return self.resolution * self.resolution / 12.0 * self.copies

    def band(self) -> float:
        """What cannot be told from standing still by one cell: max(d, band_sigma · sigma)."""
        return max(self.resolution, self._band_sigma * self.sigma(), self.finest())

    def finest(self) -> float:
        """What nobody can ask of a pad at this load, however fine its display."""
        return self._finest_share * self._load()

    def sway(self) -> float:
        """How far a load may go to and fro either way and still be a rest."""
        return max(self.settings.wobble_bands * self.band(), self.settings.wobble_share * self._load())

    def rare(self) -> bool:
        """Are cells rarer than they could be, as those of a slow display and of bursts are?"""
        return self.cells.step_s() > self.settings.rare_cells * self.settings.cell_s

    def _load(self) -> float:
        n = self.cells.n
        return abs(float(self.cells.x_of[n - 1])) if n else 0.0

    def sigma(self) -> float:
        """Noise of one cell; before it is learned, what a stretch of some seconds shows, or few d."""
        cells = self.cells
        known = self.variance
        if known is not None:
            return math.sqrt(float(known) / cells.mean_n)
        sigma = math.sqrt(self.calm() / cells.mean_n)
        likely = self._likely_d * self.resolution
        span_s = float(cells.t_of[cells.n - 1] - cells.t_of[0]) if cells.n else 0.0
        unknown = span_s < self._unknown_s or self._came()
        return min(sigma, likely) if likely > 0 and unknown else sigma

    def _came(self) -> bool:
        """Are these cells few, as slow displays and bursts have them, and did the load come in them?"""
        n = self.cells.n
        if n < 3 or n > (4 if self.rare() else 2) * CALM_CELLS:
            return False
        steps = np.abs(np.diff(self.cells.x[:n]))
        return bool(self.cells.spread(0, n) > self.settings.came_steps * float(np.median(steps)))

    def tolerance(self) -> float:
        """An error beyond this is a wrong reading: one d (more of a sum of roundings), or about the noise
        where that is far coarser."""
        sigma, d = self.sigma(), self.resolution * math.sqrt(self.copies)
        return max(d, self._tolerance_sigma * sigma, 2.0 * (sigma - d), self.finest())

    def for_fit(self) -> Noise:
        """What a fit needs to know."""
        noise = Noise()
        if self.variance is not None:
            noise.variance, noise.weight = self.variance, 12.0
        else:
            sigma = self.sigma()
            noise.variance, noise.weight = sigma * sigma * self.cells.mean_n, 4.0
        noise.eta, noise.step, noise.copies = self.eta, self.resolution, self.copies
        noise.distrust, noise.horizon = self._distrust, self._fit_bands
        return noise

    def for_sway(self) -> Noise:
        """The same for a load that sways."""
        noise, reach = self.for_fit(), self.sway()
        noise.variance, noise.weight = (0.4 * reach) ** 2 * self.cells.mean_n, 4.0
        return noise

    def restless(self, least: int) -> bool:
        """Are so many of the newest cells too far apart to lie within a band? Spares most fits while things
        move."""
        if self.variance is None:
            return False
        slack = 2.5 * math.sqrt(max(self.variance, self.rounding) / self.cells.mean_n)
        return bool(self.cells.spread(self.cells.n - least, self.cells.n) > 2.0 * (self.band() + slack))

    def calm(self) -> float:
        """Variance of one sample without a rest: the calmest stretch of a dozen cells.

        From first differences while nothing is known; from second ones, which are blind to slopes, after.
        """
        order = 1 if self.variance is None else 2
        key = (order, self.cells.n, self.cells.taken)
        if key != self._calm_of:  # asked for several times a cell
            self._calm_of, self._calm = key, self._calmest(order)
        return self._calm

    def _calmest(self, order: int) -> float:
        n = self.cells.n
        count = min(n - order, SEEK_CELLS)
        if count < 2:
            return 0.0
        x = self.cells.x[n - order - count : n]
        bend = x[1:] - x[:-1]
        bend = bend if order == 1 else bend[1:] - bend[:-1]
        square = bend * bend * (self.cells.mean_n / (2.0 if order == 1 else 6.0))
        first = order == 1 and count < 2 * CALM_CELLS
        calm = _every_stretch(square) if first else _side_by_side(square)
        shown = calm[calm > 0]  # a stretch of one value repeated shows the display, not the noise,
        if len(shown) < 0.67 * len(calm):  # unless that is the rule
            return 0.0
        found = float(np.quantile(shown, 0.25) if first else np.minimum.reduce(shown))
        least = float(_every_stretch(square).min()) if order == 1 else 0.0
        return (
            least if found > self.settings.unlike_noise * least > 0 else found
        )  # in most of them the load moved

    def learn(self, fit: Estimate) -> None:
        """Learn from a quiet stretch."""
        if fit.count < 8 or (fit.changes < 6 and self.variance is not None):
            return
        scatter = fit.scatter if fit.count >= ENOUGH_CELLS else fit.variance
        eta = max(min(fit.eta, 1.0), 0.05)
        if self.variance is None:
            self.variance, self.eta = scatter, eta
            return
        held = fit.changes < 0.5 * fit.count
        if scatter < self.variance:
            self.variance += (scatter - self.variance) * 0.1
        elif held:  # a display that changes slowly shows its noise in few cells
            self.variance += (scatter - self.variance) * 0.3
        elif fit.eta > 0.5:  # a slow wander is no noise
            self.variance += (scatter - self.variance) * 0.04
        self.eta += (eta - self.eta) * 0.05

    def bound(self, fit: Estimate) -> None:
        """Noise cannot be more than what any stretch of samples shows."""
        if self.variance is not None and fit.scatter < 0.25 * self.variance and fit.changes >= 6:
            self.variance = max(fit.scatter, self.rounding)

    def grow(self) -> None:
        """Not one quiet stretch in a quarter of a minute: the noise itself has grown."""
        if self.variance is None or self.cells.n <= SEEK_CELLS - CALM_CELLS:
            return
        calm = self.calm()
        if calm > 4.0 * self.variance:
            self.variance = calm


def _every_stretch(square: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of all short stretches: of the first few cells some may be quiet, wherever they lie."""
    means: NDArray[np.float64] = sliding_window_view(square, min(FIRST_CELLS, len(square))).mean(axis=1)
    return means


def _side_by_side(square: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of the newest stretches, none of which share a cell: the least is so by little luck."""
    size = min(CALM_CELLS, len(square))
    means: NDArray[np.float64] = np.add.reduce(square[len(square) % size :].reshape(-1, size), axis=1) / size
    return means
