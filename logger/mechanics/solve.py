"""Solve the weighings of one car, in one build or several, together: `solve` and `solve_builds`.

The result carries what is told with its ±, what cannot be told apart in words, what to do next and why.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from logger.mechanics import advise, words
from logger.mechanics.fit import Fit, conditional
from logger.mechanics.floor import floor_shape
from logger.mechanics.parts import Part, part
from logger.mechanics.plausible import refuse_impossible
from logger.mechanics.statics import Array, Geometry, root, statics
from logger.mechanics.suspects import Suspect, sift
from logger.mechanics.weighing import Allowances, Known, Weighing
from logger.model import Corner
from logger.quantity import Quantity
from logger.units import G_N

SHARPER = 0.8
"""Readings that leave more of the allowance for a pad's gain than this have told little of it."""


class Solution(Struct, frozen=True, kw_only=True):
    """One build of the car, freed from floor and pads as far as the placements tell.

    Figures as in `statics.Statics`. `floor` holds, where known: h_alpha, h_beta (m; what the slopes shift
    the centre of mass, facing out), alpha, beta (rad; measured, or from h, be it an allowance),
    theta (twist, rad), kappa_floor (kg·m), cross_floor (share that the twist adds to cross), stiffness
    (N·m/rad). `scatter` is cross weight's standard deviation from rock to rock. `gains` are relative, of
    the pads that could be told.
    `covariance_kg2` is that of the loads with everything in it; `weighing_covariance_kg2` is without what
    equal placements have in common (floor, gains), for differences. `open` names the figures that carry an
    allowance for something the placements did not tell.
    """

    build: str
    total: Quantity
    front: Quantity
    left: Quantity
    cross: Quantity
    x: Quantity | None
    y: Quantity | None
    kappa: Quantity | None
    corners: dict[Corner, Quantity]
    floor: dict[str, Quantity]
    gains: dict[str, Quantity]
    scatter: Quantity
    loads_kg: tuple[float, ...]
    covariance_kg2: tuple[float, ...]
    weighing_covariance_kg2: tuple[float, ...]
    geometry: Geometry
    placements: tuple[str, ...]
    runs: tuple[str, ...]
    suspects: tuple[Suspect, ...]
    open: tuple[str, ...]
    cannot_tell_apart: tuple[str, ...]
    next_placements: tuple[advise.Next, ...]
    notes: tuple[str, ...]


class Builds(Struct, frozen=True, kw_only=True):
    """Several builds of one car solved together; what the weighings share (floor, pads, zeros) is shared."""

    solutions: dict[str, Solution]
    fit: Fit

    def part(self, before: str, after: str) -> Part:
        """What came off between two builds (mass positive) or went on (negative), and where it sat."""
        f = self.fit
        at = [4 * f.unknowns.builds.index(b) for b in (before, after)]
        rows = [slice(i, i + 3) for i in at]
        size = f.covariance.shape[0]
        take = np.zeros((3, size))
        take[:, rows[0]], take[:, rows[1]] = np.eye(3), -np.eye(3)
        along, across = self._slopes(at[0])
        whole = float(f.p[at[0]])
        covariance = take @ f.covariance @ take.T
        return part(take @ f.p, covariance, f.unknowns.geometry, slopes=(along, across), whole_kg=whole)

    def _slopes(self, at: int) -> tuple[float, float]:
        """How much of the floor's slope a build felt along and across (rms, m/m); facings balance."""
        u = self.fit.unknowns
        mine = u.build == at // 4
        floor = u.floor_of(int(u.set[mine][0]))
        variance = np.diag(self.fit.covariance)
        felt = abs(float(u.sign[mine].mean())) / self.fit.p[u.at_h]
        a, b = (root(self.fit.p[i] ** 2 + variance[i]) for i in (floor, floor + 1))
        return felt * a, felt * b


def solve(
    weighings: Sequence[Weighing],
    geometry: Geometry,
    known: Known | None = None,
    allowances: Allowances | None = None,
    aim: str = "cross",
    *,
    u_assumed: bool = False,
) -> Solution:
    """Solve the weighings of one build.

    `aim` (total, front, left, cross, x or y) ranks the next placements. With `u_assumed` the readings' ± is
    somebody's guess, and any excess of scatter in total and moments widens it.
    ValueError when there are none, when they are of different builds, or when loads cannot be a car's.
    """
    names = {w.build for w in weighings}
    if len(names) > 1:
        named = ", ".join(sorted(repr(b) for b in names))
        raise ValueError(f"these weighings are of different builds ({named}); solve them with solve_builds")
    builds = solve_builds(weighings, geometry, known, allowances, aim, u_assumed=u_assumed)
    (solution,) = builds.solutions.values()
    return solution


def solve_builds(
    weighings: Sequence[Weighing],
    geometry: Geometry,
    known: Known | None = None,
    allowances: Allowances | None = None,
    aim: str = "cross",
    *,
    u_assumed: bool = False,
) -> Builds:
    """Solve all weighings of one car together, a state for each build; arguments as for `solve`."""
    if not weighings:
        raise ValueError("there is nothing to solve: no weighing was given")
    known, allowances = known or Known(), allowances or Allowances()
    refuse_impossible(weighings, known)
    result, suspects = sift(weighings, geometry, known, allowances, u_assumed=u_assumed)
    unknowns = result.unknowns
    solutions = {b: _solution(result, i, suspects, aim) for i, b in enumerate(unknowns.builds)}
    return Builds(solutions=solutions, fit=result)


