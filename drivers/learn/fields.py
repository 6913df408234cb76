"""Everything in a message beside value, check, counter and address: what it is, and what it is held to.

What was never seen to change must stay as it was, and codes must be among those seen: so a message that
means something else than was learnt is refused, never read wrongly.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from drivers.learn.each_pad import each_pad
from drivers.learn.readings import Source, overlap
from drivers.learn.recording import Known
from drivers.learn.roles import FEW, Motion, Role, claims, motion
from drivers.learn.shapes import Shape
from drivers.learn.signs import (
    NEARLY,
    flags_of,
    is_slow,
    kept_cells,
    says_minus,
    sign_among,
    sign_of,
    without_rare_minus,
)
from drivers.learn.tokens import CLOCK
from drivers.learn.value import Value

NUMERIC = frozenset(bytes([byte]) for byte in b"0123456789 +-.,")
_CLOCK = re.compile(rb"(?<!\d)(?:" + CLOCK + rb")(?!\d)")
POINTED = re.compile(rb" *[-+]? *\d+[.,]\d+ *[-+]?")
"""A number with its point is no code, however few came."""


def describe(
    shape: Shape, value: Value, answered: Value, counting: Sequence[Role], knowns: Sequence[Known]
) -> list[Role]:
    """Give every remaining place a role; `answered` is the value of the pad that was loaded."""
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
    if len(value.sources) > 1:
        own = each_pad(shape, value, left, knowns, signed=signed)
        roles += own
        signed = signed or any(role.kind == "sign" or says_minus(role) for role in own)
        left = [source for source in left if source not in {role.source for role in own}]
    if not signed:
        found = [(source, role) for source in left if (role := sign_of(shape, source, answered))]
        roles += [role for _, role in found[:1]]
        signed = bool(found)
        left = [source for source in left if not found or source != found[0][0]]
    pieces = list(dict.fromkeys([*_clocks(shape, left), *_number_pieces(shape, left)]))
    roles += [Role(kind="free", source=source, evidence="part of another number") for source in pieces]
    left = [source for source in left if source not in pieces]
    for source in _joined(shape, left):
        roles.append(_role(shape, source, answered, moved, seek_sign=not signed))
    return _one_sign(_one_steady([_of_all(role) if len(value.sources) > 1 else role for role in roles]))


def _of_all(role: Role) -> Role:
    """One code for several pads is no sign of them all: it may be that of one."""
    return replace(role, kind="maybe sign", bits={}) if says_minus(role) and not role.pad else role


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
    found = flags_of(rest, source, value, moved, seek_sign=True)
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
        if not isinstance(source, tuple) or not set(kept_cells(shape, source)) <= NUMERIC:
            continue
        if runs and runs[-1][-1][0] + 1 == source[0]:
            runs[-1].append(source)
        else:
            runs.append([source])
    lively = [run for run in runs if len(run) > 1 and any(len(kept_cells(shape, s)) > 4 for s in run)]
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


def _role(shape: Shape, source: Source, value: Value, moved: Motion, *, seek_sign: bool) -> Role:
    column, kept = shape.column(source), kept_cells(shape, source)
    if len(kept) > 1 and all(POINTED.fullmatch(cell) for cell in kept):
        return Role(kind="free", source=source, evidence="another number")
    if seek_sign and 1 < len(kept) <= FEW:
        kept = without_rare_minus(shape, source, value, kept)
    if len(kept) == 1:
        return Role(kind="constant", source=source, map={next(iter(kept)): ""})
    if len(kept) > 3 and is_slow(shape, column, kept):
        return Role(kind="free", source=source, evidence="drifts slowly, by ones")
    flags = flags_of(shape, source, value, moved, seek_sign=seek_sign)
    if flags is not None and len(kept) > 2 and says_minus(flags) and len(flags.bits) == 8:
        return flags  # each bit that changes has a meaning of its own
    role = _code(shape, source, value, moved, kept, seek_sign=seek_sign) if len(kept) <= FEW else None
    return role or flags or _other(source, kept)


def _code(
    shape: Shape, source: Source, value: Value, moved: Motion, kept: dict[bytes, int], *, seek_sign: bool
) -> Role | None:
    """A code among which is a sign, or that claims steadiness."""
    column = shape.column(source)
    said = claims(column, moved)
    if seek_sign and len(kept) > 2 and (role := sign_among(shape, source, value, kept, said)):
        return role
    return None if said is None else _steady(source, column, kept, said, moved)


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


def _other(source: Source, kept: dict[bytes, int]) -> Role:
    seen = ", ".join(cell.decode("latin-1") for cell in sorted(kept)[:6])
    if len(kept) <= FEW and all(cell.strip().isalpha() for cell in kept):
        return Role(kind="code", source=source, map=dict.fromkeys(sorted(kept), ""), evidence=f"takes {seen}")
    return Role(kind="free", source=source, map=dict.fromkeys(kept, ""), evidence=f"{len(kept)} values")


def _one_steady(roles: list[Role]) -> list[Role]:
    """Only the claim that is plainest keeps its words; others are codes without meaning."""
    steady = [role for role in roles if role.kind == "steady" and not role.bits and not role.pad]
    if not steady:
        return roles
    best = min(steady, key=lambda role: len(role.map))
    return [_without_claim(role) if role in steady and role is not best else role for role in roles]


def _one_sign(roles: list[Role]) -> list[Role]:
    """Of several fields that behave like the sign nobody can tell which it is."""
    signs = [role for role in roles if role.kind == "sign" and not role.pad]
    return [replace(role, kind="maybe sign") if role in signs[1:] else role for role in roles]


def _without_claim(role: Role) -> Role:
    """The same codes without their claim; a minus among them stays."""
    words = {code: "minus" if "minus" in word else "" for code, word in role.map.items()}
    return replace(role, kind="sign" if "minus" in words.values() else "code", map=words)
