"""Odd indicators that send bytes: half-byte addresses, escapes by DLE, eight bytes, odd checks and syncs."""

from __future__ import annotations

import struct

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, odd_design, scale_of

from drivers import checks


def point_told(rng: Rng) -> Design:
    """An integer, and beside it how many decimal places it has."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    binary = rng.random() < 0.5
    size, order = rng.choice((3, 4)), rng.choice(("big", "little"))
    _, write = any_check(rng, text=False, none=0.0)
    name = "none"
    if binary:
        name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        count = s.count * int(scale.step * 10**scale.places)
        if binary:
            body = bytes([scale.places, 0x21 if s.steady else 0x20])
            body += (count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # one of two
            return b"\x96\x69" + body + write(body)
        return f"\x02{count:+07d}{scale.places}{'=' if s.steady else '#'}{scale.unit}\r".encode()

    return odd_design("odd point told", scale, encode, check=name)


def half_bytes(rng: Rng) -> Design:
    """Pad and flags share a byte."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2))
    count_of = rng.choice((2, 3, 4))
    high, order = rng.random() < 0.5, rng.choice(("big", "little"))
    size = rng.choice((2, 3, 4))
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        flags = 0x4 if s.steady else 0x1
        first = (s.pad + 1) << 4 | flags if high else flags << 4 | s.pad + 1
        body = bytes([first]) + (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # as above
        return b"\xc3" + body + write(body)

    pads = [str(n + 1) for n in range(count_of)]
    return odd_design("odd half bytes", scale, encode, pads=pads, check=name)


def eight_bytes(rng: Rng) -> Design:
    """An integer of eight bytes."""
    scale = scale_of(rng, ("kg", "0.001", 3), ("kg", "0.01", 2), ("kg", "0.1", 1))
    order, tail = rng.choice(("big", "little")), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 64) - 1).to_bytes(8, order)  # type: ignore[arg-type]  # one of two
        flags = bytes([0x80 if s.steady else 0x00])
        body = number + flags if tail else flags + number
        return b"\xe1\x1e" + body + write(body)

    return odd_design("odd eight bytes", scale, encode, check=name)


def dle(rng: Rng) -> Design:
    """DLE STX … DLE ETX, with DLE doubled inside."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.02", 2))
    size, order = rng.choice((2, 4)), rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.3)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = bytes([0x31 if s.steady else 0x30, s.seq & 0xFF])
        body += (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # as above
        body += write(body)
        return b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03"

    return odd_design("odd dle", scale, encode, check=name)


def signed_bit(rng: Rng) -> Design:
    """The sign is a bit of a status character."""
    scale = scale_of(rng)
    digits = rng.choice((5, 6, 7))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        status = 0x40 | (0x01 if s.count < 0 else 0) | (0x08 if s.steady else 0)
        count = abs(s.count) * int(scale.step * 10**scale.places)
        return bytes([0x02, status]) + f"{count:0{digits}d}".encode() + b"\r"

    return odd_design("odd signed bit", scale, encode)


def reversed_bcd(rng: Rng) -> Design:
    """Packed decimal, lowest byte first, sign in a nibble of its own."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    size, nibble = rng.choice((3, 4)), rng.choice((("C", "D"), ("0", "1"), ("F", "B")))
    name, write = any_check(rng, text=False, none=0.0)
    last = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        sign, digits = nibble[s.count < 0], f"{abs(s.count):0{2 * size - 1}d}"
        packed = bytes.fromhex(digits + sign if last else sign + digits)[::-1]
        body = bytes([0x10 if s.steady else 0x11]) + packed
        return b"\xd2\x2d" + body + write(body)

    return odd_design("odd reversed bcd", scale, encode, check=name)


def long_sync(rng: Rng) -> Design:
    """A sync of four bytes, a clock of four bytes, a byte that jumps at random."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.02", 2), ("lb", "0.1", 1))
    order = rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.2)
    sync = rng.choice((b"\xde\xed\xbe\xa7", b"\x7f\x00\x7f\x00", b"WGHT"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        clock = (int(1000 * s.t_s) + 500_000).to_bytes(4, order)  # type: ignore[arg-type]  # one of two
        number = (s.count & 0xFFFFFFFF).to_bytes(4, order)  # type: ignore[arg-type]  # as above
        body = clock + number + bytes([s.steady, rng.randrange(256)])
        return sync + body + write(body)

    return odd_design("odd long sync", scale, encode, check=name)


def modbus_like(rng: Rng) -> Design:
    """Answers as on a Modbus line that somebody else polls: unit, function, count, registers, CRC."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.01", 2))
    swapped, units = rng.random() < 0.5, rng.choice((1, 2, 4))
    compute = checks.crc("CRC16-MODBUS")[0]

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & 0xFFFFFFFF).to_bytes(4, "big")
        number = number[2:] + number[:2] if swapped else number
        body = bytes([s.pad + 1, 3, 6]) + number + bytes([0, 1 if s.steady else 0])
        return body + compute(body).to_bytes(2, "little")

    pads = [str(n + 1) for n in range(units)] if units > 1 else [""]
    return odd_design("odd registers", scale, encode, pads=pads, check="CRC16-MODBUS")


def float_text(rng: Rng) -> Design:
    """A float of full length in text, or of 64 bits."""
    scale = scale_of(rng, ("kg", "0.01", 2), ("kg", "0.1", 1))
    kind = rng.choice(("long", "double"))
    name, write = any_check(rng, text=False, none=0.0) if kind == "double" else ("none", bytes)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = float(s.count * scale.step)
        if kind == "long":
            return f"w={number:.6f} u={scale.unit} ok={int(s.steady)}\r\n".encode()
        body = struct.pack(">Bd", s.steady, number)
        return b"\xb4\x4b" + body + write(body)

    return odd_design("odd float", scale, encode, check=name)
