"""The tables [frame] and [check] of a layout: how messages are cut and which bytes vouch for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers import checks, escapes
from drivers.checks import Check
from drivers.cutters import Cutter, Ended, Marked, Sized, Stuffed, Told
from drivers.numbers import ORDERS, integer, text
from drivers.schema import Table, nearest
from drivers.split import Decode, Hunter, Stepper
from drivers.stretch import Memory

KINDS = ("line", "marked", "fixed", "length", "slip", "cobs", "hdlc", "dle")
LONGEST = 65536
"""No message is longer, so that a wrong layout cannot fill the memory."""


@dataclass(frozen=True, kw_only=True)
class Framing:
    """How messages are cut and what undoes their escapes (`unwrap`, None when there are none).

    `length` reads the head of a message (`head_size` bytes, all there) that begins somewhere in a buffer and
    tells its size; ValueError when it cannot be the head of a message.
    """

    kind: str
    start: bytes = b""
    end: bytes = b""
    trail: int = 0
    size: int | None = None
    longest: int = 256
    length: Callable[[bytes, int], int] | None = None
    head_size: int = 0
    unwrap: Callable[[bytes], bytes] | None = None

    @property
    def head(self) -> int:
        """Bytes of a message before its body."""
        return 0 if self.unwrap else len(self.start)

    @property
    def tail(self) -> int:
        """Bytes of a message after its body."""
        return 0 if self.unwrap else self.trail + len(self.end)

    def splitter(self, decode: Decode, memory: Memory, *, tail_safe: bool, sure: bool) -> Stepper | Hunter:
        """Make the splitter; `tail_safe` when the tail of a message can never pass for a whole one.

        `sure` when a message may be believed without another that follows it (see Hunter).
        """
        if self.kind == "fixed":
            return Hunter(Sized(self.start, self.size or self.longest), decode, memory, sure=sure)
        if self.kind == "length" and self.length is not None:
            shortest = max(self.head_size, len(self.start)) + 1
            cutter = Told(self.start, self.longest, shortest, self.head_size, self.length)
            return Hunter(cutter, decode, memory, sure=sure)
        return Stepper(self._cutter(tail_safe), decode, memory)

    def _cutter(self, tail_safe: bool) -> Cutter:
        if self.kind == "marked":
            return Marked(self.start, self.end, self.trail, self.longest, sized=self.size is not None)
        if self.kind == "line":
            return Ended(self.end, self.longest, tail_safe=tail_safe)
        if self.kind == "dle":
            return Stuffed(escapes.DLE_START, escapes.DLE_END, self.longest)
        return Ended(escapes.ENDS[self.kind], self.longest, tail_safe=tail_safe, lead=True)


def read_framing(table: Table) -> Framing:
    """Read [frame]."""
    if not table.has("kind"):
        table.fault(f"frame.kind is needed: {', '.join(KINDS)}")
    kind = table.choice("kind", KINDS, "line")
    longest = table.whole("max", 256, 2, LONGEST)
    size = table.whole("size", 0, 1, LONGEST) or None
    if kind in escapes.UNWRAP:
        longest = max(longest, 2 * (size or 0) + 4)
        framing = Framing(kind=kind, size=size, longest=longest, unwrap=escapes.UNWRAP[kind])
    elif kind in ("line", "marked"):
        framing = _delimited(table, kind, size, longest)
    elif kind == "fixed":
        if size is None:
            table.fault("frame.size is needed for kind 'fixed'")
        framing = Framing(kind=kind, start=table.octets("start"), size=size or 1, longest=size or 1)
    else:
        framing = _told(table, longest)
    table.close()
    return framing


def _delimited(table: Table, kind: str, size: int | None, longest: int) -> Framing:
    marked = kind == "marked"
    start = _needed(table, "start") if marked else b""
    end = _needed(table, "end") if marked else _needed(table, "end", b"\r\n")
    trail = table.whole("trail", 0, 0, 64) if marked else 0
    unwrap = None
    if table.truth("hex"):
        unwrap = escapes.from_hex(len(start), trail + len(end))
        longest = max(longest, len(start) + 2 * (size or 0) + trail + len(end))
    elif size is not None:
        longest = size
    return Framing(kind=kind, start=start, end=end, trail=trail, size=size, longest=longest, unwrap=unwrap)


def _needed(table: Table, key: str, default: bytes | None = None) -> bytes:
    found = table.octets(key, default or b"")
    if not found:
        table.fault(f"{table.name(key)} is needed and must not be empty")
    return found or b"\n"


def _told(table: Table, longest: int) -> Framing:
    start = table.octets("start")
    length = table.table("length")
    at, size = length.whole("at", len(start), 0, 64), length.whole("size", 1, 1, 8)
    coding = length.choice("coding", ("binary", "hex", "text"), "binary")
    order, mask = length.choice("order", ORDERS, "big"), length.whole("mask", 0, 0, 1 << 62)
    read = text(decimals=0) if coding == "text" else integer(coding=coding, order=order, mask=mask)
    plus = length.whole("plus", 0, -64, LONGEST)
    if not table.has("length"):
        table.fault("frame.length is needed for kind 'length', for example {at = 1, size = 1, plus = 4}")
    length.close()

    def tell(buffer: bytes, begin: int) -> int:
        return int(read(buffer[begin + at : begin + at + size])[0]) + plus

    def tell_byte(buffer: bytes, begin: int) -> int:
        return buffer[begin + at] + plus

    if coding == "binary" and size == 1 and not mask:
        tell = tell_byte  # the commonest, and faster

    return Framing(kind="length", start=start, longest=longest, length=tell, head_size=at + size)


def read_check(table: Table, framing: Framing) -> Check:
    """Read [check]; where it stands and what it covers follows from the framing unless it is said."""
    kind = table.choice("kind", checks.KINDS, "xor")
    if not table.has("kind"):
        table.fault(f"check.kind is needed: {', '.join(checks.KINDS)}")
    coding = table.choice("coding", checks.CODINGS, "binary")
    least = 16 if kind == "fletcher" else 8
    compute, bits, name = _crc(table) if kind == "crc" else (None, least, kind)
    width = bits // 4 if coding == "hex" else -(-bits // 8)
    size = table.whole("size", 3 if coding == "decimal" else width, 1, 10)
    if compute is None:
        bits = 4 * size if coding == "hex" else 8 * size
        compute = checks.summing(kind, table.whole("init", 0, 0, 1 << 32), bits)
    if kind == "fletcher" and bits not in (16, 32):
        table.fault(f"check.size = {size} is neither of 16 nor of 32 bits")
    swapped = ("swapped",) if coding == "hex" else ()
    order = table.choice("order", ("big", "little", *swapped), "big")
    if order == "swapped" and size % 2:
        table.fault(f"check.order = 'swapped' needs pairs of digits, and check.size is {size}")
    at = table.whole("at", _check_at(framing, size), -4096, 4096)
    if -size < at < 0:
        table.fault(f"check.at = {at} leaves no room for {size} bytes before the message's end")
    check = Check(
        name=name,
        compute=compute,
        at=at,
        size=size,
        first=table.whole("from", framing.head, -4096, 4096),
        stop=table.whole("to", at, -4096, 4096),
        coding=coding,
        order=order,
        mask=table.whole("mask", (1 << min(bits, 64)) - 1 if coding != "decimal" else 0xFF, 1, (1 << 64) - 1),
    )
    table.close()
    return check


def _check_at(framing: Framing, size: int) -> int:
    trail = 0 if framing.unwrap else framing.trail
    return -trail if trail else -size - framing.tail


def _crc(table: Table) -> tuple[checks.Sum, int, str]:
    name = table.text("crc")
    try:
        compute, bits = checks.crc(name)
    except ValueError:
        table.fault(f"check.crc = {name!r} is not in the catalogue; {nearest(name, checks.catalogue())}")
        return checks.xor, 8, "xor"
    return compute, bits, name
