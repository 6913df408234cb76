"""A name for a change nobody has named: proposed from its place, mass and what sat there before. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot

from logger.mechanics.statics import Geometry
from logger.quantity import Quantity

NEAR_M = 0.25
"""Two things whose places are within this of each other (m), or within their ±, may be one."""
ALIKE = 0.05
"""And whose masses differ by no more than this share, or by no more than their ±."""
CENTRE = 0.12
"""Nearer to the centre line than this share of the track is neither left nor right."""
LIGHT_KG, HEAVY_KG = 3.0, 25.0
"""Lighter is called light, heavier heavy: a hand tool and what takes two people to carry."""


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Something with a name, a signed mass (kg, positive: went on) and a place (m; None: not known)."""

    name: str
    mass: Quantity
    x: Quantity | None
    y: Quantity | None


def propose_name(
    mass: Quantity, x: Quantity | None, y: Quantity | None, geometry: Geometry, earlier: Iterable[Placed] = ()
) -> str:
    """Propose words for a change of this signed mass at this place.

    The latest thing of `earlier` that has this mass and sat here lends its name, as it was put back or taken
    again; one that only sat here is named as the neighbour. Else the place in words: "heavy part, rear left".
    """
    here = Placed(name="", mass=mass, x=x, y=y)
    near = [thing for thing in earlier if _same_place(here, thing)]
    same = [thing for thing in near if _same_mass(here, thing)]
    if same:
        thing = same[-1]
        return f"{thing.name} again" if thing.mass.value * mass.value > 0 else thing.name
    words = f"{_size(mass)}part{_place(x, y, geometry)}"
    return f"{words}, where {near[-1].name} sat" if near else words


def _size(mass: Quantity) -> str:
    if abs(mass.value) < LIGHT_KG:
        return "light "
    return "heavy " if abs(mass.value) > HEAVY_KG else ""


def _place(x: Quantity | None, y: Quantity | None, geometry: Geometry) -> str:
    if x is None or y is None or geometry.missing:
        return ""
    length, front, rear = geometry.lengths_m
    along = x.value / length
    bounds = (
        (1.05, "ahead of the front axle"),
        (0.67, "front"),
        (0.33, "middle"),
        (-0.05, "rear"),
    )
    where = next((word for least, word in bounds if along >= least), "behind the rear axle")
    across = y.value / ((front + rear) / 2)
    side = "centre" if abs(across) < CENTRE else "left" if across > 0 else "right"
    return f", {where} {side}" if " " not in where else f", {where}, {side}"


def _same_place(a: Placed, b: Placed) -> bool:
    if a.x is None or a.y is None or b.x is None or b.y is None:
        return False
    apart = hypot(a.x.value - b.x.value, a.y.value - b.y.value)
    u = max(hypot(a.x.u or 0.0, b.x.u or 0.0), hypot(a.y.u or 0.0, b.y.u or 0.0))
    return apart <= max(NEAR_M, 2 * u)


def _same_mass(a: Placed, b: Placed) -> bool:
    off = abs(abs(a.mass.value) - abs(b.mass.value))
    return off <= max(ALIKE * abs(b.mass.value), 2 * hypot(a.mass.u or 0.0, b.mass.u or 0.0))
