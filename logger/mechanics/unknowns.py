"""The one model of all weighings: its unknowns, what it predicts for each reading, and its Jacobian.

Per build: M (kg), X = M·x, Y = M·y, kappa (kg·m). Per set of four spots, in the frame of facing out:
a = h·tan(alpha), b = h·tan(beta) (m), theta (twist, rad). Then K (kg·m/rad), h (m), c (share of a roll moment
that the front axle takes beyond the determinate part's), a gain per pad (relative), a zero per pad and zero
check (kg). s = +1 out, −1 back:

    X' = X − M(s·a + h·dalpha)    Y' = Y − M·B    with B = s·b + h·dbeta
    kappa' = kappa − c·M·B + K(theta + dtheta)
    reading = (1 + g)·(spread·[M X' Y'] + kappa'·v) + z

where dalpha, dbeta, dtheta are what the shims do. Suspension scatter adds to kappa', one draw per run.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

import numpy as np

from logger.mechanics.floor import attitude
from logger.mechanics.statics import Array, Geometry, square
from logger.mechanics.weighing import Allowances, Known, Weighing
from logger.units import G_N

STATE = ("M", "X", "Y", "kappa")
FLOOR = ("a", "b", "theta")
LEAST_U_KG = 1e-3
"""No reading is taken as better than a gram, so that a u of 0 in a file cannot break the arithmetic."""


T = TypeVar("T")


def order(values: Iterable[T]) -> list[T]:
    """Distinct values in order of first appearance."""
    return list(dict.fromkeys(values))


class Unknowns:
    """The weighings as arrays, the layout of the vector of unknowns, prediction and Jacobian."""

    def __init__(self, weighings: Sequence[Weighing], geometry: Geometry) -> None:
        self.weighings = tuple(weighings)
        self.geometry = geometry
        self.builds = order([w.build for w in weighings])
        self.sets = order([w.spot_set for w in weighings])
        self.pads = order([p for w in weighings for p in w.pads])
        self.zeros = order([(p, w.zero_check) for w in weighings if any(w.zero_u_kg) for p in w.pads])
        self.spread, self.warp = geometry.spread, geometry.warp
        self._lay_out()
        self._read()

    def _lay_out(self) -> None:
        names = [f"{s} {b}" for b in self.builds for s in STATE]
        names += [f"{s} {i}" for i in range(len(self.sets)) for s in FLOOR]
        self.at_floor = 4 * len(self.builds)
        self.at_K = len(names)
        self.at_h, self.at_c = self.at_K + 1, self.at_K + 2
        names += ["K", "h", "c"]
        self.at_gain = len(names)
        names += [f"gain {p}" for p in self.pads]
        self.at_zero = len(names)
        names += [f"zero {p} {z}" for p, z in self.zeros]
        self.names = tuple(names)

    def _read(self) -> None:
        ws = self.weighings
        self.sign = np.array([1.0 if w.facing == "out" else -1.0 for w in ws])
        self.build = np.array([self.builds.index(w.build) for w in ws])
        self.set = np.array([self.sets.index(w.spot_set) for w in ws])
        self.pad = np.array([[self.pads.index(p) for p in w.pads] for w in ws])
        zero = {key: i for i, key in enumerate(self.zeros)}
        self.zero = np.array([[zero.get((p, w.zero_check), -1) for p in w.pads] for w in ws])
        self.readings = np.array([w.loads_kg for w in ws])
        self.covariance = np.array([square(w.covariance_kg2) for w in ws]) + LEAST_U_KG**2 * np.eye(4)
        self.widened, self.noise_kg2 = 1.0, 0.0
        self.shim = np.array([w.shims_m for w in ws]) @ attitude(self.geometry).T

    def floor_of(self, spot_set: int | Array) -> Any:
        """Where a set's a stands among the unknowns; b and theta follow it."""
        return self.at_floor + len(FLOOR) * spot_set

    def widen(self, ratio: float) -> None:
        """Take the readings' variances `ratio` times larger, where their scatter asks for it (Birge)."""
        self.covariance *= ratio
        self.noise_kg2 *= ratio
        self.widened *= ratio

    def add_noise(self, variance_kg2: float) -> None:
        """Take each reading's variance this much larger, where what was stated is a guess."""
        self.covariance += variance_kg2 * np.eye(4)
        self.noise_kg2 += variance_kg2

    def start(self, prior: Array) -> Array:
        """A first guess: prior means, and each build's state from the mean of its readings."""
        p = prior.copy()
        warp = self.warp
        for b in range(len(self.builds)):
            mean = self.readings[self.build == b].mean(axis=0)
            p[4 * b : 4 * b + 3] = self.geometry.wrench @ mean
            p[4 * b + 3] = warp @ mean / (warp @ warp)
        return p

    def _state(self, p: Array) -> tuple[Array, Array]:
        """(n, 4) states of the weighings' builds and (n, 3) terms of their floors."""
        states = p[: self.at_floor].reshape(-1, len(STATE))[self.build]
        floors = p[self.at_floor : self.at_K].reshape(-1, len(FLOOR))[self.set]
        return states, floors

    def loads(self, p: Array) -> Array:
        """True loads (n, 4) in kg on the pads at unknowns p, before gains and zeros."""
        (m, x, y, kappa), (a, b, theta) = (part.T for part in self._state(p))
        stiffness, height, split = p[self.at_K : self.at_c + 1]
        along = x - m * (self.sign * a + height * self.shim[:, 0])
        roll = m * (self.sign * b + height * self.shim[:, 1])
        warp = kappa - split * roll + stiffness * (theta + self.shim[:, 2])
        wrench = np.column_stack([m, along, y - roll])
        return np.asarray(wrench @ self.spread.T + np.outer(warp, self.warp))

    def predict(self, p: Array) -> Array:
        """Readings (n, 4) in kg expected at unknowns p."""
        readings = self.loads(p) * (1 + p[self.at_gain : self.at_zero][self.pad])
        if self.zeros:
            readings += np.where(self.zero >= 0, p[self.at_zero :][self.zero], 0.0)
        return np.asarray(readings)

    def jacobian(self, p: Array) -> Array:
        """(n, 4, unknowns) derivatives of the readings at p."""
        n = len(self.weighings)
        rows = np.arange(n)
        jac = np.zeros((n, 4, len(self.names)))
        states, floors = self._state(p)
        m, (a, b, theta) = states[:, 0], floors.T
        stiffness, height, split = p[self.at_K : self.at_c + 1]
        of_m, of_x, of_y = self.spread.T
        v, s = self.warp, self.sign
        of_roll = of_y + split * v
        da, db, dt = self.shim.T
        lean = s * b + height * db
        at = len(STATE) * self.build
        jac[rows, :, at] = of_m - np.outer(s * a + height * da, of_x) - np.outer(lean, of_roll)
        jac[rows, :, at + 1], jac[rows, :, at + 2], jac[rows, :, at + 3] = of_x, of_y, v
        at = self.floor_of(self.set)
        jac[rows, :, at] = np.outer(-m * s, of_x)
        jac[rows, :, at + 1] = np.outer(-m * s, of_roll)
        jac[rows, :, at + 2] = stiffness * v
        jac[:, :, self.at_K] = np.outer(theta + dt, v)
        jac[:, :, self.at_h] = np.outer(-m * da, of_x) + np.outer(-m * db, of_roll)
        jac[:, :, self.at_c] = np.outer(-m * lean, v)
        gain = p[self.at_gain : self.at_zero][self.pad]
        jac *= (1 + gain)[:, :, None]
        loads = self.loads(p)
        for corner in range(4):
            jac[rows, corner, self.at_gain + self.pad[:, corner]] = loads[:, corner]
            has = self.zero[:, corner] >= 0
            jac[rows[has], corner, self.at_zero + self.zero[has, corner]] = 1.0
        return jac


