"""Other pads' fields in the message of one that answered: written alike, at even distances."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from statistics import median

from drivers.learn.against import FEW_LOWEST, sign_seen, size_of
from drivers.learn.answer import step_of
from drivers.learn.pads import NEAR_ZERO, STEPS_OFF, UNSEEN_SIGN, pad_names, told
from drivers.learn.readings import Source, overlap
from drivers.learn.shapes import Shape
from drivers.learn.signs import kept_cells
from drivers.learn.value import UNREADABLE, Value, last_place, series
from drivers.learn.values import WITHIN
from drivers.learn.verdict import UNIT_WORDS
from drivers.wire import COUNTS

NEARLY = 0.05
"""How far from a multiple of the step, in steps, a float may be."""
WIDE, WAVERS = 3, (0.05, 0.9)
"""Bytes of a number that is no code, values that it takes at least, and share of rows in which it changes."""
FEW_NUMBERS, FEW_STEPS = 3, 5
"""Numbers of a pad that was never loaded: if so few came, how many steps one is from the next at most."""
NEIGHBOURS = 9
"""Cells looked at to either side of a number to see how it is named."""
NO_PADS = frozenset((b"net", b"nett", b"tare", b"sum", b"set", b"max", b"min", b"peak", b"gross", b"total"))
"""Names of numbers that are no other pad's."""
SAME = 0.9
"""Share of a pad's cells that must have their point where the value has it."""


def siblings(shape: Shape, value: Value) -> tuple[Value, list[str]]:
    """Find other pads' fields in the same message: written alike, near zero when the first is loaded."""
    if value.verdict.unit == COUNTS:
        return value, []
    best, silent = _siblings(shape, value)
    if (trimmed := _without_blank(shape, value)) is not None:
        other, still = _siblings(shape, trimmed)
        if len(other.sources) > len(best.sources):
            best, silent = other, still
    if value.reading.form == "unsigned" and value.reading.coding in ("binary", "hex"):
        for form in UNSEEN_SIGN:  # another pad may have been below zero where the first was not
            other, still = _siblings(shape, replace(value, reading=replace(value.reading, form=form)))
            if len(other.sources) > len(best.sources) and other.groups[next(iter(other.sources))][1]:
                best, silent = other, still
    notes = [f"{told(shape, source)} is written like the value and stayed 0" for source in silent]
    return best, notes + (_upper_halves(best) or _passed_over(shape, best))


def _upper_halves(value: Value) -> list[str]:
    """Say which of two pads side by side shows nothing but the sign of the other: numbers are longer."""
    for (one, a), (other, b) in pairwise(value.groups.items()):
        for upper, lower in ((a[1], b[1]), (b[1], a[1])):
            same = sum(above == -(below < 0) for above, below in zip(upper, lower, strict=False))
            if min(upper, default=0) < 0 and same > WITHIN * len(upper):
                return [
                    f"undecided: of {one} and {other} one shows nothing but the other's sign; numbers may be "
                    "longer. To decide, record again and load each pad in turn"
                ]
    return []


