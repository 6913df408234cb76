"""Reading tables of a layout file so that all faults are found at once, each with key and remedy."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

from drivers.wire import to_bytes

LARGEST = 10**300
"""Beyond this a number of a layout is a slip of the pen, and no float."""


class LayoutError(ValueError):
    """A layout with faults; `faults` lists them, one sentence each."""

    def __init__(self, source: str, faults: list[str]) -> None:
        self.source, self.faults = source, faults
        super().__init__("\n".join(f"{source}: {fault}" for fault in faults))


def nearest(word: str, known: Sequence[str]) -> str:
    """Say which known word is nearest, or list them all."""
    close = get_close_matches(word, known, n=1)
    return f"did you mean {close[0]!r}?" if close else f"known are {', '.join(known)}"


def with_lines(text: str, faults: list[str]) -> list[str]:
    """Put the line of the file before each fault whose key (or the table around it) stands in the file."""
    lines: dict[str, int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := re.match(r"\s*\[+\s*([\w.-]+)\s*\]+", line):
            table = head[1] + "."
            lines.setdefault(head[1], number)
        elif key := re.match(r"\s*([\w.-]+)\s*=", line):
            lines.setdefault(table + key[1], number)
    placed = sorted(((_line(lines, fault), fault) for fault in faults), key=lambda item: item[0])
    return [f"line {line}: {fault}" if line else fault for line, fault in placed]


def _line(lines: dict[str, int], fault: str) -> int:
    named = re.match(r"[\w.-]+", fault)
    path = named[0].rstrip(".").split(".") if named else []
    found = (lines.get(".".join(path[:n])) for n in range(len(path), 0, -1))
    return next((number for number in found if number), 0)


class Table:
    """One table of the file: values are asked for by key, and what nobody asked for is unknown.

    Every fault goes to the shared list and the default is returned, so that reading goes on.
    """

    def __init__(self, data: object, where: str, faults: list[str]) -> None:
        self.where, self.faults = where, faults
        self._data: dict[str, Any] = data if isinstance(data, dict) else {}
        self._asked: list[str] = []
        if not isinstance(data, dict):
            self.fault(f"{where or 'the layout'} must be a table, not {_kind(data)}")

    def fault(self, sentence: str) -> None:
        """Note a fault."""
        self.faults.append(sentence)

    def name(self, key: str) -> str:
        """The key with the table it stands in."""
        return f"{self.where}.{key}" if self.where else key

    def has(self, key: str) -> bool:
        """True when the key is given."""
        return key in self._data

    def raw(self, key: str) -> Any:
        """The value as it stands, None when it is not given."""
        self._asked.append(key)
        return self._data.get(key)

    def given(self) -> list[str]:
        """All keys given."""
        return list(self._data)

    def table(self, key: str) -> Table:
        """A table inside this one, empty when it is not given."""
        value = self.raw(key)
        return Table({} if value is None else value, self.name(key), self.faults)

    def optional(self, key: str) -> Table | None:
        """A table inside this one, None when it is not given."""
        return self.table(key) if self.raw(key) is not None else None

    def tables(self, key: str) -> list[Table]:
        """A list of tables."""
        value = self.raw(key) or []
        if not isinstance(value, list):
            self._wrong(key, "a list of tables", value)
            return []
        return [Table(item, f"{self.name(key)}[{n}]", self.faults) for n, item in enumerate(value)]

    def text(self, key: str, default: str = "") -> str:
        """A text."""
        value = self.raw(key)
        if value is None or isinstance(value, str):
            return default if value is None else value
        self._wrong(key, "a text", value)
        return default

    def choice(self, key: str, known: Sequence[str], default: str) -> str:
        """One word of those known."""
        word = self.text(key, default)
        if word in known:
            return word
        self.fault(f"{self.name(key)} = {word!r} is unknown; {nearest(word, known)}")
        return default

    def truth(self, key: str) -> bool:
        """True or false, false when not given."""
        value = self.raw(key)
        if value is None or isinstance(value, bool):
            return bool(value)
        self._wrong(key, "true or false", value)
        return False

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """A whole number within limits."""
        value = self.raw(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int):
            self._wrong(key, "a whole number", value)
        elif not low <= value <= high:
            self.fault(f"{self.name(key)} = {value} must be {low} to {high}")
        else:
            return value
        return default

    def number(self, key: str, default: Fraction, low: Fraction | int | None = None) -> Fraction:
        """A number, exact as written."""
        value = self.raw(key)
        if value is None:
            return default
        if not is_number(value):
            self._wrong(key, "a number", value)
        elif low is not None and value < low:
            self.fault(f"{self.name(key)} = {value} must be at least {low}")
        else:
            return Fraction(value)
        return default

    def octets(self, key: str, default: bytes = b"") -> bytes:
        """Bytes written as text."""
        text = self.text(key)
        if not self.has(key):
            return default
        try:
            return to_bytes(text)
        except ValueError as fault:
            self.fault(f"{self.name(key)}: {fault}")
            return default

    def limits(self, key: str) -> tuple[Fraction, Fraction] | None:
        """Two numbers, the lower first; None when not given."""
        value = self.raw(key)
        if value is None:
            return None
        good = isinstance(value, list) and len(value) == 2 and all(is_number(v) for v in value)
        if not good or value[0] >= value[1]:
            self._wrong(key, "two numbers, the lower first, like [-50, 1500]", value)
            return None
        return Fraction(value[0]), Fraction(value[1])

    def close(self) -> None:
        """Refuse every key that nobody asked for."""
        known = sorted(set(self._asked))
        for key in self._data:
            if key not in known:
                self.fault(f"{self.name(key)} is unknown; {nearest(key, known)}")

    def _wrong(self, key: str, wanted: str, value: object) -> None:
        self.fault(f"{self.name(key)} must be {wanted}, not {_kind(value)}")


def is_number(value: Any) -> bool:
    """True for a number of the file that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return False
    return Decimal(value).is_finite() and -LARGEST < Decimal(value) < LARGEST


def _kind(value: object) -> str:
    kinds = {dict: "a table", list: "a list", str: "the text", bool: "the truth value"}
    name = next((text for kind, text in kinds.items() if isinstance(value, kind)), "the number")
    return name if isinstance(value, dict) else f"{name} {str(value)!r}"
