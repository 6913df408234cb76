"""What a change weighs and where its weight sat, from a weighing before and one after."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from msgspec import Struct

from logger.mechanics.statics import Array, Geometry, square
from logger.quantity import Quantity
from logger.sentences import kilograms

HEIGHT_SPAN_M = 0.3
"""How far a part sits above or below the car's centre of mass (one standard deviation, from sill to roof, m):
floor slope × this shifts its place."""


class Weighed(Protocol):
    """What `difference` needs of a Solution or Statics."""

    @property
    def loads_kg(self) -> tuple[float, ...]: ...
    @property
    def covariance_kg2(self) -> tuple[float, ...]: ...
    @property
    def geometry(self) -> Geometry: ...


class Part(Struct, frozen=True, kw_only=True):
    """A change: `mass` positive when it came off, negative when it went on; its place on the plan.

    `x` (ahead of the rear axle) and `y` (left of the centre line) are None when the geometry is not known
    or the mass cannot be told from nothing. `covariance` is of (mass kg, x m, y m), row-major, empty when
    there is no place. `ellipse_m` is the semi-axes (m) of one standard uncertainty and the angle (rad) of
    the longer from x towards y. `too_light_to_locate`: the ellipse of ±2u is longer than
    the wheelbase.
    """

    mass: Quantity
    x: Quantity | None
    y: Quantity | None
    covariance: tuple[float, ...]
    ellipse_m: tuple[float, float, float] | None
    too_light_to_locate: bool
    notes: tuple[str, ...]


def difference(before: Weighed, after: Weighed, *, slope: float = 0.005) -> Part:
    """Subtract after from before, both of the same car, and find mass and place of what changed.

    What equal placements share (floor, pads' gains) cancels: then only each weighing's own covariance
    counts. With different placements the whole covariance of both counts. Zeros common to both are counted
    twice here (too wide, never too narrow); `Builds.part` has the exact correlation. `slope` is the
    floor's slope, or what it may be (m/m). ValueError when the geometries differ.
    """
    if before.geometry != after.geometry:
        raise ValueError(
            "before and after were weighed with different wheelbase or tracks; correct one of them"
        )
    wrench = before.geometry.wrench
    change = wrench @ (np.array(before.loads_kg) - np.array(after.loads_kg))
    cov = wrench @ (_own(before, after) + _own(after, before)) @ wrench.T
    return part(change, cov, before.geometry, slopes=(slope, slope), whole_kg=float(sum(before.loads_kg)))


def _own(one: Weighed, other: Weighed) -> Array:
    placements = getattr(one, "placements", None)
    if placements is not None and set(placements) == set(getattr(other, "placements", ())):
        return square(getattr(one, "weighing_covariance_kg2"))  # noqa: B009  # Statics has no such field
    return square(one.covariance_kg2)


def part(
    change: Array,
    covariance: Array,
    geometry: Geometry,
    *,
    slopes: tuple[float, float] = (0.0, 0.0),
    whole_kg: float = np.inf,
) -> Part:
    """Turn a change of (M kg, M·x, M·y kg·m) and its covariance (3 × 3) into mass and place.

    Linear propagation; m_p = dM, x_p = d(Mx)/dM, y_p = d(My)/dM. `slopes` are those of the floor along
    and across (m/m), `whole_kg` is the car's mass before.
    """
    mass = Quantity(float(change[0]), float(np.sqrt(covariance[0, 0])), "kg")
    notes = _mass_notes(mass, whole_kg)
    if geometry.missing or mass.u is None or abs(mass.value) <= 2 * mass.u:
        light = not geometry.missing
        return Part(
            mass=mass, x=None, y=None, covariance=(), ellipse_m=None, too_light_to_locate=light, notes=notes
        )
    place = change[1:] / change[0]
    slope = np.zeros((3, 3))
    slope[0, 0] = 1.0
    slope[1:, 0] = -place / change[0]
    slope[1:, 1:] = np.eye(2) / change[0]
    cov = slope @ covariance @ slope.T
    cov[1:, 1:] += HEIGHT_SPAN_M**2 * np.diag(np.square(slopes))
    ellipse = _ellipse(cov[1:, 1:])
    light = 4 * ellipse[0] > geometry.lengths_m[0]
    if light:
        notes = (*notes, "Too light to locate: its place is less certain than the wheelbase is long.")
    return Part(
        mass=mass,
        x=Quantity(float(place[0]), float(np.sqrt(cov[1, 1])), "m"),
        y=Quantity(float(place[1]), float(np.sqrt(cov[2, 2])), "m"),
        covariance=tuple(cov.ravel().tolist()),
        ellipse_m=ellipse,
        too_light_to_locate=bool(light),
        notes=notes,
    )


def _mass_notes(mass: Quantity, whole_kg: float) -> tuple[str, ...]:
    notes = []
    if mass.value < 0 and mass.u is not None and -mass.value > 2 * mass.u:
        notes.append(f"The car became {kilograms(-mass.value)} heavier: this went on, it did not come off.")
    if abs(mass.value) > whole_kg / 2:
        notes.append("The change is more than half of the car: before and after are hardly the same car.")
    if mass.u is not None and abs(mass.value) <= 2 * mass.u:
        notes.append("No change can be told from nothing: it is within its own ±.")
    return tuple(notes)


def _ellipse(cov: Array) -> tuple[float, float, float]:
    values, vectors = np.linalg.eigh(cov)
    major = vectors[:, 1]
    angle = float(np.arctan2(major[1], major[0])) % np.pi
    return float(np.sqrt(values[1])), float(np.sqrt(max(values[0], 0.0))), angle
