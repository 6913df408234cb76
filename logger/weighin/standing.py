"""Loads of pads told as loads of corners: which pad is on which spot, on what shim, under which corner."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from logger.model import CORNERS, CarRest, CornerLoad, Facing
from logger.units import to_m
from logger.weighin.placements import SPOT_OF, SPOTS
from logger.weighin.zeros import Zeros

MOST_SHIM_M = 0.1
"""A thicker stack under a pad is a slip of the pen."""
FLAT = "flat"
_PAD = re.compile(r"(\w+)=(\S+)")
_SHIM = re.compile(r"(\w+)\+(\d*\.?\d+)(mm|cm|in)")


@dataclass(frozen=True, kw_only=True)
class Spots:
    """What stands on the spots S1 to S4: the pad on each, and the shim under it (m, none where not named)."""

    pads: Mapping[str, str]
    shims_m: Mapping[str, float] = field(default_factory=dict)

    def told(self, text: str) -> Spots:
        """The spots after what somebody said: "S1=P2 S2=P1" (pads), "S2+5mm" (a shim), "flat" (no shims).

        Pads and shims that are not named stay. ValueError in words.
        """
        pads, shims_m = dict(self.pads), dict(self.shims_m)
        for word in text.replace(",", " ").split():
            pad, shim = _PAD.fullmatch(word), _SHIM.fullmatch(word)
            if word == FLAT:
                shims_m = {}
            elif pad is not None and pad[1] in SPOTS:
                pads[pad[1]] = pad[2]
            elif shim is not None and shim[1] in SPOTS:
                shims_m[shim[1]] = _thickness(word, to_m(float(shim[2]), shim[3]))
            else:
                raise ValueError(f"{word!r} is not understood; say it like S1=P2, S2+5mm or {FLAT}")
        if sorted(pads.values()) != sorted(self.pads.values()):
            known = ", ".join(sorted(self.pads.values()))
            raise ValueError(f"each of {known} stands on one spot; name every pad that moves")
        return replace(self, pads=pads, shims_m={spot: m for spot, m in shims_m.items() if m})

    def words(self) -> str:
        """Pads and shims in words."""
        pads = ", ".join(f"{pad} on {spot}" for spot, pad in sorted(self.pads.items()))
        shims = ", ".join(f"{1e3 * m:g} mm under {spot}" for spot, m in sorted(self.shims_m.items()))
        return f"{pads}; {shims or 'no shims'}"


def _thickness(word: str, shim_m: float) -> float:
    if shim_m > MOST_SHIM_M:
        raise ValueError(f"{word!r}: a shim of more than {1e3 * MOST_SHIM_M:g} mm is none; check its unit")
    return shim_m


def loads_on_spots(rest: CarRest, spots: Spots) -> dict[str, float]:
    """Loads by spot (kg)."""
    by_pad = dict(zip(rest.pads, rest.loads_kg, strict=True))
    return {spot: by_pad[pad] for spot, pad in spots.pads.items()}


def corner_loads(
    rest: CarRest, facing: Facing, spots: Spots
) -> tuple[tuple[CornerLoad, ...], tuple[float, ...]]:
    """Loads by corner and their covariance (kg², 4 × 4 row-major), both in CORNERS order."""
    n = len(rest.pads)
    at = {pad: i for i, pad in enumerate(rest.pads)}
    spot = SPOT_OF[facing]
    order = [at[spots.pads[spot[corner]]] for corner in CORNERS]
    loads = tuple(
        CornerLoad(
            corner=corner,
            spot=spot[corner],
            pad=rest.pads[i],
            mass_kg=rest.loads_kg[i],
            u_kg=rest.covariance_kg2[i * n + i] ** 0.5,
            shim_m=spots.shims_m.get(spot[corner], 0.0),
        )
        for corner, i in zip(CORNERS, order, strict=True)
    )
    return loads, tuple(rest.covariance_kg2[i * n + j] for i in order for j in order)


def reading(rest: CarRest, facing: Facing, spots: Spots, zeros: Zeros) -> dict[str, Any]:
    """The fields of a capture that a rest, or its next revision, tells."""
    loads, covariance = corner_loads(rest, facing, spots)
    told = {"loads": loads, "covariance_kg2": covariance, "zero_u_kg": zeros.part_of(loads)}
    return {**told, "mass_kg": rest.mass_kg, "u_kg": rest.u_kg}
