"""Which of several readings is the likeliest: what explains most, then the plainest, then the longest."""

from __future__ import annotations

from drivers.learn.answer import travel
from drivers.learn.readings import Source
from drivers.learn.shapes import Shape
from drivers.learn.value import Value
from drivers.wire import COUNTS

FORM_RANK = {"": 5, "unsigned": 5, "ones": 4, "twos": 3, "magnitude": 2, "offset": 1}
"""Plainer sign forms first; ones' complement before twos', for it is kept only where it was seen."""


def rank(shape: Shape, value: Value) -> tuple[float, ...]:
    """Order readings that answer: what explains most, then the plainest, then what covers most."""
    found, reading = value.answer, value.reading
    empty = abs(found.empty) / found.reach
    plain = {"text": 3, "bcd": 3, "float": 3, "hex": 1, "binary": 2}[reading.coding] + (value.places > 0)
    counted = value.verdict.unit == COUNTS
    simple = (
        -int(reading.backwards) - bool(reading.ignore) - int(reading.point == ",") - 2 * bool(reading.mask)
    )
    smooth = sum(travel(values) for _, values in value.groups.values()) / found.reach
    varying, size, constant = _cover(shape, value.source)
    longer = size if reading.coding in ("text", "hex") else -constant
    return (
        -int(counted),
        round(found.share, 2),
        round(found.within, 2),
        2 - (empty > 0.02) - (empty > 0.2),
        plain,
        simple,
        reading.mask.bit_count(),
        varying,
        longer,
        round(found.within, 4),
        FORM_RANK.get(reading.form, 0),
        -round(smooth, 1),
    )


def _cover(shape: Shape, source: Source) -> tuple[int, int, int]:
    if isinstance(source, int):
        return 1, 1, 0
    rows = shape.rows[:: max(len(shape.rows) // 200, 1)]
    columns = [len({row.message[n] for row in rows}) for n in range(source[0], source[0] + source[1])]
    varying = sum(seen > 1 for seen in columns)
    return varying, source[1], source[1] - varying
