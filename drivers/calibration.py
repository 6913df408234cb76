"""From converter counts to kilograms: a line through known masses, read backwards, with its uncertainty.

Counts are fitted over mass by weighted least squares (ISO/TS 28037:2010, clause 6; the masses' own
uncertainties enter as effective variances), and the line is read backwards. With three points or more the
scatter about the line shows whether it is one; with two it is what is stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

LEAST_SPAN = 50.0
"""The loads must move the counts by this many standard uncertainties, so that the slope is known to 3 %."""
LEAST_COUNTS = 100.0
"""… and by this many counts: below, steps of the converter are all there is to see."""
MOST_BEND = 0.02
"""A point this share of the whole span off the line is a wrong mass or a pad that touches something."""


class CalibrationRefused(ValueError):
    """A calibration that would be absurd; `faults` lists why, each with what to do."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@dataclass(frozen=True, kw_only=True)
class Point:
    """Counts at rest under a known mass, with standard uncertainties of the mean (both ≥ 0, one above 0)."""

    mass_kg: float
    counts: float
    u_counts: float
    u_mass_kg: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """counts = at_zero + slope · mass, with variances and covariance; `chi2` over `degrees` of freedom."""

    at_zero: float
    slope: float
    var_zero: float
    var_slope: float
    covariance: float
    chi2: float
    degrees: int

    def mass_kg(self, counts: float) -> float:
        """Mass (kg) that these counts show."""
        return (counts - self.at_zero) / self.slope

    def u_kg(self, counts: float, u_counts: float = 0.0) -> float:
        """Standard uncertainty (kg) of the mass that these counts show, the line's own included.

        ISO/TS 28037:2010, clause 11 (inverse use), first order.
        """
        mass = self.mass_kg(counts)
        variance = u_counts**2 + self.var_zero + mass**2 * self.var_slope + 2 * mass * self.covariance
        return sqrt(max(variance, 0.0)) / abs(self.slope)


def weighted_line(x: Sequence[float], y: Sequence[float], u: Sequence[float]) -> Line:
    """Fit y = a + b·x with standard uncertainties u (> 0) of y, which are taken as known.

    ISO/TS 28037:2010, clause 6. ValueError with fewer than two different x.
    """
    weights = [1 / item**2 for item in u]
    total = sum(weights)
    x0 = sum(w * a for w, a in zip(weights, x, strict=True)) / total
    y0 = sum(w * b for w, b in zip(weights, y, strict=True)) / total
    spread = sum(w * (a - x0) ** 2 for w, a in zip(weights, x, strict=True))
    if spread <= 0:
        raise ValueError("two different loads are needed")
    slope = sum(w * (a - x0) * (b - y0) for w, a, b in zip(weights, x, y, strict=True)) / spread
    at_zero = y0 - slope * x0
    chi2 = sum(w * (b - at_zero - slope * a) ** 2 for w, a, b in zip(weights, x, y, strict=True))
    return Line(
        at_zero=at_zero,
        slope=slope,
        var_zero=1 / total + x0**2 / spread,
        var_slope=1 / spread,
        covariance=-x0 / spread,
        chi2=chi2,
        degrees=len(x) - 2,
    )


def fit(points: Sequence[Point]) -> Line:
    """Fit a calibration; raises CalibrationRefused with every reason when it would be absurd.

    Where three points or more scatter more than their uncertainties say, the line's are widened by the
    square root of chi2 over degrees (Birge ratio): a calibration does not claim to know better than it shows.
    """
    faults = _faults(points)
    if faults:
        raise CalibrationRefused(faults)
    masses, counts = [p.mass_kg for p in points], [p.counts for p in points]
    slope = weighted_line(masses, counts, [1.0] * len(points)).slope
    for _ in range(3):  # the slope enters the weights by the masses' uncertainties; it settles at once
        u = [sqrt(p.u_counts**2 + (slope * p.u_mass_kg) ** 2) for p in points]
        line = weighted_line(masses, counts, u)
        slope = line.slope
    faults = _line_faults(points, line)
    if faults:
        raise CalibrationRefused(faults)
    return _widened(line)


def _widened(line: Line) -> Line:
    ratio = line.chi2 / line.degrees if line.degrees else 1.0
    if ratio <= 1:
        return line
    return Line(
        at_zero=line.at_zero,
        slope=line.slope,
        var_zero=line.var_zero * ratio,
        var_slope=line.var_slope * ratio,
        covariance=line.covariance * ratio,
        chi2=line.chi2,
        degrees=line.degrees,
    )


def _faults(points: Sequence[Point]) -> list[str]:
    faults = []
    for p in points:
        if not all(isfinite(n) for n in (p.mass_kg, p.counts, p.u_counts, p.u_mass_kg)):
            faults.append(f"{p.mass_kg} kg: not a finite number; take that load again")
        elif p.mass_kg < 0:
            faults.append(f"{p.mass_kg:g} kg: a known mass cannot be negative")
        elif min(p.u_counts, p.u_mass_kg) < 0 or p.u_counts + p.u_mass_kg <= 0:
            faults.append(f"{p.mass_kg:g} kg: an uncertainty of counts or mass above 0 is needed")
    if len({p.mass_kg for p in points}) < 2:
        faults.append("two different loads are needed: the pad empty, and a mass that is known")
    return faults


def _line_faults(points: Sequence[Point], line: Line) -> list[str]:
    masses = [p.mass_kg for p in points]
    moved = abs(line.slope) * (max(masses) - min(masses))
    noise = max(p.u_counts for p in points)
    if moved < LEAST_COUNTS or moved < LEAST_SPAN * noise:
        return [
            f"the counts moved by {moved:.0f} with an uncertainty of {noise:.3g}: too little to tell; "
            f"was the load on this pad, and heavy enough?"
        ]
    bend = {p.mass_kg: abs(p.counts - line.at_zero - line.slope * p.mass_kg) / moved for p in points}
    worst = max(bend, key=bend.__getitem__)
    if len(points) > 2 and bend[worst] > MOST_BEND:
        return [
            f"{worst:g} kg lies {100 * bend[worst]:.1f} % of the span off the line: "
            f"a wrong mass, or the pad touches something"
        ]
    return []
