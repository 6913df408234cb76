"""A value found: where it stands, how it reads, how it answers; and reading a field in many messages."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import repeat

from drivers.learn.answer import Answer, Series
from drivers.learn.readings import Reading, Source
from drivers.learn.recording import Known
from drivers.learn.shapes import Row, Shape
from drivers.learn.verdict import Verdict, counts, shown, whole
from drivers.numbers import Reader

UNREADABLE = (ValueError, OverflowError, struct.error)


@dataclass(frozen=True, kw_only=True)
class Value:
    """A reading that answers; `sources` are the pads' fields by name ("" for the only one)."""

    sources: dict[str, Source]
    reading: Reading
    address: Source | None
    answer: Answer
    verdict: Verdict
    groups: dict[str, Series]
    unread: int
    places: int
    below: tuple[Known, ...] = ()
    """Known loads below zero, where the number is their magnitude: a sign must stand elsewhere."""

    def reader(self) -> Reader:
        """Reads the field in the units of `answer` and `groups`: without the decimal places found."""
        return replace(self.reading, decimals=None).reader()

    def per_read_kg(self) -> float:
        """Kilograms that one of the number as read, without the decimals found, is."""
        factor = self.verdict.factor_kg()
        pointed = self.places > 0 or self.reading.coding == "float"
        return factor * 10.0 ** (self.verdict.decimals or 0) if pointed else factor

    def masses_kg(self) -> list[float]:
        """All readings in kg, pad by pad."""
        return [v * self.per_read_kg() for _, numbers in self.groups.values() for v in numbers]

    @property
    def source(self) -> Source:
        """Where the value stands that answered first."""
        return next(iter(self.sources.values()))


def series(
    shape: Shape, rows: Sequence[Row], source: Source, reader: Reader, address: Source | None
) -> tuple[dict[str, Series], int, int]:
    """Read a field in rows: series by address, how many rows do not read, and most decimal places sent."""
    groups: dict[bytes, Series] = {}
    unread = places = 0
    read: dict[bytes, float | None] = {}
    factor = shape.factor if shape.units is not None else None
    names = repeat(b"") if address is None else shape.cells(rows, address)
    for row, cell, name in zip(rows, shape.cells(rows, source), names, strict=False):
        if cell not in read:
            try:
                number, sent = reader(cell)
                read[cell], places = number / 10**sent, max(places, sent)
            except UNREADABLE:
                read[cell] = None
        value = read[cell]
        if value is None:
            unread += 1
            continue
        if name not in groups:
            groups[name] = ([], [])
        times, values = groups[name]
        times.append(row.t_s)
        values.append(value if factor is None else value * factor(row))
    return {name.decode("latin-1"): numbers for name, numbers in groups.items()}, unread, places


def number_in(reader: Reader, cell: bytes) -> float:
    """Read a cell; 0 when it does not read."""
    try:
        return reader(cell)[0]
    except UNREADABLE:
        return 0


def number_of(shape: Shape, row: Row, source: Source, reader: Reader) -> float:
    """Read a field of a row, in the commonest unit; raises one of UNREADABLE."""
    digits, places = reader(shape.get(row, source))
    return float(digits / 10**places * shape.factor(row))


def last_place(reading: Reading, places: int) -> float | None:
    """One unit in the last place that a reading sends, None for floats."""
    return None if reading.coding == "float" else 10.0**-places


def judge(found: Answer, knowns: Sequence[Known], reading: Reading, places: int, word: str) -> Verdict | str:
    """Find unit and decimals of a reading."""
    if places or reading.coding == "float":
        return shown(found, word)
    digits = reading.coding in ("text", "bcd")
    verdict = whole(found, knowns, word, digits=digits)
    if isinstance(verdict, str) and verdict.endswith("no unit") and not word and not reading.mask:
        return counts(found, knowns)
    return verdict


def settled(reading: Reading, verdict: Verdict, places: int) -> Reading:
    """The reading with the decimals and scale found."""
    if places or reading.coding == "float":
        return reading
    return replace(reading, decimals=verdict.decimals or 0, scale=verdict.scale)
