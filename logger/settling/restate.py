"""Readings told again when a later zero check tells more: the same record, its next revision.

A reading between two checks is corrected on the straight line between them, which is known only once the
second has come. What lies before the last check of every pad involved is final.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Protocol

from msgspec.structs import replace

from logger.model import CarRest, Rest
from logger.settling.zero import ZeroKeeper

KEPT = 512
"""Rests remembered between two zero checks: a day of weighing; older ones stay as they were told."""
TINY_KG = 1e-9
"""A zero that moved by less is the same."""

Zeros = tuple[tuple[float, float], ...]
"""Zero and its standard uncertainty (kg) of every pad."""


class Zeroed(Protocol):
    """A pad, as far as its zero goes."""

    zero: ZeroKeeper
    origin_ns: int | None


def zero_at(pad: Zeroed, t_ns: int) -> tuple[float, float]:
    """A pad's zero and its standard uncertainty (kg) at a monotonic time."""
    return pad.zero.at((t_ns - (pad.origin_ns or 0)) * 1e-9)


class PadRests:
    """One pad's rests since its last zero check."""

    def __init__(self, pad: Zeroed) -> None:
        self.pad = pad
        self._kept: deque[Rest] = deque(maxlen=KEPT)

    def keep(self, rest: Rest) -> None:
        """Remember the latest revision of a rest."""
        if self.pad.zero.capacity_kg is None:
            return
        if self._kept and self._kept[-1].t_from_mono_ns == rest.t_from_mono_ns:
            self._kept.pop()
        self._kept.append(rest)

    def again(self) -> list[Rest]:
        """A zero check has come: the closed rests before it whose zero is now another one."""
        out = []
        for rest in self._kept:
            zero, u_zero = zero_at(self.pad, (rest.t_from_mono_ns + rest.t_to_mono_ns) // 2)
            same = abs(zero - rest.zero_kg) < TINY_KG and abs(u_zero - rest.u_zero_kg) < TINY_KG
            if not rest.open and not same:
                out.append(_pad_rest(rest, zero, u_zero))
        self._kept.clear()
        return out


def _pad_rest(rest: Rest, zero_kg: float, u_zero_kg: float) -> Rest:
    own = max(rest.u_kg**2 - rest.u_zero_kg**2, 0.0)
    return replace(
        rest,
        mass_kg=rest.mass_kg + rest.zero_kg - zero_kg,
        u_kg=(own + u_zero_kg**2) ** 0.5,
        zero_kg=zero_kg,
        u_zero_kg=u_zero_kg,
        revision=rest.revision + 1,
    )


class CarRests:
    """The whole car's rests since the last zero check of any of its pads."""

    def __init__(self, pads: Sequence[Zeroed]) -> None:
        self.pads = pads
        self._kept: deque[tuple[CarRest, Zeros, Zeros]] = deque(maxlen=KEPT)
        """Each with the zeros taken off in it, and as they were when last looked at; () before that."""
        self._last = [float("-inf")] * len(pads)

    def keep(self, rest: CarRest, zeros: Sequence[tuple[float, float]]) -> None:
        """Remember the latest revision of a rest, and the zeros taken off in it."""
        if self._kept and self._kept[-1][0].t_from_mono_ns == rest.t_from_mono_ns:
            self._kept.pop()
        self._kept.append((rest, tuple(zeros), ()))

    def again(self) -> list[CarRest]:
        """The closed rests whose zeros are others now; [] while no pad has had a new check."""
        last = [pad.zero.checked_s for pad in self.pads]
        if last == self._last:
            return []
        checked = [n for n in range(len(last)) if last[n] != self._last[n]]
        self._last = last
        out = []
        for k, (rest, zeros, seen) in enumerate(self._kept):
            middle = (rest.t_from_mono_ns + rest.t_to_mono_ns) // 2
            looked = list(seen or zeros)
            for n in checked if seen else range(len(last)):
                looked[n] = zero_at(self.pads[n], middle)
            now = tuple(looked)
            self._kept[k] = rest, zeros, now
            if not rest.open and _differ(zeros, now):
                told = _car_rest(rest, zeros, now)
                self._kept[k] = told, now, now
                out.append(told)
        self._forget()
        return out

    def _forget(self) -> None:
        """Let go of what lies before the last check of every pad."""
        while self._kept and all(self._is_past(pad, self._kept[0][0]) for pad in self.pads):
            self._kept.popleft()

    def _is_past(self, pad: Zeroed, rest: CarRest) -> bool:
        end_s = (rest.t_to_mono_ns - (pad.origin_ns or 0)) * 1e-9
        return bool(pad.zero.checks) and end_s < pad.zero.checks[-1].t_s and not rest.open


def _differ(a: Zeros, b: Zeros) -> bool:
    both = zip(a, b, strict=True)
    return a != b and any(abs(x[0] - y[0]) >= TINY_KG or abs(x[1] - y[1]) >= TINY_KG for x, y in both)


def _car_rest(rest: CarRest, old: Zeros, new: Zeros) -> CarRest:
    width = len(rest.pads)
    covariance = list(rest.covariance_kg2)
    more = [b * b - a * a for (_, a), (_, b) in zip(old, new, strict=True)]
    for k in range(width):
        covariance[k * width + k] = max(covariance[k * width + k] + more[k], 0.0)
    shift = [a - b for (a, _), (b, _) in zip(old, new, strict=True)]
    return replace(
        rest,
        mass_kg=rest.mass_kg + sum(shift),
        u_kg=max(rest.u_kg**2 + sum(more), 0.0) ** 0.5,
        loads_kg=tuple(x + s for x, s in zip(rest.loads_kg, shift, strict=True)),
        covariance_kg2=tuple(covariance),
        revision=rest.revision + 1,
    )
