"""Invented indicators that nobody would build the same way twice: shapes beside those of the other families.

Written without looking at what learning can do: clocks and counters beside the number, records of several
lines, exponents, a decimals field, half-byte addresses, a change of unit, odd checks, escapes by DLE, eight
bytes, labels of gross and net, bursts of noise, chunks that do not keep to messages.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from stream_kit import Design, Reading, State, Stream, any_check

from drivers import checks
from drivers.wire import KG_PER

Rng = random.Random
STEPS = (("kg", "0.1", 1), ("kg", "0.02", 2), ("kg", "0.05", 2), ("lb", "0.2", 1), ("lb", "0.1", 1))


@dataclass(frozen=True)
class Scale:
    """Unit, step and decimal places of a number."""

    unit: str
    step: Fraction
    places: int

    def text(self, count: int, form: str = "") -> str:
        return f"{float(count * self.step):{form}.{self.places}f}"


def _scale(rng: Rng, *choices: tuple[str, str, int]) -> Scale:
    unit, step, places = rng.choice(choices or STEPS)
    return Scale(unit, Fraction(step), places)


def _design(shape: str, scale: Scale, encode: Callable[[list[State]], bytes], **more: object) -> Design:
    values: dict[str, object] = {"pads": [""], "together": False, **more}
    return Design(shape=shape, unit=scale.unit, step=scale.step, encode=encode, **values)  # type: ignore[arg-type]  # by name


def clocked(rng: Rng) -> Design:
    """A time of day, a running index and a temperature beside the number."""
    scale, end = _scale(rng), rng.choice((b"\r\n", b"\n", b"\r"))
    style = rng.choice(("iso", "short", "ms"))
    words = rng.choice((("still", "moving"), ("1", "0"), ("OK", "--")))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        whole, part = divmod(s.t_s + 36610, 1)
        hms = f"{int(whole) // 3600:02d}:{int(whole) // 60 % 60:02d}:{int(whole) % 60:02d}"
        stamp = {
            "iso": f"2031-04-09T{hms}.{int(part * 1000):03d}Z",
            "short": hms,
            "ms": str(int(1000 * s.t_s) + 71234),
        }[style]
        heat = f"{21.4 + 0.01 * (s.t_s // 3):.1f}"
        said = words[0 if s.steady else 1]
        return f"{stamp};{s.seq};{scale.text(s.count)};{scale.unit};{said};{heat}".encode() + end

    return _design("odd clocked", scale, encode)


def several_lines(rng: Rng) -> Design:
    """A record of several lines, of which one holds the number."""
    scale, pads = _scale(rng), rng.choice(([""], ["1", "2"]))
    blank = rng.choice(("", "\r\n"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        name = f" {pads[s.pad]}" if len(pads) > 1 else ""
        said = "at rest" if s.steady else "in motion"
        return (
            f"PAD{name}\r\n  LOAD {scale.text(s.count):>9} {scale.unit}\r\n  STATE {said}\r\n{blank}".encode()
        )

    return _design("odd several lines", scale, encode, pads=pads, says_steady=False)


def exponent(rng: Rng) -> Design:
    """The number with an exponent."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    letter, digits = rng.choice(("E", "e")), rng.choice((4, 5, 6))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{float(s.count * scale.step):+.{digits}E}".replace("E", letter)
        return f"{'S' if s.steady else 'D'},{text},{scale.unit}\r\n".encode()

    return _design("odd exponent", scale, encode)


def point_told(rng: Rng) -> Design:
    """An integer, and beside it how many decimal places it has."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
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

    return _design("odd point told", scale, encode, check=name)


def half_bytes(rng: Rng) -> Design:
    """Pad and flags share a byte."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2))
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
    return _design("odd half bytes", scale, encode, pads=pads, check=name)


def unit_changes(rng: Rng) -> Design:
    """Somebody presses the unit key: kilograms, then pounds, in the same recording."""
    scale = Scale("kg", Fraction(1, 10), 1)
    at = rng.choice((5.0, 10.0, 15.0))

    def number(s: State) -> str:
        return f"{float(s.count * scale.step) * (2.20462262185 if s.t_s > at else 1):8.1f}"

    def encode(made: list[State]) -> bytes:
        s = made[0]
        return f"{'S' if s.steady else 'M'} {number(s)} {'lb' if s.t_s > at else 'kg'}\r\n".encode()

    return _design(
        "odd unit changes",
        scale,
        encode,
        mass_kg=lambda s: float(number(s)) * (0.45359237 if s.t_s > at else 1),
    )


