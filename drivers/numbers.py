"""Reading numbers: decimal and hexadecimal text, integers, floats and BCD, exactly.

Every reader takes a field's bytes and returns a pair: an integer and how many decimal places it has (so
that 312.45 is 31245, 2), or a float and 0 for IEEE floats. ValueError says that the bytes are no such
number. `Scaler` turns the pair into a correctly rounded float: one division of two integers.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from fractions import Fraction
from math import isfinite
from typing import Literal

Pair = tuple[int | float, int]
Reader = Callable[[bytes], Pair]

Ratio = tuple[int, int, int]

CODINGS = ("text", "hex", "binary", "bcd", "float")
INTEGER_FORMS = ("unsigned", "twos", "ones", "magnitude", "offset")
ORDERS = ("big", "little", "swapped")

BCD_SIGNS = {0x0: 1, 0xA: 1, 0xC: 1, 0xE: 1, 0xF: 1, 0xB: -1, 0xD: -1, 0x8: -1, 0x1: -1}
"""Sign nibbles: C and F plus, D and B minus as in packed decimal; 0 plus, 1 and 8 minus as a set sign bit."""


def text(
    *,
    point: str = ".",
    decimals: int | None = None,
    ignore: bytes = b"",
    backwards: bool = False,
    exponent: bool = False,
) -> Reader:
    """Read decimal text: blanks around, one sign before or after (blanks between allowed), one point.

    `decimals` is an implied point: then none may be sent. `ignore` lists characters left out wherever they
    stand (blanks, thousands marks). `backwards` reads the last character first. `exponent` wants one behind
    the number: 8.42E+01.
    """
    mark = point.encode()
    if exponent:
        return _scientific(mark)
    read = _pointed(mark) if decimals is None else _implied(decimals)
    if not backwards and not ignore:
        return read

    def prepared(field: bytes) -> Pair:
        return read(field[:: -1 if backwards else 1].translate(None, ignore))

    return prepared


def _pointed(mark: bytes) -> Reader:
    def read(field: bytes) -> Pair:
        whole, dot, part = field.partition(mark)
        if (part.isdigit() or not dot) and not whole.translate(None, _PLAIN):
            try:
                return int(whole + part), len(part)
            except ValueError:  # sign behind, blanks after the sign
                pass
        return _slowly(field, mark, None)

    return read


def _scientific(mark: bytes) -> Reader:
    match = re.compile(rb" *([+-]?)(\d+)(?:%b(\d+))?[Ee]([+-]?\d{1,2}) *" % re.escape(mark)).fullmatch

    def read(field: bytes) -> Pair:
        found = match(field)
        if found is None:
            raise ValueError(f"{field!r} is no number with an exponent")
        sign, whole, part, power = found.groups(b"")
        digits = int(whole + part)
        return (-digits if sign == b"-" else digits), len(part) - int(power)

    return read


def _implied(decimals: int) -> Reader:
    def read(field: bytes) -> Pair:
        if not field.translate(None, _PLAIN):
            try:
                return int(field), decimals
            except ValueError:  # as above
                pass
        return _slowly(field, b"", decimals)

    return read


def _slowly(field: bytes, mark: bytes, decimals: int | None) -> Pair:
    body = field.strip(b" ")
    minus = False
    if body[:1] in _SIGNS:
        minus, body = body[:1] == b"-", body[1:].lstrip(b" ")
    elif body[-1:] in _SIGNS:
        minus, body = body[-1:] == b"-", body[:-1].rstrip(b" ")
    places = decimals or 0
    if decimals is None:
        whole, _, part = body.partition(mark)
        body, places = whole + part, len(part)
    if not body.isdigit():
        raise ValueError(f"{field!r} is no decimal number")
    return (-int(body) if minus else int(body)), places


_PLAIN = b"0123456789+- "
_SIGNS = (b"+", b"-")


def integer(
    *,
    coding: str,
    form: str = "unsigned",
    order: str = "big",
    mask: int = 0,
    decimals: int = 0,
    bits: int = 0,
) -> Reader:
    """Read an integer from `binary` or `hex` text, of a byte order and sign form, after masking.

    A mask's bits are moved down to bit 0. `bits` is the width of the number for its sign, 0 for all that
    was sent (or all that the mask leaves). "swapped" exchanges 16-bit words of big-endian numbers.
    """
    if coding == "binary" and not mask and not bits and form in ("unsigned", "twos"):
        return _plain_integer(order, form == "twos", decimals)
    shift = (mask & -mask).bit_length() - 1 if mask else 0
    width = bits or (mask >> shift).bit_length()
    signed = _SIGNED[form]

    def read(field: bytes) -> Pair:
        data = _from_hex(field) if coding == "hex" else field
        number = int.from_bytes(_ordered(data, order), "big")
        if mask:
            number = (number & mask) >> shift
        return signed(number, width or 8 * len(data)), decimals

    return read


def _plain_integer(order: str, signed: bool, decimals: int) -> Reader:
    first: Literal["big", "little"] = "little" if order == "little" else "big"

    def read(field: bytes) -> Pair:
        return int.from_bytes(field, first, signed=signed), decimals

    def read_swapped(field: bytes) -> Pair:
        return int.from_bytes(_ordered(field, order), signed=signed), decimals

    return read_swapped if order == "swapped" else read


def _from_hex(field: bytes) -> bytes:
    body = field.strip(b" ")
    if not body.isalnum():
        raise ValueError(f"{field!r} is no hexadecimal number")
    return bytes.fromhex(body.decode("ascii").rjust(len(body) + len(body) % 2, "0"))


def _ordered(field: bytes, order: str) -> bytes:
    if order == "big":
        return field
    if order == "little":
        return field[::-1]
    if len(field) == 4:
        return field[2:] + field[:2]
    return b"".join(field[i : i + 2] for i in range(len(field) - 2, -1, -2))


_SIGNED: dict[str, Callable[[int, int], int]] = {
    "unsigned": lambda n, _: n,
    "twos": lambda n, bits: n - (1 << bits) if n >> (bits - 1) else n,
    "ones": lambda n, bits: n - ((1 << bits) - 1) if n >> (bits - 1) else n,
    "magnitude": lambda n, bits: -(n - (1 << (bits - 1))) if n >> (bits - 1) else n,
    "offset": lambda n, bits: n - (1 << (bits - 1)),
}


def bcd(*, form: str = "unsigned", order: str = "big", decimals: int = 0, backwards: bool = False) -> Reader:
    """Read packed BCD, two digits a byte; the first or last nibble may be a sign.

    `backwards` reads the low digit of each byte before the high one.
    """

    def read(field: bytes) -> Pair:
        digits = _ordered(field, order).hex()
        if backwards:
            digits = "".join(high + low for low, high in zip(digits[::2], digits[1::2], strict=True))
        sign = 1
        if form != "unsigned":
            nibble, digits = (digits[0], digits[1:]) if form == "sign-first" else (digits[-1], digits[:-1])
            if int(nibble, 16) not in BCD_SIGNS:
                raise ValueError(f"{nibble!r} is no sign nibble")
            sign = BCD_SIGNS[int(nibble, 16)]
        if not digits.isdecimal():
            raise ValueError(f"{digits!r} is not BCD")
        return sign * int(digits), decimals

    return read


def ieee(*, order: str = "big") -> Reader:
    """Read an IEEE 754 float of 2, 4 or 8 bytes; NaN and infinities are no reading."""
    first = "<" if order == "little" else ">"
    unpack = {size: struct.Struct(first + letter).unpack for size, letter in ((2, "e"), (4, "f"), (8, "d"))}

    def read(field: bytes) -> Pair:
        if len(field) not in unpack:
            raise ValueError(f"a float has 2, 4 or 8 bytes, not {len(field)}")
        number: float = unpack[len(field)](_ordered(field, order) if order == "swapped" else field)[0]
        if not isfinite(number):
            raise ValueError("not a finite number")
        return number, 0

    return read


class Scaler:
    """Turns a number as sent into a float: times `factor` plus `offset`, rounded once.

    `factor` and `offset` are exact. Ratios for each count of decimal places are kept.
    """

    def __init__(self, factor: Fraction, offset: Fraction = Fraction(0)) -> None:
        self._factor, self._offset = factor, offset
        self._ratios: dict[int, Ratio] = {}
        self._whole = factor == 1 and not offset

    def __call__(self, number: int | float, places: int) -> float:
        """Scale `number` · 10^-places."""
        if isinstance(number, float):
            return number if self._whole else float(Fraction(number) * self._factor + self._offset)
        top, add, bottom = self._ratios.get(places) or self.ratio(places)
        return (number * top + add) / bottom

    def ratio(self, places: int) -> Ratio:
        """What an integer is multiplied with, what is added, and what all is divided by; remembered."""
        factor = self._factor / Fraction(10) ** places
        bottom = factor.denominator * self._offset.denominator
        found = self._ratios[places] = int(factor * bottom), int(self._offset * bottom), bottom
        return found