def _passed_over(shape: Shape, value: Value) -> list[str]:
    """Say which place between pads wavers near zero as they do, and was not taken for one."""
    taken = list(value.sources.values())
    if len(taken) < 2:
        return []
    if not isinstance(taken[0], tuple):
        return _before_or_behind(shape, value)
    starts = sorted(source[0] for source in taken if isinstance(source, tuple))
    step, size, read = min(b - a for a, b in pairwise(starts)), taken[0][1], value.reader()
    far = 2 * STEPS_OFF * value.answer.step
    for part in (2, 3):
        if step % part or step // part < size:
            continue
        between: list[Source] = [(starts[0] + n * step // part, size) for n in range(1, part)]
        for place in between if set(between) <= set(_places(shape, value)) else ():
            got, unread, _ = series(shape, shape.rows, place, read, None)
            numbers = got[""][1] if got and not unread else []
            changed = sum(a != b for a, b in pairwise(numbers)) > WAVERS[0] * len(numbers)
            if numbers and changed and max(map(abs, numbers)) <= far:
                return [
                    f"undecided: {told(shape, place)} lies between two pads and may be one. To decide, "
                    "record again and load each pad in turn"
                ]
    return []


def _before_or_behind(shape: Shape, value: Value) -> list[str]:
    """Say which cell at the distance of numbered pads may be one more: others would get other numbers."""
    cells = sorted(cell for cell in value.sources.values() if isinstance(cell, int))
    step = cells[1] - cells[0]
    numbered = list(value.sources) == [str(n + 1) for n in range(len(cells))]
    even = all(b - a == step for a, b in pairwise(cells))
    if not (numbered and even and value.places):
        return []
    one = replace(value, sources={"": cells[0]}, groups={"": next(iter(value.groups.values()))})
    _, silent, small = _kinds(shape, one)
    for cell in (cells[0] - step, cells[-1] + step):
        if cell in silent or cell in small:
            return [
                f"undecided: {told(shape, cell)} is written like the pads beside it and may be one, and all "
                "would have other numbers. To decide, record again and load each pad in turn"
            ]
    return []


def _without_blank(shape: Shape, value: Value) -> Value | None:
    """The same without a blank that always leads: it may stand between two pads' numbers."""
    source = value.source
    if not isinstance(source, tuple) or value.reading.coding != "text" or len(value.sources) > 1:
        return None
    if source[1] < 3 or set(shape.column((source[0], 1))) != {b" "}:
        return None
    return replace(value, sources={"": (source[0] + 1, source[1] - 1)})


def _siblings(shape: Shape, value: Value) -> tuple[Value, list[Source]]:
    found, silent, small = _kinds(shape, value)
    found |= _named_alike(shape, value)
    best: list[Source] = sorted(found, key=_order) if shape.keys else []
    for places in () if shape.keys else _even(shape, value):
        known = [place for place in places if place in found]
        rest = [place for place in places if place not in found]
        theirs, ours = (len((found | small).intersection(some)) for some in (places, best))
        more = theirs > ours or (theirs == ours and len(places) < len(best))
        between = [place for place in rest if place in silent or place in small]
        if known and more and rest == between and all(_within(place, known, value) for place in rest):
            best = places
    if not best or len(value.sources) > 1:
        return value, silent
    sources = sorted([value.source, *best], key=_order)
    read = value.reader()
    named = dict(zip(pad_names(shape, sources), sources, strict=True))
    groups = {name: series(shape, shape.rows, source, read, None)[0][""] for name, source in named.items()}
    return replace(value, sources=named, groups=groups), [
        source for source in silent if not any(overlap(source, taken) for taken in sources)
    ]


def _named_alike(shape: Shape, value: Value) -> set[Source]:
    """Cells that never stirred, near zero, each with a name of its own and a unit, as the value has them."""
    own, found = value.source, set[Source]()
    if not isinstance(own, int) or shape.keys or not value.places:
        return found
    read, off = value.reader(), STEPS_OFF * value.answer.step
    for place in range(len(shape.rows[0].cells)):
        if place == own:
            continue
        try:
            numbers = [read(cell) for cell in kept_cells(shape, place)]
        except UNREADABLE:
            continue
        near = all(places == value.places and abs(n) <= off * 10**places for n, places in numbers)
        if near and _dressed_alike(shape, own, place):
            found.add(place)
    return found


def _dressed_alike(shape: Shape, own: int, other: int) -> bool:
    """Tell whether cells around two numbers, up to the next one, are a name, a unit and the same."""
    end, around = len(shape.rows[0].cells), range(1 - NEIGHBOURS, NEIGHBOURS)
    apart = abs(own - other)
    for step in (n for n in range(2, apart + 1) if apart % n == 0):
        for first in around:
            window = [n for n in range(first, first + step) if n]
            places = [(own + n, other + n) for n in window]
            if 0 in range(first, first + step) and all(0 <= n < end for pair in places for n in pair):
                kinds = [_alike(set(kept_cells(shape, a)), set(kept_cells(shape, b))) for a, b in places]
                if "" not in kinds and "name" in kinds and "unit" in kinds:
                    return True
    return False


def _alike(ours: set[bytes], theirs: set[bytes]) -> str:
    """What two cells are: names of pads, the same unit, or the same; "" when they differ otherwise."""
    if theirs <= ours:
        return (
            "unit" if len(ours) == 1 and next(iter(ours)).lower().decode("latin-1") in UNIT_WORDS else "same"
        )
    a, b = (next(iter(cells)).lower() for cells in (ours, theirs))
    named = len(ours) == len(theirs) == 1 and len(a) == len(b) and (a + b).isalnum()
    return "name" if named and not NO_PADS & {a, b} else ""


def _within(place: Source, known: list[Source], value: Value) -> bool:
    """Tell whether a place lies between pads: then it is one, though it stayed 0."""
    ends = sorted(map(_order, (*known, value.source)))
    return ends[0] < _order(place) < ends[-1]


def _kinds(shape: Shape, value: Value) -> tuple[set[Source], list[Source], set[Source]]:
    """Places that read like a pad, those written like one that stayed 0, and what may be one or a code."""
    read = value.reader()
    found: set[Source] = set()
    small: set[Source] = set()
    silent: list[Source] = []
    for source in _places(shape, value):
        groups, unread, places = series(shape, shape.rows, source, read, None)
        if unread > 0.02 * len(shape.rows) or places != value.places or not groups:
            continue
        if value.reading.form == "unsigned" and sign_seen(shape, source, value.reading, groups, value.answer):
            continue
        kind = _kind(groups[""][1], value)
        if kind == "pad" and _written_alike(shape, source, value) and not _cut(shape, source, value):
            found.add(source)
        elif kind == "silent":
            silent.append(source)
        elif kind == "small" and not _cut(shape, source, value):
            small.add(source)
    return found, silent, small


def _places(shape: Shape, value: Value) -> list[Source]:
    source = value.source
    if isinstance(source, int):
        return [n for n in range(len(shape.rows[0].cells)) if n not in value.sources.values()]
    size = source[1]
    free = {place for place, _ in shape.sources()} - _bytes(value)  # type: ignore[misc]  # by position
    return [(other, size) for other in sorted(free) if free.issuperset(range(other, other + size))]


def _bytes(value: Value) -> set[int]:
    spans = [span for span in value.sources.values() if isinstance(span, tuple)]
    return {n for span in spans for n in range(span[0], sum(span))}


def _even(shape: Shape, value: Value) -> Iterator[list[Source]]:
    """Places at even distances from the value, the nearest distance first; some of them at either side."""
    source = value.source
    at, size = source if isinstance(source, tuple) else (source, 0)
    free = set(_places(shape, value))
    end = shape.size if isinstance(source, tuple) else len(shape.rows[0].cells)
    assert end is not None
    for step in range(max(size, 1), end):
        before, behind = range(at - step, -1, -step), range(at + step, end, step)
        for left in range(len(before) + 1):
            for right in range(0 if left else 1, len(behind) + 1):
                starts = [*before[:left], *behind[:right]]
                places: list[Source] = [(n, size) for n in starts] if size else [*starts]
                if free.issuperset(places):
                    yield places


def _kind(numbers: list[float], value: Value) -> str:
    """A pad is loaded while the first is not, or wavers around zero; what is always zero may be anything."""
    reach = value.answer.reach
    ours = next(iter(value.groups.values()))[1]
    if all(number == 0 for number in numbers):
        return "silent"
    (most, count), *_ = Counter(numbers).most_common(1)
    still = count >= len(numbers) - 1 - len(numbers) // 250  # others are damaged
    if value.places and still and abs(most) <= STEPS_OFF * value.answer.step:
        return "small"
    near = sum(abs(number) < NEAR_ZERO * reach for number in numbers) / len(numbers)
    loaded = sorted(numbers)[-4 - len(numbers) // 100 :][0] > 0.2 * reach  # more than damage does
    upper = sum(theirs == -(mine < 0) for mine, theirs in zip(ours, numbers, strict=False))
    if upper > WITHIN * len(numbers):
        return ""  # the upper half of the first: nothing but its sign
    often = {number for number, count in Counter(numbers).items() if count > 1}
    step = step_of(numbers, last_place(value.reading, value.places))
    beside = [theirs for mine, theirs in zip(ours, numbers, strict=False) if mine > 0.5 * reach]
    alone = sum(abs(number) < NEAR_ZERO * reach for number in beside) > 0.9 * len(beside)
    if loaded and alone and near > 0.15 and abs(step - value.answer.step) <= 0.6 * value.answer.step:
        return "pad"
    middle, off = median(numbers), STEPS_OFF * value.answer.step
    calm = sum(abs(number - middle) <= 2 * off for number in numbers) > 0.97 * len(numbers)
    code = (
        value.places == 0
        and value.answer.step <= 1
        and value.reading.coding != "float"
        and max(often, default=0) < 10
        and not (value.reading.coding == "text" and size_of(value.source) > WIDE)
    )
    even = value.places > 0 or all(_on_grid(number, value) for number in often)
    low, high = min(often, default=0), max(often, default=0)
    signed = value.reading.form == "twos" or value.reading.coding == "text" or min(ours) < 0
    below = low < 0 and (high > 0 or signed)  # all high bits set, a minus, or a sign as the first has it
    number = below or not code or _wide_and_wavering(numbers, often, value)
    far = 2 * off if len(often) > FEW_NUMBERS else FEW_STEPS * value.answer.step  # else it is a code
    leapt = any(b - a > far for a, b in pairwise(sorted(often)))  # a byte above that is another field's
    like = (
        not leapt and near > 0.98 and abs(middle) <= off and calm and not loaded and even and len(often) > 1
    )
    changed = sum(a != b for a, b in pairwise(numbers)) / len(numbers)
    wavers = low >= 0 and high <= WIDE * value.answer.step and WAVERS[0] < changed
    return "pad" if like and number else "small" if like and wavers else ""


def _on_grid(number: float, value: Value) -> bool:
    """Tell whether a number is a whole multiple of the value's step; floats nearly so."""
    step = value.answer.step
    if value.reading.coding == "float":
        steps = round(number / step) if step > 0 else 0
        return number == 0 or (
            steps != 0 and abs(number / step - steps) < NEARLY
        )  # what is tiny is no number
    return number % max(step, 1) == 0


def _wide_and_wavering(numbers: list[float], often: set[float], value: Value) -> bool:
    """Tell whether an integer of many bytes goes to and fro by single steps, as no code or counter does."""
    source, step = value.source, value.answer.step
    if (
        not isinstance(source, tuple)
        or value.reading.coding != "binary"
        or source[1] < WIDE
        or not (step and often)
    ):
        return False
    changed = sum(a != b for a, b in pairwise(numbers)) / len(numbers)
    even = len(often) == round((max(often) - min(often)) / step) + 1
    return len(often) >= WIDE and even and WAVERS[0] < changed < WAVERS[1]


def _written_alike(shape: Shape, source: Source, value: Value) -> bool:
    """Tell whether text has its point, and its last figure, where the value has them."""
    if value.reading.coding != "text" or isinstance(source, int):
        return True
    point = (value.reading.point or ".").encode()
    ours, theirs = ({cell.rfind(point) for cell in shape.column(s)} for s in (value.source, source))
    ends, own = (
        [cell[:1] if value.reading.backwards else cell[-1:] for cell in shape.column(s)]
        for s in (source, value.source)
    )
    last = (
        b"0123456789-+ " if own.count(b" ") > (1 - SAME) * len(own) else b"0123456789-+"
    )  # a sign stands behind
    return ours == theirs and sum(end in last for end in ends) > SAME * len(ends)


def _cut(shape: Shape, source: Source, value: Value) -> bool:
    """Tell whether a binary number's lowest byte never changes, or goes on in a byte that is nobody's."""
    if not isinstance(source, tuple) or value.reading.coding not in ("binary", "bcd"):
        return False
    little = value.reading.order == "little"
    lowest = source[0] if little else sum(source) - 1
    below = lowest - 1 if little else lowest + 1
    many = len(set(shape.column((below, 1)))) if (below, 1) in shape.sources() else 0
    return len(set(shape.column((lowest, 1)))) < 2 or (many > FEW_LOWEST and below not in _bytes(value))


def _order(source: Source) -> tuple[int, ...]:
    return source if isinstance(source, tuple) else (source,)
