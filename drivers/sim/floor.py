"""The floor: four spots with heights, and which corner stands on which spot in either facing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Facing = Literal["out", "back"]
CORNERS = ("LF", "RF", "LR", "RR")
"""Order of every tuple of four here; spots S1…S4 lie in the same order when the car faces out."""
SPOT_OF_CORNER: dict[Facing, tuple[int, int, int, int]] = {"out": (0, 1, 2, 3), "back": (3, 2, 1, 0)}
"""Index of the spot under each corner: half a turn puts the left front where the right rear stood."""

Four = tuple[float, float, float, float]
LEVEL: Four = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class Floor:
    """Heights of the pad tops on spots S1…S4 (m, up), facing out, above an even floor around them."""

    heights_m: Four = LEVEL

    def under_corners_m(self, facing: Facing) -> Four:
        """Heights under LF RF LR RR in this facing."""
        a, b, c, d = SPOT_OF_CORNER[facing]
        h = self.heights_m
        return (h[a], h[b], h[c], h[d])


def slopes(heights_m: Four, wheelbase_m: float, tracks_m: tuple[float, float]) -> tuple[float, float, float]:
    """Return (α, β, θ) of four heights under LF RF LR RR: slopes of the fitted plane and what it leaves.

    α: nose up, rise per metre along x; β: left up, along y; θ: twist in rad, as in textbook statics of a
    four-point stand. A least-squares plane leaves exactly the pattern v with vᵀ(1, x, y) = 0.
    """
    t_f, t_r = tracks_m
    lf, rf, lr, rr = heights_m
    theta = (lf - rf) / t_f - (lr - rr) / t_r
    scale = theta / (2 / t_f**2 + 2 / t_r**2)
    left_front, left_rear = lf - scale / t_f, lr + scale / t_r
    right_front, right_rear = rf + scale / t_f, rr - scale / t_r
    alpha = ((left_front + right_front) - (left_rear + right_rear)) / (2 * wheelbase_m)
    beta = (left_front - right_front) / t_f
    return alpha, beta, theta
