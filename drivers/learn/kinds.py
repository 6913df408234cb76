"""Messages of another kind among those of one: they read like nothing around them, and a code tells them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from drivers.learn.pads import told
from drivers.learn.readings import Source, overlap
from drivers.learn.roles import Role
from drivers.learn.shapes import Shape
from drivers.learn.value import UNREADABLE, Value, number_of


def of_one_kind(shape: Shape, value: Value, counting: Sequence[Role]) -> tuple[Shape, list[str]]:
    """Leave out messages that read like none before and after, where a code tells them apart."""
    notes: list[str] = []
    odd, seen = _odd_rows(shape, value)
    taken = [*value.sources.values(), *(role.source for role in counting)]
    for source in shape.sources():
        if source == value.address or any(overlap(source, span) for span in taken):
            continue
        counted = Counter(shape.column(source))
        if len(counted) > 16:
            continue
        outlying = Counter(shape.get(row, source) for row, out in zip(shape.rows, odd, strict=True) if out)
        shown = Counter(shape.get(row, source) for row, shows in zip(shape.rows, seen, strict=True) if shows)
        foreign = {
            c for c, n in outlying.items() if n > 0.6 * shown[c] and counted[c] < 0.35 * len(shape.rows)
        }
        kept = [
            not out or shape.get(row, source) not in foreign for row, out in zip(shape.rows, odd, strict=True)
        ]
        if foreign and sum(out and keep for out, keep in zip(odd, kept, strict=True)) <= 0.3 * sum(odd):
            left = [row for row in shape.rows if shape.get(row, source) not in foreign]
            notes.append(
                f"{len(shape.rows) - len(left)} messages of another kind are refused: {told(shape, source)}"
            )
            return shape.only(left), notes
    return shape, notes


def _odd_rows(shape: Shape, value: Value) -> tuple[list[bool], list[bool]]:
    """Rows with a number outside of what its pad shows before and after, and where that would show.

    Where an empty pad shows nothing, bytes of something else that read as nothing do not.
    """
    read = value.reader()
    tolerance = max(0.08 * value.answer.reach, 6 * value.answer.step)
    pads: dict[tuple[Source, bytes], list[tuple[int, float]]] = {}
    odd, seen = [False] * len(shape.rows), [False] * len(shape.rows)
    for n, row in enumerate(shape.rows):
        name = b"" if value.address is None else shape.get(row, value.address)
        for source in value.sources.values():
            try:
                pads.setdefault((source, name), []).append((n, number_of(shape, row, source, read)))
            except UNREADABLE:
                odd[n] = seen[n] = True
    for numbers in pads.values():
        for (_, before), (n, now), (_, after) in zip(numbers, numbers[1:], numbers[2:], strict=False):
            out = not min(before, after) - tolerance <= now <= max(before, after) + tolerance
            odd[n] |= out
            seen[n] |= out or min(abs(before), abs(after)) > tolerance
    return odd, seen
