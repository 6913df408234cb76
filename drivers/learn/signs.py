"""Signs that stand away from their number: a character, a code or a bit that behaves like a minus."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from math import nan

from drivers.learn.answer import travel
from drivers.learn.readings import Source
from drivers.learn.roles import Motion, Role, claims
from drivers.learn.several import TEXT
from drivers.learn.shapes import Shape
from drivers.learn.value import UNREADABLE, Value, number_of

NEAR = 0.25
"""Share of the known load up to which numbers are small, as negative ones are."""
NOTHING = 1e-6
"""Share of the known load below which a number is zero: other bytes read as a float are mostly that small."""
NEARLY = 0.97
"""Share of rows in which a code must stand with small numbers to be thought a sign; others may be damaged."""
WHOLE = 0.97
"""Share of rows below which values that came once are no damage: the field never repeats itself."""
MOST_OF = 0.8
"""Share of a load below zero that a pad which carries it shows at least."""
SEVERAL = 3
"""Pads from which on a code that goes with the pad is a second name, and no sign."""
FEWEST = 4
"""Messages with a code of which one may be damaged."""
SIGNS = {b"+": "plus", b"-": "minus", b" ": "plus"}


def kept_cells(shape: Shape, source: Source) -> dict[bytes, int]:
    """Values of a field and how often each came, less those so rare that they may be damage."""
    column = shape.column(source)
    counted = Counter(column)
    least = 0 if shape.check else 1 + len(column) // 250
    kept = {cell: n for cell, n in counted.items() if n > least}
    return kept if sum(kept.values()) > WHOLE * len(column) else dict(counted)


def says_minus(role: Role) -> bool:
    """Tell whether a field says minus, alone or beside something else."""
    return any("minus" in word for word in (*role.map.values(), *role.bits.values()))


def sign_of(shape: Shape, source: Source, value: Value) -> Role | None:
    """A sign that stands away from its number: a sign character, or a code or bit that behaves like one."""
    kept = kept_cells(shape, source)
    plain = set(kept) <= set(SIGNS) and (b"-" in kept or set(kept) == {b"+"})
    if plain and (not value.below or is_minus(shape, value, [c == b"-" for c in shape.column(source)])[0]):
        words = {cell: SIGNS[cell] for cell in (b"+", b"-", b" ") if cell in kept or cell != b" "}
        return Role(kind="sign", source=source, map=words, evidence=f"minus in {kept.get(b'-', 0)} frames")
    if len(kept) == 2:
        return _sign_code(shape, source, value, list(kept))
    return None


def without_rare_minus(
    shape: Shape, source: Source, value: Value, kept: dict[bytes, int]
) -> dict[bytes, int]:
    """Leave out codes that came once or twice, with small numbers: one may be a minus, and is refused."""
    numbers, column = numbers_of(shape, value), shape.column(source)
    near = NEAR * value.answer.reach
    rare = {
        code
        for code, count in kept.items()
        if count < 3 and all(0 < n < near for n, cell in zip(numbers, column, strict=True) if cell == code)
    }
    return {code: count for code, count in kept.items() if code not in rare} or kept


def _sign_code(shape: Shape, source: Source, value: Value, codes: list[bytes]) -> Role | None:
    """A code that stands only with small numbers near zero; surely a minus when it comes and goes there."""
    for minus in codes:
        flagged = [cell == minus for cell in shape.column(source)]
        sure, why = is_minus(shape, value, flagged)
        if why:
            words = {code: "minus" if code == minus else "plus" for code in codes}
            place = f"{minus.decode('latin-1')!r} at {source[0] if isinstance(source, tuple) else source}"
            if sure:
                return Role(kind="sign", source=source, map=words, evidence=f"{place} {why}")
            return Role(
                kind="maybe sign", source=source, map=dict.fromkeys(codes, ""), evidence=f"{place} {why}"
            )
    return None


def is_slow(shape: Shape, column: list[bytes], kept: dict[bytes, int]) -> bool:
    """Tell a number that drifts by ones, as a battery's does: neighbouring codes, and few changes.

    In text K and L are neighbours, too.
    """
    if all(code.isalpha() for code in kept) and all(TEXT.issuperset(row.message) for row in shape.rows[:50]):
        return False
    codes = sorted(int.from_bytes(code, "big") for code in kept)
    changes = sum(a != b for a, b in pairwise(column))
    return codes == list(range(codes[0], codes[0] + len(codes))) and changes < 2 * len(codes) + 2


def sign_among(
    shape: Shape, source: Source, value: Value, kept: dict[bytes, int], said: dict[object, str] | None
) -> Role | None:
    """Several codes of which some stand only with small numbers that are not zero: the sign is among them."""
    numbers, column = numbers_of(shape, value), shape.column(source)
    near = NEAR * value.answer.reach
    below = Counter(cell for n, cell in zip(numbers, column, strict=True) if 0 < n < near)
    small = {code for code, count in kept.items() if below[code] >= NEARLY * count - _spoilt(shape, count)}
    if value.below:
        carried = _carried(shape, value, numbers)
        small = {cell for cell, below in zip(column, carried, strict=True) if below} & set(kept)
        most = max(near, _most_below(value))
        above = {cell for n, cell in zip(numbers, column, strict=True) if n > most}
        kept = {code: count for code, count in kept.items() if code in small | above}  # others may be either
    named = _names_pads(shape, value, column, kept)
    if named or not small or len(small) == len(kept) or is_slow(shape, column, kept):
        return None
    moving = {code for code in kept if said is not None and said[code] == "moving"}
    if small and small == moving:
        return None  # nothing else says moving
    sure, why = is_minus(shape, value, [cell in small for cell in column])
    if not why:
        return None
    seen = ", ".join(repr(code.decode("latin-1")) for code in sorted(small))
    if not sure or small < moving:
        return Role(kind="maybe sign", source=source, map=dict.fromkeys(kept, ""), evidence=f"{seen} {why}")
    words = {
        code: " ".join(
            word for word in ("minus" if code in small else "", said[code] if said else "") if word
        )
        for code in kept
    }
    return Role(kind="steady" if said else "sign", source=source, map=words, evidence=f"minus: {seen} {why}")


def is_minus(shape: Shape, value: Value, flagged: Sequence[bool]) -> tuple[bool, str]:
    """Whether flagged rows are surely negative, and the evidence; "" when they are not negative at all."""
    if value.below:
        return _minus_where_known(shape, value, flagged)
    numbers = numbers_of(shape, value, unread=nan)
    below = [number for number, flag in zip(numbers, flagged, strict=True) if flag]
    near = NEAR * value.answer.reach
    far = sum(number > near for number in below)
    spoilt = _spoilt(shape, len(below))
    zeros = sum(abs(n) <= NOTHING * value.answer.reach for n in below)
    if len(below) < 2 or far > (1 - NEARLY) * len(below) or zeros > max(0.1 * len(below), spoilt):
        return False, ""
    runs = sum(flag and not before for flag, before in zip(flagged[1:], flagged, strict=False))
    others = [n for n, flag in zip(numbers, flagged, strict=True) if n <= near and not flag]
    signed = [-n if flag else n for n, flag in zip(numbers, flagged, strict=True)]
    zone = [(a, b) for a, b in zip(numbers, signed, strict=True) if a <= near]
    before, after = travel([a for a, _ in zone]), travel([b for _, b in zone])
    both = 0 in others or bool(set(others) & set(below))  # a flag of standing near zero parts magnitudes
    sure = runs >= 4 and len(others) >= 4 and after <= 2.05 * before and both
    sure = sure and not _goes_with_pads(shape, value, flagged)
    return sure, f"stands in {len(below)} frames, all near zero and none at zero"


def _spoilt(shape: Shape, count: int) -> int:
    """How many of some messages may be damaged in their number, where no check vouches for it."""
    return int(shape.check is None and count >= FEWEST)


def _goes_with_pads(shape: Shape, value: Value, flagged: Sequence[bool]) -> bool:
    """Tell whether a flag is set in all messages of some pads and in none of the others: it may be a name."""
    if value.address is None:
        return False
    names = shape.column(value.address)
    came = Counter(names)
    set_in = Counter(name for name, flag in zip(names, flagged, strict=True) if flag)
    return all(not 1 - NEARLY < set_in[name] / count < NEARLY for name, count in came.items())


def _names_pads(shape: Shape, value: Value, column: Sequence[bytes], kept: dict[bytes, int]) -> bool:
    """Tell whether every one of several pads has a code of its own: it names them, and is no sign."""
    if value.address is None or len(kept) < SEVERAL:
        return False
    pairs = Counter(zip(shape.column(value.address), column, strict=True)).most_common(len(kept))
    own = len({name for (name, _), _ in pairs}) == len({code for (_, code), _ in pairs}) == len(kept)
    return own and sum(count for _, count in pairs) > NEARLY * len(column)


def _minus_where_known(shape: Shape, value: Value, flagged: Sequence[bool]) -> tuple[bool, str]:
    """Whether flagged rows are those at known loads below zero, and hardly one where a load stood."""
    far = NEAR * value.answer.reach
    numbers = numbers_of(shape, value)
    at = [flag for flag, below in zip(flagged, _carried(shape, value, numbers), strict=True) if below]
    most = max(far, _most_below(value))
    above = [flag for number, flag in zip(numbers, flagged, strict=True) if number > most]
    good = sum(at) >= NEARLY * len(at) - 1 and sum(above) <= (1 - NEARLY) * len(above)
    return (True, f"stands in {sum(at)} of {len(at)} frames below zero") if at and good else (False, "")


def _carried(shape: Shape, value: Value, numbers: Sequence[float]) -> list[bool]:
    """Tell which rows are of a pad that a load below zero stood on; another pad may be near zero then."""
    found = []
    for row, number in zip(shape.rows, numbers, strict=True):
        loads = [abs(known.mass_kg) for known in value.below if known.holds(row.t_s)]
        found.append(bool(loads) and number > MOST_OF * max(loads) * value.answer.slope)
    return found


def _most_below(value: Value) -> float:
    """The largest magnitude that a load below zero may have shown."""
    return 1.2 * max(abs(known.mass_kg) for known in value.below) * value.answer.slope


def numbers_of(shape: Shape, value: Value, *, unread: float = 0.0) -> list[float]:
    """The numbers of all rows, `unread` for those that do not read."""
    read = value.reader()
    numbers: list[float] = []
    for row in shape.rows:
        try:
            numbers.append(number_of(shape, row, value.source, read))
        except UNREADABLE:
            numbers.append(unread)
    return numbers


def flags_of(shape: Shape, source: Source, value: Value, moved: Motion, *, seek_sign: bool) -> Role | None:
    """A byte of bits: one claims steadiness or is the sign, those never seen to change must stay."""
    if not isinstance(source, tuple) or source[1] != 1:
        return None
    column = shape.column(source)
    numbers = [cell[0] for cell in column]
    seek_sign = seek_sign and not _names_pads(shape, value, column, kept_cells(shape, source))
    words: dict[int, str] = {}
    why: list[str] = []
    for bit in range(8):
        states = [number >> bit & 1 for number in numbers]
        if len(set(states)) == 1:
            words[bit] = str(states[0])
        elif (said := claims(states, moved)) is not None and said[0] != said[1]:
            words[bit] = f"{said[1]}/{said[0]}"
            why.append(f"bit {bit} claims steadiness")
        elif seek_sign and (found := is_minus(shape, value, [bool(b) for b in states]))[0]:
            words[bit] = "minus/plus"
            why.append(f"bit {bit} {found[1]}")
    if not why:
        return None
    return Role(kind="steady", source=source, bits=words, evidence="; ".join(why))
