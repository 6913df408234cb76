"""Invented indicators of a third family that send bytes: told lengths, odd spans, nibbles, structs."""

from __future__ import annotations

import struct

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, odd_design, scale_of

from drivers import checks, escapes

FINE = (("kg", "0.1", 1), ("kg", "0.02", 2), ("kg", "0.05", 2), ("lb", "0.1", 1))


def told_span(rng: Rng) -> Design:
    """A told length, a kind, and a CRC-16 over another span than usual; other kinds come between."""
    scale, pads = scale_of(rng, *FINE), rng.choice(([""], ["1", "2"], ["1", "2", "3", "4"]))
    crc = rng.choice(("CRC16-MODBUS", "CRC16-XMODEM", "CRC16-KERMIT", "CRC16-IBM-3740"))
    compute, first = checks.crc(crc)[0], rng.choice((0, 1, 2, 3))
    order, counts_all = rng.choice(("big", "little")), rng.random() < 0.5
    size = rng.choice((3, 4))

    def framed(kind: int, body: bytes) -> bytes:
        told = len(body) + (6 if counts_all else 1)
        data = bytes([0x7E, 0x81, told, kind]) + body
        return data + compute(data[first:]).to_bytes(2, order)  # type: ignore[arg-type]  # one of two

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # as above
        data = framed(0x10, bytes([s.pad + 1, s.seq & 0xFF]) + number + bytes([s.steady]))
        if s.seq % 20 == 3:
            data = framed(0x22, b"fw" + bytes([2, s.seq // 20 & 0xFF, 200, 201, 7, 8, 9])) + data
        return data

    return odd_design("far told span", scale, encode, pads=pads, check=crc)


def nibbles(rng: Rng) -> Design:
    """Packed decimal: either end first, sign and decimal places in a byte of their own."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    size, order, swapped = rng.choice((3, 4)), rng.choice(("big", "little")), rng.random() < 0.25
    name, write = any_check(rng, text=False, none=0.1)
    sync = rng.choice((b"\xff", b"\x02", b"\xf5\x5f"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        digits = f"{abs(s.count):0{2 * size}d}"
        if swapped:
            digits = "".join(digits[n + 1] + digits[n] for n in range(0, len(digits), 2))
        packed = bytes.fromhex(digits)
        packed = packed[::-1] if order == "little" else packed
        status = scale.places | (0x20 if s.count < 0 else 0) | (0 if s.steady else 0x40)
        return sync + bytes([status]) + packed + write(bytes([status]) + packed)

    return odd_design(f"far nibbles{' swapped' * swapped}", scale, encode, check=name)


def escaped_float(rng: Rng) -> Design:
    """Escaped messages with a float, its words in any order, and a time."""
    scale, pads = scale_of(rng, *FINE), rng.choice(([""], ["1", "2"], ["1", "2", "3"]))
    kind, order = rng.choice(("slip", "cobs", "hdlc")), rng.choice(("big", "little", "swapped"))
    name, write = any_check(rng, text=False, none=0.1)
    clock = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = struct.pack(">f", float(s.count * scale.step))
        number = {"big": number, "little": number[::-1], "swapped": number[2:] + number[:2]}[order]
        body = bytes([s.pad + 1]) + (struct.pack("<I", int(1000 * s.t_s)) if clock else b"") + number
        body += bytes([0x03 if s.steady else 0x02])
        return (b"\xc0" if kind == "slip" else b"") + escapes.WRAP[kind](body + write(body))

    return odd_design(f"far escaped {kind}", scale, encode, pads=pads, check=name)


def structs(rng: Rng) -> Design:
    """Pads side by side, each with its own number, claim and signal, behind how many they are."""
    scale, count = scale_of(rng, *FINE), rng.choice((2, 3, 4))
    size, order = rng.choice((2, 3, 4)), rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        body = bytes([count])
        for s in made:
            number = (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # one of two
            body += bytes([s.pad + 1]) + number + bytes([s.steady, 90 + rng.randrange(4)])
        return b"\xab\xcd" + body + write(body)

    pads = [str(n + 1) for n in range(count)]
    return odd_design("far structs", scale, encode, pads=pads, together=True, check=name, says_steady=False)


def no_start(rng: Rng) -> Design:
    """Messages of one size without any start, several pads in turn, a CRC behind."""
    scale, pads = scale_of(rng, *FINE), rng.choice((["1", "2"], ["1", "2", "3"], ["1", "2", "3", "4"]))
    name = rng.choice(("CRC8-SMBUS", "CRC16-MODBUS", "CRC8-MAXIM-DOW", "xor", "sum"))
    compute, bits = checks.crc(name) if "CRC" in name else (checks.summing(name), 8)
    size = rng.choice((2, 3, 4))
    spare = rng.choice((0, 1, 2))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = bytes([0x10 * (s.pad + 1), 0x40 | s.steady]) + bytes(spare)
        body += (s.count & (1 << 8 * size) - 1).to_bytes(size, "big")
        return body + (compute(body) & (1 << bits) - 1).to_bytes(bits // 8, "little")

    return odd_design("far no start", scale, encode, pads=pads, check=name)


def turns(rng: Rng) -> Design:
    """Several pads in turn, one sync, a running number for all; strict order from pad to pad."""
    scale, count = scale_of(rng, *FINE), rng.choice((2, 3, 4))
    size, order = rng.choice((2, 3, 4)), rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.2)
    shared = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # one of two
        running = s.seq if shared else s.seq // count
        body = bytes([0xA0 + s.pad, running & 0xFF]) + number + bytes([0x0C | s.steady])
        return b"\x68" + body + write(body)

    pads = [str(n + 1) for n in range(count)]
    return odd_design("far turns", scale, encode, pads=pads, check=name)


def bits_above(rng: Rng) -> Design:
    """Twenty bits of number below four bits of state, or claim and pad above fourteen."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.05", 2))
    order, wide = rng.choice(("big", "little")), rng.random() < 0.6
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        if wide:
            number = (s.count & 0xFFFFF) | (0x900000 if s.steady else 0x100000)
            body = number.to_bytes(3, order)  # type: ignore[arg-type]  # one of two
        else:
            number = (s.count & 0x3FFF) | (0x8000 if s.steady else 0)
            body = number.to_bytes(2, order)  # type: ignore[arg-type]  # as above
        return b"\xb1\x1b" + bytes([s.seq & 0x0F]) + body + write(body)

    return odd_design("far bits above", scale, encode, check=name)


def fletcher(rng: Rng) -> Design:
    """A check that no catalogue here has (two sums modulo 255): it may be read without, never wrongly."""
    scale, order = scale_of(rng, *FINE), rng.choice(("big", "little"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = bytes([0x11, s.steady]) + (s.count & 0xFFFFFFFF).to_bytes(4, order)  # type: ignore[arg-type]  # one of two
        a = b = 0
        for byte in body:
            a = (a + byte) % 255
            b = (b + a) % 255
        return b"\x3c\xc3" + body + bytes([a, b])

    return odd_design("far fletcher", scale, encode, check="fletcher")


def stamped(rng: Rng) -> Design:
    """A long message: name in letters, clock, number, its raw counts, temperature, check; pads by name."""
    scale, pads = scale_of(rng, *FINE), rng.choice(([""], ["UNITA", "UNITB"]))
    name, write = any_check(rng, text=False, none=0.1)
    raw_first = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        raw = 401_220 + round(float(s.count * scale.step) * 1713.3) + rng.randrange(-9, 9)
        number, counts = struct.pack(">i", s.count), struct.pack(">i", raw)
        body = (pads[s.pad] or "UNITX").encode() + struct.pack(">I", int(1000 * s.t_s) + 91_000)
        body += counts + number if raw_first else number + counts
        body += struct.pack(">hB", 2140 + s.seq // 40, s.steady)
        return b"\x01\x99" + body + write(body)

    return odd_design("far stamped", scale, encode, pads=pads, check=name)


def text_in_frame(rng: Rng) -> Design:
    """Text between SOH … STX … ETX … EOT, pad in the head, LRC behind."""
    scale, pads = scale_of(rng), rng.choice(([""], ["01", "02"], ["A", "B", "C"]))
    width = rng.choice((7, 8))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        said = "S" if s.steady else "U"
        body = f"\x01{pads[s.pad] or '07'}\x02{said}{scale.text(s.count):>{width}}{scale.unit}\x03"
        return body.encode() + bytes([checks.xor(body[1:].encode())]) + b"\x04"

    return odd_design("far text in frame", scale, encode, pads=pads, check="xor")


def big_values(rng: Rng) -> Design:
    """Grams or milligrams in 32 bits, or tonnes as a double."""
    kind = rng.choice(("g", "mg", "t"))
    scale = scale_of(rng, {"g": ("g", "20", 0), "mg": ("mg", "10000", 0), "t": ("t", "0.0001", 4)}[kind])
    name, write = any_check(rng, text=False, none=0.1)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = struct.pack("<i", s.count * int(scale.step)) if kind != "t" else b""
        number = number or struct.pack("<d", float(s.count * scale.step))
        body = bytes([0x0F if s.steady else 0x0E]) + number
        return b"\xa7\x7a" + body + write(body)

    return odd_design(f"far big {kind}", scale, encode, check=name)


BINARIES = (
    told_span,
    nibbles,
    escaped_float,
    structs,
    no_start,
    turns,
    bits_above,
    fletcher,
    stamped,
    text_in_frame,
    big_values,
)