def _solution(f: Fit, index: int, suspects: tuple[Suspect, ...], aim: str) -> Solution:
    unknowns = f.unknowns
    build = unknowns.builds[index]
    to_loads = np.column_stack([unknowns.geometry.spread, unknowns.geometry.warp])
    at = slice(4 * index, 4 * index + 4)
    loads = to_loads @ f.p[at]
    told = statics(loads.tolist(), to_loads @ f.covariance[at, at] @ to_loads.T, unknowns.geometry)
    free = to_loads @ conditional(f)[at, at] @ to_loads.T
    mine = [w for w in unknowns.weighings if w.build == build]
    suspects = tuple(s for s in suspects if s.build == build)
    open_ = words.open_figures(f, index)
    steps = advise.next_placements(f, index, aim)
    return Solution(
        build=build,
        total=told.total,
        front=told.front,
        left=told.left,
        cross=told.cross,
        x=told.x,
        y=told.y,
        kappa=told.kappa,
        corners=told.corners,
        floor=floor_terms(f, index),
        gains=_gains(f),
        scatter=Quantity(f.scatter, f.scatter_u, "1"),
        loads_kg=told.loads_kg,
        covariance_kg2=told.covariance_kg2,
        weighing_covariance_kg2=tuple(free.ravel().tolist()),
        geometry=unknowns.geometry,
        placements=tuple(dict.fromkeys(w.placement for w in mine)),
        runs=tuple(w.run for w in mine),
        suspects=suspects,
        open=open_,
        cannot_tell_apart=words.cannot_tell_apart(f, index),
        next_placements=steps,
        notes=(*words.notes(f, index, suspects), *advise.when_to_stop(steps)),
    )


def floor_terms(f: Fit, index: int) -> dict[str, Quantity]:
    """The floor's terms of the spots on which a build was weighed first; further sets carry their spots."""
    unknowns = f.unknowns
    if unknowns.geometry.missing:
        return {}
    terms: dict[str, Quantity] = {}
    for i in dict.fromkeys(unknowns.set[unknowns.build == index].tolist()):
        prefix = "" if not terms else " ".join(unknowns.sets[i]) + ": "
        terms |= {prefix + name: q for name, q in _set_terms(f, index, i).items()}
    return terms


def _set_terms(f: Fit, index: int, i: int) -> dict[str, Quantity]:
    unknowns, known = f.unknowns, f.prior.known
    at = unknowns.floor_of(i)
    a, b, theta = f.p[at : at + 3]
    stiffness, height, mass = f.p[unknowns.at_K], f.p[unknowns.at_h], f.p[4 * index]
    _, front, rear = unknowns.geometry.lengths_m
    twist = np.zeros(len(f.p))
    twist[at + 2], twist[unknowns.at_K] = stiffness, theta
    kappa = _at(f, twist, stiffness * theta, "kg·m")
    terms = {
        "h_alpha": _at(f, _unit(f, at), a, "m"),
        "h_beta": _at(f, _unit(f, at + 1), b, "m"),
        "theta": _at(f, _unit(f, at + 2), theta, "rad"),
        "kappa_floor": kappa,
        "cross_floor": _times(kappa, -(1 / front + 1 / rear) / mass, "1"),
        "stiffness": _times(_at(f, _unit(f, unknowns.at_K), stiffness, ""), G_N, "N·m/rad"),
    }
    heights = known.spot_heights_m
    if all(s in heights for s in unknowns.sets[i]):
        out = next(w.out_spots for w in unknowns.weighings if w.spot_set == unknowns.sets[i])
        shape = floor_shape([heights[s] for s in out], known.height_u_m, unknowns.geometry)
        terms |= {"alpha": shape.alpha, "beta": shape.beta}
    else:
        for name, value, j in (("alpha", a, at), ("beta", b, at + 1)):
            slope = np.zeros(len(f.p))
            slope[j], slope[unknowns.at_h] = 1 / height, -value / height**2
            terms[name] = _at(f, slope, value / height, "rad")
    return terms


def _unit(f: Fit, i: int) -> Array:
    return np.asarray(np.eye(len(f.p))[i])


def _at(f: Fit, slope: Array, value: float, unit: str) -> Quantity:
    return Quantity(float(value), root(slope @ f.covariance @ slope), unit)


def _times(q: Quantity, factor: float, unit: str) -> Quantity:
    return Quantity(float(q.value * factor), None if q.u is None else float(q.u * abs(factor)), unit)


def _gains(f: Fit) -> dict[str, Quantity]:
    """Gains of the pads about which the readings or a stated calibration say anything."""
    at = f.unknowns.at_gain
    if f.prior.known.gain_u is None and not f.told_gains.size:
        return {}
    found = {p: _at(f, _unit(f, at + i), f.p[at + i], "1") for i, p in enumerate(f.unknowns.pads)}
    most_u = np.inf if f.prior.known.gain_u else SHARPER * f.prior.gain_u
    return {p: q for p, q in found.items() if q.u and q.u < most_u}
