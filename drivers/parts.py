"""Taking a message apart: from its bytes to the bytes of each field that the layout asks for.

Every taker is built for a list of sources and returns the fields' bytes in that order; ValueError says
that the message does not read as the layout says. Positions count bytes of the message, negative ones from
its end.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from operator import itemgetter
from struct import Struct
from typing import Any

Parts = Sequence[bytes]
Take = Callable[[bytes], Parts]
Span = tuple[int, int]
"""Position and size of a field."""


def by_position(spans: list[Span], size: int | None, constants: list[tuple[int, bytes]]) -> Take:
    """Take fields by position; the message has `size` bytes (None: any) and the constants stand in it."""
    cut = _by_slices(spans) if size is None else _by_struct(spans, size)

    def take(message: bytes) -> Parts:
        for at, literal in constants:
            if not message.startswith(literal, at):
                raise ValueError(f"{literal!r} does not stand at {at}")
        return cut(message)

    def take_behind_one(message: bytes) -> Parts:
        if message.startswith(literal, at):
            return cut(message)
        raise ValueError(f"{literal!r} does not stand at {at}")

    if len(constants) == 1:
        at, literal = constants[0]
        return take_behind_one
    return take if constants else cut


def _by_slices(spans: list[Span]) -> Take:
    if not spans or min(spans)[0] < 0:
        return _from_either_end(spans)
    return _by_struct(spans, None)


def _from_either_end(spans: list[Span]) -> Take:
    slices = [slice(at, at + n if at >= 0 or at + n < 0 else None) for at, n in spans]
    sizes = [n for _, n in spans]

    def take(message: bytes) -> Parts:
        parts = [message[cut] for cut in slices]
        if [len(part) for part in parts] != sizes:
            raise ValueError("too short for its fields")
        return parts

    return take


def _by_struct(spans: list[Span], size: int | None) -> Take:
    """Cut by one struct, which is twice as fast as slices and refuses another size (too short) by itself."""
    places = [(at if at >= 0 else (size or 0) + at, n) for at, n in spans]
    fields, at = "", 0
    order = sorted(range(len(places)), key=places.__getitem__)
    for index in order:
        begin, n = places[index]
        if begin < at or (size is not None and begin + n > size):  # fields overlap
            cut = _from_either_end(spans)
            return cut if size is None else _sized(cut, size)
        fields += f"{begin - at}x{n}s"
        at = begin + n
    unpack = Struct(fields).unpack_from if size is None else Struct(f"{fields}{size - at}x").unpack
    if order == sorted(order):
        return unpack
    pick = _picker([order.index(index) for index in range(len(order))])
    return lambda message: pick(unpack(message))


def _picker(indices: list[int]) -> Callable[[Parts], Parts]:
    """Pick these items in this order, as a tuple even when it is one."""
    if len(indices) == 1:
        only = indices[0]
        return lambda parts: (parts[only],)
    return itemgetter(*indices)


def _sized(cut: Take, size: int) -> Take:
    def take(message: bytes) -> Parts:
        if len(message) != size:
            raise ValueError(f"{len(message)} bytes, not {size}")
        return cut(message)

    return take


def by_pattern(pattern: re.Pattern[bytes], groups: list[str], head: int, tail: int) -> Take:
    """Take named groups of a pattern that matches the body: the message less `head` and `tail` bytes."""
    match = pattern.fullmatch
    pick = _picker([pattern.groupindex[group] - 1 for group in groups])

    def take(message: bytes) -> Parts:
        found = match(message, head, len(message) - tail)
        if found is None:
            raise ValueError("the pattern does not match")
        return pick(found.groups(b""))

    return take


def by_column(separator: bytes, count: int, columns: list[int], head: int, tail: int) -> Take:
    """Take columns of a body that has exactly `count` of them."""

    def take(message: bytes) -> Parts:
        cells = message[head : len(message) - tail].split(separator)
        if len(cells) != count:
            raise ValueError(f"{len(cells)} columns, not {count}")
        return [cells[n] for n in columns]

    return take


def by_key(separator: bytes, assign: bytes, keys: list[bytes], head: int, tail: int) -> Take:
    """Take values of `key=value` pairs; a key that stands twice is refused, unknown keys are passed over."""

    body = slice(head, -tail or None)
    plain = separator == b" "  # then no key has blanks around it
    pick = _picker_of(keys)

    def take(message: bytes) -> Parts:
        pairs = [cell.split(assign, 1) for cell in message[body].split(separator)]
        try:
            cells = dict(pairs) if plain else {key.strip(b" "): value for key, value in pairs}
        except ValueError:  # a cell without value
            cells = {pair[0].strip(b" "): b"".join(pair[1:]) for pair in pairs}
        if len(cells) != len(pairs):
            raise ValueError("a key stands twice")
        try:
            return pick(cells)
        except KeyError as fault:
            raise ValueError(f"no key {fault}") from None

    return take


def by_json(paths: list[str], head: int, tail: int) -> Take:
    """Take values of a JSON object by path ("pads.0.kg"); numbers keep the digits that were sent."""
    from msgspec import DecodeError, json  # noqa: PLC0415 - few layouts are JSON

    decode = json.Decoder(float_hook=str).decode
    steps = [path.split(".") for path in paths]
    walks = [_walker([int(step) if step.isdecimal() else step for step in path]) for path in steps]

    def take(message: bytes) -> Parts:
        try:
            tree = decode(message[head : len(message) - tail])
        except (DecodeError, UnicodeDecodeError, RecursionError) as fault:
            raise ValueError(str(fault)) from None
        try:
            found = [fast(tree) for fast in walks]
        except (KeyError, IndexError, TypeError):  # a key like a number, or nothing there
            found = [_walk(tree, path) for path in steps]
        return [value.encode() if isinstance(value, str) else _as_bytes(value) for value in found]

    return take


def _picker_of(keys: list[bytes]) -> Callable[[dict[bytes, bytes]], Parts]:
    """Pick these keys in this order, as a tuple even when it is one."""
    if len(keys) == 1:
        only = keys[0]
        return lambda cells: (cells[only],)
    return itemgetter(*keys)


def _walker(path: list[str | int]) -> Callable[[Any], object]:
    """Walk a path of keys and places in lists; KeyError, IndexError or TypeError when it is another tree."""

    def walk(tree: Any) -> object:
        for step in path:
            if step.__class__ is int and tree.__class__ is not list:
                raise TypeError  # a text has characters at places, too
            tree = tree[step]
        return tree

    return walk


def _walk(tree: Any, path: list[str]) -> object:
    for step in path:
        if isinstance(tree, dict) and step in tree:
            tree = tree[step]
        elif isinstance(tree, list) and step.isdecimal() and int(step) < len(tree):
            tree = tree[int(step)]
        else:
            raise ValueError(f"nothing stands at {'.'.join(path)}")
    return tree


def _as_bytes(value: object) -> bytes:
    if isinstance(value, bool):
        return b"true" if value else b"false"
    if value is None:
        return b"null"
    if isinstance(value, int | str):
        return str(value).encode()
    raise ValueError("an object or list stands where a value should")
