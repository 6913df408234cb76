"""Invented indicators of shapes that the other families hardly have, in 20 s of 10 messages a second.

Written without looking at how learning works: states as bits of a character, blanks between thousands
before a decimal comma, keyed pads with their own units, told lengths with Fletcher's sums or CRC-32, flags
and pad in the word of the number, questions and answers of bytes on one line, kinds of message at several
rates, a unit key.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable
from fractions import Fraction

from stream_kit import Design, Plan, State, Stream, any_check, states, stream_of, wire
from stream_odd_kit import Rng, Scale, odd_design, scale_of

from drivers import checks, escapes

FINE = (("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2), ("lb", "0.1", 1), ("lb", "0.2", 1))


def placed(scale: Scale, count: int) -> int:
    """The number in units of its last place."""
    return round(count * scale.step * 10**scale.places)


def turned_states(rng: Rng) -> Design:
    """Last digit first, with or without a point, and a character of bits: sign, claim, empty."""
    scale, width = scale_of(rng, *FINE), rng.choice((6, 7, 8))
    still, minus, empty = rng.sample((0x01, 0x02, 0x04, 0x08), 3)
    base, point = rng.choice((0x20, 0x40, 0x50)), rng.random() < 0.5
    start, end = rng.choice(((b"\x02", b"\x03"), (b"", b"\r"), (b"#", b"\r\n"), (b"\x02", b"\r")))
    first = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        bits = base | (still if s.steady else 0) | (minus if s.count < 0 else 0)
        bits |= empty if abs(s.count) < 2 else 0
        number = abs(placed(scale, s.count))
        text = f"{number / 10**scale.places:0{width}.{scale.places}f}" if point else f"{number:0{width}d}"
        digits = text[::-1].encode()
        return start + (bytes([bits]) + digits if first else digits + bytes([bits])) + end

    return odd_design("apart turned states", scale, encode)


def blank_thousands(rng: Rng) -> Design:
    """Blanks between thousands, a comma before decimals, the sign behind or before, in grams."""
    step, places = rng.choice((("50", 0), ("20", 1), ("10", 1), ("100", 2)))
    scale = Scale("g", Fraction(step), places)
    words = rng.choice((("S", "M"), ("ok", ".."), ("!", "?")))
    end = rng.choice((b"\r\n", b"\r", b"\n"))
    width, behind = rng.choice((0, 13)), rng.random() < 0.5
    last = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{abs(float(s.count * scale.step)):,.{places}f}".replace(",", " ").replace(".", ",")
        sign = "-" if s.count < 0 else "+" if behind else ""
        text = (text + sign if behind else sign + text).rjust(width)
        said = words[0 if s.steady else 1]
        return (f"{text} g {said}" if last else f"{said} {text} g").encode() + end

    return odd_design("apart blank thousands", scale, encode)


def keyed_pads(rng: Rng) -> Design:
    """Several pads a line, each as a key with its number and unit, claims behind each or at the end."""
    scale = scale_of(rng, *FINE, ("kg", "0.5", 1))
    names = rng.choice((["VL", "VR", "HL", "HR"], ["a", "b", "c", "d"], ["W1", "W2", "W3", "W4"]))
    pads, mark = names[: rng.choice((2, 3, 4))], rng.choice((" ", ";", "; ", ","))
    assign, own = rng.choice(("=", ":", ": ")), rng.random() < 0.5
    gap, end = rng.choice(("", " ")) if mark != " " else "", rng.choice((b"\r\n", b"\n", b"\r"))
    words = rng.choice((("s", "m"), ("ok", "mv"), ("=", "~")))
    name, write = any_check(rng, text=True, none=0.6)

    def encode(made: list[State]) -> bytes:
        cells = []
        for pad, s in zip(pads, made, strict=True):
            said = f"/{words[0 if s.steady else 1]}" if own else ""
            cells.append(f"{pad}{assign}{scale.text(s.count)}{gap}{scale.unit}{said}")
        if not own:
            cells.append(f"st{assign}{words[0 if all(s.steady for s in made) else 1]}")
        body = mark.join(cells).encode()
        return body + (b"*" + write(body) if name != "none" else b"") + end

    return odd_design("apart keyed pads", scale, encode, pads=pads, together=True, check=name)


def objects_apart(rng: Rng) -> Design:
    """JSON lines with a number and a unit of each pad, keys in changing order, other kinds between."""
    scale = scale_of(rng, *FINE, ("g", "50", 0))
    pads = rng.choice((["p0", "p1"], ["near", "far", "mid"], ["FL", "FR", "RL", "RR"]))
    one, turned = rng.random() < 0.5, rng.random() < 0.5

    def told(s: State) -> dict[str, object]:
        number = float(scale.text(s.count)) if scale.places else int(scale.text(s.count))
        return {"value": number, "unit": scale.unit, "stable": s.steady}

    def encode(made: list[State]) -> bytes:
        s = made[0]
        if one:
            pairs = list(({"type": "load", "src": pads[s.pad]} | told(s)).items())
            line = json.dumps(dict(pairs[::-1] if turned and s.seq % 3 == 0 else pairs)).encode() + b"\n"
            if s.seq % 13 == 5:
                other = {"type": "link", "src": pads[s.pad], "rssi": -55 - s.seq % 6, "value": 3.9}
                line += json.dumps(other).encode() + b"\n"
            return line
        return json.dumps({"n": s.seq, **{pads[x.pad]: told(x) for x in made}}).encode() + b"\n"

    return odd_design("apart objects", scale, encode, pads=pads, together=not one, says_steady=one)


def told_sums(rng: Rng) -> Design:
    """A start, a told length of one or two bytes, pad, claim, number; Fletcher's sums or a CRC-32 behind."""
    scale, size = scale_of(rng, *FINE), rng.choice((3, 4))
    order, start = rng.choice(("big", "little")), rng.choice((b"\x55", b"\xa5\x5a", b"\x02", b""))
    wide, whole = rng.random() < 0.4, rng.random() < 0.5
    names = ["1", "2", "3"][: rng.choice((1, 1, 2, 3))]
    name = rng.choice(("fletcher", "fletcher", "CRC32-ISO-HDLC", "CRC32-BZIP2", "CRC32-ISCSI"))
    compute, bits = (lambda data: checks.fletcher(data, 16), 16) if name == "fletcher" else checks.crc(name)
    sent, over_all = rng.choice(("big", "little")), rng.random() < 0.4
    others = rng.random() < 0.5

    def framed(kind: int, body: bytes) -> bytes:
        body = bytes([kind]) + body
        length = len(body) + (len(start) + bits // 8 + 1 + wide if whole else 0)
        told = length.to_bytes(1 + wide, order)  # type: ignore[arg-type]  # one of two
        span = start + told + body if over_all else told + body
        return start + told + body + compute(span).to_bytes(bits // 8, sent)  # type: ignore[arg-type]  # as above

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # as above
        data = framed(0x31, bytes([s.pad + 1, s.steady]) + number)
        return data + framed(0x32, b"v1.4 up") if others and s.seq % 15 == 4 else data

    pads = names if len(names) > 1 else [""]
    return odd_design("apart told sums", scale, encode, pads=pads, check=name)


def stuffed_24(rng: Rng) -> Design:
    """SLIP, COBS or HDLC escapes about 24 bits of any sign form, pads in turn or together, state bits."""
    scale = scale_of(rng, *FINE, ("kg", "0.01", 2))
    kind, order = rng.choice(("slip", "cobs", "hdlc")), rng.choice(("big", "little"))
    form, names = (
        rng.choice(("twos", "magnitude", "offset", "ones")),
        ["1", "2", "3", "4"][: rng.choice((1, 2, 4))],
    )
    together = len(names) > 1 and rng.random() < 0.4
    name, write = any_check(rng, text=False, none=0.15)

    def number(count: int) -> bytes:
        value = placed(scale, count)
        if form == "magnitude":
            value = abs(value) | (value < 0) << 23
        value = {"offset": value + (1 << 23), "ones": value - (value < 0)}.get(form, value)
        return (value & 0xFFFFFF).to_bytes(3, order)  # type: ignore[arg-type]  # one of two

    def encode(made: list[State]) -> bytes:
        body = b"".join(bytes([s.pad << 4 | (0x8 if s.steady else 0x2)]) + number(s.count) for s in made)
        body += bytes([made[0].seq & 0xFF])
        return (b"\xc0" if kind == "slip" else b"") + escapes.WRAP[kind](body + write(body))

    pads = names if len(names) > 1 else [""]
    return odd_design(f"apart stuffed {kind}", scale, encode, pads=pads, together=together, check=name)


def nibble_signs(rng: Rng) -> Design:
    """Packed decimal with sign and decimal places in nibbles, between marks or behind a sync, or in a row."""
    scale, size = scale_of(rng, *FINE, ("kg", "0.01", 2)), rng.choice((3, 4))
    plus, minus = rng.choice(((0x0, 0x8), (0xC, 0xD), (0xA, 0xB), (0x0, 0xF)))
    together, sync = rng.random() < 0.3, rng.choice((b"\xa9", b"\x7b\xb7", b"\xff\xfe", b"\x16\x16\x02"))
    names = ["1", "2", "3", "4"][: rng.choice((2, 4))] if together else [""]
    places_too, low_first = rng.random() < 0.5, rng.random() < 0.3
    name, write = any_check(rng, text=False, none=0.0)

    def number(s: State) -> bytes:
        value = placed(scale, abs(s.count))
        lead = bytes([(minus if s.count < 0 else plus) << 4 | (scale.places if places_too else 0)])
        packed = bytes.fromhex(f"{value:0{2 * size}d}")
        return lead + (packed[::-1] if low_first else packed)

    def encode(made: list[State]) -> bytes:
        body = bytes([0xE1 if all(s.steady for s in made) else 0xE0]) + b"".join(map(number, made))
        return sync + body + write(body)

    return odd_design("apart nibble signs", scale, encode, pads=names, together=together, check=name)


def one_word(rng: Rng) -> Design:
    """Pad, claim and number in the bits of one word of 24 or 32 bits; a sum in two's complement behind."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.05", 2), ("lb", "0.1", 1))
    order, long = rng.choice(("big", "little")), rng.random() < 0.6
    bits, size = (24, 4) if long else (18, 3)
    names = ["1", "2", "3", "4"][: rng.choice((1, 2, 4))] if long else [""]
    still = rng.choice((0, 1, 2)) if long else rng.choice((3, 4, 5))
    sync = rng.choice((b"\x3a", b"\xac\xca", b"\x99"))
    kind = rng.choice(("sum-twos", "sum-twos", "sum", "xor"))
    compute = checks.summing(kind)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        word = s.count & (1 << bits) - 1
        word |= (1 << still if s.steady else 0) << bits | (s.pad + 1 << bits + 4 if long else 0)
        body = word.to_bytes(size, order)  # type: ignore[arg-type]  # one of two
        return sync + body + bytes([compute(body) & 0xFF])

    pads = names if len(names) > 1 else [""]
    return odd_design("apart one word", scale, encode, pads=pads, check=kind)


def asked(rng: Rng) -> Design:
    """A polled line of bytes listened to: address, function and CRC of the question, then the answer."""
    scale, form = scale_of(rng, *FINE), rng.choice(("int", "float", "long"))
    crc = rng.choice(("CRC16-MODBUS", "CRC16-XMODEM", "CRC16-ARC"))
    compute, order = checks.crc(crc)[0], rng.choice(("big", "little"))
    names, heard = ["17", "18", "19", "20"][: rng.choice((1, 2, 4))], rng.random() < 0.6

    def closed(body: bytes) -> bytes:
        return body + compute(body).to_bytes(2, order)  # type: ignore[arg-type]  # one of two

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = {
            "int": lambda: struct.pack(">h", s.count),
            "long": lambda: struct.pack(">i", placed(scale, s.count)),
            "float": lambda: struct.pack(">f", float(s.count * scale.step)),
        }[form]()
        answer = bytes([17 + s.pad, 0x43, len(number) + 1, 0x20 | s.steady]) + number
        return (closed(bytes([17 + s.pad, 0x43, 0, 8])) if heard else b"") + closed(answer)

    pads = names if len(names) > 1 else [""]
    return odd_design("apart asked", scale, encode, pads=pads, check=crc)


def rates(rng: Rng) -> Design:
    """Lines of three kinds at three rates: loads, totals with temperature, a name; columns of fixed width."""
    scale, end = scale_of(rng, *FINE), rng.choice((b"\r\n", b"\r"))
    pads = rng.choice(([""], ["1", "2"], ["A", "B", "C", "D"]))
    name, write = any_check(rng, text=True, none=0.4)
    often, seldom = rng.choice((2, 3, 5)), rng.choice((20, 33))
    mark, style = rng.choice((",", ";", "|")), rng.choice(("word", "bits"))

    def encode(made: list[State]) -> bytes:
        s = made[0]

        def line(*cells: str) -> bytes:
            body = mark.join(cells).encode()
            return body + (b"^" + write(body) if name != "none" else b"") + end

        said = ("S" if s.steady else "D") if style == "word" else chr(0x30 | (4 if s.steady else 1))
        out = line("L", *([pads[s.pad]] if len(pads) > 1 else []), said, scale.text(s.count, "8"), scale.unit)
        if s.seq % often == 1:
            out += line("T", f"{20.5 + s.seq % 7 / 10:6.1f}", f"{3.70 + s.seq % 3 / 100:.2f}")
        return out + line("N", "box 12", "rev C") if s.seq % seldom == 7 else out

    return odd_design("apart rates", scale, encode, pads=pads, check=name)


def unit_key(rng: Rng) -> Design:
    """Somebody presses the unit key while it records: a letter, a code or a bit says kilograms or pounds."""
    scale, at = Scale("kg", Fraction(1, 10), 1), rng.choice((6.0, 10.5, 16.0))
    style = rng.choice(("letter", "bit", "grams"))
    name, write = any_check(rng, text=style != "bit", none=0.2 if style != "bit" else 0.0)
    per, places = (1000, 0) if style == "grams" else (1 / 0.45359237, 1)

    def number(s: State) -> float:
        return round(float(s.count * scale.step) * (per if s.t_s > at else 1), places)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        other = s.t_s > at
        if style == "bit":
            body = bytes([0x30 | (0x01 if s.steady else 0) | (0x80 if other else 0)])
            body += struct.pack(">i", round(number(s) * 10))
            return b"\xbe\xef" + body + write(body)
        unit = ("g" if style == "grams" else "lb" if at > 7 else "L") if other else "kg" if at > 7 else "K"
        text = f"{number(s):{10}.{places if other else 1}f}"
        body = f"{'=' if s.steady else '~'}{text} {unit:2}".encode()
        return body + write(body) + b"\r\n"

    back = 0.001 if style == "grams" else 0.45359237
    return odd_design(
        f"apart unit key {style}",
        scale,
        encode,
        check=name,
        mass_kg=lambda s: number(s) * (back if s.t_s > at else 1),
    )


def records(rng: Rng) -> Design:
    """Hexadecimal records: length, address, kind, data and a byte that makes all sum to 0."""
    scale, size = scale_of(rng, *FINE), rng.choice((2, 3, 4))
    pads, lead = ["1", "2", "3", "4"][: rng.choice((1, 2, 4))], rng.choice((":", "S", "%"))
    end, order = rng.choice((b"\r\n", b"\r", b"\n")), rng.choice(("big", "little"))
    others = rng.random() < 0.5

    def line(pad: int, kind: int, data: bytes) -> bytes:
        body = bytes([len(data), 0x40, pad + 1, kind]) + data
        return f"{lead}{(body + bytes([-sum(body) & 0xFF])).hex().upper()}".encode() + end

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # one of two
        out = line(s.pad, 0, bytes([0x0C | s.steady]) + number)
        return out + line(s.pad, 7, bytes([200 - s.seq % 9, 61, 12])) if others and s.seq % 6 == 2 else out

    pads = pads if len(pads) > 1 else [""]
    return odd_design("apart records", scale, encode, pads=pads, check="sum-twos")


APART: tuple[Callable[[random.Random], Design], ...] = (
    turned_states,
    blank_thousands,
    keyed_pads,
    objects_apart,
    told_sums,
    stuffed_24,
    nibble_signs,
    one_word,
    asked,
    rates,
    unit_key,
    records,
)


def make_apart(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream of this family from its seed, of at least so many seconds."""
    rng = random.Random(f"apart {seed}")
    design = APART[seed % len(APART)](rng)
    return of_short_session(rng, design, f"a{seed:05d}", least_s, 270)


def of_short_session(
    rng: Rng, design: Design, name: str, least_s: float, most_kg: float, *, each: bool = False
) -> Stream:
    """Record a design in a short session, and later with loads up to `most_kg` that nobody told.

    `each` pad of several is loaded in turn.
    """
    plans, known, seconds = _short_session(rng, design, each=each)
    rate = 10.0 * (1 if design.together else max(1, len(design.pads)))
    made = states(rng, design, plans, rate, max(seconds, least_s))
    recorded = wire(rng, design, made, damage=rng.choice((0.0, 2e-4)))
    used: list[Plan] = []
    for _ in plans:
        far, below, near = rng.uniform(95, most_kg), rng.uniform(-14, -3), rng.uniform(15, 95)
        used.append([(0.0, 0.0), (2.0, far), (7.0, below), (12.0, near)])
    later = wire(rng, design, states(rng, design, used, rate, 17.0), damage=0)
    return stream_of(name, design, known, recorded, later, design.features)


def _short_session(rng: Rng, design: Design, *, each: bool) -> tuple[list[Plan], list[str], float]:
    """Loads by pad, what is known and how long: 20 s, and 7 s more for each further pad that is loaded."""
    load = rng.choice((84.2, 72.6, 91.15, 66.4, 103.8))
    plans: list[Plan] = [[(0.0, 0.0)] for _ in design.pads]
    if len(plans) > 1 and (rng.random() < 0.5 or each):
        known, begin = ["0@0:6"], 6.5
        for plan in plans:
            plan += [(begin, load), (begin + 6.5, 0.0)]
            known.append(f"{load:g}kg@{begin + 2.2:g}:{begin + 6.3:g}")
            begin += 7.0
        return plans, known, max(begin + 1.5, 20.0)
    plan = rng.choice(plans)
    style = rng.choice(("plain", "plain", "back", "two"))
    if style == "plain":
        plan.append((9.0, load))
        return plans, ["0@0:8", f"{load:g}kg@12:20"], 20.0
    if style == "back":
        plan += [(6.5, load), (14.0, 0.0)]
        return plans, ["0@0:6", f"{load:g}kg@9:13.8", "0@16.5:20"], 20.0
    jug = rng.choice((10.0, 5.0, 15.2))
    plan += [(5.5, load), (12.5, jug)]
    return plans, ["0@0:5", f"{load:g}kg@8:12.3", f"{jug:g}kg@15:20"], 20.0
