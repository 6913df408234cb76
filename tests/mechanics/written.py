"""Weighings as people write them into files."""

from __future__ import annotations

import numpy as np
from mechanics.worlds import PADS, weighing

from logger.model import CORNERS
from logger.units import LB_KG

CAR = 'name = "Wagtail"\nwheelbase_m = 2.430\ntrack_front_m = 1.405\ntrack_rear_m = 1.395\n'
HEADER = "run,facing,spot,corner,pad,value,unit,u,shim_mm"
FIGURES = ("total", "front", "left", "cross", "x", "y", "kappa")


def rows_of(w, *, unit="kg", u=0.1, digits=2, run=None):
    per = LB_KG if unit == "lb" else 1.0
    shown = "" if u is None else f"{u / per:.5f}"
    return [
        f"{run or w.run},{w.facing},{w.spots[i]},{CORNERS[i]},{w.pads[i]},"
        f"{w.loads_kg[i] / per:.{digits}f},{unit},{shown},{1e3 * w.shims_m[i]:g}"
        for i in range(4)
    ]


def session(seed=1, heights=(0.0,) * 4, **more):
    """Three runs out and three back, in kilograms and pounds."""
    rng = np.random.default_rng(seed)
    found = []
    for facing, pads, unit in (("out", PADS, "kg"), ("back", PADS[::-1], "lb")):
        for n in range(3):
            w = weighing(
                facing, pads, noise=rng.normal(0, 0.1, 4), kappa=rng.normal(0, 1.0), heights=heights, **more
            )
            found.append((w, unit, str(n + 1)))
    return [row for w, unit, run in found for row in rows_of(w, unit=unit, run=run)]
