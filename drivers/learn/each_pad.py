"""Codes that stand beside each pad's number in one message: every pad has its own sign and its own claim."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from drivers.learn.readings import Source
from drivers.learn.recording import Known
from drivers.learn.roles import FEW, Motion, Role, claims, motion
from drivers.learn.shapes import Shape
from drivers.learn.signs import NEAR, NEARLY, flags_of, kept_cells, numbers_of, sign_among, sign_of
from drivers.learn.value import Value


def each_pad(
    shape: Shape, value: Value, left: Sequence[Source], knowns: Sequence[Known], *, signed: bool
) -> list[Role]:
    """Roles of what stands at one and the same distance from each of several pads' numbers."""
    pads = [_alone(value, name) for name in value.sources]
    moved = [motion(shape, pad, knowns) for pad in pads]
    roles: list[Role] = []
    for places in _distances([pad.source for pad in pads], left):
        if any(role.source in places for role in roles):
            continue
        found = [
            _role(shape, place, pad, move, seek_sign=not signed)
            for place, pad, move in zip(places, pads, moved, strict=True)
        ]
        merged = _merged(shape, places, list(value.sources), found) if any(found) else []
        if not any(_denied(shape, role, pad) for role, pad in zip(merged, pads, strict=False)):
            roles += merged
    return roles or _claims_in_a_row(shape, list(value.sources), moved, left)


def _claims_in_a_row(
    shape: Shape, names: Sequence[str], moved: Sequence[Motion], left: Sequence[Source]
) -> list[Role]:
    """Claims of all pads that stand in a row of their own, before or behind all numbers."""
    for first in left:
        at = first[0] if isinstance(first, tuple) else first
        places: list[Source] = [
            (at + n, 1) if isinstance(first, tuple) else at + n for n in range(len(names))
        ]
        if not all(place in left for place in places):
            continue
        said = [claims(shape.column(place), move) for place, move in zip(places, moved, strict=True)]
        kept = Counter(cell for place in places for cell in kept_cells(shape, place))
        words: dict[object, str] = {}
        for one in said:
            words |= one or {}
        if all(said) and all(
            (one or {}).get(cell, words[cell]) == words[cell] for one in said for cell in words
        ):
            return [
                Role(
                    kind="steady",
                    source=place,
                    map={cell: words[cell] for cell in kept if cell in words},
                    pad=name,
                    evidence=f"of pad {name}: claims steadiness",
                )
                for place, name in zip(places, names, strict=True)
            ]
    return []


def _alone(value: Value, name: str) -> Value:
    return replace(value, sources={name: value.sources[name]}, groups={name: value.groups[name]})


def _distances(sources: Sequence[Source], left: Sequence[Source]) -> list[list[Source]]:
    """Places that are left at one distance from every number, between it and the next; the nearest first."""
    starts = [source[0] if isinstance(source, tuple) else source for source in sources]
    step = min(b - a for a, b in pairwise(starts))
    out = []
    for distance in sorted((d for d in range(1 - step, step) if d), key=lambda d: (abs(d), d)):
        places: list[Source] = [
            (at + distance, 1) if isinstance(source, tuple) else at + distance
            for at, source in zip(starts, sources, strict=True)
        ]
        if all(place in left for place in places):
            out.append(places)
    return out


def _role(shape: Shape, place: Source, pad: Value, moved: Motion, *, seek_sign: bool) -> Role | None:
    """A sign or a claim that fits a pad's number."""
    kept = kept_cells(shape, place)
    if seek_sign and (role := sign_of(shape, place, pad)) is not None and role.kind == "sign":
        return role
    if 1 < len(kept) <= FEW:
        said = claims(shape.column(place), moved)
        if seek_sign and len(kept) > 2 and (role := sign_among(shape, place, pad, kept, said)):
            return role
        if said is not None:
            return Role(kind="steady", source=place, map={cell: said[cell] for cell in kept})
    return flags_of(shape, place, pad, moved, seek_sign=seek_sign)


def _denied(shape: Shape, role: Role, pad: Value) -> bool:
    """Tell whether a minus stands with numbers as high as the load: it only looked so on an empty pad."""
    codes = {cell for cell, word in role.map.items() if "minus" in word}
    bits = [bit for bit, word in role.bits.items() if word.startswith("minus")]
    numbers, near = numbers_of(shape, pad), NEAR * pad.answer.reach
    minus = [
        number
        for number, cell in zip(numbers, shape.column(role.source), strict=True)
        if cell in codes or any(cell[0] >> bit & 1 for bit in bits)
    ]
    return sum(number > near for number in minus) > (1 - NEARLY) * len(minus)


def _merged(
    shape: Shape, places: Sequence[Source], names: Sequence[str], found: Sequence[Role | None]
) -> list[Role]:
    """One role for each pad, that says what any of them showed; a code without a sense may be a minus."""
    roles = [role for role in found if role is not None]
    cells = Counter(cell for place in places for cell in kept_cells(shape, place))
    sure = [role for role in roles if role.kind != "maybe sign"]
    bits = [role.bits for role in roles if role.bits]
    if bits:
        constant = set.intersection(*({b for b, word in one.items() if word in "01"} for one in bits))
        by_bit = {b: word for one in bits for b, word in one.items() if word not in "01"}
        still = {b for b in constant if len({cell[0] >> b & 1 for cell in cells}) == 1}
        meaning = Role(kind="steady", source=places[0], bits=by_bit | {b: bits[0][b] for b in still})
    else:
        words: dict[bytes, str] = {}
        for role in sure:
            for cell, word in role.map.items():
                words[cell] = max(word, words.get(cell, ""), key=len)
        told = " ".join(words.values())
        kind = "sign" if "minus" in told and "steady" not in told and "moving" not in told else "steady"
        covered = set(cells) <= set(words) if "minus" in told else len(sure) == len(roles)
        if not covered:
            kind = "maybe sign"
        meaning = Role(kind=kind, source=places[0], map={cell: words.get(cell, "") for cell in cells})
    seen = next(role.evidence for role in roles)
    return [
        replace(meaning, source=place, pad=name, evidence=f"of pad {name}: {seen or 'claims steadiness'}")
        for place, name in zip(places, names, strict=True)
    ]
