"""Invented indicators that send binary messages."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from fractions import Fraction

from stream_kit import Design, State, any_check, some_pads

from drivers import escapes


def value_bytes(rng: random.Random) -> tuple[Callable[[int], bytes], str, Fraction, list[str]]:
    """A binary coding of a count: the function, unit, step and features."""
    kind = rng.choice(("int", "int", "int", "float", "bcd", "int16"))
    unit = rng.choice(("kg", "kg", "lb"))
    order = rng.choice(("big", "little"))
    step = Fraction(rng.choice(("0.01", "0.02", "0.1", "0.05", "0.2")))
    if kind == "float":
        letter = ">f" if order == "big" else "<f"
        return (lambda count: struct.pack(letter, float(count * step))), unit, step, ["float", order]
    if kind == "bcd":
        size = rng.choice((3, 4))

        def packed(count: int) -> bytes:
            text = ("1" if count < 0 else "0") + f"{abs(count):0{2 * size - 1}d}"
            data = bytes.fromhex(text)
            return data if order == "big" else data[::-1]

        step = Fraction(rng.choice(("0.01", "0.1")))
        return packed, unit, step, [f"bcd {size}", order]
    size = 2 if kind == "int16" else rng.choice((3, 4))
    step = Fraction(rng.choice(("0.1", "0.05", "0.02"))) if size == 2 else step
    form = rng.choice(("twos", "twos", "magnitude", "offset"))
    top = 1 << (8 * size - 1)

    def integer(count: int) -> bytes:
        if form == "offset":
            number = count + top
        elif form == "magnitude":
            number = abs(count) | (top if count < 0 else 0)
        else:
            number = count & (2 * top - 1)
        return number.to_bytes(size, order)  # type: ignore[arg-type]  # one of two

    return integer, unit, step, [f"int{8 * size} {form}", order]


def binary(rng: random.Random) -> Design:
    """Framed binary messages of fields in any order."""
    frame = rng.choice(("fixed", "fixed", "slip", "cobs", "hdlc", "hex", "length"))
    put, unit, step, features = value_bytes(rng)
    pads = some_pads(rng)
    sync = rng.choice((b"\xaa\x55", b"\xa5", b"\xfe\xfe", b"\x5a"))
    steady_bit = rng.randrange(5)
    base = rng.choice((0x00, 0x80, 0x40)) & ~(1 << steady_bit)
    set_when_moving = rng.random() < 0.5
    check, write = any_check(rng, text=False, none=0.15 if frame == "fixed" else 0.3)
    counter, battery = rng.random() < 0.4, rng.random() < 0.3
    tail = rng.random() < 0.5
    over_sync = rng.random() < 0.4

    def encode(made: list[State]) -> bytes:
        state = made[0]
        flags = base | ((state.steady != set_when_moving) << steady_bit)
        parts = [bytes([state.pad + 1])] if len(pads) > 1 else []
        parts += [] if tail else [bytes([flags])]
        parts += [put(state.count)]
        parts += [bytes([flags])] if tail else []
        parts += [bytes([state.seq & 0xFF])] if counter else []
        parts += [bytes([74 - int(state.t_s / 9)])] if battery else []
        return wrapped(frame, sync, b"".join(parts), write, over_sync)

    chatter = []
    if frame == "length" and check != "none":
        chatter = [
            wrapped(frame, sync, bytes([0xE0, 3, 9, n, 1, 7, 7, 2, 1]), write, over_sync) for n in range(3)
        ]
    return Design(
        shape=f"binary {frame}",
        unit=unit,
        step=step,
        pads=[str(n + 1) for n in pads] if len(pads) > 1 else [""],
        together=False,
        encode=encode,
        check=check,
        chatter=chatter,
        features=[
            *features,
            f"sync {sync.hex()}",
            *(["counter"] if counter else []),
            *(["battery"] if battery else []),
        ],
    )


def wrapped(frame: str, sync: bytes, body: bytes, write: Callable[[bytes], bytes], over_sync: bool) -> bytes:
    """Put a body into a frame with its check."""
    if frame == "fixed":
        head = sync if over_sync else b""
        return sync + body + write(head + body)
    if frame == "length":
        told = bytes([len(body) + len(write(body))])
        return sync + told + body + write(told + body)
    message = body + write(body)
    if frame == "hex":
        return b"<" + message.hex().upper().encode() + b">\r\n"
    return (b"\xc0" if frame == "slip" else b"") + escapes.WRAP[frame](message)


def binary_together(rng: random.Random) -> Design:
    """Four pads in one binary message; each is loaded in turn."""
    size = rng.choice((2, 3, 4))
    order = rng.choice(("big", "little"))
    step = Fraction(rng.choice(("0.1", "0.05", "0.02")))
    check, write = any_check(rng, text=False, none=0.0)
    count = rng.choice((2, 4))

    def encode(made: list[State]) -> bytes:
        flags = sum(state.steady << n for n, state in enumerate(made)) and (
            0x10 if all(s.steady for s in made) else 0
        )
        values = b"".join((state.count & (1 << 8 * size) - 1).to_bytes(size, order) for state in made)  # type: ignore[arg-type]  # one of two
        body = bytes([flags]) + values
        return b"\xa5\x5a" + body + write(body)

    return Design(
        shape="binary together",
        unit="kg",
        step=step,
        pads=[str(n + 1) for n in range(count)],
        together=True,
        encode=encode,
        check=check,
        features=[f"int{8 * size}", order],
    )
