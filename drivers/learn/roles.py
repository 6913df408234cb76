"""What the other fields are, by how they behave: counters, addresses, signs, steady claims, slow numbers."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from drivers.learn.readings import Source
from drivers.learn.recording import Known
from drivers.learn.shapes import Shape
from drivers.learn.value import UNREADABLE, Value, number_of

COUNTING = 0.85
"""Share of steps between messages that a counter takes alike; messages are lost now and then."""
FEW = 12
"""Distinct values that a code has at most."""
EVEN, TURNS = (0.6, 1.6), 0.65
"""How far from the usual time a pad's next message may come, and the share of messages that come within."""
SIGNS = frozenset((b"+", b"-", b" "))
MOVING, STILL = -1, 0
"""Labels of rows; a row still at known load k has the label STILL + k."""


@dataclass(frozen=True, kw_only=True)
class Role:
    """A field and what it does: `kind` is constant, counter, address, sign, steady, code, slow or free.

    `map` gives a code's words by its bytes, `bits` words by bit, `evidence` says why; `pad` is whose it is
    where several pads of one message have one each.
    """

    kind: str
    source: Source
    map: dict[bytes, str] = field(default_factory=dict)
    bits: dict[int, str] = field(default_factory=dict)
    coding: str = ""
    order: str = ""
    wraps: int = 0
    mask: int = 0
    share: float = 0.0
    step: int = 0
    pad: str = ""
    evidence: str = ""


def read_integer(cell: bytes, coding: str, order: str) -> int:
    """Read a counter's cell; ValueError when it is none."""
    if coding == "binary":
        return int.from_bytes(cell, "little" if order == "little" else "big")
    if coding == "text":
        text = cell.strip(b" ")
        if not text.isdigit():
            raise ValueError(cell)
        return int(text)
    if not cell.isalnum():
        raise ValueError(cell)
    return int(cell, 16)


def counters(shape: Shape) -> list[Role]:
    """Fields that step evenly from message to message, as long as they count together, none overlapping."""
    if shape.size is None:
        return [role for source in shape.sources() if (role := _counter(shape, source, COUNTING))]
    places = {at for at, _ in shape.sources()}  # type: ignore[misc]  # by position
    found: list[Role] = []
    taken: set[int] = set()
    for at in sorted(places):
        role = _counter(shape, (at, 1), COUNTING) if at not in taken else None
        if role is not None:
            role = _longest(shape, role, places - taken)
            taken |= set(range(role.source[0], sum(role.source)))  # type: ignore[index,arg-type]  # by position
            found.append(role)
    return found


def _longest(shape: Shape, role: Role, places: set[int]) -> Role:
    """Let higher digits of a counter join that vary, while it counts as well as before."""
    while True:
        at, size = role.source  # type: ignore[misc]  # by position
        wider = [(at - 1, size + 1), (at, size + 1)]
        joined = [
            longer
            for begin, n in wider
            if places.issuperset(range(begin, begin + n))
            and _carries(shape, (begin, 1) if begin < at else (at + size, 1), role)
            and (longer := _counter(shape, (begin, n), role.share - 0.01))
            and longer.step == role.step
        ]
        if not joined:
            return role
        role = joined[0]


def _carries(shape: Shape, higher: Source, role: Role) -> bool:
    """Tell whether a place changes when a counter begins again, and hardly otherwise."""
    high, low = shape.column(higher), shape.column(role.source)
    changes = [n for n in range(1, len(high)) if high[n] != high[n - 1]]
    turns = sum(low[n] < low[n - 1] for n in changes)
    return bool(changes) and turns > 0.6 * len(changes)


def _counter(shape: Shape, source: Source, least: float) -> Role | None:
    cells = shape.column(source)
    for coding, order in (("text", ""), ("hex", ""), ("binary", ""), ("binary", "little")):
        if coding == "binary" and shape.size is None:
            continue
        try:
            numbers = [read_integer(cell, coding, order) for cell in cells]
        except ValueError:
            continue
        width = max(map(len, cells))
        whole = {"text": 10, "hex": 16, "binary": 256}[coding] ** width
        wraps = _wraps(numbers, whole)
        for lag in (1, 2, 3, 4):
            steps = Counter((b - a) % wraps for a, b in zip(numbers, numbers[lag:], strict=False))
            step, count = steps.most_common(1)[0]
            if 0 < step < wraps / 2 and count > least * steps.total() and len(set(numbers)) > 5:
                seen = f"steps by {step} every {lag} messages in {count} of {steps.total()}"
                return Role(
                    kind="counter",
                    source=source,
                    coding=coding,
                    order=order,
                    wraps=wraps if wraps < whole or max(numbers) == whole - 1 else 0,
                    evidence=seen,
                    share=count / steps.total(),
                    step=step,
                )
    return None


