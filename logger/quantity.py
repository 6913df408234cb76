"""A number with its standard uncertainty and unit, and how such a number is written down.

A number carries no more digits than its uncertainty supports: u is rounded to two significant digits when
its first is 1 or 2 and to one otherwise, the value to the same place (GUM 7.2.6).
"""

from __future__ import annotations

from math import floor, isfinite, log10

from msgspec import Struct

from logger.units import KG_PER, LBF_FT_PER_DEG, M_PER, from_kg, from_m

BESIDE = {
    "kg": {"m": "mm", "1": "%"},
    "lb": {"kg": "lb", "m": "in", "1": "%", "kg·m": "lb·in", "N·m/rad": "lbf·ft/deg"},
}
"""Units shown beside each unit of mass, by the unit inside."""


class Quantity(Struct, frozen=True):
    """A value, its standard uncertainty (None: not known) and its unit (kg, m, 1 for shares, N·m/rad …)."""

    value: float
    u: float | None
    unit: str

    def shown_in(self, unit: str) -> Quantity:
        """Convert kg or m to another unit of its kind, kg·m to "lb·in", N·m/rad to "lbf·ft/deg", 1 to "%".

        ValueError otherwise.
        """
        if self.unit == unit:
            return self
        factor = _factor(self.unit, unit)
        return Quantity(self.value * factor, None if self.u is None else self.u * factor, unit)

    def shown_beside(self, mass_unit: str) -> Quantity:
        """Convert to what is shown where masses are in kg (then mm) or in lb (then in); shares to %."""
        return self.shown_in(BESIDE[mass_unit].get(self.unit, self.unit))

    def text(self, coverage: float = 2.0) -> str:
        """Write value ± coverage·u and unit, rounded by u: "968.4 ± 0.6 kg"."""
        unit = "" if self.unit == "1" else f" {self.unit}"
        if self.u is None or not isfinite(self.u) or self.u <= 0:
            return f"{self.value:.6g}{unit}"
        spread = coverage * self.u
        places = decimals(spread)
        return f"{rounded(self.value, places)} ± {rounded(spread, places)}{unit}"

    def value_text(self) -> str:
        """Write the value alone with the digits that 2·u supports, and its unit."""
        unit = "" if self.unit == "1" else f" {self.unit}"
        if self.u is None or not isfinite(self.u) or self.u <= 0:
            return f"{self.value:.6g}{unit}"
        return f"{rounded(self.value, decimals(2 * self.u))}{unit}"


def decimals(spread: float) -> int:
    """Count the decimal places that a spread (> 0) supports; negative means tens, hundreds …"""
    exponent = floor(log10(spread))
    first = spread / 10.0**exponent
    return -exponent + 1 if first < 2.95 else -exponent


def rounded(value: float, places: int) -> str:
    """Write a value to a number of decimal places, negative places rounding to tens and so on."""
    number = round(value, places)
    if number == 0:
        number = 0.0  # no minus zero
    return f"{number:.{max(places, 0)}f}"


def _factor(have: str, want: str) -> float:
    if have == "kg" and want in KG_PER:
        return from_kg(1.0, want)
    if have == "m" and want in M_PER:
        return from_m(1.0, want)
    if have == "kg·m" and want == "lb·in":
        return from_kg(from_m(1.0, "in"), "lb")
    if have == "N·m/rad" and want == "lbf·ft/deg":
        return 1 / LBF_FT_PER_DEG
    if have == "1" and want == "%":
        return 100.0
    raise ValueError(f"cannot show {have!r} in {want!r}")
