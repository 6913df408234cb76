"""Everything in a message beside value, check, counter and address: what it is, and what it is held to.

What was never seen to change must stay as it was, and codes must be among those seen: so a message that
means something else than was learnt is refused, never read wrongly.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from drivers.learn.answer import travel
from drivers.learn.readings import Source, overlap
from drivers.learn.recording import Known
from drivers.learn.roles import FEW, Motion, Role, claims, motion
from drivers.learn.shapes import CLOCK, Shape
from drivers.learn.value import UNREADABLE, Value, number_of

NUMERIC = frozenset(bytes([byte]) for byte in b"0123456789 +-.,")
_CLOCK = re.compile(rb"(?<!\d)(?:" + CLOCK + rb")(?!\d)")
POINTED = re.compile(rb" *[-+]? *\d+[.,]\d+ *[-+]?")
"""A number with its point is no code, however few came."""
NEARLY = 0.97
"""Share of rows in which a code must stand with small numbers to be thought a sign; others may be damaged."""
WHOLE = 0.97
"""Share of rows below which values that came once are no damage: the field never repeats itself."""
SIGNS = {b"+": "plus", b"-": "minus", b" ": "plus"}


def describe(shape: Shape, value: Value, counting: Sequence[Role], knowns: Sequence[Known]) -> list[Role]:
    """Give every remaining place a role."""
    moved = motion(shape, value, knowns)
    roles = list(counting)
    if value.address is not None:
        roles.append(_address(shape, value))
        roles += [_half(shape, value, moved, mask) for mask in shape.masks.values()]
    if shape.units is not None:
        seen = ", ".join(f"{unit} {n}" for unit, n in _units_seen(shape).items())
        roles.append(
            Role(
                kind="unit",
                source=shape.units.source,
                map=shape.units.words,
                evidence=f"frames by unit: {seen}",
            )
        )
    left = [source for source in shape.sources() if not _taken(source, value, roles)]
    signed = min(v for _, values in value.groups.values() for v in values) < 0
    if not signed:
        found = [(source, role) for source in left if (role := _sign(shape, source, value))]
        roles += [role for _, role in found[:1]]
        signed = bool(found)
        left = [source for source in left if not found or source != found[0][0]]
    pieces = list(dict.fromkeys([*_clocks(shape, left), *_number_pieces(shape, left)]))
    roles += [Role(kind="free", source=source, evidence="part of another number") for source in pieces]
    left = [source for source in left if source not in pieces]
    for source in _joined(shape, left):
        roles.append(_role(shape, source, value, moved, seek_sign=not signed))
    return _one_steady(roles)


def _units_seen(shape: Shape) -> Counter[str]:
    assert shape.units is not None
    return Counter(shape.units.words[cell] for cell in shape.column(shape.units.source))


def _taken(source: Source, value: Value, roles: Sequence[Role]) -> bool:
    spans = [*value.sources.values(), *(role.source for role in roles)]
    return any(overlap(source, span) for span in spans)


def _address(shape: Shape, value: Value) -> Role:
    source = value.address
    assert source is not None
    mask = shape.masks.get(source, 0)
    if isinstance(source, tuple) and not mask:
        source = _widened(shape, source, value)
    names = Counter(shape.column(source))
    binary = bool(mask) or any(not 32 < byte < 127 for name in names for byte in name)
    lowest = max(mask & -mask, 1)
    known = {
        name: (str(int.from_bytes(name, "big") // lowest) if binary else name.decode().strip())
        for name in sorted(names)
    }
    counts = ", ".join(f"{known[name]} {names[name]}" for name in known)
    return Role(
        kind="address",
        source=source,
        map={name: word for name, word in known.items() if names[name] > 1 + len(shape.rows) // 250},
        coding="binary" if binary else "text",
        mask=mask,
        evidence=f"takes turns; frames by pad: {counts}",
    )


def _half(shape: Shape, value: Value, moved: Motion, mask: int) -> Role:
    """The other bits of a byte of which some are the address: a claim, a sign, or what must stay."""
    source = value.address
    assert source is not None
    rest = replace(shape, masks={source: 0xFF ^ mask})
    found = _flags(rest, source, value, moved, seek_sign=True)
    column = [cell[0] for cell in rest.column(source)]
    still = {bit: str(column[0] >> bit & 1) for bit in range(8) if len({n >> bit & 1 for n in column}) == 1}
    bits = found.bits if found is not None else still
    why = found.evidence if found is not None else "bits beside the address"
    kept = {bit: words for bit, words in bits.items() if not mask >> bit & 1}
    return Role(kind="steady" if found else "code", source=source, bits=kept, evidence=why)


def _widened(shape: Shape, source: tuple[int, int], value: Value) -> tuple[int, int]:
    """Letters and digits beside an address that never change belong to its name."""

    def good(n: int) -> bool:
        column = {row.message[n : n + 1] for row in shape.rows}
        spans = any(overlap((n, 1), span) for span in value.sources.values())
        inside = shape.body[0] <= n < (shape.size or 0) - shape.body[1]
        return inside and not spans and len(column) == 1 and next(iter(column)).isalnum()

    begin, end = source[0], source[0] + source[1]
    if not all(row.message[begin : begin + 1].isalnum() for row in shape.rows[:50]):
        return source
    while good(begin - 1) and end - begin < 8:
        begin -= 1
    while good(end) and end - begin < 8:
        end += 1
    return begin, end - begin


def _clocks(shape: Shape, left: list[Source]) -> list[Source]:
    """Places of a date or time of day in messages of one size, and cells that are one."""
    rows = shape.rows[:: max(len(shape.rows) // 40, 1)]
    if shape.size is None:
        clocks = (s for s in left if all(_CLOCK.fullmatch(shape.get(row, s).strip()) for row in rows))
        return list(clocks)
    spans = Counter(match.span() for row in rows for match in _CLOCK.finditer(row.message))
    places = {n for span, count in spans.items() if count > NEARLY * len(rows) for n in range(*span)}
    return [source for source in left if source[0] in places]  # type: ignore[index]  # by position


def _number_pieces(shape: Shape, left: list[Source]) -> list[Source]:
    """Places of numbers in text that are no field of ours: runs of digits of which one takes many values."""
    runs: list[list[tuple[int, int]]] = []
    for source in left:
        if not isinstance(source, tuple) or not set(_kept(shape, source)) <= NUMERIC:
            continue
        if runs and runs[-1][-1][0] + 1 == source[0]:
            runs[-1].append(source)
        else:
            runs.append([source])
    lively = [run for run in runs if len(run) > 1 and any(len(_kept(shape, s)) > 4 for s in run)]
    return [source for run in lively for source in run]


def _joined(shape: Shape, left: list[Source]) -> list[Source]:
    """Put letters of one code together: neighbours that vary together."""
    if shape.size is None:
        return left
    out: list[Source] = []
    for source in left:
        last = out[-1] if out else None
        if isinstance(last, tuple) and isinstance(source, tuple) and last[0] + last[1] == source[0]:
            both = (last[0], last[1] + 1)
            a, b, ab = (len(set(shape.column(s))) for s in (last, source, both))
            text = all(cell.isalpha() for cell in shape.column(both)[:60])
            if (a == b == 1) or (text and a > 1 and b > 1 and ab <= FEW and last[1] < 8):
                out[-1] = both
                continue
        out.append(source)
    return out


def _kept(shape: Shape, source: Source) -> dict[bytes, int]:
    """Values of a field and how often each came, less those so rare that they may be damage."""
    column = shape.column(source)
    counted = Counter(column)
    least = 0 if shape.check else 1 + len(column) // 250
    kept = {cell: n for cell, n in counted.items() if n > least}
    return kept if sum(kept.values()) > WHOLE * len(column) else dict(counted)


def _sign(shape: Shape, source: Source, value: Value) -> Role | None:
    """A sign that stands away from its number: a sign character, or a code or bit that behaves like one."""
    kept = _kept(shape, source)
    if set(kept) <= set(SIGNS) and (b"-" in kept or set(kept) == {b"+"}):
        words = {cell: SIGNS[cell] for cell in (b"+", b"-", b" ") if cell in kept or cell != b" "}
        return Role(kind="sign", source=source, map=words, evidence=f"minus in {kept.get(b'-', 0)} frames")
    if len(kept) == 2:
        return _sign_code(shape, source, value, list(kept))
    return None


def _role(shape: Shape, source: Source, value: Value, moved: Motion, *, seek_sign: bool) -> Role:
    column, kept = shape.column(source), _kept(shape, source)
    if len(kept) > 1 and all(POINTED.fullmatch(cell) for cell in kept):
        return Role(kind="free", source=source, evidence="another number")
    if seek_sign and 1 < len(kept) <= FEW:
        kept = _without_rare_minus(shape, source, value, kept)
    if len(kept) == 1:
        return Role(kind="constant", source=source, map={next(iter(kept)): ""})
    if len(kept) > 3 and _is_slow(column, kept):
        return Role(kind="free", source=source, evidence="drifts slowly, by ones")
    if len(kept) <= FEW:
        said = claims(column, moved)
        if seek_sign and len(kept) > 2 and (role := _sign_among(shape, source, value, kept, said)):
            return role
        if said is not None:
            return _steady(source, column, kept, said, moved)
    flags = _flags(shape, source, value, moved, seek_sign=seek_sign)
    return flags if flags is not None else _other(source, kept)


def _without_rare_minus(
    shape: Shape, source: Source, value: Value, kept: dict[bytes, int]
) -> dict[bytes, int]:
    """Leave out codes that came once or twice, with small numbers: one may be a minus, and is refused."""
    numbers, column = _numbers(shape, value), shape.column(source)
    near = 0.25 * value.answer.reach
    rare = {
        code
        for code, count in kept.items()
        if count < 3 and all(0 < n < near for n, cell in zip(numbers, column, strict=True) if cell == code)
    }
    return {code: count for code, count in kept.items() if code not in rare} or kept


def _steady(
    source: Source, column: list[bytes], kept: dict[bytes, int], said: dict[object, str], moved: Motion
) -> Role:
    moving = [column[n] for n in moved.moving]
    caught = sum(said[cell] == "moving" for cell in moving)
    still = [column[n] for rows in moved.still.values() for n in rows]
    kept_words = {cell: said[cell] for cell in kept}
    return Role(
        kind="steady",
        source=source,
        map=kept_words,
        evidence=(
            f"says moving in {caught} of {len(moving)} frames that move, "
            f"steady in {sum(said[cell] == 'steady' for cell in still)} of {len(still)} that stand still"
        ),
    )


def _sign_code(shape: Shape, source: Source, value: Value, codes: list[bytes]) -> Role | None:
    """A code that stands only with small numbers near zero; surely a minus when it comes and goes there."""
    for minus in codes:
        flagged = [cell == minus for cell in shape.column(source)]
        sure, why = _is_minus(shape, value, flagged)
        if why:
            words = {code: "minus" if code == minus else "plus" for code in codes}
            place = f"{minus.decode('latin-1')!r} at {source[0] if isinstance(source, tuple) else source}"
            if sure:
                return Role(kind="sign", source=source, map=words, evidence=f"{place} {why}")
            return Role(
                kind="maybe sign", source=source, map=dict.fromkeys(codes, ""), evidence=f"{place} {why}"
            )
    return None


def _is_slow(column: list[bytes], kept: dict[bytes, int]) -> bool:
    """Tell a number that drifts by ones, as a battery's does: neighbouring codes, and few changes."""
    codes = sorted(int.from_bytes(code, "big") for code in kept)
    changes = sum(a != b for a, b in pairwise(column))
    return codes == list(range(codes[0], codes[0] + len(codes))) and changes < 2 * len(codes) + 2


