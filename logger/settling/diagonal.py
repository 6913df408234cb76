"""What four pads show together: under a car it is the diagonal that has a tail.

Total, front and left share are determinate, they settle with the last swing. What creeps and sticks moves
load from one diagonal to the other. So a pad's reading is taken apart into its share of the diagonal, whose
noise is half a pad's and whose tail all four show, and the rest, which has hardly any tail. Both are fitted
by themselves, each with an expectation of tails of its own; where the rest turns out to have tails as well
(the pads do not stand under one car), each pad is looked at alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from logger.settling.cells import Cell, Cells
from logger.settling.noise import NoiseLearner
from logger.settling.prior import TailPrior, stirred
from logger.settling.settings import Settling
from logger.settling.tail import Estimate, Noise, estimate, together

PATTERNS = np.array(((1.0, -1.0, -1.0, 1.0), (1.0, 1.0, -1.0, -1.0), (1.0, -1.0, 1.0, -1.0)))
"""The three ways to pair four pads; one pairs the diagonals. The first fits pads named row by row."""
LEAST_CELLS = 5
"""Fewest joint cells that are fitted."""


class Diagonal:
    """Joint cells of four pads, and the tail they share."""

    def __init__(self, settings: Settling, noises: Sequence[NoiseLearner]) -> None:
        """Take the constants and what is learned of each pad's noise, in the order of the pads."""
        self.settings = settings
        self.swung, self.apart = TailPrior(settings), TailPrior(settings)
        """What is expected of tails in the diagonal, and in what a pad reads beside it."""
        self._noises = noises
        self._cells = Cells(4)
        self._pattern = 0
        self._moved = np.zeros(len(PATTERNS))
        """Rests of pads in which each pattern moved, lately; where several did, each counts in part."""
        self._fits: dict[tuple[int, int], Estimate] = {}
        self._warps: dict[int, NDArray[np.float64]] = {}

    def feed(self, cell: Cell, loads: Sequence[float]) -> None:
        """Take a frame in which all four have sent."""
        self._cells.append(cell, loads)
        self._fits.clear()
        self._warps.clear()

    def forget(self) -> None:
        """What comes next has nothing to do with what was."""
        self._cells.n = 0
        self._fits.clear()
        self._warps.clear()

    def of(self, pad: int) -> Share:
        """One pad's part in it."""
        return Share(self, pad)

    def sign(self, pad: int) -> float:
        """+1 or −1: how a pad's reading goes with the diagonal."""
        return float(PATTERNS[self._pattern, pad])

    def stretch(self, from_ns: int, to_ns: int) -> tuple[int, int] | None:
        """Joint cells of this time, first and after the last; None where they are missing."""
        cells = self._cells
        n = cells.index_after(to_ns)
        lo = int(np.searchsorted(cells.first[:n], from_ns))
        late_ns = round(self.settings.joint_late_s * 1e9)
        whole = n - lo >= LEAST_CELLS and to_ns - int(cells.last[n - 1]) <= late_ns
        return (lo, n) if whole else None

    def shared(self, lo: int, n: int) -> Estimate:
        """What the diagonal settles to, by the joint cells lo … n − 1."""
        if (lo, n) not in self._fits:
            off = np.abs(self._cells.parts[:n] - self._cells.parts[n - 1])
            moved = np.maximum(  # pairwise, because a row of four is short for a loop of its own
                np.maximum(off[:, 0], off[:, 1]), np.maximum(off[:, 2], off[:, 3])
            )
            warp = self._warp(n)
            band = max(each.band() for each in self._noises) / 2.0
            self._fits[lo, n] = self._fit(lo, warp, moved, self.swung, self._quiet(), band)
        return self._fits[lo, n]

    def beside(self, pad: int, lo: int, n: int) -> Estimate:
        """What a pad reads without the diagonal settles to, by the same cells."""
        noise, band = self._noises[pad].for_fit(), self._noises[pad].band()
        parts = self._cells.parts[:n]
        rest = parts[:, pad] - self.sign(pad) * self._warp(n)
        quiet = replace(noise, variance=0.75 * noise.variance, copies=0.75)  # (3/4)² + 3·(1/4)² of one pad's
        return self._fit(lo, rest, np.abs(parts[:, pad] - parts[n - 1, pad]), self.apart, quiet, band)

    def _warp(self, n: int) -> NDArray[np.float64]:
        """The diagonal in the oldest n joint cells."""
        if n not in self._warps:
            self._warps[n] = self._cells.parts[:n] @ PATTERNS[self._pattern] / 4.0
        return self._warps[n]

    def tolerance(self, pad: int) -> float:
        """The error beyond which a reading of this pad is wrong (kg)."""
        return self._noises[pad].tolerance()

    def _fit(
        self,
        lo: int,
        x: NDArray[np.float64],
        moved: NDArray[np.float64],
        prior: TailPrior,
        noise: Noise,
        band: float,
    ) -> Estimate:
        cells, n = self._cells, len(x)
        age = cells.t[n - 1] - cells.t[:n]
        tails = prior.tails(moved, age, float(age[stirred(moved, band)]), band)
        return estimate(cells.t[lo:n], x[lo:], cells.w[lo:n], noise, tails, band)

    def _quiet(self) -> Noise:
        """Noise of the diagonal: the mean of four independent readings, two of them turned over."""
        noises = [each.for_fit() for each in self._noises]
        return replace(
            noises[0],
            variance=sum(each.variance for each in noises) / 16.0,
            eta=sum(each.eta for each in noises) / 4.0,
            step=max(each.step for each in noises) / 4.0,
            copies=4.0,
            tolerance=max(each.tolerance for each in noises),
        )

    # -- learning --------------------------------------------------------------------------------------

    def learn(self, beside: Estimate, shared: Estimate) -> None:
        """Take both fits of a whole rest."""
        self.apart.learn(beside)
        self.swung.learn(shared)

    def pair(self, lo: int, n: int) -> None:
        """Learn from a rest of these cells which pads are diagonal: the pairs between which load went on
        moving while the car stood."""
        third = (n - lo) // 3
        if third < LEAST_CELLS:
            return
        parts, weights = self._cells.parts, self._cells.w
        gone = parts[n - third : n].mean(axis=0) - parts[lo : lo + third].mean(axis=0)
        noise = 16.0 * self._quiet().variance * 2.0 / (third * float(weights[lo:n].mean()))
        squares = (PATTERNS @ gone) ** 2
        s = self.settings
        if squares.max() < s.pairing_sigma**2 * max(noise, 1e-18):
            return
        self._moved = (1.0 - 1.0 / s.pairing_memory_rests) * self._moved + squares / squares.sum()
        best, now = int(np.argmax(self._moved)), self._moved[self._pattern]
        if self._moved[best] > 2.0 * now + s.pairing_rests:
            self._pattern = best
            self._fits.clear()
            self._warps.clear()
            self.swung, self.apart = TailPrior(self.settings), TailPrior(self.settings)


