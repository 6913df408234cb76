"""Invented indicators of the strange family: what nobody thinks of twice, in 20 s of 10 messages a second.

Written without looking at how learning works: gross, tare and net of a tared pad, signs as letters or in
brackets, a pad's letter whose case is the claim, a bit for each pad, kinds of message by type, hexadecimal
fields, told lengths in digits, questions and answers in text, lists in JSON, bare numbers with headings,
swapped words, bytes with parity in their highest bit.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable

from stream_apart import FINE, of_short_session, placed
from stream_kit import Design, State, Stream, any_check
from stream_odd_kit import Rng, odd_design, scale_of
from stream_wide_binary import cobs, integer

from drivers import escapes


def _names(rng: Rng, names: list[str]) -> list[str]:
    """No name, or two or four."""
    return names[: rng.choice((2, 4))] if rng.random() < 0.5 else [""]


def ticket(rng: Rng) -> Design:
    """Gross, tare and net of a pad that was tared with something on it: the net is what shows 0."""
    scale = scale_of(rng, *FINE, ("kg", "0.5", 1))
    tare, mark = rng.randrange(25, 160), rng.choice((";", " ", ",", "/"))
    order, keys = rng.sample(range(3), 3), rng.random() < 0.5
    words, end = rng.choice((("st", "mo"), ("0", "4"), ("fix", "mov"))), rng.choice((b"\r\n", b"\r"))
    name, write = any_check(rng, text=True, none=0.5)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        numbers = [scale.text(s.count + tare, "7"), scale.text(tare, "7"), scale.text(s.count, "7")]
        told = [f"{'GTN'[n]}{numbers[n]}" if keys else numbers[n].strip() for n in order]
        body = mark.join([words[0 if s.steady else 1], *told, scale.unit]).encode()
        return body + (mark.encode() + write(body) if name != "none" else b"") + end

    return odd_design("strange ticket", scale, encode, check=name)


def lettered_signs(rng: Rng) -> Design:
    """The sign as a letter, a word or brackets; digits with a point that is sent or not; units as codes."""
    scale, width = scale_of(rng, *FINE), rng.choice((5, 6, 7))
    signs = rng.choice((("P", "N"), ("A", "B"), ("", "("), ("0", "1"), ("pos ", "neg ")))
    point, code = rng.random() < 0.6, rng.choice(("", "1", "k", "U0"))
    start, end = rng.choice(((b"\x02", b"\x03"), (b"", b"\r"), (b"<", b">"), (b"!", b"\r\n")))
    claim, pads = rng.choice((("S", "U"), ("+", "*"), ("1", "2"))), _names(rng, ["A", "B", "C", "D"])
    name, write = any_check(rng, text=True, none=0.4)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = placed(scale, abs(s.count))
        text = f"{number / 10**scale.places:0{width}.{scale.places}f}" if point else f"{number:0{width}d}"
        close = (")" if s.count < 0 else " ") if signs[1] == "(" else ""
        lead = signs[1] if s.count < 0 else signs[0] or " "
        body = f"{pads[s.pad]}{claim[0 if s.steady else 1]}{lead}{text}{close}{code}".encode()
        return start + body + write(body) + end

    return odd_design("strange lettered signs", scale, encode, check=name, pads=pads)


def case_claims(rng: Rng) -> Design:
    """A pad's letter, small while it moves; numbers as long as they are, or of fixed width."""
    scale, end = scale_of(rng, *FINE), rng.choice((b"\r\n", b"\n", b";"))
    pads, wide = ["A", "B", "C", "D"][: rng.choice((1, 2, 4))], rng.choice(("", "8", "+8"))
    gap, unit = rng.choice(("", " ", ":")), rng.random() < 0.6
    battery = rng.random() < 0.4

    def encode(made: list[State]) -> bytes:
        s = made[0]
        letter = pads[s.pad] if s.steady else pads[s.pad].lower()
        text = f"{letter}{gap}{scale.text(s.count, wide)}{scale.unit if unit else ''}"
        return (text + (f" {94 - int(s.t_s / 9)}%" if battery else "")).encode() + end

    return odd_design("strange case claims", scale, encode, pads=pads)


