"""Which placement to make next, and what it would buy: the expected u of each figure after each of them."""

from __future__ import annotations

from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from logger.mechanics.fit import Fit, information, invert, kappa_scatter
from logger.mechanics.floor import attitude
from logger.mechanics.statics import Array, square, statics
from logger.mechanics.unknowns import Unknowns
from logger.mechanics.weighing import HALF_TURN, Weighing
from logger.model import Facing
from logger.quantity import Quantity

SHIM_M = 0.005
"""Thickness of the shim test: 5 mm moves a car's kappa by ten times what a run scatters."""
ENOUGH = 0.9
"""A step that leaves this much of the u is not worth the trouble."""
FIGURES = ("total", "front", "left", "cross", "x", "y")


Kind = Literal["again", "turn", "exchange left-right", "exchange front-rear", "shim", "heights"]


class Stand(Struct, frozen=True, kw_only=True):
    """How the car stands: facing, and under each corner (CORNERS order) spot, pad and shim (m)."""

    facing: Facing
    spots: tuple[str, str, str, str]
    pads: tuple[str, str, str, str]
    shims_m: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)


class Next(Struct, frozen=True, kw_only=True):
    """A step that could come next: what to do, and what it is expected to buy.

    `figure` is the one ranked by; `u_now` and `u` are its standard uncertainty now and expected after, in
    `unit`; `expected` has the u of every figure after the step. `stand` is how the car then stands, None
    where it need not be moved (heights).
    """

    kind: Kind
    action: str
    why: str
    figure: str
    u_now: float
    u: float
    unit: str
    expected: dict[str, float]
    stand: Stand | None

    @property
    def pays(self) -> bool:
        """Whether the step is worth the trouble."""
        return self.u <= ENOUGH * self.u_now

    def bought(self, mass_unit: str = "kg") -> str:
        """What the step is expected to buy: the ± (2u) of the figure now and after, mass in kg or lb."""
        now, then = (Quantity(0.0, u, self.unit) for u in (self.u_now, self.u))
        shown = {"1": "%", "kg": mass_unit, "m": "m" if mass_unit == "kg" else "in"}[self.unit]
        spreads = [f"±{2 * (q.shown_in(shown).u or 0.0):.2g} {shown}" for q in (now, then)]
        return f"{self.figure} {spreads[0]} → {spreads[1]}" + ("" if self.pays else ": little to gain")


def next_placements(f: Fit, index: int, aim: str) -> tuple[Next, ...]:
    """Rank the placements still possible for a build by the expected u of `aim`, the best first.

    `aim` is one of FIGURES (ValueError otherwise); without geometry x and y fall back on front and left.
    """
    if aim not in FIGURES:
        raise ValueError(f"aim {aim!r} is not one of {', '.join(FIGURES)}")
    if f.unknowns.geometry.missing:
        aim = {"x": "front", "y": "left"}.get(aim, aim)
    now = _figures(f, index, f.covariance)
    candidates = _candidates(f, index)
    base = _base(f)
    normals = [base + more for more in _added(f, [w for _, _, w in candidates])]
    steps: list[tuple[Kind, str, Weighing | None]] = [*candidates, ("heights", _level_words(f, index), None)]
    normals.append(base + _precision(f, _heights_precision(f, index)))
    after = [_figures(f, index, c) for c in _covariances(f, index, np.array(normals))]
    found = [_next(step, aim, now[aim], then) for step, then in zip(steps, after, strict=True)]
    return tuple(sorted(found, key=lambda step: step.u))


def _level_words(f: Fit, index: int) -> str:
    how = f"with a water or laser level, to ±{2e3 * f.prior.known.height_u_m:g} mm"
    if f.prior.measured[_floor_of(f, index) + 2]:
        return f"Measure the heights of the four pad tops again {how}, and take the mean."
    then = (
        ""
        if f.prior.measured[f.unknowns.at_K]
        else " Should they show a large twist, a shim test comes next."
    )
    return f"Measure the heights of the four pad tops {how}.{then}"


def _next(
    step: tuple[Kind, str, Weighing | None],
    aim: str,
    now: tuple[float, str],
    after: dict[str, tuple[float, str]],
) -> Next:
    kind, action, weighing = step
    u, unit = after[aim]
    told = Next(
        kind=kind,
        action=action,
        why="",
        figure=aim,
        u_now=now[0],
        u=u,
        unit=unit,
        expected={name: q[0] for name, q in after.items()},
        stand=None if weighing is None else stand_of(weighing),
    )
    return replace(told, why=told.bought())


def stand_of(w: Weighing) -> Stand:
    """How the car stood in a weighing."""
    return Stand(facing=w.facing, spots=w.spots, pads=w.pads, shims_m=w.shims_m)


def when_to_stop(steps: tuple[Next, ...]) -> tuple[str, ...]:
    """A sentence when no further step is worth it, else nothing."""
    if any(step.pays for step in steps):
        return ()
    return (
        f"No single step left sharpens {steps[0].figure} by more than a tenth: enough is weighed for it.",
    )


def _figures(f: Fit, index: int, covariance: Array) -> dict[str, tuple[float, str]]:
    geometry = f.unknowns.geometry
    to_loads = np.column_stack([geometry.spread, geometry.warp])
    at = slice(4 * index, 4 * index + 4)
    told = statics((to_loads @ f.p[at]).tolist(), to_loads @ covariance[at, at] @ to_loads.T, geometry)
    found = {name: getattr(told, name) for name in FIGURES}
    return {name: (q.u, q.unit) for name, q in found.items() if q is not None}