class Prior:
    """What is known or allowed for before the readings: a mean and a standard uncertainty per unknown.

    u is inf for the states (the readings alone decide); `measured` marks the unknowns that somebody
    measured, as against those that only have an allowance. With `guessed_u` the readings' ± is a guess too.
    `gain_u` is allowed for pads' gains that nobody states, the coarse allowance where None;
    `gains_found_off` says that the readings made it so wide.
    """

    def __init__(
        self,
        unknowns: Unknowns,
        known: Known,
        allow: Allowances,
        *,
        guessed_u: bool = False,
        gain_u: float | None = None,
        gains_found_off: bool = False,
    ) -> None:
        size = len(unknowns.names)
        self.mean = np.zeros(size)
        self.u = np.full(size, np.inf)
        self.measured = np.zeros(size, dtype=bool)
        self.known, self.allow = known, allow
        self.guessed_u, self.gains_found_off = guessed_u, gains_found_off
        self.gain_u = allow.gain if gain_u is None else gain_u
        self._globals(unknowns)
        for i, spots in enumerate(unknowns.sets):
            self._floor(unknowns, i, spots)

    def set(self, index: int, mean: float, u: float, *, measured: bool = False) -> None:
        """State one unknown's prior."""
        self.mean[index], self.u[index], self.measured[index] = mean, max(u, 1e-12), measured

    def with_gain_u(self, unknowns: Unknowns, gain_u: float | None, *, found_off: bool = False) -> Prior:
        """The same with another allowance for gains that nobody states."""
        known, allow, guessed_u = self.known, self.allow, self.guessed_u
        return Prior(unknowns, known, allow, guessed_u=guessed_u, gain_u=gain_u, gains_found_off=found_off)

    def _globals(self, unknowns: Unknowns) -> None:
        known, allow = self.known, self.allow
        mass = float(unknowns.readings.sum(axis=1).mean())
        stiffness = allow.stiffness_kgm_per_rad_per_kg * mass
        k_u = allow.stiffness_relative_u
        if known.stiffness_Nm_per_rad is None:
            self.set(unknowns.at_K, stiffness, k_u * stiffness)
        else:
            given = known.stiffness_Nm_per_rad / G_N
            u = (
                k_u / 2 * given
                if known.stiffness_u_Nm_per_rad is None
                else known.stiffness_u_Nm_per_rad / G_N
            )
            self.set(unknowns.at_K, given, u, measured=True)
        if known.cg_height_m is None:
            self.set(unknowns.at_h, allow.cg_height_m, allow.cg_height_u_m)
        else:
            self.set(unknowns.at_h, known.cg_height_m, known.cg_height_u_m, measured=True)
        self.set(unknowns.at_c, 0.0, allow.roll_split)
        for i in range(len(unknowns.pads)):
            gain_u = self.gain_u if known.gain_u is None else known.gain_u
            self.set(unknowns.at_gain + i, 0.0, gain_u, measured=known.gain_u is not None)
        zero_u = {
            (p, w.zero_check): u for w in unknowns.weighings for p, u in zip(w.pads, w.zero_u_kg, strict=True)
        }
        for i, key in enumerate(unknowns.zeros):
            self.set(unknowns.at_zero + i, 0.0, zero_u[key], measured=True)

    def _floor(self, unknowns: Unknowns, index: int, spots: tuple[str, ...]) -> None:
        at = unknowns.floor_of(index)
        height, height_u = self.mean[unknowns.at_h], self.u[unknowns.at_h]
        heights = self.known.spot_heights_m
        out = next(w.out_spots for w in unknowns.weighings if w.spot_set == spots)
        rows = attitude(unknowns.geometry)
        if all(s in heights for s in spots):
            alpha, beta, theta = rows @ np.array([heights[s] for s in out])
            u_alpha, u_beta, u_theta = np.linalg.norm(rows, axis=1) * self.known.height_u_m
            for i, (slope, u) in enumerate(((alpha, u_alpha), (beta, u_beta))):
                self.set(at + i, height * slope, float(np.hypot(height * u, slope * height_u)), measured=True)
            self.set(at + 2, float(theta), float(u_theta), measured=True)
        else:
            self.set(at, 0.0, height * self.allow.slope)
            self.set(at + 1, 0.0, height * self.allow.slope)
            track = float(np.mean(unknowns.geometry.lengths_m[1:]))
            self.set(at + 2, 0.0, self.allow.twist_m / track)