def _wraps(numbers: list[int], whole: int) -> int:
    """Where it begins again: one above the highest seen when it fell from there to the lowest."""
    high, low = max(numbers), min(numbers)
    falls = [(a, b) for a, b in itertools.pairwise(numbers) if b < a]
    seen = sum(a >= high - 4 and b <= low + 4 for a, b in falls)
    return high + 1 if seen >= 2 and low <= 1 and high + 1 < whole else whole


def address_places(shape: Shape, skip: set[Source], only: Source | None = None) -> list[Source]:
    """Fields that may name a pad: a few values that take turns; those that change oftenest first."""
    found: list[tuple[float, int, Source]] = []
    for source in shape.sources() if only is None else [only]:
        if source in skip:
            continue
        column = shape.column(source)
        counted = Counter(column)
        kept = [value for value, count in counted.items() if count > 0.015 * len(column)]
        changes = sum(a != b for a, b in itertools.pairwise(column)) / len(column)
        if set(kept) <= SIGNS:
            continue  # of pads that take turns one may stand above zero and the other below
        few = 2 <= len(kept) <= 16 and sum(counted[v] for v in kept) > 0.97 * len(column)
        if few and changes > 0.2 and _take_turns(shape, column, kept):
            found.append((-round(changes, 1), len(kept), source))
    return [source for _, _, source in sorted(found, key=lambda item: item[:2])][:8]


def _take_turns(shape: Shape, column: list[bytes], kept: list[bytes]) -> bool:
    """Tell whether each value comes again after about the same time, or as many messages, as a pad does.

    A digit that wavers comes again after one message or ten.
    """
    for value in kept:
        places = [n for n, cell in enumerate(column) if cell == value]
        if not any(_evenly(whens) for whens in (places, [shape.rows[n].t_s for n in places])):
            return False
    return True


def _evenly(whens: Sequence[float]) -> bool:
    gaps = [b - a for a, b in itertools.pairwise(whens)]
    middle = median(gaps or [0.0])
    return sum(EVEN[0] * middle < gap < EVEN[1] * middle for gap in gaps) > TURNS * len(gaps)


@dataclass(kw_only=True)
class Motion:
    """Which rows move and which stand still, by the value: indices of rows, by label."""

    moving: list[int]
    still: dict[int, list[int]]

    def enough(self) -> bool:
        """True when both were seen."""
        return len(self.moving) >= 2 and all(len(rows) >= 3 for rows in self.still.values())


def motion(shape: Shape, value: Value, knowns: Sequence[Known]) -> Motion:
    """Tell moving rows (the value goes somewhere) from still ones (inside known intervals)."""
    found = Motion(moving=[], still={number: [] for number in range(len(knowns))})
    for places, values in _by_pad(shape, value):
        far = max(0.05 * value.answer.reach, 4 * value.answer.step)
        for n in range(2, len(values) - 2):
            t_s = shape.rows[places[n]].t_s
            gone = abs(values[n + 2] - values[n - 2])
            if gone > far and abs(values[n + 1] - values[n - 1]) > far / 3:
                found.moving.append(places[n])
                continue
            for number, known in enumerate(knowns):
                inner = 0.25 * (known.to_s - known.from_s)
                if known.from_s + inner <= t_s <= known.to_s - inner and gone < far / 2:
                    found.still[number].append(places[n])
    return found


def _by_pad(shape: Shape, value: Value) -> list[tuple[list[int], list[float]]]:
    """Row numbers and values, for each pad."""
    read = value.reader()
    pads: dict[tuple[str, bytes], tuple[list[int], list[float]]] = {}
    for n, row in enumerate(shape.rows):
        address = b"" if value.address is None else shape.get(row, value.address)
        for name, source in value.sources.items():
            try:
                read_off = number_of(shape, row, source, read)
            except UNREADABLE:
                continue
            rows, values = pads.setdefault((name, address), ([], []))
            rows.append(n)
            values.append(read_off)
    return list(pads.values())


def claims(codes: Sequence[object], moved: Motion) -> dict[object, str] | None:
    """Words for the codes of a field when it claims steadiness; None when it does not."""
    if not moved.enough() or len(set(codes)) < 2:
        return None
    n_moving = len(moved.moving)
    n_still = sum(map(len, moved.still.values()))
    moving = Counter(codes[n] for n in moved.moving)
    still = Counter(codes[n] for rows in moved.still.values() for n in rows)
    says = set()
    for code in set(codes):
        a, b = moving[code] / n_moving, still[code] / n_still
        if a > 4 * b:
            says.add(code)
    caught = sum(moving[code] for code in says) / n_moving
    false = max(sum(codes[n] in says for n in rows) / len(rows) for rows in moved.still.values())
    if caught < (0.5 if n_moving >= 6 else 0.99) or false > 0.15:
        return None
    return {code: "moving" if code in says else "steady" for code in set(codes)}
