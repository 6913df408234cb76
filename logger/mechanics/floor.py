"""The floor under four spots: its slopes and twist from heights, and the shims that take them out."""

from __future__ import annotations

import numpy as np

from logger.mechanics.statics import Array, Geometry


def attitude(geometry: Geometry) -> Array:
    """3 × 4: heights under the corners (m, CORNERS order) → slope nose-up, slope left-up (m/m), twist (rad).

    The slopes are those of the least-squares plane through the four contact patches; the twist is
    theta = (z_LF − z_RF)/t_f − (z_LR − z_RR)/t_r, which no plane has.
    """
    _, front, rear = geometry.lengths_m
    plane = np.linalg.pinv(np.column_stack([np.ones(4), geometry.x_m, geometry.y_m]))
    twist = np.array([1 / front, -1 / front, -1 / rear, 1 / rear])
    return np.vstack([plane[1:], twist])
