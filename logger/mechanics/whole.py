"""Mixed-integer programmes for plates, shims and turns: things that come in whole numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.mechanics.statics import Array

CLOSE = 0.01
"""A plan within 1 % of the best there is is as good: weeding out the rest can take seconds."""
Limit = tuple[Array, Array | float, Array | float]
"""Rows, and the least and most that rows·x may be."""


def least(cost: Array, limits: Sequence[Limit], whole: int, bounds: tuple[Array, Array]) -> Array | None:
    """Find x of least cost·x within limits and bounds, its first `whole` entries whole numbers.

    None when nothing fits. By HiGHS through scipy.optimize.milp.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415  # 0.2 s, for plans alone

    found = milp(
        cost,
        constraints=[LinearConstraint(rows, low, high) for rows, low, high in limits],
        integrality=np.r_[np.ones(whole, dtype=int), np.zeros(len(cost) - whole, dtype=int)],
        bounds=Bounds(*bounds),
        options={"mip_rel_gap": CLOSE},
    )
    if found.x is None:
        return None
    x = np.array(found.x, dtype=float)
    x[:whole] = np.round(x[:whole])
    return x


def nearest(
    first: Array, then: Array, limits: Sequence[Limit], whole: int, bounds: tuple[Array, Array], slack: float
) -> Array:
    """Least first·x, then, giving that up by no more than to `slack` or what can be had, least then·x.

    ValueError when nothing at all fits.
    """
    found = least(first, limits, whole, bounds)
    if found is None:
        raise ValueError("nothing fits these limits at all; look for one that contradicts another")
    most = max(float(first @ found), slack) + 1e-6
    better = least(then, [*limits, (first[None, :], -np.inf, most)], whole, bounds)
    return found if better is None else better