def _sign_among(
    shape: Shape, source: Source, value: Value, kept: dict[bytes, int], said: dict[object, str] | None
) -> Role | None:
    """Several codes of which some stand only with small numbers that are not zero: the sign is among them."""
    numbers, column = _numbers(shape, value), shape.column(source)
    near = 0.25 * value.answer.reach
    below = Counter(cell for n, cell in zip(numbers, column, strict=True) if 0 < n < near)
    small = {code for code, count in kept.items() if below[code] >= NEARLY * count}
    if not small or len(small) == len(kept) or _is_slow(column, kept):
        return None
    if said is not None and all(said[code] == "moving" for code in small):
        return None
    sure, why = _is_minus(shape, value, [cell in small for cell in column])
    if not why:
        return None
    seen = ", ".join(repr(code.decode("latin-1")) for code in sorted(small))
    if not sure:
        return Role(kind="maybe sign", source=source, map=dict.fromkeys(kept, ""), evidence=f"{seen} {why}")
    words = {
        code: " ".join(
            word for word in ("minus" if code in small else "", said[code] if said else "") if word
        )
        for code in kept
    }
    return Role(kind="steady" if said else "sign", source=source, map=words, evidence=f"minus: {seen} {why}")


def _is_minus(shape: Shape, value: Value, flagged: Sequence[bool]) -> tuple[bool, str]:
    """Whether flagged rows are surely negative, and the evidence; "" when they are not negative at all."""
    numbers = _numbers(shape, value)
    below = [number for number, flag in zip(numbers, flagged, strict=True) if flag]
    near = 0.25 * value.answer.reach
    far = sum(number > near for number in below)
    if len(below) < 2 or far > (1 - NEARLY) * len(below) or sum(n == 0 for n in below) > 0.1 * len(below):
        return False, ""
    runs = sum(flag and not before for flag, before in zip(flagged[1:], flagged, strict=False))
    others = [n for n, flag in zip(numbers, flagged, strict=True) if n <= near and not flag]
    signed = [-n if flag else n for n, flag in zip(numbers, flagged, strict=True)]
    zone = [(a, b) for a, b in zip(numbers, signed, strict=True) if a <= near]
    before, after = travel([a for a, _ in zone]), travel([b for _, b in zone])
    sure = runs >= 4 and len(others) >= 4 and after <= 2.05 * before
    return sure, f"stands in {len(below)} frames, all near zero and none at zero"


