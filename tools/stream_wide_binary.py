"""Invented indicators of the wide family that send bytes: cuttings, integers and checks freely mixed."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, Scale, odd_design, scale_of

WHOLE = (("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2), ("kg", "0.01", 2), ("lb", "0.1", 1))
TENTHS = (("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2), ("lb", "0.1", 1))
SYNCS = (b"\xaa", b"\xaa\x55", b"\x5a\xa5", b"\xf0\x0f\x3c", b"\xeb\x90", b"\xfe", b"\x24\x57")


def integer(value: int, size: int, order: str, form: str) -> bytes:
    """An integer in one of the sign forms."""
    bits = 8 * size
    if form == "magnitude":
        value = abs(value) | (value < 0) << bits - 1
    elif form == "offset":
        value += 1 << bits - 1
    return (value & (1 << bits) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # one of two


def _sized(rng: Rng, sizes: tuple[int, ...] = (2, 3, 4)) -> tuple[Scale, Callable[[int], bytes]]:
    """A scale, and what writes a count of its steps."""
    size, order = rng.choice(sizes), rng.choice(("big", "little"))
    form = rng.choice(("twos", "twos", "magnitude", "offset"))
    scale = scale_of(rng, *(TENTHS if size == 2 else WHOLE))
    in_places = size > 2 and rng.random() < 0.5

    def write(count: int) -> bytes:
        value = round(count * scale.step * 10**scale.places) if in_places else count
        return integer(value, size, order, form)

    return scale, write


def _pads(rng: Rng) -> tuple[list[str], list[bytes]]:
    """Names and the bytes that say them; one pad is not named."""
    many = rng.choice((1, 1, 2, 3, 4))
    if many == 1:
        return [""], [b""]
    style = rng.choice(("small", "serial", "letter"))
    codes = {
        "small": [bytes([n + 1]) for n in range(many)],
        "serial": [bytes.fromhex(code) for code in ("0a31", "0a7f", "1103", "b2c4")[:many]],
        "letter": [bytes([65 + n]) for n in range(many)],
    }[style]
    return [code.hex() for code in codes], codes


def packets(rng: Rng) -> Design:
    """Sync bytes, pad, state bits, integer, perhaps a counter, check: of one size."""
    scale, number = _sized(rng)
    names, codes = _pads(rng)
    sync, counts, state_last = rng.choice(SYNCS), rng.random() < 0.5, rng.random() < 0.5
    bit, turn = 1 << rng.randrange(8), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.15)
    over_all = rng.random() < 0.3

    def encode(made: list[State]) -> bytes:
        s = made[0]
        state = bytes([bit if s.steady != turn else 0])
        value = number(s.count)
        body = codes[s.pad] + (value + state if state_last else state + value)
        body += bytes([s.seq & 0xFF]) if counts else b""
        return sync + body + write(sync + body if over_all else body)

    return odd_design("wide packets", scale, encode, pads=names, check=name)


def slipped(rng: Rng) -> Design:
    """SLIP: an integer or a float, pad, state, check."""
    scale, number = _sized(rng)
    if rng.random() < 0.4:
        order = rng.choice("<>")
        number = lambda count: struct.pack(order + "f", float(count * scale.step))  # noqa: E731  # one line
    names, codes = _pads(rng)
    name, write = any_check(rng, text=False, none=0.2)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = codes[s.pad] + bytes([0x11 if s.steady else 0x10]) + number(s.count) + bytes([s.seq & 0x3F])
        body += write(body)
        return body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"

    return odd_design("wide slipped", scale, encode, pads=names, check=name)


def cobs(data: bytes) -> bytes:
    """Consistent overhead byte stuffing of fewer than 255 bytes, with its end."""
    out = b""
    for block in data.split(b"\x00"):
        out += bytes([len(block) + 1]) + block
    return out + b"\x00"


def stuffed(rng: Rng) -> Design:
    """COBS: all pads in one message, or one a message; float or integer; check."""
    scale, number = _sized(rng)
    if rng.random() < 0.4:
        order = rng.choice("<>")
        number = lambda count: struct.pack(order + "f", float(count * scale.step))  # noqa: E731  # one line
    together = rng.random() < 0.5
    names = ["1", "2", "3", "4"][: rng.choice((2, 4))] if together else [""]
    name, write = any_check(rng, text=False, none=0.2)
    clock = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        body = (round(1000 * made[0].t_s) + 70_000).to_bytes(4, "little") if clock else b""
        body += bytes([0x40 | all(s.steady for s in made)])
        body += b"".join(number(s.count) for s in made)
        return cobs(body + write(body))

    return odd_design("wide stuffed", scale, encode, pads=names, together=together, check=name)


def sized(rng: Rng) -> Design:
    """A start, a length, a kind, pads side by side each with its state, check; other kinds between."""
    scale, number = _sized(rng)
    names = ["1", "2", "3", "4"][: rng.choice((1, 2, 4))]
    start, extra = rng.choice((b"\x7e", b"\x68", b"\xfa\xf5")), rng.randrange(0, 4)
    name, write = any_check(rng, text=False, none=0.0)
    others, with_id = rng.random() < 0.5, rng.random() < 0.5

    def wrap(kind: int, body: bytes) -> bytes:
        size = len(body) + 1 + (extra if extra != 1 else len(write(b"")))
        body = bytes([size, kind]) + body
        return start + body + write(body)

    def encode(made: list[State]) -> bytes:
        body = b"".join(
            (bytes([s.pad + 1]) if with_id else b"") + bytes([0x01 if s.steady else 0x81]) + number(s.count)
            for s in made
        )
        tell = wrap(0x44, struct.pack("<Hb", 3900 - int(made[0].t_s), -60 - made[0].seq % 3))
        return wrap(0x21, body) + (tell if others and made[0].seq % 7 == 3 else b"")

    return odd_design(
        "wide sized", scale, encode, pads=names if len(names) > 1 else [""], together=True, check=name
    )


def decimal(rng: Rng) -> Design:
    """Packed decimal, either end first, sign as a nibble or a byte, unit code and state bits in bytes."""
    scale = scale_of(rng, *TENTHS, ("kg", "1", 0))
    size, low_first = rng.choice((3, 4)), rng.random() < 0.5
    style = rng.choice(("nibble first", "nibble last", "byte"))
    plus, minus = rng.choice(((0xA, 0xB), (0xC, 0xD), (0x0, 0x1)))
    sync = rng.choice(SYNCS)
    names, codes = _pads(rng)
    name, write = any_check(rng, text=False, none=0.1)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        value = abs(round(s.count * scale.step * 10**scale.places))
        sign = f"{minus if s.count < 0 else plus:X}"
        if style == "byte":
            packed, lead = bytes.fromhex(f"{value:0{2 * size}d}"), bytes.fromhex("0" + sign)
        else:
            digits = f"{value:0{2 * size - 1}d}"
            packed, lead = bytes.fromhex(sign + digits if style == "nibble first" else digits + sign), b""
        packed = packed[::-1] if low_first else packed
        body = codes[s.pad] + bytes([0x50 | (0x08 if s.steady else 0x02)]) + lead + packed
        return sync + body + write(body)

    below = ["below zero"] if style == "byte" else []
    return odd_design("wide decimal", scale, encode, pads=names, check=name, features=below)


def kinds_apart(rng: Rng) -> Design:
    """Two kinds of message of different length behind one sync: loads often, battery and signal seldom."""
    scale, number = _sized(rng)
    sync = rng.choice((b"\xaa\x55", b"\x5a\xa5", b"\xeb\x90"))
    names, codes = _pads(rng)
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = b"\x01" + codes[s.pad] + bytes([0x10 if s.steady else 0x00]) + number(s.count)
        out = sync + body + write(body)
        if s.seq % 11 == 4:
            tell = (
                b"\x07" + codes[s.pad] + struct.pack(">HbBH", 3870 - int(s.t_s), -71 + s.seq % 4, 24, s.seq)
            )
            out += sync + tell + write(tell)
        return out

    return odd_design("wide kinds apart", scale, encode, pads=names, check=name)


def flagged(rng: Rng) -> Design:
    """One byte of flags holds sign, claim and unit; the number is a magnitude."""
    size, order = rng.choice((2, 3)), rng.choice(("big", "little"))
    scale = scale_of(rng, *TENTHS)
    sign, still, pound = rng.sample((0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x40, 0x80), 3)
    sync = rng.choice(SYNCS)
    names, codes = _pads(rng)
    name, write = any_check(rng, text=False, none=0.1)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        flags = (sign if s.count < 0 else 0) | (still if s.steady else 0)
        flags |= pound if scale.unit == "lb" else 0
        body = codes[s.pad] + bytes([flags]) + abs(s.count).to_bytes(size, order)  # type: ignore[arg-type]  # one of two
        return sync + body + write(body)

    return odd_design("wide flagged", scale, encode, pads=names, check=name, features=["below zero"])


def floating(rng: Rng) -> Design:
    """A float of any word order, with battery, signal and temperature beside it."""
    scale = scale_of(rng, *WHOLE)
    order = rng.choice(("big", "little", "words"))
    sync = rng.choice(SYNCS)
    names, codes = _pads(rng)
    name, write = any_check(rng, text=False, none=0.1)
    tell_last = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = struct.pack("<f" if order == "little" else ">f", float(s.count * scale.step))
        number = number[2:] + number[:2] if order == "words" else number
        tell = struct.pack("<Hbb", 4020 - int(s.t_s * 2), -66 + s.seq % 3, 19 + int(s.t_s) // 9)
        body = codes[s.pad] + bytes([2 | s.steady])
        body += number + tell if tell_last else tell + number
        return sync + body + write(body)

    return odd_design("wide floating", scale, encode, pads=names, check=name)


def abreast(rng: Rng) -> Design:
    """All pads in one fixed message behind a sync: states first or between, total behind, check."""
    scale, number = _sized(rng)
    names = ["1", "2", "3", "4"][: rng.choice((2, 3, 4))]
    sync, first, total = rng.choice(SYNCS), rng.random() < 0.5, rng.random() < 0.3
    name, write = any_check(rng, text=False, none=0.1)

    def encode(made: list[State]) -> bytes:
        states = [bytes([0x80 if s.steady else 0x00]) for s in made]
        values = [number(s.count) for s in made]
        body = b"".join(
            states + values if first else [part for pair in zip(states, values, strict=True) for part in pair]
        )
        body += number(sum(s.count for s in made)) if total else b""
        return sync + body + write(body)

    return odd_design("wide abreast", scale, encode, pads=names, together=True, check=name)


BINARIES: tuple[Callable[[random.Random], Design], ...] = (
    packets,
    slipped,
    stuffed,
    sized,
    decimal,
    kinds_apart,
    flagged,
    floating,
    abreast,
)