def eight_bytes(rng: Rng) -> Design:
    """An integer of eight bytes."""
    scale = _scale(rng, ("kg", "0.001", 3), ("kg", "0.01", 2), ("kg", "0.1", 1))
    order, tail = rng.choice(("big", "little")), rng.random() < 0.5
    name, write = any_check(rng, text=False, none=0.0)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & (1 << 64) - 1).to_bytes(8, order)  # type: ignore[arg-type]  # one of two
        flags = bytes([0x80 if s.steady else 0x00])
        body = number + flags if tail else flags + number
        return b"\xe1\x1e" + body + write(body)

    return _design("odd eight bytes", scale, encode, check=name)


def dle(rng: Rng) -> Design:
    """DLE STX … DLE ETX, with DLE doubled inside."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.02", 2))
    size, order = rng.choice((2, 4)), rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.3)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = bytes([0x31 if s.steady else 0x30, s.seq & 0xFF])
        body += (s.count & (1 << 8 * size) - 1).to_bytes(size, order)  # type: ignore[arg-type]  # as above
        body += write(body)
        return b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03"

    return _design("odd dle", scale, encode, check=name)


def inner_span(rng: Rng) -> Design:
    """A check over a part of the message only, or begun at an odd number."""
    scale, end = _scale(rng), rng.choice((b"\r\n", b"\r"))
    kind, begun = rng.choice(("xor", "sum")), rng.choice((0, 0x55, 0xA7, 0xFF))
    compute = checks.summing(kind, begun)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = scale.text(s.count, "+09").encode()
        body = b"u:" + (b"ok " if s.steady else b"mv ") + number
        return body + f" {compute(number) & 0xFF:02X} {scale.unit}".encode() + end

    return _design("odd inner span", scale, encode, check=kind)


def kinds(rng: Rng) -> Design:
    """Two kinds of message, one in four of them with something else that answers to nothing."""
    scale = _scale(rng)
    other = rng.choice(("battery", "hello", "heat"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        extra = ""
        if s.seq % 4 == 0:
            extra = {
                "battery": f"#B {3.71 - s.t_s / 500:.2f} V\r\n",
                "hello": "#I unit 7 alive\r\n",
                "heat": f"#T {19 + s.seq % 3:3d} C\r\n",
            }[other]
        said = "rest" if s.steady else "move"
        return f"{extra}#W {said} {scale.text(s.count):>8} {scale.unit}\r\n".encode()

    return _design("odd kinds", scale, encode)


def labelled(rng: Rng) -> Design:
    """Gross, tare and net by name, without a tare."""
    scale = _scale(rng)
    style = rng.choice(("json", "keyed", "words"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number, none = scale.text(s.count), scale.text(0)
        if style == "json":
            return (
                json.dumps(
                    {
                        "gross": float(number),
                        "tare": 0.0,
                        "net": float(number),
                        "u": scale.unit,
                        "ok": s.steady,
                    }
                ).encode()
                + b"\n"
            )
        if style == "keyed":
            return (
                f"gross={number};tare={none};net={number};unit={scale.unit};st={int(s.steady)}\r\n".encode()
            )
        return (
            f"{'R' if s.steady else 'M'} gross {number:>8} tare {none:>8} net {number:>8} {scale.unit}\r\n"
        ).encode()

    return _design("odd labelled", scale, encode)


def glued(rng: Rng) -> Design:
    """Key, number and unit glued together, or in brackets, or quoted."""
    scale = _scale(rng)
    form = rng.choice(
        ("W={n}{u};S={s}\r\n", "[{n}{u}|{s}]\r\n", '"{n}","{u}","{s}"\r\n', "<w u={u} s={s}>{n}</w>\n")
    )
    words = rng.choice((("1", "0"), ("Y", "N"), ("stop", "go")))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        return form.format(n=scale.text(s.count), u=scale.unit, s=words[0 if s.steady else 1]).encode()

    return _design("odd glued", scale, encode)


def thousands(rng: Rng) -> Design:
    """Marks of thousands and decimal commas, as some countries write, in grams or hundredths."""
    comma = rng.random() < 0.5
    unit, step, places = ("g", "50", 0) if rng.random() < 0.5 else ("kg", "0.1", 1)
    scale = Scale(unit, Fraction(step), places)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{float(s.count * scale.step):,.{places}f}"
        if comma:
            text = text.translate(str.maketrans(",.", ".,"))
        return f"{'OK' if s.steady else '..'} {text:>12} {unit}\r\n".encode()

    return _design("odd thousands", scale, encode)


def raw_beside(rng: Rng) -> Design:
    """Converter counts beside the mass."""
    scale = _scale(rng)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        raw = 183044 + round(float(s.count * scale.step) * 911.7) + (s.seq * 7919) % 23
        return f"{raw} {scale.text(s.count)} {scale.unit} {'s' if s.steady else 'm'}\n".encode()

    return _design("odd raw beside", scale, encode)


def signed_bit(rng: Rng) -> Design:
    """The sign is a bit of a status character."""
    scale = _scale(rng)
    digits = rng.choice((5, 6, 7))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        status = 0x40 | (0x01 if s.count < 0 else 0) | (0x08 if s.steady else 0)
        count = abs(s.count) * int(scale.step * 10**scale.places)
        return bytes([0x02, status]) + f"{count:0{digits}d}".encode() + b"\r"

    return _design("odd signed bit", scale, encode)


def reversed_bcd(rng: Rng) -> Design:
    """Packed decimal, lowest byte first, sign in a nibble of its own."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    size, nibble = rng.choice((3, 4)), rng.choice((("C", "D"), ("0", "1"), ("F", "B")))
    name, write = any_check(rng, text=False, none=0.0)
    last = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        sign, digits = nibble[s.count < 0], f"{abs(s.count):0{2 * size - 1}d}"
        packed = bytes.fromhex(digits + sign if last else sign + digits)[::-1]
        body = bytes([0x10 if s.steady else 0x11]) + packed
        return b"\xd2\x2d" + body + write(body)

    return _design("odd reversed bcd", scale, encode, check=name)


