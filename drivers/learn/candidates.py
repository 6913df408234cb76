"""Where a value may stand and how it may be written: all that a shape's bytes allow, before any is judged."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from drivers.learn import readings
from drivers.learn.readings import Reading, Source
from drivers.learn.shapes import Shape

NUMERIC = frozenset(b"0123456789 +-.,")
DIGITS = frozenset(b"0123456789")
POINT = frozenset(b".")
EXPONENT, SIGNS = frozenset(b"Ee"), frozenset(b"+-")
HEX = frozenset(b"0123456789ABCDEFabcdef")
SEVERAL = 5
"""Different digits that damage alone does not make of one place."""
FEW_DIGITS, MOST_DECIMALS = 2, 4
"""Values of a single digit behind a comma that may be a code's, and digits that decimals have at most."""
PRINTABLE = frozenset(range(32, 127))


def candidates(shape: Shape, skip: set[Source], answering: set[int]) -> Iterator[tuple[Source, Reading]]:
    """Yield places and ways to read them.

    `skip` are places known to be something else; of those `answering` one at least is in each.
    """
    if shape.size is None:
        for cell in sorted(answering):
            if cell not in skip and not _goes_on(shape, cell):
                for reading in (*readings.TEXTS, *readings.hexadecimal()):
                    yield cell, reading
        return
    open_to = {at for at, _ in shape.sources() if (at, 1) not in skip}  # type: ignore[misc]  # by position
    open_to &= shape.covered()
    columns = {at: common(shape.column((at, 1)), checked=shape.check is not None) for at in open_to}
    yield from _text_spans(columns, answering)
    varying = {at for at, seen in columns.items() if len(seen) > 1} & answering
    yield from _hex_spans(columns, varying)
    if all(seen <= PRINTABLE for seen in columns.values()):
        return
    for size in (4, 2, 3, 8):
        for at in sorted(open_to):
            span = range(at, at + size)
            inside = open_to.issuperset(span) and not varying.isdisjoint(span)
            if inside and not all(columns[n] <= PRINTABLE for n in span):  # text is no binary number
                for reading in _binary(size):
                    yield (at, size), reading


def _goes_on(shape: Shape, cell: int) -> bool:
    """Tell whether a point and more digits follow a cell: 71 of 71.5, where text is taken apart there."""
    row = shape.rows[0]
    point, digits = (*row.cells[cell + 1 : cell + 3], b"", b"")[:2]
    glued = shape.kind == "pattern" and not any(row.gaps[cell + 1 : cell + 3])
    if not glued or not digits.strip(b"+-").isdigit() or not row.cells[cell][-1:].isdigit():
        return False
    return point == b"." or (point == b"," and _decimals(shape.column(cell + 2)))


def _decimals(column: list[bytes]) -> bool:
    """Tell whether digits behind a comma run through as decimals do, and are no code between commas."""
    column = [cell.strip(b"+-") for cell in column]
    seen, sizes = {cell for cell, n in Counter(column).items() if n > 1}, Counter(map(len, column))
    size, count = sizes.most_common(1)[0]
    many = len(seen) > 1 if size > 1 else len(seen) > FEW_DIGITS or seen == {b"0", b"5"}
    return count > 0.98 * len(column) and size <= MOST_DECIMALS and many


def common(column: list[bytes], *, checked: bool) -> set[int]:
    """The bytes that stand in a column of single bytes, less those so rare that they may be damage."""
    counted = Counter(column)
    least = 0 if checked else 1 + len(column) // 250
    kept = {cell[0] for cell, count in counted.items() if count > least}
    digits = {cell[0] for cell in counted} & DIGITS
    if len(digits) >= SEVERAL and kept <= NUMERIC:
        return kept | digits  # a load that went by quickly shows most digits once only
    return kept or {counted.most_common(1)[0][0][0]}


def _binary(size: int) -> Iterator[Reading]:
    if size != 8:
        yield from readings.integers(size)
        yield from readings.decimals_packed()
    if size != 3:
        yield from readings.floats(size)
    if size in (2, 3):
        yield from readings.masked(size)


def _runs(columns: dict[int, set[int]], allowed: frozenset[int]) -> Iterator[tuple[int, int]]:
    """Maximal runs of places where only allowed bytes stand (but for a little damage)."""
    begin = None
    for at in range(max(columns, default=0) + 2):
        good = at in columns and columns[at] <= allowed
        if good and begin is None:
            begin = at
        elif not good and begin is not None:
            yield begin, at
            begin = None


def _text_spans(columns: dict[int, set[int]], answering: set[int]) -> Iterator[tuple[Source, Reading]]:
    for begin, end in _runs(columns, NUMERIC):
        for at in range(begin, end):
            for stop in range(at + 1, min(end, at + 14) + 1):
                if answering.isdisjoint(range(at, stop)) or _cut_off(columns, at, stop):
                    continue
                turned_off = 0x20 in columns.get(stop, ()) and _leads(columns.get(stop))  # the 1 of "581"
                for reading in readings.TEXTS:
                    if reading.backwards and turned_off:
                        continue
                    if _ends_well(columns, at, stop, backwards=reading.backwards):
                        yield (at, stop - at), reading


def _ends_well(columns: dict[int, set[int]], at: int, stop: int, *, backwards: bool) -> bool:
    """A span ends with a digit or sign, begins with no separator, holds something that varies."""
    last, first = (columns[at], columns[stop - 1]) if backwards else (columns[stop - 1], columns[at])
    digits = last & DIGITS
    odd = digits and len(last) == 2 and not last & {0x20, 0x2B, 0x2D} and last not in ({0x30, 0x35},)
    constant = len(last) == 1 and digits and last != {0x30}
    if last <= {0x20, 0x2E, 0x2C} or first <= {0x2C, 0x2E} or odd or constant:
        return False
    return any(len(columns[n]) > 1 for n in range(at, stop))


def _cut_off(columns: dict[int, set[int]], at: int, stop: int) -> bool:
    """Tell whether digits that vary go on before or behind a span: then it is part of a number."""
    leading = _leads(columns.get(at - 1))  # "185" after " 85"
    behind = columns.get(stop, set())
    pointed = any(columns[n] == POINT for n in range(at, stop)) and bool(behind) and behind <= DIGITS
    pointed |= behind == POINT and columns.get(stop + 1, POINT) <= DIGITS  # the 71 of 71.5
    pointed |= columns.get(at - 1, set()) == POINT and columns.get(at - 2, POINT) <= DIGITS  # the 5 of it
    power = behind <= EXPONENT and bool(behind) and columns.get(stop + 1, POINT) <= SIGNS
    return leading or pointed or power or _digit_column(behind) or _digit_column(columns.get(at - 1))


def _leads(column: set[int] | None) -> bool:
    """Tell whether a place holds a digit at times, and a blank or a sign at others."""
    seen = column or set()
    return bool(seen & DIGITS) and bool(seen & {0x20, 0x2B, 0x2D}) and seen <= NUMERIC


def _digit_column(column: set[int] | None) -> bool:
    return column is not None and len(column - {0x20}) > 2 and column <= DIGITS | {0x20, 0x2B, 0x2D}


def _hex_spans(columns: dict[int, set[int]], varying: set[int]) -> Iterator[tuple[Source, Reading]]:
    for begin, end in _runs(columns, HEX):
        for size in (8, 6, 4, 5, 7, 3):
            for at in range(begin, end - size + 1):
                if not varying.isdisjoint(range(at, at + size)):
                    for reading in readings.hexadecimal():
                        yield (at, size), reading
