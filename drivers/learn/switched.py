"""A code beside the number that changed once: it may tell another unit, range or net."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from drivers.learn.pads import STEPS_OFF, told
from drivers.learn.readings import Source
from drivers.learn.roles import FEW, Role
from drivers.learn.shapes import Shape
from drivers.learn.signs import NEAR, NEARLY, is_slow, kept_cells, numbers_of
from drivers.learn.solve import Solution

FEW_CODES = 4
"""Codes of several characters of which more came are no units or ranges."""
ONCE, LONG = 2, 10
"""Changes of a code that was switched, and messages that it must stand in to be looked at."""
STILL_STEPS = 3
"""Steps by which an empty pad wavers from message to message."""
LEAP = 3
"""How many times farther than before and after a number goes where another unit begins."""


def switched(solution: Solution) -> list[str]:
    """Ask about a code whose numbers, or some of them, were never held to a known load."""
    value, shape = solution.answered, solution.shape
    if value.address is not None or len(solution.value.sources) > 1 or shape.units is not None:
        return []
    numbers = numbers_of(shape, value)
    near, off = NEAR * value.answer.reach, STEPS_OFF * value.answer.step
    resting = _resting(numbers, off, STILL_STEPS * value.answer.step)
    for seen, flagged in _codes(solution):
        changes = sum(a != b for a, b in pairwise(flagged))
        if changes > ONCE or sum(flagged) < LONG:
            continue
        amid = changes == 1 and _amid(numbers, flagged, off)
        if amid or _leaps(numbers, flagged, near) or _empty_only(numbers, flagged, resting, near):
            return [
                f"undecided: {seen} stood where no known load did, or not with the same numbers; it may "
                "tell another unit, range or net. To decide, record again with the load on while it "
                "stands, or without pressing a key"
            ]
    return []


def _codes(solution: Solution) -> Iterator[tuple[str, list[bool]]]:
    """What each code of a few says, or each of its bits, and in which rows it stands."""
    shape = solution.shape
    for role in solution.roles:
        if role.kind not in ("steady", "code", "free") or role.pad or not (role.map or role.bits):
            continue
        if _pointed(shape, role.source):
            continue
        kept = kept_cells(shape, role.source)
        if 1 < len(kept) <= FEW and not is_slow(shape, shape.column(role.source), kept):
            yield from _halves(shape, role, kept)


def _pointed(shape: Shape, source: Source) -> bool:
    """Tell whether a place holds a digit beside a decimal point: a battery's 3.70 becomes 3.69 once."""
    if not isinstance(source, tuple) or not all(cell.isdigit() for cell in kept_cells(shape, source)):
        return False
    beside = (source[0] - 2, source[0] - 1, sum(source), sum(source) + 1)
    return any((at, 1) in shape.sources() and set(kept_cells(shape, (at, 1))) == {b"."} for at in beside)


def _resting(numbers: list[float], off: float, still: float) -> list[bool]:
    """Tell which numbers are those of an empty pad that stands."""
    return [abs(now) <= off and abs(now - before) <= still for before, now in pairwise([math.inf, *numbers])]


def _empty_only(numbers: list[float], flagged: list[bool], resting: list[bool], near: float) -> bool:
    """Tell whether a code stood with small numbers alone, though an empty pad was seen without it as well."""
    small = sum(flag and abs(number) <= near for number, flag in zip(numbers, flagged, strict=True))
    beside = sum(rests and not flag for rests, flag in zip(resting, flagged, strict=True))
    return beside >= LONG and small > NEARLY * sum(flagged)


def _amid(numbers: list[float], flagged: list[bool], off: float) -> bool:
    """Tell whether a code changes while the load comes: a flag of standing near zero does so before."""
    return any(
        flagged[n] != flagged[n - 1] and off < abs(numbers[n - 1]) < abs(numbers[n])
        for n in range(1, len(numbers))
    )


def _leaps(numbers: list[float], flagged: list[bool], near: float) -> bool:
    """Tell whether a number leaps where a code changes, and goes smoothly before and after."""
    for n in range(2, len(numbers) - 1):
        if flagged[n] != flagged[n - 1]:
            before, leap, after = (abs(numbers[k] - numbers[k - 1]) for k in (n - 1, n, n + 1))
            if leap > max(LEAP * before, LEAP * after, near):
                return True
    return False


def _halves(shape: Shape, role: Role, kept: dict[bytes, int]) -> Iterator[tuple[str, list[bool]]]:
    """Each way in which a code falls into two: by its bits where it is a byte, else by each value."""
    column = shape.column(role.source)
    place = told(shape, role.source)
    if all(len(cell) == 1 for cell in kept) and isinstance(role.source, tuple):
        for bit in range(8):
            if len({cell[0] >> bit & 1 for cell in kept}) == 2:
                for state in (0, 1):
                    yield f"bit {bit} as {state} in {place}", [cell[0] >> bit & 1 == state for cell in column]
        return
    for code in kept if len(kept) <= FEW_CODES else ():
        yield f"{code.decode('latin-1')!r} in {place}", [cell == code for cell in column]
