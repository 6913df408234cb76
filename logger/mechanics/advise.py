"""Which placement to make next, and what it would buy: the expected u of each figure after each of them."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from logger.mechanics.fit import Fit, information, invert, kappa_scatter
from logger.mechanics.floor import attitude
from logger.mechanics.statics import Array, statics
from logger.mechanics.unknowns import Unknowns
from logger.mechanics.weighing import HALF_TURN, Weighing

SHIM_M = 0.005
"""Thickness of the shim test: 5 mm moves a car's kappa by ten times what a run scatters."""
ENOUGH = 0.9
"""A step that leaves this much of the u is not worth the trouble."""
FIGURES = ("total", "front", "left", "cross", "x", "y")


class Next(Struct, frozen=True, kw_only=True):
    """A step that could come next: what to do, and what it is expected to buy.

    `figure` is the one ranked by; `u_now` and `u` are its standard uncertainty now and expected after, in
    `unit`; `expected` has the u of every figure after the step.
    """

    action: str
    why: str
    figure: str
    u_now: float
    u: float
    unit: str
    expected: dict[str, float]


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
    actions = [action for action, _ in candidates]
    base = _base(f)
    normals = [base + more for more in _added(f, [w for _, w in candidates])]
    level = f.prior.known.height_u_m
    how = f"with a water or laser level, to ±{2e3 * level:g} mm"
    if f.prior.measured[_floor_of(f, index) + 3]:
        actions.append(f"Measure the heights of the four pad tops again {how}, and take the mean.")
    else:
        actions.append(f"Measure the heights of the four pad tops {how}.")
    normals.append(base + _precision(f, _heights_precision(f, index)))
    after = [_figures(f, index, c) for c in _covariances(f, index, np.array(normals))]
    ranked = sorted(zip(actions, after, strict=True), key=lambda step: step[1][aim][0])
    return tuple(_next(action, aim, now[aim], figures) for action, figures in ranked)


def _next(action: str, aim: str, now: tuple[float, str], after: dict[str, tuple[float, str]]) -> Next:
    u, unit = after[aim]
    scale, shown = (100, "%") if unit == "1" else (1, unit)
    why = f"{aim} ±{2 * scale * now[0]:.2g} {shown} → ±{2 * scale * u:.2g} {shown}"
    if u > ENOUGH * now[0]:
        why += ": little to gain"
    expected = {name: q[0] for name, q in after.items()}
    return Next(action=action, why=why, figure=aim, u_now=now[0], u=u, unit=unit, expected=expected)


def when_to_stop(steps: tuple[Next, ...]) -> tuple[str, ...]:
    """A sentence when no further step is worth it, else nothing."""
    if any(n.u <= ENOUGH * n.u_now for n in steps):
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


def _candidates(f: Fit, index: int) -> list[tuple[str, Weighing]]:
    """Placements still possible, as (what to do, the weighing it adds)."""
    last = [w for w in f.unknowns.weighings if w.build == f.unknowns.builds[index]][-1]
    other = "back" if last.facing == "out" else "out"
    turned: dict[str, object] = {"facing": other, "spots": _moved(last.spots, HALF_TURN)}
    shims = (0.0, SHIM_M, 0.0, 0.0)
    steps: list[tuple[str, dict[str, object]]] = [
        ("Roll the car off and on again as it stands, rock it and weigh once more.", {}),
        (
            "Turn the car half round and leave the pads where they are.",
            turned | {"pads": _moved(last.pads, HALF_TURN), "shims_m": _moved(last.shims_m, HALF_TURN)},
        ),
        (
            "Keep the facing and exchange the pads left for right, each onto the other's spot.",
            {"pads": _moved(last.pads, (1, 0, 3, 2))},
        ),
        (
            "Keep the facing and exchange the pads front for rear, each onto the other's spot.",
            {"pads": _moved(last.pads, (2, 3, 0, 1))},
        ),
        (
            f"Shim test: lay {1e3 * SHIM_M:g} mm under the right front pad and weigh again.",
            {"shims_m": tuple(a + b for a, b in zip(last.shims_m, shims, strict=True))},
        ),
    ]
    fields = {name: getattr(last, name) for name in last.__struct_fields__}
    return [(action, Weighing(**(fields | change))) for action, change in steps]


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
    kappa, stiffness, twist = 4 * index + 3, f.unknowns.at_K, _floor_of(f, index) + 3
    covariances[:, kappa, kappa] += covariances[:, stiffness, stiffness] * f.covariance[twist, twist]
    return np.asarray(covariances)


def _floor_of(f: Fit, index: int) -> int:
    """Where the floor that the build was weighed on last stands among the unknowns."""
    return int(f.unknowns.at_floor + 4 * f.unknowns.set[f.unknowns.build == index][-1])


def _heights_precision(f: Fit, index: int) -> Array:
    """What a level would add about the floor under the build's spots: 1/u² per unknown."""
    precision = np.zeros(len(f.p))
    at = _floor_of(f, index)
    u = np.linalg.norm(attitude(f.unknowns.geometry), axis=1) * f.prior.known.height_u_m
    height = f.p[f.unknowns.at_K + 1]
    precision[[at, at + 1]] = 1 / (height * u[:2]) ** 2
    precision[at + 3] = 1 / u[2] ** 2
    return precision
