"""Some rows that tell at once what is not worth reading in all of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from drivers.learn.readings import Source
from drivers.learn.recording import Known
from drivers.learn.shapes import Row, Shape
from drivers.learn.value import UNREADABLE
from drivers.numbers import Reader

PROBE, PROBE_ALL, PROBE_LEAST = 24, 360, 12
"""Rows looked at first, of each known load (and pad) and of the rest; where there are many, fewer of each."""
FEW = 3
"""Rows of each pad at each known load that tell at once whether a reading rises with the load."""
SHAKEN = 0.1
"""Share of the rise by which two of them may differ: those of a value differ by far less."""


def probe(shape: Shape, knowns: Sequence[Known], address: Source | None) -> list[Row]:
    """Some rows of every known load, and of the rest; of every pad where there is an address."""
    sets: dict[tuple[int, bytes], list[Row]] = {}
    for row in shape.rows:
        name = b"" if address is None else shape.get(row, address)
        held = [number for number, known in enumerate(knowns) if known.holds(row.t_s)]
        for number in held or [-1]:
            sets.setdefault((number, name), []).append(row)
    each = max(min(PROBE, PROBE_ALL // max(len(sets), 1)), PROBE_LEAST)
    chosen = {id(row): row for members in sets.values() for row in members[:: max(len(members) // each, 1)]}
    return sorted(chosen.values(), key=lambda row: row.t_s)


def with_common_addresses(shape: Shape, address: Source) -> Shape:
    """Leave out rows whose address hardly ever comes: it is damaged."""
    counted = Counter(shape.column(address))
    least = 0.012 * len(shape.rows)
    return shape.only([row for row in shape.rows if counted[shape.get(row, address)] > least])


def few_rows(shape: Shape, knowns: Sequence[Known], address: Source) -> list[list[list[Row]]]:
    """For each pad a few rows at each known load, the loads from small to large."""
    pads: dict[bytes, list[list[Row]]] = {}
    order = sorted(knowns, key=lambda known: known.mass_kg)
    for row in shape.rows:
        sets = pads.setdefault(shape.get(row, address), [[] for _ in order])
        for rows, known in zip(sets, order, strict=True):
            if known.holds(row.t_s):
                rows.append(row)
    return [[_inner(rows) for rows in sets] for sets in pads.values() if all(sets)]


def _inner(rows: list[Row]) -> list[Row]:
    """Rows from the middle of an interval, where the load surely stands."""
    return rows[len(rows) // 3 :: max(len(rows) // (2 * FEW), 1)][:FEW]


def rises(shape: Shape, pads: list[list[list[Row]]], source: Source, reader: Reader) -> bool:
    """Tell whether pads together show more at the largest load than at the smallest, each still there."""
    total, most, shaken = 0.0, 0.0, 0.0
    try:
        for sets in pads:
            low, high = (sorted(reader(shape.get(row, source))[0] for row in sets[n]) for n in (0, -1))
            rise = high[len(high) // 2] - low[len(low) // 2]
            total += rise
            most = max(most, abs(rise))
            shaken = max(shaken, _shaken(low), _shaken(high))
    except UNREADABLE:
        return True  # damage; the whole of it will tell
    return total > 0 and most < 2 * total and shaken < SHAKEN * total


def _shaken(numbers: list[int | float]) -> float:
    """How far the nearest neighbour of the middle one lies: one of three may be damaged."""
    return min((b - a for a, b in pairwise(numbers)), default=0.0)
