"""Names of units in messages: beside the value, or in a field of their own that changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

from drivers.learn.readings import Source
from drivers.learn.shapes import Row, Shape, Units
from drivers.learn.verdict import UNIT_WORDS
from drivers.wire import KG_PER

NAMED = 0.97
"""Share of rows in which a field must hold a unit's name; the others may be damaged."""
ASKED = 16
"""Rows looked at for a unit's name: what stands in fewer than half of them is none."""
LEAST = 4
"""Rows in which each unit must have come."""


def with_units(shape: Shape) -> Shape:
    """The same shape, its numbers told in one unit where a field names several."""
    for source in _places(shape):
        counted = Counter(shape.column(source))
        words = {
            cell: UNIT_WORDS[word]
            for cell, count in counted.items()
            if count >= LEAST and (word := cell.decode("latin-1").strip().lower()) in UNIT_WORDS
        }
        if len(set(words.values())) > 1 and sum(counted[cell] for cell in words) > NAMED * len(shape.rows):
            base = words[max(words, key=counted.__getitem__)]
            factors = {cell: float(KG_PER[unit] / KG_PER[base]) for cell, unit in words.items()}
            units = Units(source=source, words=words, factors=factors, base=base)
            return replace(shape, units=units, rows=[r for r in shape.rows if shape.get(r, source) in words])
    return shape


def _places(shape: Shape) -> Iterator[Source]:
    """Cells, or two or three bytes of letters."""
    if shape.size is None:
        yield from shape.sources()
        return
    probe = shape.rows[:: max(len(shape.rows) // 16, 1)]
    for size in (3, 2):
        for at in range(shape.body[0], shape.size - shape.body[1] - size + 1):
            if sum(_word(row.message, at, size) for row in probe) > 0.8 * len(probe):
                yield at, size


def _word(message: bytes, at: int, size: int) -> bool:
    """Tell whether letters stand at a place that are no part of a longer word."""
    return message[at : at + size].strip().isalpha() and not message[at - 1 : at + 1].isalpha()


def unit_word(shape: Shape, source: Source) -> str:
    """The unit named right behind a value, or anywhere as a word of its own; "" when none is."""
    if shape.units is not None:
        return shape.units.base
    rows = shape.rows[:: max(len(shape.rows) // ASKED, 1)]
    words = Counter(word for row in rows for word in set(_words_behind(shape, row, source)))
    found = {UNIT_WORDS[word] for word, n in words.items() if word in UNIT_WORDS and 2 * n > len(rows)}
    return found.pop() if len(found) == 1 else ""


def _words_behind(shape: Shape, row: Row, source: Source) -> list[str]:
    if isinstance(source, tuple):
        after = row.message[source[0] + source[1] :][:8].decode("latin-1")
        text = "".join(c if c.isalpha() else " " for c in after).split()
        near = text[:1] if after.strip(" ,;\t")[:1].isalpha() else []
        return [near[0].lower()] if near and (len(near[0]) > 1 or near[0] in ("g", "t", "N")) else []
    if shape.kind == "pattern":
        cells = row.cells[source + 1 : source + 3]
        words = [cell.split()[0].decode("latin-1") for cell in cells if cell[:1].isalpha()][:1]
        return [word.lower() for word in words if len(word) > 1 or word in ("g", "t", "N")]
    every = [cell.decode("latin-1").strip() for cell in row.cells]
    return [cell.lower() for cell in every if cell.lower() in UNIT_WORDS]
