"""Hypotheses about how a value is written, each with the reader that layouts use for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drivers import numbers
from drivers.learn.cuts import quoted
from drivers.numbers import Reader

Source = tuple[int, int] | int
"""Where a field stands: first byte and size, or the number of a cell."""


def smallest(source: Source) -> list[Source]:
    """The single bytes of a field, or its cell."""
    return [source] if isinstance(source, int) else [(n, 1) for n in range(source[0], sum(source))]


def overlap(a: Source, b: Source) -> bool:
    """Tell whether two places share a byte or are the same cell."""
    if isinstance(a, tuple) and isinstance(b, tuple):
        return a[0] < b[0] + b[1] and b[0] < a[0] + a[1]
    return a == b


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A way to read a number; what is not said is as in layouts."""

    coding: str
    form: str = ""
    order: str = ""
    point: str = ""
    decimals: int | None = None
    ignore: bytes = b""
    backwards: bool = False
    mask: int = 0
    scale: str = ""
    exponent: bool = False

    def reader(self) -> Reader:
        """The function that reads it."""
        if self.coding == "text":
            return numbers.text(
                point=self.point or ".",
                decimals=self.decimals,
                ignore=self.ignore,
                backwards=self.backwards,
                exponent=self.exponent,
            )
        if self.coding == "float":
            return numbers.ieee(order=self.order or "big")
        if self.coding == "bcd":
            return numbers.bcd(
                form=self.form or "unsigned",
                order=self.order or "big",
                decimals=self.decimals or 0,
                backwards=self.backwards,
            )
        return numbers.integer(
            coding=self.coding,
            form=self.form or "unsigned",
            order=self.order or "big",
            mask=self.mask,
            decimals=self.decimals or 0,
        )

    def pairs(self) -> list[str]:
        """Write the keys of the field."""
        out = [] if self.coding == "text" else [f'coding = "{self.coding}"']
        out += [f'form = "{self.form}"'] if self.form and self.form != "unsigned" else []
        out += [f'order = "{self.order}"'] if self.order and self.order != "big" else []
        out += [f'point = "{self.point}"'] if self.point and self.point != "." else []
        out += [f'ignore = "{quoted(self.ignore)}"'] if self.ignore else []
        out += ["reversed = true"] if self.backwards else []
        out += ["exponent = true"] if self.exponent else []
        out += [f"mask = 0x{self.mask:X}"] if self.mask else []
        if self.decimals or (self.coding == "text" and self.decimals is not None):
            out.append(f"decimals = {self.decimals}")
        return out + ([f"scale = {self.scale}"] if self.scale else [])

    def told(self) -> str:
        """Say it in words."""
        words = [self.coding]
        words += [self.form] if self.form else []
        words += [f"{self.order} end first"] if self.order in ("big", "little") else []
        words += ["words swapped"] if self.order == "swapped" else []
        words += ["decimal comma"] if self.point == "," else []
        words += [("low" if self.coding == "bcd" else "last") + " digit first"] if self.backwards else []
        words += ["blanks inside"] if self.ignore == b" " else ["marks of thousands"] if self.ignore else []
        words += ["exponent"] if self.exponent else []
        words += [f"low {self.mask.bit_length()} bits"] if self.mask else []
        return ", ".join(words)


TEXTS = (
    Reading(coding="text"),
    Reading(coding="text", point=","),
    Reading(coding="text", ignore=b" "),
    Reading(coding="text", point=",", ignore=b" "),
    Reading(coding="text", point=",", ignore=b"."),
    Reading(coding="text", point=".", ignore=b","),
    Reading(coding="text", backwards=True),
    Reading(coding="text", point=",", backwards=True),
    Reading(coding="text", exponent=True),
)
"""Ways to read decimal text, the plain one first."""
SIGNED = ("twos", "magnitude", "offset", "ones")
"""Sign forms tried where the highest bit was seen set; unsigned first."""


def hexadecimal() -> Iterator[Reading]:
    """Integers in hexadecimal characters."""
    for order in ("big", "little"):
        for form in ("unsigned", *SIGNED):
            yield Reading(coding="hex", order=order, form=form)


def integers(size: int) -> Iterator[Reading]:
    """Binary integers of a size."""
    for order in ("big", "little", "swapped") if size == 4 else ("big", "little"):
        for form in ("unsigned", *SIGNED):
            yield Reading(coding="binary", order=order, form=form)


def masked(size: int) -> Iterator[Reading]:
    """Binary integers whose highest bits are something else."""
    for mask in [(1 << 8 * size - n) - 1 for n in (1, 2, 3, 4)]:
        for order in ("big", "little"):
            for form in ("unsigned", *SIGNED):
                yield Reading(coding="binary", order=order, form=form, mask=mask)


def decimals_packed() -> Iterator[Reading]:
    """Packed BCD."""
    for backwards in (False, True):
        for order in ("big", "little"):
            for form in ("unsigned", "sign-first", "sign-last"):
                yield Reading(coding="bcd", order=order, form=form, backwards=backwards)


def floats(size: int) -> Iterator[Reading]:
    """IEEE floats of a size."""
    for order in ("big", "little", "swapped") if size > 2 else ("big", "little"):
        yield Reading(coding="float", order=order)
