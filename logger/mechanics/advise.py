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
    steps = []
    for action, extra, measured in _candidates(f, index):
        after = _figures(f, index, _after(f, index, extra, measured))
        steps.append((action, after))
    if not now:
        return ()
    ranked = sorted(steps, key=lambda step: step[1][aim][0])
    return tuple(_next(action, aim, now[aim], after) for action, after in ranked)


def _next(action: str, aim: str, now: tuple[float, str], after: dict[str, tuple[float, str]]) -> Next:
    u, unit = after[aim]
    scale, shown = (100, "%") if unit == "1" else (1, unit)
    why = f"{aim} ±{2 * scale * now[0]:.2g} {shown} → ±{2 * scale * u:.2g} {shown}"
    if u > 0.9 * now[0]:
        why += ": little to gain"
    expected = {name: q[0] for name, q in after.items()}
    return Next(action=action, why=why, figure=aim, u_now=now[0], u=u, unit=unit, expected=expected)


def _figures(f: Fit, index: int, covariance: Array) -> dict[str, tuple[float, str]]:
    geometry = f.unknowns.geometry
    to_loads = np.column_stack([geometry.spread, geometry.warp])
    at = slice(4 * index, 4 * index + 4)
    told = statics((to_loads @ f.p[at]).tolist(), to_loads @ covariance[at, at] @ to_loads.T, geometry)
    found = {name: getattr(told, name) for name in FIGURES}
    return {name: (q.u, q.unit) for name, q in found.items() if q is not None}


def _candidates(f: Fit, index: int) -> list[tuple[str, Weighing | None, bool]]:
    """Steps as (what to do, the weighing it adds or None, whether it measures the pad-top heights)."""
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
    found: list[tuple[str, Weighing | None, bool]] = [
        (action, Weighing(**(fields | change)), False) for action, change in steps
    ]
    if not f.prior.measured[f.unknowns.at_floor + 4 * f.unknowns.sets.index(last.spot_set) + 3]:
        level = 1e3 * f.prior.known.height_u_m
        action = (
            f"Measure the heights of the four pad tops with a water or laser level, to ±{2 * level:g} mm."
        )
        found.append((action, None, True))
    return found


def _moved(values: tuple[object, ...], order: tuple[int, ...]) -> tuple[object, ...]:
    return tuple(values[i] for i in order)


def _after(f: Fit, index: int, extra: Weighing | None, measured: bool) -> Array:
    """Covariance of the unknowns expected after a step; what is not fitted now is not fitted then."""
    weighings = f.unknowns.weighings if extra is None else (*f.unknowns.weighings, extra)
    unknowns = Unknowns(weighings, f.unknowns.geometry)
    jac = unknowns.jacobian(f.p) @ f.free
    variance = kappa_scatter(unknowns, f.p, np.array([f.scatter]))
    normal = information(unknowns, jac, unknowns.covariance, variance, unknowns.readings)[0]
    precision = 1 / f.prior.u**2
    if measured:
        precision = precision + _heights_precision(f, index)
    covariance = f.free @ invert(normal + f.free.T @ (precision[:, None] * f.free))[0][0] @ f.free.T
    twist = f.unknowns.at_floor + 4 * int(f.unknowns.set[f.unknowns.build == index][0]) + 3
    kappa = 4 * index + 3
    covariance[kappa, kappa] += covariance[f.unknowns.at_K, f.unknowns.at_K] * f.covariance[twist, twist]
    return np.asarray(covariance)


def _heights_precision(f: Fit, index: int) -> Array:
    """What a level would add about the floor under the build's spots: 1/u² per unknown."""
    precision = np.zeros(len(f.p))
    at = f.unknowns.at_floor + 4 * int(f.unknowns.set[f.unknowns.build == index][-1])
    u = np.linalg.norm(attitude(f.unknowns.geometry), axis=1) * f.prior.known.height_u_m
    height = f.p[f.unknowns.at_K + 1]
    precision[[at, at + 1]] = 1 / (height * u[:2]) ** 2
    precision[at + 3] = 1 / u[2] ** 2
    return precision