def _numbers(shape: Shape, value: Value) -> list[float]:
    read = value.reader()
    numbers: list[float] = []
    for row in shape.rows:
        try:
            numbers.append(number_of(shape, row, value.source, read))
        except UNREADABLE:
            numbers.append(0.0)
    return numbers


def _flags(shape: Shape, source: Source, value: Value, moved: Motion, *, seek_sign: bool) -> Role | None:
    """A byte of bits: one claims steadiness or is the sign, those never seen to change must stay."""
    if not isinstance(source, tuple) or source[1] != 1:
        return None
    numbers = [cell[0] for cell in shape.column(source)]
    words: dict[int, str] = {}
    why: list[str] = []
    for bit in range(8):
        column = [number >> bit & 1 for number in numbers]
        if len(set(column)) == 1:
            words[bit] = str(column[0])
        elif (said := claims(column, moved)) is not None and said[0] != said[1]:
            words[bit] = f"{said[1]}/{said[0]}"
            why.append(f"bit {bit} claims steadiness")
        elif seek_sign and (found := _is_minus(shape, value, [bool(b) for b in column]))[0]:
            words[bit] = "minus/plus"
            why.append(f"bit {bit} {found[1]}")
    if not why:
        return None
    return Role(kind="steady", source=source, bits=words, evidence="; ".join(why))


def _other(source: Source, kept: dict[bytes, int]) -> Role:
    seen = ", ".join(cell.decode("latin-1") for cell in sorted(kept)[:6])
    if len(kept) <= FEW and all(cell.strip().isalpha() for cell in kept):
        return Role(kind="code", source=source, map=dict.fromkeys(sorted(kept), ""), evidence=f"takes {seen}")
    return Role(kind="free", source=source, map=dict.fromkeys(kept, ""), evidence=f"{len(kept)} values")


def _one_steady(roles: list[Role]) -> list[Role]:
    """Only the claim that is plainest keeps its words; others are codes without meaning."""
    steady = [role for role in roles if role.kind == "steady" and not role.bits]
    if not steady:
        return roles
    best = min(steady, key=lambda role: len(role.map))
    return [
        _without_claim(role) if role.kind == "steady" and not role.bits and role is not best else role
        for role in roles
    ]


def _without_claim(role: Role) -> Role:
    """The same codes without their claim; a minus among them stays."""
    words = {code: "minus" if "minus" in word else "" for code, word in role.map.items()}
    return replace(role, kind="sign" if "minus" in words.values() else "code", map=words)
