"""Check bytes: sums, XOR and the CRC family by catalogue name, and where in a message they stand.

`Check.passes` compares the check as sent with the one computed over its span. CRCs come from the kept
library anycrc with its catalogue; nothing here invents a polynomial.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import cache
from itertools import accumulate
from typing import Literal

Sum = Callable[[bytes], int]

KINDS = ("xor", "sum", "sum-ones", "sum-twos", "fletcher", "crc")
CODINGS = ("binary", "hex", "decimal")


def xor(data: bytes) -> int:
    """XOR all bytes: one big integer folded upon itself, faster than a loop from 24 bytes on."""
    number = int.from_bytes(data, "little")
    if len(data) > 16:
        shift = 128
        while 2 * shift < 8 * len(data):
            shift *= 2
        while shift >= 128:
            number ^= number >> shift
            shift //= 2
    number ^= number >> 64
    number ^= number >> 32
    number ^= number >> 16
    return (number ^ number >> 8) & 0xFF


def fletcher(data: bytes, bits: int) -> int:
    """Fletcher's two sums, the second above the first: of bytes modulo 255, or of 16-bit words modulo 65535.

    Words have their low byte first, and a last single byte is one with a high byte of 0. Source: J. Fletcher,
    IEEE Transactions on Communications COM-30 (1982), from memory.
    """
    if bits == 16:
        return sum(accumulate(data)) % 0xFF << 8 | sum(data) % 0xFF
    first = second = 0
    for word in _words(len(data) + 1 >> 1)(data + b"\0" if len(data) & 1 else data):
        first += word
        second += first
    return second % 0xFFFF << 16 | first % 0xFFFF


@cache
def _words(count: int) -> Callable[[bytes], tuple[int, ...]]:
    """What reads so many 16-bit words."""
    return struct.Struct(f"<{count}H").unpack


def catalogue() -> list[str]:
    """Names of all CRCs known, as `crc` takes them."""
    from anycrc import models  # noqa: PLC0415 - a layout without CRC need not load the library

    return sorted(models)


def crc(name: str) -> tuple[Sum, int]:
    """Find a CRC by catalogue name ("CRC16-MODBUS" or "CRC-16/MODBUS"): function and width in bits.

    ValueError when the catalogue has no such name.
    """
    from anycrc import Model, aliases, models  # noqa: PLC0415 - as above

    wanted = _plain(name)
    for known in (*models, *aliases):
        if _plain(known) == wanted:
            model = Model(known)
            return model.calc, int(models[aliases.get(known, known)].width)
    raise ValueError(name)


def _plain(name: str) -> str:
    return "".join(c for c in name.upper() if c.isalnum())


class Check:
    """One check of a message: what is summed, how, and where the result stands.

    Positions count bytes of the message; negative ones from its end. `size` is the bytes the check takes
    on the wire, `mask` what of the sum is kept.
    """

    def __init__(
        self,
        *,
        name: str,
        compute: Sum,
        at: int,
        size: int,
        first: int,
        stop: int,
        coding: str = "binary",
        order: str = "big",
        mask: int = 0xFF,
    ) -> None:
        self.name, self.compute, self.mask = name, compute, mask
        self.at, self.size, self.first, self.stop = at, size, first, stop
        self.coding, self.order = coding, order
        end = at + size
        self._where = slice(at, end if at >= 0 or end < 0 else None)
        self._span = slice(first, stop if stop != 0 else None)
        self.passes = self._passing(_reader(coding, size, order))

    def expected(self, message: bytes) -> int:
        """Compute the check over its span."""
        return self.compute(message[self._span]) & self.mask

    def _passing(self, read: Callable[[bytes], int | None]) -> Callable[[bytes], bool]:
        """Make `passes`: a closure, because its names are looked up faster than attributes."""
        where, span, compute, mask = self._where, self._span, self.compute, self.mask

        def passes(message: bytes) -> bool:
            """True when the check sent is the one computed."""
            return read(message[where]) == compute(message[span]) & mask

        return passes

    def write(self, message: bytes) -> bytes:
        """Return the check's bytes for a message whose check bytes may hold anything."""
        number = self.expected(message)
        if self.coding == "binary":
            return number.to_bytes(self.size, "little" if self.order == "little" else "big")
        text = f"{number:0{self.size}{'X' if self.coding == 'hex' else 'd'}}".encode()
        return ordered(text, self.order)

    def fill(self, message: bytes) -> bytes:
        """Return the message with its check written into it."""
        out = bytearray(message)
        out[self._where] = self.write(message)
        return bytes(out)

    def reach(self) -> list[int]:
        """How long a message must be at least, seen from each end."""
        ends = (self.at, self.first, self.stop)
        return [-at for at in ends if at < 0] + [at for at in ends if at >= 0] + [max(self.at + self.size, 0)]


def _reader(coding: str, size: int, order: str) -> Callable[[bytes], int | None]:
    """Make the function that reads a check as sent; it returns None when the bytes are no such number."""
    if coding == "binary":
        byte_order: Literal["big", "little"] = "little" if order == "little" else "big"
        return lambda sent: int.from_bytes(sent, byte_order)
    base = 16 if coding == "hex" else 10
    if coding == "hex" and size == 2 and order == "big":
        return _HEX_BYTES.get
    if order == "big":
        return lambda sent: _digits(sent, base)
    return lambda sent: _digits(ordered(sent, order), base)


def ordered(sent: bytes, order: str) -> bytes:
    """Put digits into their order: "little" has the last first, "swapped" the last pair (byte) first."""
    if order == "little":
        return sent[::-1]
    return b"".join(sent[n : n + 2] for n in range(len(sent) - 2, -1, -2)) if order == "swapped" else sent


def _digits(sent: bytes, base: int) -> int | None:
    try:
        return int(sent, base) if sent.isalnum() else None
    except ValueError:
        return None


_HEX_BYTES = {f"{n:{form}}".encode(): n for n in range(256) for form in ("02X", "02x")}


def summing(kind: str, init: int = 0, bits: int = 8) -> Sum:
    """Return the sum function of a kind in KINDS other than "crc"; `init` is added or XORed in.

    `bits` is how wide it is sent: 16 or 32 for "fletcher", which has no `init`.
    """
    if kind == "xor":
        return (lambda data: xor(data) ^ init) if init else xor
    if kind == "fletcher":
        return lambda data: fletcher(data, bits)
    if kind == "sum":
        return (lambda data: sum(data) + init) if init else sum
    if kind == "sum-ones":
        return lambda data: ~(sum(data) + init)
    return lambda data: -(sum(data) + init)
