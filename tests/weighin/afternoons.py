"""Afternoons with Wagtail (invented) as captures and changes: exact loads on an even floor, little noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.mechanics.statics import Geometry
from logger.model import CORNERS, Capture, Change, CornerLoad, Facing
from logger.weighin.placements import SPOT_OF

GEOMETRY = Geometry(wheelbase_m=2.430, track_front_m=1.405, track_rear_m=1.395)
BODY = (968.0, 1.3995, 0.0125)
"""kg, m ahead of the rear axle, m left of the centre line."""
DRIVER = (71.0, 1.04, 0.36)
SPARE = (-17.4, -0.42, -0.05)
MATS = (-9.2, 1.18, 0.03)
SECOND_NS = 1_000_000_000
BEGAN_NS = 1_780_000_000 * SECOND_NS


@dataclass(frozen=True)
class Rest:
    """One rest: the masses on the wheels (kg, x, y), and how it stands."""

    masses: Sequence[tuple[float, float, float]]
    build: str
    aboard: tuple[str, ...] = ()
    facing: Facing = "out"
    placement: int = 1


def capture(number: int, rest: Rest, noise_kg: float = 0.02, u_kg: float = 0.05) -> Capture:
    """The capture of such a rest; `noise_kg` scatters by the number, the same at every call."""
    wrench = np.array([[m, m * x, m * y] for m, x, y in rest.masses]).sum(axis=0)
    dice = np.random.default_rng(number)
    loads = GEOMETRY.spread @ wrench + 3.0 * GEOMETRY.warp + noise_kg * dice.standard_normal(4)
    spots = SPOT_OF[rest.facing]
    return Capture(
        number=number,
        t_mono_ns=number * 60 * SECOND_NS,
        t_wall_ns=BEGAN_NS + number * 60 * SECOND_NS,
        t_rest_from_mono_ns=number * 60 * SECOND_NS - 5 * SECOND_NS,
        build=rest.build,
        aboard=rest.aboard,
        facing=rest.facing,
        placement=rest.placement,
        run=number,
        loads=tuple(
            CornerLoad(
                corner=c, spot=spots[c], pad=f"P{spots[c][1]}", mass_kg=round(float(load), 4), u_kg=u_kg
            )
            for c, load in zip(CORNERS, loads, strict=True)
        ),
        covariance_kg2=tuple((u_kg**2 * np.eye(4)).ravel().tolist()),
        mass_kg=round(float(loads.sum()), 4),
        u_kg=2 * u_kg,
    )


def change(number: int, before: Capture, after: Capture, name: str = "") -> Change:
    """The change between two captures."""
    return Change(
        number=number,
        t_mono_ns=after.t_mono_ns,
        build_before=before.build,
        build_after=after.build,
        capture_before=before.number,
        capture_after=after.number,
        name=name,
    )


def afternoon() -> tuple[list[Capture], list[Change]]:
    """Out, back, driver in, driver out, spare wheel out (not named), mats out."""
    rests = [
        Rest([BODY], "build 1"),
        Rest([BODY], "build 1", facing="back", placement=2),
        Rest([BODY, DRIVER], "build 1", aboard=("driver",), facing="back", placement=2),
        Rest([BODY, SPARE], "build 2", facing="back", placement=2),
        Rest([BODY, SPARE, MATS], "build 3", facing="back", placement=2),
    ]
    captures = [capture(n, rest) for n, rest in enumerate(rests, 1)]
    changes = [change(1, captures[1], captures[3]), change(2, captures[3], captures[4], "sound mats")]
    return captures, changes
