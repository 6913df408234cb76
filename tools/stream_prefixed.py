"""Invented indicators whose messages tell their length and have nothing else that says where one begins."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable

from stream_apart import FINE, of_short_session, placed
from stream_kit import Design, State, Stream, any_check
from stream_odd_kit import Rng, odd_design, scale_of
from stream_wide_binary import integer


def _length(rng: Rng, check_size: int, ahead: int) -> Callable[[bytes], bytes]:
    """What puts a length before (or behind the first bytes of) a body: it counts all of it or a part."""
    size, order = rng.choice(((1, "big"), (1, "big"), (2, "big"), (2, "little")))
    counts = rng.choice(("rest", "whole", "body"))

    def put(body: bytes) -> bytes:
        told = len(body) - ahead
        told += {"rest": check_size, "whole": check_size + size + ahead, "body": 0}[counts]
        return body[:ahead] + told.to_bytes(size, order) + body[ahead:]  # type: ignore[arg-type]  # one of two

    return put


def _note(made: list[State]) -> bytes | None:
    """What comes now and then beside the loads: battery and signal, or a longer sign of life."""
    seq = made[0].seq
    if seq % 9 == 4:
        return struct.pack(">Hb", 3920 - seq // 40, -60 - seq % 3)
    return b"\x01\x04\x02\x00" + struct.pack("<H", seq) + b"\x19\x07" if seq % 31 == 12 else None


def kinds(rng: Rng) -> Design:
    """Length, kind, pad, state, integer or float, check; battery and signs of life apart."""
    scale, order = scale_of(rng, *FINE), rng.choice(("big", "little"))
    pads, real = ["1", "2", "3", "4"][: rng.choice((1, 1, 2, 4))], rng.random() < 0.3
    size, form = rng.choice((2, 3, 4)), rng.choice(("twos", "twos", "magnitude", "offset"))
    name, write = any_check(rng, text=False, none=0.25)
    put = _length(rng, len(write(b"")), rng.choice((0, 0, 0, 1)))
    still, moves = rng.sample(range(1, 200), 2)

    def number(s: State) -> bytes:
        if real:
            return struct.pack(">f" if order == "big" else "<f", float(s.count * scale.step))
        return integer(placed(scale, s.count) if size == 4 else s.count, size, order, form)

    def framed(body: bytes) -> bytes:
        body = put(body)
        return body + write(body)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        pad = bytes([s.pad + 1]) if len(pads) > 1 else b""
        out = framed(b"\x31" + pad + bytes([still if s.steady else moves]) + number(s))
        note = _note(made)
        return out if note is None else out + framed(b"\x5e" + pad + note)

    return odd_design("prefixed kinds", scale, encode, pads=pads if len(pads) > 1 else [""], check=name)


def abreast(rng: Rng) -> Design:
    """Length, kind, all pads side by side each with its state, counter, check; other kinds between."""
    scale, order = scale_of(rng, *FINE), rng.choice(("big", "little"))
    pads, size = ["1", "2", "3", "4"][: rng.choice((2, 4))], rng.choice((3, 4))
    name, write = any_check(rng, text=False, none=0.15)
    put = _length(rng, len(write(b"")), 0)
    counts = rng.random() < 0.5

    def framed(body: bytes) -> bytes:
        body = put(body)
        return body + write(body)

    def encode(made: list[State]) -> bytes:
        body = b"".join(
            bytes([0x40 | s.steady]) + integer(placed(scale, s.count), size, order, "twos") for s in made
        )
        out = framed(b"\xb7" + body + (bytes([made[0].seq & 0xFF]) if counts else b""))
        note = _note(made)
        return out if note is None else out + framed(b"\xb8" + note)

    return odd_design("prefixed abreast", scale, encode, pads=pads, together=True, check=name)


def texts(rng: Rng) -> Design:
    """A length in a byte or two, then text whose numbers are as long as they are; check in characters."""
    scale, words = scale_of(rng, *FINE), rng.choice((("S", "D"), ("ok", "--"), ("=", "?")))
    pads, gap = ["a", "b", "c", "d"][: rng.choice((1, 2, 4))], rng.choice((" ", ",", ":"))
    name, write = any_check(rng, text=True, none=0.4)
    put = _length(rng, len(write(b"")), 0)

    def framed(text: str) -> bytes:
        body = put(text.encode())
        return body + write(body)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        pad = pads[s.pad] + gap if len(pads) > 1 else ""
        out = framed(f"{pad}{words[0 if s.steady else 1]}{gap}{scale.text(s.count)}{gap}{scale.unit}")
        return out if s.seq % 13 else out + framed(f"bat{gap}{3.9 - s.seq // 60 / 100:.2f}V")

    return odd_design("prefixed texts", scale, encode, pads=pads if len(pads) > 1 else [""], check=name)


PREFIXED: tuple[Callable[[random.Random], Design], ...] = (kinds, abreast, texts)


def make_prefixed(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream of this family from its seed, of at least so many seconds."""
    rng = random.Random(f"prefixed {seed}")
    design = PREFIXED[seed % len(PREFIXED)](rng)
    each = design.together  # a pad abreast of others that never stirs is nothing that anybody can tell
    return of_short_session(rng, design, f"p{seed:05d}", least_s, 250, each=each)
