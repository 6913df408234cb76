"""What repeated rests of one load say: how far the whole comes back, and how far single pads do.

A sticking suspension moves load between pads along one pattern (two pads gain what two lose) and leaves the
total alone; what is left after that pattern is the pads' own. So the rests of four pads give three variances.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from logger.drawing.numbers import Floats
from logger.model import CarRest, Rock

PATTERNS: tuple[tuple[int, int, int, int], ...] = ((1, -1, -1, 1), (1, -1, 1, -1), (1, 1, -1, -1))
"""Ways in which two of four pads gain what the two others lose."""
LEAST_RESTS = 3
"""Rests of one load below which nothing is said."""
SAME_SIGMA, SAME_SHARE = 4.0, 0.001
"""Totals this near (in their joint u, or as a share) are one load put back: rocked, or rolled off and on."""
ROCKED_SHARE = 0.01
"""And this near where the car was rocked in between: the load was the same, whatever a pad says."""


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Rests of one load, repeated: standard deviations in kg between rests.

    `pattern` are the two pads that gain together, `shared_kg` the standard deviation of a pad along it,
    `own_kg` what remains per pad in the order of `pads`, `own_range_kg` the same, largest less least.
    """

    pads: tuple[str, ...]
    rests: int
    mean_kg: float
    total_kg: float
    pads_kg: tuple[float, ...]
    pattern: tuple[str, str]
    shared_kg: float
    own_kg: tuple[float, ...]
    own_range_kg: tuple[float, ...]

    @property
    def sentence(self) -> str:
        """What it means, in words."""
        worst = max(self.pads_kg)
        share = self.shared_kg**2 / (self.shared_kg**2 + float(np.mean(np.square(self.own_kg))) + 1e-30)
        with_words = " and ".join(self.pattern)
        if share > 0.8 and self.total_kg < worst:
            return (
                f"Over {self.rests} rests of one load the pads' scatter is {100 * share:.0f} % one pattern, "
                f"{with_words} against the others: the suspension sticks, the pads do not."
            )
        return (
            f"Over {self.rests} rests of one load {100 * share:.0f} % of the pads' scatter is one pattern, "
            f"{with_words} against the others; the rest is the pads' own."
        )


def repeats(rests: Iterable[CarRest], rocks: Sequence[Rock] = ()) -> Repeats | None:
    """Study the largest group of successive rests of one load on four pads; None without LEAST_RESTS.

    Rests between which the car was rocked are of one load even where a pad does not come back.
    """
    groups: list[list[CarRest]] = []
    for rest in sorted((r for r in rests if len(r.pads) == 4), key=lambda r: r.t_from_mono_ns):
        if groups and _same(groups[-1][-1], rest, rocks):
            groups[-1].append(rest)
        else:
            groups.append([rest])
    best = max(groups, key=lambda g: (len(g), g[0].mass_kg), default=[])
    return _study(best) if len(best) >= LEAST_RESTS else None


def _same(a: CarRest, b: CarRest, rocks: Sequence[Rock]) -> bool:
    rocked = any(a.t_to_mono_ns <= rock.t_to_mono_ns <= b.t_declared_mono_ns for rock in rocks)
    share = ROCKED_SHARE if rocked else SAME_SHARE
    near = SAME_SIGMA * (a.u_kg**2 + b.u_kg**2) ** 0.5 + share * abs(a.mass_kg)
    return a.pads == b.pads and abs(a.mass_kg - b.mass_kg) <= near


def _study(rests: Sequence[CarRest]) -> Repeats:
    loads: Floats = np.array([r.loads_kg for r in rests], np.float64)
    away = loads - loads.mean(axis=0)
    signs = max(PATTERNS, key=lambda p: float(np.sum((away @ np.array(p)) ** 2)))
    unit = np.array(signs) / 2.0
    along = away @ unit
    left = away - np.outer(along, unit)
    n, pads = len(rests), rests[0].pads
    seen, own = (left**2).sum(axis=0) / (n - 1), _own(left, unit) / (n - 1)
    share = np.sqrt(own / np.maximum(seen, 1e-30))
    return Repeats(
        pads=pads,
        rests=n,
        mean_kg=float(loads.sum(axis=1).mean()),
        total_kg=float(np.std(loads.sum(axis=1), ddof=1)),
        pads_kg=_tuple(np.std(loads, axis=0, ddof=1)),
        pattern=(pads[0], pads[signs.index(1, 1)]),
        shared_kg=float(np.sqrt(along @ along / (n - 1)) / 2),
        own_kg=_tuple(np.sqrt(own)),
        own_range_kg=_tuple(np.ptp(left, axis=0) * share),
    )


def _own(left: Floats, unit: Floats) -> Floats:
    """Sum of squares that each pad adds of its own to what the pattern leaves.

    What is taken off as the pattern takes a quarter of a pad's own scatter along, and puts it on the three
    others: left = (1 − uuᵀ)·own, so its squares are own's times the squares of that matrix.
    """
    matrix = (np.eye(len(unit)) - np.outer(unit, unit)) ** 2
    return np.maximum(np.linalg.solve(matrix, (left**2).sum(axis=0)), 0.0)


def _tuple(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
