"""A code beside the number that may be its sign, though the numbers it stood with are far from zero.

Whoever tares a loaded pad and takes the load off sees the load again, below zero. Where the sign is a code,
it then stands with numbers as large as the known load; so does a code of something else. Only a known load
tells.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, combinations

from drivers.learn.pads import told
from drivers.learn.recording import Known
from drivers.learn.roles import Role
from drivers.learn.shapes import Shape
from drivers.learn.signs import NEAR, kept_cells, numbers_of, says_minus
from drivers.learn.solve import Solution
from drivers.learn.value import Value

LEAST = 3
"""Readings far from zero from which on a code is asked about."""
MOST_CODES = 12
"""Codes of which more came are looked at bit by bit alone."""
MOST_FREE = 5
"""Codes that stood under no known load, of which all sets are tried."""
FEW_STEPS = 4
"""Steps from zero within which a number changes its sign."""
ACROSS = 1.5
"""How many times what lies between two numbers of different sign both together may be."""
ODD = 0.1
"""Share of changes that damage may have moved away from zero; of readings under a known load as well."""
KINDS = ("steady", "code", "free")


def unsaid_sign(solution: Solution, knowns: Sequence[Known]) -> list[str]:
    """Ask about a code that changes at zero alone and stood with no known load, only with unknown ones."""
    value, shape = solution.value, solution.shape
    if any(role.kind == "sign" or says_minus(role) for role in solution.roles):
        return []
    for name, source in value.sources.items():
        pad = replace(value, sources={name: source})
        numbers = numbers_of(shape, pad)
        if min(numbers, default=0) < 0:
            continue
        loaded = _under_load(shape, value, numbers, knowns)
        for role in solution.roles:
            for seen, flagged in _ways(shape, role, loaded) if role.kind in KINDS else ():
                if _may_be_minus(shape, value, numbers, loaded, flagged):
                    return [
                        f"undecided: {seen} in {told(shape, role.source)} stood with no known load and "
                        "changes only at zero: it may be the sign. If the load was below zero then, say "
                        "so, such as --known -84.2kg@25:30; else record again without taring"
                    ]
    return []


def _under_load(shape: Shape, value: Value, numbers: Sequence[float], knowns: Sequence[Known]) -> list[bool]:
    """Tell which rows stood under a known load and show some of it."""
    near = NEAR * value.answer.reach
    loads = [known for known in knowns if known.mass_kg > 0]
    return [
        number > near and any(known.holds(row.t_s) for known in loads)
        for row, number in zip(shape.rows, numbers, strict=True)
    ]


def _ways(shape: Shape, role: Role, loaded: Sequence[bool]) -> Iterator[tuple[str, list[bool]]]:
    """Each bit of a byte, and each set of codes of which hardly one stood under a known load."""
    column, kept = shape.column(role.source), kept_cells(shape, role.source)
    if len(kept) < 2:
        return
    if isinstance(role.source, tuple) and all(len(cell) == 1 for cell in kept):
        for bit in range(8):
            for state in (0, 1):
                yield f"bit {bit} as {state}", [cell[0] >> bit & 1 == state for cell in column]
    if len(kept) > MOST_CODES:
        return
    under = sum(loaded)
    came = dict.fromkeys(kept, 0)
    for cell, held in zip(column, loaded, strict=True):
        if held and cell in came:
            came[cell] += 1
    free = sorted(code for code, count in came.items() if count <= ODD * under / len(kept))
    sets = chain.from_iterable(combinations(free, n) for n in range(1, len(free) + 1))
    for some in sets if len(free) <= MOST_FREE else ():
        named = ", ".join(repr(code.decode("latin-1")) for code in some)
        yield named, [cell in some for cell in column]


def _may_be_minus(
    shape: Shape, value: Value, numbers: Sequence[float], loaded: Sequence[bool], flagged: Sequence[bool]
) -> bool:
    """Tell whether flagged rows may be below zero: none under a known load, some far, changes near zero."""
    near = NEAR * value.answer.reach
    if sum(flag and number > near for number, flag in zip(numbers, flagged, strict=True)) < LEAST:
        return False
    if sum(flag and held for flag, held in zip(flagged, loaded, strict=True)) > ODD * sum(loaded):
        return False
    last: dict[bytes, tuple[float, bool]] = {}
    changes = bad = 0
    few = FEW_STEPS * value.answer.step
    for row, number, flag in zip(shape.rows, numbers, flagged, strict=True):
        name = b"" if value.address is None else shape.get(row, value.address)
        before, was = last.get(name, (number, flag))
        last[name] = (number, flag)
        if was != flag:
            changes += 1
            bad += before + number > ACROSS * abs(before - number) + few
    return changes > 0 and bad <= ODD * changes