def _candidates(f: Fit, index: int) -> list[tuple[Kind, str, Weighing]]:
    """Placements still possible, as (kind, what to do, the weighing it adds)."""
    last = [w for w in f.unknowns.weighings if w.build == f.unknowns.builds[index]][-1]
    other = "back" if last.facing == "out" else "out"
    turned = {"spots": _moved(last.spots, HALF_TURN), "pads": _moved(last.pads, HALF_TURN)}
    turned |= {"shims_m": _moved(last.shims_m, HALF_TURN)}
    shims = tuple(a + b for a, b in zip(last.shims_m, (0.0, SHIM_M, 0.0, 0.0), strict=True))
    more = "more " if last.shims_m[1] else ""
    steps: list[tuple[Kind, str, dict[str, object]]] = [
        ("again", "Roll the car off and on again as it stands, rock it and weigh once more.", {}),
        (
            "turn",
            "Turn the car half round and leave the pads where they are.",
            {"facing": other, **turned},
        ),
        (
            "exchange left-right",
            "Keep the facing and exchange the pads left for right, each onto the other's spot.",
            {"pads": _moved(last.pads, (1, 0, 3, 2))},
        ),
        (
            "exchange front-rear",
            "Keep the facing and exchange the pads front for rear, each onto the other's spot.",
            {"pads": _moved(last.pads, (2, 3, 0, 1))},
        ),
        (
            "shim",
            f"Shim test: lay {1e3 * SHIM_M:g} mm {more}under the right front pad and weigh again.",
            {"shims_m": shims},
        ),
    ]
    last = _with_fresh_zeros(last)
    return [(kind, action, replace(last, **change)) for kind, action, change in steps]


def _with_fresh_zeros(w: Weighing) -> Weighing:
    """The weighing with zeros of its own, as a car that rolled off and on again has."""
    whole = square(w.covariance_kg2) + np.diag(np.square(w.zero_u_kg))
    return replace(w, covariance_kg2=tuple(whole.ravel().tolist()), zero_u_kg=(0.0,) * 4)


def _moved(values: tuple[object, ...], order: tuple[int, ...]) -> tuple[object, ...]:
    return tuple(values[i] for i in order)


def _base(f: Fit) -> Array:
    """What is known now (q × q): readings, allowances and measurements, at the scatter found."""
    unknowns = f.unknowns
    variance = kappa_scatter(unknowns, f.p, np.array([f.scatter]))
    jac = f.jacobian @ f.free
    normal = information(unknowns, jac, unknowns.covariance, variance, unknowns.readings)[0][0]
    return np.asarray(normal + _precision(f, 1 / f.prior.u**2))


def _precision(f: Fit, precision: Array) -> Array:
    return np.asarray(f.free.T @ (precision[:, None] * f.free))


def _added(f: Fit, extras: list[Weighing]) -> list[Array]:
    """What each further weighing would add (q × q); what is not fitted now is not fitted then."""
    unknowns = Unknowns((*f.unknowns.weighings, *extras), f.unknowns.geometry)
    unknowns.widen(f.unknowns.widened)
    unknowns.add_noise(f.unknowns.noise_kg2)
    jac = unknowns.jacobian(f.p) @ f.free
    variance = kappa_scatter(unknowns, f.p, np.array([f.scatter]))
    first = len(f.unknowns.weighings)
    return [
        information(unknowns, jac[i], unknowns.covariance[i], variance[:, i], unknowns.readings[i])[0][0]
        for i in (slice(n, n + 1) for n in range(first, first + len(extras)))
    ]


def _covariances(f: Fit, index: int, normals: Array) -> Array:
    """Covariances of the unknowns for a stack of normal matrices, with the second order of K·theta."""
    covariances = f.free @ invert(normals)[0] @ f.free.T
    kappa, stiffness, twist = 4 * index + 3, f.unknowns.at_K, _floor_of(f, index) + 2
    covariances[:, kappa, kappa] += covariances[:, stiffness, stiffness] * f.covariance[twist, twist]
    return np.asarray(covariances)


def _floor_of(f: Fit, index: int) -> int:
    """Where the floor that the build was weighed on last stands among the unknowns."""
    return int(f.unknowns.floor_of(f.unknowns.set[f.unknowns.build == index][-1]))


def _heights_precision(f: Fit, index: int) -> Array:
    """What a level would add about the floor under the build's spots: 1/u² per unknown.

    Of the slopes it tells h times itself, so that h's own ± counts as far as the floor may slope.
    """
    precision = np.zeros(len(f.p))
    at, h = _floor_of(f, index), f.unknowns.at_h
    u = np.linalg.norm(attitude(f.unknowns.geometry), axis=1) * f.prior.known.height_u_m
    variance = np.diag(f.covariance)
    shifts = f.p[at : at + 2] ** 2 + variance[at : at + 2]
    precision[at : at + 2] = 1 / ((f.p[h] * u[:2]) ** 2 + shifts * variance[h] / f.p[h] ** 2)
    precision[at + 2] = 1 / u[2] ** 2
    return precision
