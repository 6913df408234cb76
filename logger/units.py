"""Units at the edges: SI inside (kg, m, N, rad, s), converted on the way in and out, exact where exact."""

from __future__ import annotations

from math import pi

LB_KG = 0.45359237
"""Avoirdupois pound, exact (international yard and pound agreement 1959; NIST SP 811)."""
IN_M = 0.0254
"""Inch, exact (same source)."""
G_N = 9.80665
"""Standard gravity, exact (3rd CGPM 1901), m/s²."""

LBF_FT_PER_DEG = LB_KG * G_N * 12 * IN_M * 180 / pi
"""One pound-force foot per degree in N·m/rad, from the exact factors above."""

KG_PER: dict[str, float] = {
    "kg": 1.0,
    "g": 1e-3,
    "t": 1e3,
    "lb": LB_KG,
    "oz": LB_KG / 16,
    "N": 1.0 / G_N,
    "kN": 1e3 / G_N,
}
"""Mass in kg that shows as one of the unit; forces are divided by standard gravity."""

M_PER: dict[str, float] = {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "in": IN_M, "ft": 12 * IN_M}
"""Length in m of one of the unit."""


def to_kg(value: float, unit: str) -> float:
    """Convert a mass (or a force, by standard gravity) to kg.

    `unit` is a key of KG_PER; ValueError names the units known.
    """
    return value * _factor(KG_PER, unit)


def from_kg(mass_kg: float, unit: str) -> float:
    """Convert a mass in kg to `unit`, a key of KG_PER; ValueError names the units known."""
    return mass_kg / _factor(KG_PER, unit)


def to_m(value: float, unit: str) -> float:
    """Convert a length to m; `unit` is a key of M_PER, ValueError names the units known."""
    return value * _factor(M_PER, unit)


def from_m(length_m: float, unit: str) -> float:
    """Convert a length in m to `unit`, a key of M_PER; ValueError names the units known."""
    return length_m / _factor(M_PER, unit)


def _factor(table: dict[str, float], unit: str) -> float:
    try:
        return table[unit]
    except KeyError:
        raise ValueError(f"unit {unit!r} is not one of {', '.join(table)}") from None
