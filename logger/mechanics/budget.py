"""The mass budget: the car after planned changes, what is still to be found, and what is unsure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from msgspec import Struct

from logger.mechanics.parts import Part, Weighed
from logger.mechanics.statics import CROSS, FRONT, LEFT, Array, Geometry, square
from logger.quantity import Quantity

TINY = 1e-20
"""Step along the imaginary axis: its square is nothing beside any input."""
PLACE_UNKNOWN = 0.29
"""A place not given lies anywhere between the axles and tracks: u of a uniform law, 1/√12 of the length."""


class Item(Struct, frozen=True, kw_only=True):
    """A planned change: `mass` positive for what goes on, negative for what comes off; its place on the plan.

    `x`, `y` (m) None: anywhere in the car. `z` (m above ground) only matters when the height is asked for.
    """

    name: str
    mass: Quantity
    x: Quantity | None = None
    y: Quantity | None = None
    z: Quantity | None = None


class Goal(Struct, frozen=True, kw_only=True):
    """Targets, None where free: total (kg), front, left, cross (shares of 1), and their tolerances."""

    total_kg: float | None = None
    total_tolerance_kg: float = 1.0
    front: float | None = None
    left: float | None = None
    cross: float | None = None
    share_tolerance: float = 0.002


class Forecast(Struct, frozen=True, kw_only=True):
    """The car after the changes, and against the goal.

    `to_find` is forecast minus goal by figure; `sentences` say it in words. `moves_most` lists for each
    figure the inputs by how much their own ± moves it (standard uncertainty, in the figure's unit).
    """

    total: Quantity
    front: Quantity
    left: Quantity
    cross: Quantity
    x: Quantity | None
    y: Quantity | None
    height: Quantity | None
    to_find: dict[str, Quantity]
    moves_most: dict[str, tuple[tuple[str, float], ...]]
    sentences: tuple[str, ...]


def item_from_part(name: str, part: Part, *, off: bool) -> Item:
    """A measured part as a planned change: taken off again (or put on, `off` False)."""
    sign = -1.0 if off else 1.0
    return Item(name=name, mass=Quantity(sign * part.mass.value, part.mass.u, "kg"), x=part.x, y=part.y)


def forecast(
    state: Weighed, items: Sequence[Item], goal: Goal | None = None, height: Quantity | None = None
) -> Forecast:
    """Add the items to a weighed state; everything linear, uncertainties propagated to first order.

    `height` is that of the centre of mass now (m), None: not asked. ValueError when more comes off than
    there is.
    """
    inputs = _Inputs(state, items, height)
    names = ["total", "front", "left", "cross", "x", "y", "height"]
    values, covariance, slopes = propagate(inputs.figures, inputs.values, inputs.covariance)
    if values[0] <= 0:
        raise ValueError("the planned removals weigh more than the car; check masses and signs")
    units = ["kg", "1", "1", "1", "m", "m", "m"]
    figures = {
        n: Quantity(float(v), float(np.sqrt(max(c, 0.0))), unit)
        for n, v, c, unit in zip(names, values, np.diag(covariance), units, strict=True)
    }
    told = [
        n for n in names if not (n in ("x", "y") and state.geometry.missing) and (n != "height" or height)
    ]
    to_find = _to_find(figures, goal or Goal())
    return Forecast(
        total=figures["total"],
        front=figures["front"],
        left=figures["left"],
        cross=figures["cross"],
        x=figures["x"] if "x" in told else None,
        y=figures["y"] if "y" in told else None,
        height=figures["height"] if height else None,
        to_find=to_find,
        moves_most={n: inputs.ranked(slopes[names.index(n)]) for n in told},
        sentences=_sentences(figures, to_find, goal or Goal(), state.geometry),
    )


class _Inputs:
    """The uncertain inputs as one vector with covariance: four loads, height, m, x, y, z of each item."""

    def __init__(self, state: Weighed, items: Sequence[Item], height: Quantity | None) -> None:
        self.geometry = state.geometry
        self.names = ["the weighing", "height"]
        values = [*state.loads_kg, height.value if height else 0.0]
        us = [(height.u or 0.0) if height else 0.0]
        length, front, rear = self.geometry.lengths_m
        anywhere = (
            Quantity(length / 2, PLACE_UNKNOWN * length, "m"),
            Quantity(0.0, PLACE_UNKNOWN * (front + rear) / 2, "m"),
            height or Quantity(0.0, 0.0, "m"),
        )
        for item in items:
            place = [q or any_ for q, any_ in zip((item.x, item.y, item.z), anywhere, strict=True)]
            values += [item.mass.value, *(q.value for q in place)]
            us += [item.mass.u or 0.0, *(q.u or 0.0 for q in place)]
            self.names += [f"{item.name}: {what}" for what in ("mass", "x", "y", "z")]
        self.values = np.array(values)
        self.covariance = np.zeros((len(values), len(values)))
        self.covariance[:4, :4] = square(state.covariance_kg2)
        self.covariance[4:, 4:] = np.diag(np.square(us))

    def figures(self, values: Any) -> Any:
        """Total, front, left, cross, x, y, height after the items; analytic, so that complex values pass."""
        loads, height = values[:4], values[4]
        items = values[5:].reshape(-1, 4)
        mass = items[:, 0]
        added = self.geometry.spread @ np.vstack([mass, mass * items[:, 1], mass * items[:, 2]])
        after = loads + added.sum(axis=1)
        total = after.sum()
        lift = loads.sum() * height + mass @ items[:, 3]
        weights = np.vstack([FRONT, LEFT, CROSS, self.geometry.x_m, self.geometry.y_m])
        return np.r_[total, weights @ after / total, lift / total]

    def ranked(self, slope: Array) -> tuple[tuple[str, float], ...]:
        """Inputs by what their own uncertainty does to a figure of this slope, the largest first."""
        whole = float(np.sqrt(slope[:4] @ self.covariance[:4, :4] @ slope[:4]))
        rest = np.abs(slope[4:]) * np.sqrt(np.diag(self.covariance)[4:])
        parts = zip(self.names, [whole, *rest.tolist()], strict=True)
        ranked = sorted(parts, key=lambda p: -p[1])
        return tuple(p for p in ranked if p[1] > 0.01 * ranked[0][1])


def propagate(function: Callable[[Any], Any], values: Array, covariance: Array) -> tuple[Array, Array, Array]:
    """Values, covariance and Jacobian of an analytic function of correlated inputs (GUM 5.2).

    The slopes are the imaginary part of a step along the imaginary axis: nothing is subtracted, so they are
    exact to rounding however small an input is (Squire and Trapp, SIAM Review 40, 1998; from memory).
    """
    at = np.asarray(values, dtype=float)
    steps = at + 1j * TINY * np.eye(len(at))
    slopes = np.column_stack([np.imag(function(step)) / TINY for step in steps])
    return np.atleast_1d(function(at)), slopes @ covariance @ slopes.T, slopes


def _to_find(figures: dict[str, Quantity], goal: Goal) -> dict[str, Quantity]:
    goals = {"total": goal.total_kg, "front": goal.front, "left": goal.left, "cross": goal.cross}
    return {
        name: Quantity(figures[name].value - target, figures[name].u, figures[name].unit)
        for name, target in goals.items()
        if target is not None
    }


def _sentences(
    figures: dict[str, Quantity], to_find: dict[str, Quantity], goal: Goal, geometry: Geometry
) -> tuple[str, ...]:
    lines = []
    total = figures["total"].value
    length, front, rear = geometry.lengths_m
    for name, off in to_find.items():
        tolerance = goal.total_tolerance_kg if name == "total" else goal.share_tolerance
        size = Quantity(abs(off.value), off.u, off.unit)
        shown = size.text() if name == "total" else size.shown_in("%").text()
        if abs(off.value) <= tolerance:
            sure = abs(off.value) + 2 * (off.u or 0.0) <= tolerance
            lines.append(f"{name}: within its tolerance{'' if sure else ', but its ± reaches beyond'}.")
        elif name == "total":
            lines.append(f"total: {shown} {'still to be found' if off.value > 0 else 'in hand'}.")
        elif name == "cross":
            lines.append(f"cross: {shown} too {'much' if off.value > 0 else 'little'}; turn the perches.")
        else:
            lever, ways = (
                (length, ("rearward", "forward"))
                if name == "front"
                else ((front + rear) / 2, ("right", "left"))
            )
            moment = abs(off.value) * total * lever
            way = ways[0] if off.value > 0 else ways[1]
            lines.append(
                f"{name}: {shown} too {'much' if off.value > 0 else 'little'}; {moment:.3g} kg·m {way} are "
                f"needed, such as {moment:.3g} kg moved by 1 m."
            )
    return tuple(lines)
