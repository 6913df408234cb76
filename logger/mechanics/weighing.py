"""What goes into the solver: weighings of a car on four spots, and what is known of floor and pads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from msgspec import Struct

from logger.mechanics.statics import Array, square
from logger.model import CORNERS, Capture, Facing

MOST_ZERO = 0.95
"""The zeros' share of a variance at most: some of it is always the rest's own."""
LEAST_ZERO_U_KG = 1e-6
"""A zero known better than a milligram is known."""
HALF_TURN = (3, 2, 1, 0)
"""Where each corner's spot went when the car was turned half round: LF stands where RR stood, and so on."""


class Weighing(Struct, frozen=True, kw_only=True):
    """One rest of the whole car: four loads with the spot and pad under each corner, all in CORNERS order.

    `covariance_kg2` (16 row-major or 4 variances) is what repeats differently at every rest; `zero_u_kg` is
    the pads' zero uncertainty, shared by all weighings that name the same `zero_check`. `run` is what
    sentences call it. `shims_m` is the thickness laid under each corner's pad. Equal `build`: the same car.
    """

    run: str
    facing: Facing
    spots: tuple[str, str, str, str]
    pads: tuple[str, str, str, str]
    loads_kg: tuple[float, float, float, float]
    covariance_kg2: tuple[float, ...]
    shims_m: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    build: str = ""
    zero_check: str = ""
    zero_u_kg: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("spots", "pads"):
            if len(set(getattr(self, name))) != 4:
                raise ValueError(f"run {self.run}: {name} {getattr(self, name)} are not four different ones")
        square(self.covariance_kg2)

    @property
    def spot_set(self) -> tuple[str, ...]:
        """The four spots, whichever way the car points over them."""
        return tuple(sorted(self.spots))

    @property
    def out_spots(self) -> tuple[str, ...]:
        """Spots in CORNERS order as they would be with the car facing out."""
        return self.spots if self.facing == "out" else tuple(self.spots[i] for i in HALF_TURN)

    @property
    def placement(self) -> str:
        """Facing, spots, pads and shims as one key: equal placements differ only in the suspension."""
        shims = "" if not any(self.shims_m) else f" shims {self.shims_m}"
        return f"{self.facing} {self.spots} {self.pads}{shims}"


def weighing_from_capture(capture: Capture, **more: object) -> Weighing:
    """Make the solver's row from a capture; `more` are further fields of Weighing, such as its build.

    The car stays on the pads for a placement, so all its rests have the same zeros, right or wrong.
    ValueError unless the capture has each corner once.
    """
    by_corner = {load.corner: load for load in capture.loads}
    if len(capture.loads) != 4 or set(by_corner) != set(CORNERS):
        raise ValueError(f"capture {capture.number} has not each of {', '.join(CORNERS)} once")
    loads = [by_corner[c] for c in CORNERS]
    whole = square(capture.covariance_kg2)
    zeros = _zeros_within(whole, capture.zero_u_kg or (0.0,) * 4)
    own = whole - np.diag(np.square(zeros))
    fields: dict[str, object] = {
        "run": str(capture.number),
        "facing": capture.facing,
        "spots": tuple(load.spot for load in loads),
        "pads": tuple(load.pad for load in loads),
        "loads_kg": tuple(load.mass_kg for load in loads),
        "covariance_kg2": tuple(own.ravel().tolist()),
        "zero_check": str(capture.placement),
        "zero_u_kg": zeros,
        "shims_m": tuple(load.shim_m for load in loads),
        "build": capture.build,
    }
    return Weighing(**(fields | more))  # type: ignore[arg-type]  # fields are typed one by one above


def _zeros_within(covariance: Array, zero_u_kg: Sequence[float]) -> tuple[float, ...]:
    """The zeros' u as far as a covariance has room for it: what is left must be one too."""
    u = np.asarray(zero_u_kg, dtype=float)
    if np.any(u < LEAST_ZERO_U_KG) or not np.all(np.isfinite(covariance)):
        return (0.0,) * len(u)
    room = float(np.linalg.eigvalsh(covariance / np.outer(u, u))[0])
    share = min(1.0, MOST_ZERO * max(room, 0.0))
    return tuple((share**0.5 * u).tolist())


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of floor, car and pads before the first weighing; None or empty: nobody measured it.

    `spot_heights_m` are pad-top heights by spot, one common datum, each with `height_u_m`. `stiffness` is
    the car's warp stiffness (N·m/rad) and its u; `cg_height_m` and its u likewise. `gain_u` is the relative
    standard uncertainty of each pad's calibration. `capacity_kg` is the pads' rated load.
    """

    spot_heights_m: Mapping[str, float] = field(default_factory=dict)
    height_u_m: float = 0.001
    """Reading a water level's meniscus at both ends: about 1 mm (common practice, no source)."""
    stiffness_Nm_per_rad: float | None = None
    stiffness_u_Nm_per_rad: float | None = None
    cg_height_m: float | None = None
    cg_height_u_m: float = 0.02
    """What an axle lift gives: a few percent (ISO 10392:2011, scope)."""
    gain_u: float | None = None
    capacity_kg: float | None = None


@dataclass(frozen=True, kw_only=True)
class Allowances:
    """Standard uncertainties allowed for what nobody measured; they enter the ± and are said in words."""

    slope: float = 0.005
    """Slope of a workshop floor, m/m: bays drain at up to 1 in 80 (common practice, no source)."""
    twist_m: float = 0.003
    """One corner out of the others' plane, m, on a floor nobody levelled (common practice, no source)."""
    cg_height_m: float = 0.55
    """Height of a car's centre of mass: mean of cars of the 2010s (NHTSA LVIPD + NCAP, collated: 0.553 m)."""
    cg_height_u_m: float = 0.12
    """Half of the range 0.45–0.99 m seen in 1,270 light vehicles (same source), leaning to cars."""
    stiffness_kgm_per_rad_per_kg: float = 1.8
    """Warp stiffness (kg·m/rad) over mass (kg): four ride springs at 1.3 Hz, half as much again from bars."""
    stiffness_relative_u: float = 0.6
    """The figure above fits soft and stiff cars only within half of itself (own estimate)."""
    roll_split: float = 0.1
    """How far the front axle's share of a roll moment may differ from the determinate part's, share of 1."""
    gain: float = 0.003
    """Pads' gains before they changed places, relative: coarse enough to let the readings speak."""
    gain_usual: float = 0.0005
    """Standard deviation of pads' gains that nobody states: half of 0.1 %, a common claim (own estimate)."""
    gain_usual_weight: float = 1.0
    """How many gains' worth of evidence that is."""
    cross_scatter: float = 0.0015
    """Middle guess of how far cross weight scatters from rock to rock, share of 1, before any repeat."""
    cross_scatter_spread: float = 0.9
    """Natural-log spread of that guess: a factor of 2.5 either way."""
    noise_kg: float = 0.05
    """Middle guess of how far a pad's readings scatter from rest to rest where nobody says (own estimate)."""
    noise_spread: float = 0.7
    """Natural-log spread of that guess: a factor of two either way."""
