# cython: annotation_typing=False, auto_pickle=False
"""The pads' zeros: checked whenever a pad stands empty and quiet, interpolated between checks.

Between two checks the zero follows the straight line, with the variance of a Brownian bridge,
σ²·(t−a)(b−t)/(b−a), plus the checks' own; after the last check it carries σ²·(t−a) and what was read then is
restated when the next check comes. A pad of unknown capacity has no known zero: nothing tells "empty" from
"lightly loaded".
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

from logger.settling.kept import Kept
from logger.settling.settings import Settling

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Check:
    """One zero check: time (s), zero on the wire (kg), standard uncertainty (kg), temperature (°C)."""

    t_s: float
    zero_kg: float
    u_kg: float
    temperature_C: float | None = None


class ZeroKeeper(Kept):
    """Zero of one pad over time."""

    kept = ("settings", "capacity_kg", "checks", "_drift2")

    def __init__(self, settings: Settling, capacity_kg: float | None) -> None:
        self.settings = settings
        self.capacity_kg = capacity_kg
        self.checks: deque[Check] = deque(maxlen=512)
        share = settings.zero_drift_share_per_sqrt_s
        self._drift2 = (share * (capacity_kg or 0.0)) ** 2
        """Variance of the drift per second, kg²/s."""
        self.taken = 0
        """Checks taken since this object was made: says whether there is a new one."""
        self._look()

    def _look(self) -> None:
        """Have at hand what the checks say, because it is asked at every frame."""
        self.known = bool(self.checks)
        """True once the pad was seen empty."""
        self.zero_kg = self.checks[-1].zero_kg if self.checks else 0.0
        """The zero checked last, 0.0 while unknown."""
        self.checked_s = self.checks[-1].t_s if self.checks else float("-inf")
        """When that was."""
        self.light_kg = self.settings.empty_share * (self.capacity_kg or 0.0)
        """Less than this is nothing to weigh; 0.0 where the capacity is not known."""

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self.taken = 0
        self._look()

    def is_empty(self, wire_kg: float, resolution_kg: float, t_s: float) -> bool:
        """Can a steady value on the wire be the zero of this pad?

        First within 20 % of capacity and lighter than any car's wheel; later within the zero return of a
        good pad, plus what drift may have added.
        """
        s = self.settings
        if self.capacity_kg is None:
            return False
        capacity_kg = self.capacity_kg
        if not self.known:
            return abs(wire_kg) <= min(s.zero_initial_share * capacity_kg, s.zero_initial_kg)
        drift = 3.0 * math.sqrt(self._drift2 * max(t_s - self.checked_s, 0.0))
        near = max(s.zero_return_share * capacity_kg, 5.0 * resolution_kg) + drift
        if abs(wire_kg - self.zero_kg) > near:
            return False
        track = max(s.zero_track_share * capacity_kg, near)
        return bool(abs(wire_kg - self.checks[0].zero_kg) <= track)

    def takes(
        self, check: Check, stood_s: float, slope_kg_per_s: float, resolution_kg: float, e_kg: float
    ) -> bool:
        """Is this level of an empty pad a zero check: empty, quiet, followed slowly, accurate?

        `stood_s` is how long the level has stood, `slope_kg_per_s` how it moves, `e_kg` the interval that
        rate and accuracy are told in: d, or what noise hides where that is more.
        """
        s = self.settings
        rate = s.zero_track_d_per_s * e_kg
        if stood_s < s.zero_after_s or not self.is_empty(check.zero_kg, resolution_kg, check.t_s):
            return False
        if abs(slope_kg_per_s) > rate > 0:
            return False
        share = s.zero_accuracy_e if self.checks else 1.0  # a first zero, badly known, is better than none
        if check.u_kg**2 > (share * e_kg) ** 2 + resolution_kg**2 / 12.0:
            return False
        if stood_s >= s.zero_set_after_s or not self.checks:
            return True
        last = self.checks[-1]
        return abs(check.zero_kg - last.zero_kg) <= rate * (check.t_s - last.t_s)

    def add(self, check: Check) -> None:
        """Take a check, and learn how fast this pad's zero drifts."""
        if self.checks:
            last = self.checks[-1]
            gone = check.t_s - last.t_s
            if gone <= 0:
                return
            seen = ((check.zero_kg - last.zero_kg) ** 2 - check.u_kg**2 - last.u_kg**2) / gone
            share = min(gone / 600.0, 0.5)
            floor = (self.settings.zero_drift_share_per_sqrt_s * (self.capacity_kg or 0.0)) ** 2
            self._drift2 = max(self._drift2 + (max(seen, 0.0) - self._drift2) * share, floor)
        self.checks.append(check)
        self.taken += 1
        self._look()

    def at(self, t_s: float) -> tuple[float, float]:
        """Return zero and its standard uncertainty (kg) at a time; (0, 0) while unknown."""
        if not self.checks:
            return 0.0, 0.0
        before = after = None
        for check in reversed(self.checks):
            if check.t_s <= t_s:
                before = check
                break
            after = check
        if before is None or after is None:
            one = before or after
            assert one is not None
            return one.zero_kg, float((one.u_kg**2 + self._drift2 * abs(t_s - one.t_s)) ** 0.5)
        span = after.t_s - before.t_s
        w = (t_s - before.t_s) / span
        zero = before.zero_kg + w * (after.zero_kg - before.zero_kg)
        bridge = self._drift2 * span * w * (1.0 - w)
        return zero, float((((1 - w) * before.u_kg) ** 2 + (w * after.u_kg) ** 2 + bridge) ** 0.5)

    def drift_kg_per_h(self) -> float | None:
        """Least-squares drift over the checks kept; None before there are three over a minute."""
        if len(self.checks) < 3 or self.checks[-1].t_s - self.checks[0].t_s < 60.0:
            return None
        return _slope([(c.t_s / HOUR_S, c.zero_kg) for c in self.checks])

    def drift_kg_per_C(self) -> float | None:
        """Least-squares zero per degree; None without temperatures that differ by at least 1 °C."""
        points = [(c.temperature_C, c.zero_kg) for c in self.checks if c.temperature_C is not None]
        if len(points) < 3 or max(p[0] for p in points) - min(p[0] for p in points) < 1.0:
            return None
        return _slope(points)

    def drift_text(self) -> str:
        """How the zero drifts, by the hour and by the degree, as far as the checks tell; else ""."""
        rates = ((self.drift_kg_per_h(), "h"), (self.drift_kg_per_C(), "°C"))
        told = [f"{rate:+.2g} kg/{unit}" for rate, unit in rates if rate is not None]
        return f"zero drifts {', '.join(told)}" if told else ""


def _slope(points: list[tuple[float, float]]) -> float:
    mx = sum(p[0] for p in points) / len(points)
    my = sum(p[1] for p in points) / len(points)
    return sum((x - mx) * (y - my) for x, y in points) / sum((x - mx) ** 2 for x, _ in points)
