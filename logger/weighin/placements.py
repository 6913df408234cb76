"""Where the car stands: which corner is on which spot in either facing, and which way it faces now."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt

from logger.model import CORNERS, Corner, Facing

SPOTS = ("S1", "S2", "S3", "S4")
"""Spots as seen with the car facing out: S1 and S2 ahead (left, right), S3 and S4 behind (left, right)."""

SPOT_OF: dict[Facing, dict[Corner, str]] = {
    "out": {"LF": "S1", "RF": "S2", "LR": "S3", "RR": "S4"},
    "back": {"LF": "S4", "RF": "S3", "LR": "S2", "RR": "S1"},
}
"""Half a turn takes each corner to the spot diagonally opposite."""

OTHER: dict[Facing, Facing] = {"out": "back", "back": "out"}


def loads_at(facing: Facing, loads_kg: Mapping[Corner, float]) -> dict[str, float]:
    """Loads by spot (kg) of a car with these corner loads (kg) in this facing."""
    return {SPOT_OF[facing][corner]: loads_kg[corner] for corner in CORNERS}


def facing_from_loads(
    spot_loads_kg: Mapping[str, float], known_kg: Mapping[Corner, float]
) -> tuple[Facing, float]:
    """Tell the facing of a known car from its loads on the spots (both kg, all four present).

    Returns the facing whose prediction lies nearer (root of the summed squares, scaled to one total) and
    how decided that is: 0 when both fit alike, 1 when the nearer fits exactly. A car with nearly equal
    opposite corners stays undecided, and the caller asks or goes by the turn.
    """
    scale = sum(spot_loads_kg.values()) / sum(known_kg.values())
    miss: dict[Facing, float] = {}
    for facing in SPOT_OF:
        predicted = loads_at(facing, known_kg)
        miss[facing] = sqrt(sum((spot_loads_kg[s] - scale * predicted[s]) ** 2 for s in SPOTS))
    nearer: Facing = "out" if miss["out"] <= miss["back"] else "back"
    worst = max(miss.values())
    return nearer, 0.0 if worst == 0 else 1 - miss[nearer] / worst
