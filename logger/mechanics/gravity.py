"""Normal gravity from latitude and height, and what it does to pads calibrated somewhere else."""

from __future__ import annotations

from math import hypot, radians, sin, sqrt
from typing import Literal

from logger.quantity import Quantity

Ellipsoid = Literal["GRS80", "WGS84"]

CONSTANTS: dict[Ellipsoid, tuple[float, float, float, float, float]] = {
    "GRS80": (6378137.0, 1 / 298.257222101, 9.7803267715, 9.8321863685, 0.00344978600308),
    "WGS84": (6378137.0, 1 / 298.257223563, 9.7803253359, 9.8321849378, 0.00344978650684),
}
"""Semi-axis a (m), flattening f, normal gravity at equator and pole (m/s²), m = ω²a²b/GM.
GRS80: Moritz, Journal of Geodesy 2000; WGS84: NIMA TR8350.2."""
RELATIVE_U = 1e-4
"""Normal against true gravity: 5e-5 in plains (claimed by NPL's formula), 1e-4 to 2e-4 in mountains."""


def normal_gravity(latitude_deg: float, height_m: float = 0.0, ellipsoid: Ellipsoid = "GRS80") -> float:
    """Normal gravity (m/s²) at a geodetic latitude and a height above the ellipsoid (−500 to 9,000 m).

    Somigliana's closed form, with the second-order series in height (Moritz, GRS80).
    ValueError outside these ranges.
    """
    if not -90 <= latitude_deg <= 90:
        raise ValueError(f"latitude {latitude_deg:g}° is not between −90° and 90°")
    if not -500 <= height_m <= 9000:
        raise ValueError(f"height {height_m:g} m is not between −500 and 9,000 m")
    a, f, equator, pole, m = CONSTANTS[ellipsoid]
    s2 = sin(radians(latitude_deg)) ** 2
    k = (1 - f) * pole / equator - 1
    ground = equator * (1 + k * s2) / sqrt(1 - f * (2 - f) * s2)
    return ground * (1 - 2 / a * (1 + f + m - 2 * f * s2) * height_m + 3 * (height_m / a) ** 2)


def shown_over_true(calibrated: tuple[float, float], used: tuple[float, float]) -> Quantity:
    """Ratio of what pads show to the true mass: gravity where used over gravity where calibrated.

    Each site is (latitude in degrees, height in m). Pads measure force; shares and places do not change.
    """
    ratio = normal_gravity(*used) / normal_gravity(*calibrated)
    return Quantity(ratio, sqrt(2) * RELATIVE_U * ratio, "1")


def corrected(mass: Quantity, calibrated: tuple[float, float], used: tuple[float, float]) -> Quantity:
    """A mass (kg) shown by pads calibrated at one site and used at another, as it truly is."""
    ratio = shown_over_true(calibrated, used)
    value = mass.value / ratio.value
    u = hypot((mass.u or 0.0) / ratio.value, value * (ratio.u or 0.0) / ratio.value)
    return Quantity(value, u, mass.unit)