def long_sync(rng: Rng) -> Design:
    """A sync of four bytes, a clock of four bytes, a byte that jumps at random."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.02", 2), ("lb", "0.1", 1))
    order = rng.choice(("big", "little"))
    name, write = any_check(rng, text=False, none=0.2)
    sync = rng.choice((b"\xde\xed\xbe\xa7", b"\x7f\x00\x7f\x00", b"WGHT"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        clock = (int(1000 * s.t_s) + 500_000).to_bytes(4, order)  # type: ignore[arg-type]  # one of two
        number = (s.count & 0xFFFFFFFF).to_bytes(4, order)  # type: ignore[arg-type]  # as above
        body = clock + number + bytes([s.steady, rng.randrange(256)])
        return sync + body + write(body)

    return _design("odd long sync", scale, encode, check=name)


def nested(rng: Rng) -> Design:
    """JSON with pads inside, numbers as texts, and keys that come and go."""
    scale, quoted = _scale(rng), rng.random() < 0.5
    pads = ["n1", "n2", "n3"][: rng.choice((2, 3))]

    def encode(made: list[State]) -> bytes:
        inside = []
        for name, s in zip(pads, made, strict=True):
            number = scale.text(s.count)
            inside.append(f'{{"id":"{name}","load":{json.dumps(number) if quoted else number}}}')
        still = json.dumps(all(s.steady for s in made))
        up = f',"up":{int(made[0].t_s)}' if made[0].seq % 10 == 0 else ""
        return f'{{"cells":[{",".join(inside)}],"unit":"{scale.unit}","still":{still}{up}}}\r\n'.encode()

    return _design("odd nested", scale, encode, pads=pads, together=True)


def table(rng: Rng) -> Design:
    """A line of columns with pad, load and claim of each pad."""
    scale = _scale(rng)
    pads, mark = ["1", "2", "3", "4"][: rng.choice((2, 4))], rng.choice((",", ";", "\t"))

    def encode(made: list[State]) -> bytes:
        said = "S" if all(s.steady for s in made) else "D"
        cells = [cell for n, s in zip(pads, made, strict=True) for cell in (f"L{n}", scale.text(s.count))]
        total = scale.text(sum(s.count for s in made))
        return mark.join([said, *cells, "SUM", total, scale.unit]).encode() + b"\r\n"

    return _design("odd table", scale, encode, pads=pads, together=True)


def shorter_number(rng: Rng) -> Design:
    """Lines without anything but the number, of changing length."""
    scale = _scale(rng)
    end = rng.choice((b"\r\n", b"\n", b"\r", b"\x03"))
    plus = rng.choice(("", "+"))

    def encode(made: list[State]) -> bytes:
        return scale.text(made[0].count, plus).encode() + end

    return _design("odd bare number", scale, encode, says_steady=False)


def modbus_like(rng: Rng) -> Design:
    """Answers as on a Modbus line that somebody else polls: unit, function, count, registers, CRC."""
    scale = _scale(rng, ("kg", "0.1", 1), ("kg", "0.01", 2))
    swapped, units = rng.random() < 0.5, rng.choice((1, 2, 4))
    compute = checks.crc("CRC16-MODBUS")[0]

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = (s.count & 0xFFFFFFFF).to_bytes(4, "big")
        number = number[2:] + number[:2] if swapped else number
        body = bytes([s.pad + 1, 3, 6]) + number + bytes([0, 1 if s.steady else 0])
        return body + compute(body).to_bytes(2, "little")

    pads = [str(n + 1) for n in range(units)] if units > 1 else [""]
    return _design("odd registers", scale, encode, pads=pads, check="CRC16-MODBUS")


def float_text(rng: Rng) -> Design:
    """A float of full length in text, or as eight hexadecimal characters, or 64 bits."""
    scale = _scale(rng, ("kg", "0.01", 2), ("kg", "0.1", 1))
    kind = rng.choice(("long", "double"))
    name, write = any_check(rng, text=False, none=0.0) if kind == "double" else ("none", bytes)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = float(s.count * scale.step)
        if kind == "long":
            return f"w={number:.6f} u={scale.unit} ok={int(s.steady)}\r\n".encode()
        body = struct.pack(">Bd" if kind == "double" else "<Bd", s.steady, number)
        return b"\xb4\x4b" + body + write(body)

    return _design("odd float", scale, encode, check=name)


def letters(rng: Rng) -> Design:
    """A pad's name in letters, the unit as a code letter, the claim as a letter in small or capital."""
    scale = _scale(rng)
    pads = rng.choice((["near", "far"], ["A", "B", "C"], ["07", "12"]))
    end = rng.choice((b"\r\n", b"\r"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        code = {"kg": "K", "lb": "L"}[scale.unit]
        letter = code if s.steady else code.lower()
        return f"@{pads[s.pad]}:{scale.text(s.count)}{letter}".encode() + end

    return _design("odd letters", scale, encode, pads=pads)


def hex_status(rng: Rng) -> Design:
    """Hexadecimal status word, number, hexadecimal sum, all of fixed width behind an exclamation mark."""
    scale = _scale(rng)
    name, write = any_check(rng, text=True, none=0.3)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        status = 0x8040 | (0x0002 if s.steady else 0) | (0x0100 if s.seq % 50 == 0 else 0)
        body = f"!{status:04X}{scale.text(s.count):>9}".encode()
        return body + write(body[1:]) + b"\r\n"

    return _design("odd hex status", scale, encode, check=name)


ODD = (
    clocked,
    several_lines,
    exponent,
    point_told,
    half_bytes,
    unit_changes,
    eight_bytes,
    dle,
    inner_span,
    kinds,
    labelled,
    glued,
    thousands,
    raw_beside,
    signed_bit,
    reversed_bcd,
    long_sync,
    nested,
    table,
    shorter_number,
    modbus_like,
    float_text,
    letters,
    hex_status,
)


def make_odd(seed: int) -> Stream:
    """Invent one odd stream from its seed, recorded in one of several manners."""
    rng = random.Random(f"odd {seed}")
    design = ODD[seed % len(ODD)](rng)
    load = rng.choice((84.2, 71.4, 63.85, 92.6, 25.0, 101.3))
    plans, known, seconds = _session(rng, design, load)
    rate = rng.choice((6, 10, 10, 15, 25)) * (1 if design.together else max(len(design.pads) * 0.8, 1))
    manner = rng.choice(("quiet", "noise", "sway", "noise"))
    chunks, truth = _line(rng, design, _states(rng, design, plans, rate, seconds, manner), clean=False)
    used = [
        [(0.0, 0.0), (2.0, rng.uniform(90, 290)), (7.0, rng.uniform(-18, -4)), (12.0, 33.0)] for _ in plans
    ]
    later, later_truth = _line(rng, design, _states(rng, design, used, rate, 18.0, "noise"), clean=True)
    return Stream(
        name=f"o{seed:05d}",
        shape=design.shape,
        known=known,
        chunks=chunks,
        truth=truth,
        later=b"".join(data for _, data in later),
        later_truth=later_truth,
        check=design.check,
        says_steady=design.says_steady,
        undecidable=design.undecidable,
        features=[design.unit, f"step {float(design.step):g}", f"{len(design.pads)} pads", manner],
    )


def _session(
    rng: Rng, design: Design, load: float
) -> tuple[list[list[tuple[float, float]]], list[str], float]:
    """Loads by pad, what is known, and how long."""
    plans: list[list[tuple[float, float]]] = [[(0.0, 0.0)] for _ in design.pads]
    known = ["0@0:8"]
    if len(plans) > 1 and (design.together or rng.random() < 0.5):
        begin = 9.0
        for plan in plans:
            plan += [(begin, load), (begin + 7, 0.0)]
            known.append(f"{load:g}kg@{begin + 2.5:g}:{begin + 6.8:g}")
            begin += 8.0
        return plans, known, begin + 1
    plan = rng.choice(plans)
    plan.append((9.0, load))
    known.append(f"{load:g}kg@12:20")
    if rng.random() < 0.5:
        plan.append((21.0, 0.0))
        return plans, [*known, "0@24:30"], 30.5
    return plans, known, 20.2


def _load(plan: list[tuple[float, float]], t_s: float, ramp_s: float) -> tuple[float, bool]:
    now = before = plan[0][1]
    since = -99.0
    for begin, kg in plan:
        if t_s >= begin > 0:
            before, now, since = now, kg, begin
    share = min((t_s - since) / ramp_s, 1.0)
    return before + (now - before) * share, t_s - since > ramp_s + 0.3


def _states(
    rng: Rng, design: Design, plans: list[list[tuple[float, float]]], rate: float, seconds: float, manner: str
) -> list[list[State]]:
    per = float(KG_PER[design.unit] * design.step)
    ramp_s, swing = rng.uniform(1.2, 2.4), rng.uniform(0.1, 0.4)
    zero = [0.0 if manner == "quiet" else rng.uniform(-0.8, 0.8) * per for _ in plans]
    out: list[list[State]] = []
    for n in range(int(seconds * rate)):
        t_s = n / rate
        made = []
        for pad in range(len(plans)) if design.together else (n % len(plans),):
            kg, still = _load(plans[pad], t_s, ramp_s)
            if manner == "sway" and kg > 5:
                kg += swing * rng.choice((-1, 0, 1, 1)) * 0.5
            shake = {"quiet": 0.0}.get(manner, 0.6 * per) * (1 if still else 3)
            made.append(
                State(
                    pad=pad,
                    count=round((kg + zero[pad] + rng.gauss(0, shake)) / per),
                    steady=still,
                    seq=n + 5,
                    t_s=t_s,
                )
            )
        out.append(made)
    return out


def _line(
    rng: Rng, design: Design, made: list[list[State]], *, clean: bool
) -> tuple[list[tuple[float, bytes]], dict[int, list[Reading]]]:
    """Put messages on the line: damage, bursts of noise between them, chunks of the adapter's own."""
    per = float(KG_PER[design.unit] * design.step)
    sizes = rng.choice((0, 0, 62, 16))
    bursts = 0.0 if clean or design.check == "none" else rng.choice((0.0, 0.0, 0.03))
    hurt = 0.0 if clean else rng.choice((0.0, 0.01))
    chunks: list[tuple[float, bytes]] = []
    truth: dict[int, list[Reading]] = {}
    size, skip = 0, 0 if clean else rng.randrange(8)
    for n, together in enumerate(made):
        data, intact = design.encode(together), True
        if n == 0:
            data, intact = data[skip:], skip == 0
        elif rng.random() < hurt:
            at = rng.randrange(len(data))
            data, intact = (
                data[:at] + (b"" if rng.random() < 0.5 else bytes([rng.randrange(256)])) + data[at + 1 :],
                False,
            )
        if rng.random() < bursts:
            noise = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 9)))
            intact = data[0] > 0x7F  # text without a start cannot be told from noise before it
            chunks.append((together[0].t_s, noise))
            size += len(noise)
        size += len(data)
        if intact:
            still = all(s.steady for s in together)
            mass = design.mass_kg or (lambda s: s.count * per)
            truth[size] = [Reading(pad=design.pads[s.pad], mass_kg=mass(s), steady=still) for s in together]
        chunks.append((together[0].t_s, data))
    return _rechunked(chunks, sizes), truth


def _rechunked(chunks: list[tuple[float, bytes]], size: int) -> list[tuple[float, bytes]]:
    """Chunks of one size, each with the time of its last byte; 0 leaves them as they are."""
    if not size:
        return chunks
    out: list[tuple[float, bytes]] = []
    held = b""
    for t_s, data in chunks:
        held += data
        while len(held) >= size:
            out.append((t_s, held[:size]))
            held = held[size:]
    return out + ([(chunks[-1][0], held)] if held else [])