class Share:
    """One pad's part in the diagonal."""

    def __init__(self, diagonal: Diagonal, pad: int) -> None:
        self._all = diagonal
        self._pad = pad
        self._lesson: tuple[Estimate, Estimate] | None = None

    def refine(self, own: Estimate, prior: TailPrior, from_ns: int, to_ns: int) -> Estimate:
        """The better estimate of what this pad settles to, by the joint cells of its own cells' time.

        `own` and `prior` are its estimate by itself and what is expected of its tails. `own` stays where
        joint cells are missing, where less than half its time stands still jointly, and as long as what is
        beside the diagonal is known to have tails as often as the pads by themselves.
        """
        diagonal = self._all
        if diagonal.apart.log_prior[0] < prior.log_prior[0]:
            return own
        stretch = diagonal.stretch(from_ns, to_ns)
        if stretch is None:
            return own
        beside, shared = diagonal.beside(self._pad, *stretch), diagonal.shared(*stretch)
        if min(beside.span_s, shared.span_s) < diagonal.settings.joint_span * own.span_s:
            return own
        return together(own, beside, shared, diagonal.sign(self._pad), diagonal.tolerance(self._pad))

    def forget(self) -> None:
        """What this pad reads next has nothing to do with what was (overload, unit change)."""
        self._all.forget()

    def ended(self, from_ns: int, to_ns: int, teaches: bool) -> None:
        """A rest of this pad's cells of this time is over; it may teach of tails once the next has come."""
        self._lesson = None
        stretch = self._all.stretch(from_ns, to_ns)
        if stretch is None:
            return
        if teaches:
            self._lesson = self._all.beside(self._pad, *stretch), self._all.shared(*stretch)
        self._all.pair(*stretch)

    def learn(self) -> None:
        """The rest ended by a movement: take what it shows of tails."""
        if self._lesson is not None:
            self._all.learn(*self._lesson)