def bit_each(rng: Rng) -> Design:
    """All pads in one message of fixed size, a byte with a bit of standing for each, temperature, counter."""
    scale, many = scale_of(rng, *FINE), rng.choice((2, 3, 4))
    size, order, form = rng.choice((2, 3, 4)), rng.choice(("big", "little")), rng.choice(("twos", "offset"))
    sync, ahead = rng.choice((b"\x91", b"\x3c\xc3", b"WL", b"\xff\x5a")), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.1)
    warm = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        bits = bytes([sum((1 << s.pad) * s.steady for s in made)])
        numbers = b"".join(integer(s.count, size, order, form) for s in made)
        body = bits + numbers if ahead else numbers + bits
        body += struct.pack(">h", 214 + made[0].seq // 40) if warm else b""
        body += bytes([made[0].seq & 0xFF])
        return sync + body + write(body)

    names = ["1", "2", "3", "4"][:many]
    return odd_design("strange bit each", scale, encode, pads=names, together=True, check=name)


def typed_floats(rng: Rng) -> Design:
    """A sync and a type: loads as floats or integers, now and then the link's state in a message as long."""
    scale, order = scale_of(rng, *FINE, ("kg", "0.01", 2)), rng.choice("<>")
    sync, real = rng.choice((b"\xd5", b"\xc5\x5c", b"\x0f\xf0")), rng.random() < 0.6
    pads, serial = _names(rng, ["1", "2", "3", "4"]), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.0)
    often = rng.choice((5, 9, 16))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        pad = struct.pack("<H", 0x4A10 + 3 * s.pad) if serial else bytes([s.pad])

        def message(kind: int, body: bytes) -> bytes:
            body = bytes([kind]) + pad + body
            return sync + body + write(body)

        number = float(s.count * scale.step)
        told = struct.pack(order + "f", number) if real else struct.pack(order + "i", placed(scale, s.count))
        out = message(1, told + bytes([2 if s.steady else 0]))
        if s.seq % often == 2:
            out += message(2, struct.pack(order + "HBBB", 3910 - s.seq // 30, 200 - s.seq % 4, 35, 0))
        return out

    return odd_design("strange typed floats", scale, encode, pads=pads, check=name)


def doubled_marks(rng: Rng) -> Design:
    """DLE STX … DLE ETX, SLIP or HDLC about address, state, decimals and a number of 32 bits, two kinds."""
    scale, order = scale_of(rng, *FINE), rng.choice(("big", "little"))
    kind, form = rng.choice(("dle", "dle", "slip", "hdlc")), rng.choice(("twos", "magnitude", "ones"))
    pads, places = _names(rng, ["1", "2", "3", "4"]), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.1)
    others = rng.random() < 0.4

    def encode(made: list[State]) -> bytes:
        s = made[0]
        value = placed(scale, s.count) - (form == "ones" and s.count < 0)
        told = integer(value, 4, order, form)
        body = bytes([0x10 + s.pad, 0xA0 if s.steady else 0xA4]) + (bytes([scale.places]) if places else b"")
        out = escapes.WRAP[kind](body + told + write(body + told))
        if others and s.seq % 11 == 6:
            note = bytes([0x10 + s.pad, 0x55]) + f"s{s.seq % 10}up".encode()
            out += escapes.WRAP[kind](note + write(note))
        return out

    return odd_design(f"strange doubled {kind}", scale, encode, pads=pads, check=name)


def hex_fields(rng: Rng) -> Design:
    """Lines of hexadecimal fields between marks: address, counter, voltage, number in two's complement."""
    scale, digits = scale_of(rng, *FINE), rng.choice((4, 6, 8))
    mark, end = rng.choice((",", " ", ":", "")), rng.choice((b"\r\n", b"\r", b"\n"))
    pads, small = _names(rng, ["01", "02", "03", "04"]), rng.random() < 0.4
    name, write = any_check(rng, text=True, none=0.3 if mark else 0.0)
    order, lead = rng.sample(range(4), 4), rng.choice(("$", "", "@W"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = f"{s.count & (1 << 4 * digits) - 1:0{digits}X}"
        state = f"{0x80 | (s.steady << 2):02X}"
        cells = [state, f"{s.seq & 0xFF:02X}", f"{3960 - s.seq // 50:04X}", number]
        cells = [pads[s.pad]] * (len(pads) > 1) + [cells[n] for n in order]
        text = mark.join(cells)
        body = lead.encode() + (text.lower() if small else text).encode()
        return body + (b"*" + write(body) if name != "none" else b"") + end

    return odd_design("strange hex fields", scale, encode, pads=pads, check=name)


def told_digits(rng: Rng) -> Design:
    """A start, its length in two decimal or hexadecimal digits, text, check; other kinds of other lengths."""
    scale, start = scale_of(rng, *FINE), rng.choice((b"\x01", b"%", b"{L", b"\x16\x16"))
    pads, words = _names(rng, ["1", "2", "3", "4"]), rng.choice((("S", "D"), ("=", "?")))
    in_hex, whole, padded = rng.random() < 0.5, rng.random() < 0.5, rng.random() < 0.5
    name, write = any_check(rng, text=True, none=0.0)
    extra = len(write(b"")) + len(start) + 2 if whole else 0

    def framed(text: str) -> bytes:
        size = len(text) + extra
        body = (f"{size:02X}" if in_hex else f"{size:02d}").encode() + text.encode()
        return start + body + write(body)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = scale.text(s.count, "8" if padded else "")
        out = framed(f"W{pads[s.pad]}{words[0 if s.steady else 1]}{number}{scale.unit}")
        return out + framed(f"V{3.9 - s.seq % 3 / 100:.2f} T{21 + s.seq % 2}") if s.seq % 12 == 3 else out

    return odd_design("strange told digits", scale, encode, pads=pads, check=name)


def spoken(rng: Rng) -> Design:
    """Questions and answers in text on one line: the answer tells its pad, or the question alone does."""
    scale, pads = scale_of(rng, *FINE), ["11", "12", "13", "14"][: rng.choice((1, 2, 4))]
    ask, end = rng.choice(("?", "RD", "W ")), rng.choice((b"\r\n", b"\r"))
    echo = len(pads) == 1 or rng.random() < 0.7
    words, unit = rng.choice((("S", "U"), ("", "M"), ("00", "08"))), rng.choice((True, False))
    name, write = any_check(rng, text=True, none=0.5)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        lead = f"{pads[s.pad]}," if echo else ""
        text = f"{lead}{scale.text(s.count, '+08')}{scale.unit if unit else ''},{words[0 if s.steady else 1]}"
        return f"{ask}{pads[s.pad]}".encode() + b"\r" + text.encode() + write(text.encode()) + end

    names = pads if len(pads) > 1 else [""]
    return odd_design("strange spoken", scale, encode, pads=names, check=name)


def listed(rng: Rng) -> Design:
    """JSON with lists: numbers of all pads, what stands, voltages; or one object of objects."""
    scale, many = scale_of(rng, *FINE, ("g", "50", 0)), rng.choice((2, 3, 4))
    nested, clock = rng.random() < 0.4, rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        numbers = [float(scale.text(s.count)) for s in made]
        told: dict[str, object] = {"ms": 84_000 + round(1000 * made[0].t_s)} if clock else {}
        told |= {"w": {"kg" if scale.unit == "kg" else "v": numbers}} if nested else {"w": numbers}
        told |= {"still": [s.steady for s in made], "unit": scale.unit, "batt": [3.9, 3.8, 4.0, 3.9][:many]}
        return json.dumps(told, separators=(",", ":")).encode() + b"\n"

    names = ["1", "2", "3", "4"][:many]
    return odd_design("strange listed", scale, encode, pads=names, together=True, says_steady=False)


def bare_columns(rng: Rng) -> Design:
    """Nothing but numbers of all pads between tabs, blanks or semicolons; a heading now and then; a total."""
    scale, many = scale_of(rng, *FINE), rng.choice((1, 2, 4))
    mark, comma, total = rng.choice(("\t", "; ", "  ", "|")), rng.random() < 0.4, rng.random() < 0.4
    end, clock = rng.choice((b"\r\n", b"\n")), rng.random() < 0.4

    def encode(made: list[State]) -> bytes:
        s = made[0]
        cells = [scale.text(one.count) for one in made]
        cells += [scale.text(sum(one.count for one in made))] if total and many > 1 else []
        cells = [f"{s.t_s + 5:.1f}"] * clock + cells
        line = mark.join(cells).replace(".", "," if comma else ".").encode() + end
        return b"time" * clock + b"load" + end + line if s.seq % 64 == 9 else line

    names = ["1", "2", "3", "4"][:many] if many > 1 else [""]
    return odd_design("strange bare columns", scale, encode, pads=names, together=many > 1, says_steady=False)


def swapped_words(rng: Rng) -> Design:
    """32 bits with the low word first, or a packed decimal; COBS or a fixed size behind a sync."""
    scale, packed = scale_of(rng, *FINE, ("kg", "0.01", 2)), rng.random() < 0.4
    boxed, sync = rng.random() < 0.5, rng.choice((b"\xb4\x4b", b"\x77", b"\xfd\xdf"))
    turned = rng.random() < 0.5
    pads = _names(rng, ["1", "2", "3", "4"])
    name, write = any_check(rng, text=False, none=0.0)

    def number(s: State) -> bytes:
        value = placed(scale, s.count)
        if packed:
            told = bytes.fromhex(f"{abs(value):06d}")
            return bytes([0x2D if value < 0 else 0x2B]) + (told[::-1] if turned else told)
        data = struct.pack("<i" if turned else ">i", value)
        return data[2:] + data[:2]

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = bytes([0x60 + s.pad, 0x01 if s.steady else 0x11]) + number(s) + bytes([s.seq & 0x7F])
        body += write(body)
        return cobs(body) if boxed else sync + body

    return odd_design("strange swapped words", scale, encode, pads=pads, check=name)


def parity_seen(rng: Rng) -> Design:
    """Text of seven bits and even or odd parity, recorded as eight bits: it is to be recorded anew."""
    scale, odd = scale_of(rng, *FINE), rng.random() < 0.5
    words, start = rng.choice((("S", "M"), ("ok", "no"))), rng.choice((b"", b"\x02"))
    end, width = rng.choice((b"\r\n", b"\r")), rng.choice(("7", "+08"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{words[0 if s.steady else 1]} {scale.text(s.count, width)} {scale.unit}"
        data = start + text.encode() + end
        return bytes(byte | ((byte.bit_count() + odd) % 2) << 7 for byte in data)

    return odd_design("strange parity seen", scale, encode, undecidable=True)


STRANGE: tuple[Callable[[random.Random], Design], ...] = (
    ticket,
    lettered_signs,
    case_claims,
    bit_each,
    typed_floats,
    doubled_marks,
    hex_fields,
    told_digits,
    spoken,
    listed,
    bare_columns,
    swapped_words,
    parity_seen,
)


def make_strange(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream of this family from its seed, of at least so many seconds."""
    rng = random.Random(f"strange {seed}")
    design = STRANGE[seed % len(STRANGE)](rng)
    return of_short_session(rng, design, f"s{seed:05d}", least_s, 250)
