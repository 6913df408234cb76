"""How old and how sure the pads' zeros are, told from the records: when to ask for empty pads."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from logger.clock import NS
from logger.model import CarRest, CornerLoad, Record, Rest, ZeroCheck

OLD_S = 300.0
"""Younger zeros are not spoken of: a placement takes a few minutes."""
MATTERS = 0.5
"""Zeros matter from this share of a total's variance on: from there they are what makes it doubtful."""


class Zeros:
    """Follows the checks of some pads, and the part of each reading's uncertainty that is the zero's."""

    def __init__(self, pads: Collection[str]) -> None:
        self._pads = pads
        self._checked_ns: dict[str, int] = {}
        self._u_kg: dict[str, float] = {}

    def take(self, record: Record) -> None:
        """Take a zero check, or the rest of a pad with its zero; all else is passed over."""
        if isinstance(record, ZeroCheck):
            self._checked_ns[record.pad] = record.t_mono_ns
        elif isinstance(record, Rest):
            self._u_kg[record.pad] = record.u_zero_kg

    def part_of(self, loads: Sequence[CornerLoad]) -> tuple[float, ...]:
        """The zeros' part of each load's u (kg); none of a pad whose zero was not told."""
        return tuple(self._u_kg.get(load.pad, 0.0) for load in loads)

    def doubtful(self, rest: CarRest) -> tuple[float, float] | None:
        """Age (s) of the oldest zero and u (kg) of all together, if they matter in this rest; else None."""
        if any(pad not in self._checked_ns or pad not in self._u_kg for pad in self._pads):
            return None
        age_s = (rest.t_to_mono_ns - min(self._checked_ns[pad] for pad in self._pads)) / NS
        variance = sum(self._u_kg[pad] ** 2 for pad in self._pads)
        if age_s < OLD_S or variance < MATTERS * rest.u_kg**2:
            return None
        return float(age_s), float(variance**0.5)
