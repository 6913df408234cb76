"""Odd indicators that send text: clocks, records of several lines, exponents, changes of unit, labels."""

from __future__ import annotations

import json
from fractions import Fraction

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, Scale, odd_design, scale_of

from drivers import checks


def clocked(rng: Rng) -> Design:
    """A time of day, a running index and a temperature beside the number."""
    scale, end = scale_of(rng), rng.choice((b"\r\n", b"\n", b"\r"))
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

    return odd_design("odd clocked", scale, encode)


def several_lines(rng: Rng) -> Design:
    """A record of several lines, of which one holds the number."""
    scale, pads = scale_of(rng), rng.choice(([""], ["1", "2"]))
    blank = rng.choice(("", "\r\n"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        name = f" {pads[s.pad]}" if len(pads) > 1 else ""
        said = "at rest" if s.steady else "in motion"
        return (
            f"PAD{name}\r\n  LOAD {scale.text(s.count):>9} {scale.unit}\r\n  STATE {said}\r\n{blank}".encode()
        )

    return odd_design("odd several lines", scale, encode, pads=pads, says_steady=False)


def exponent(rng: Rng) -> Design:
    """The number with an exponent."""
    scale = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.01", 2), ("lb", "0.1", 1))
    letter, digits = rng.choice(("E", "e")), rng.choice((4, 5, 6))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{float(s.count * scale.step):+.{digits}E}".replace("E", letter)
        return f"{'S' if s.steady else 'D'},{text},{scale.unit}\r\n".encode()

    return odd_design("odd exponent", scale, encode)


def unit_changes(rng: Rng) -> Design:
    """Somebody presses the unit key: kilograms, then pounds, in the same recording."""
    scale = Scale("kg", Fraction(1, 10), 1)
    at = rng.choice((5.0, 10.0, 15.0))

    def number(s: State) -> str:
        return f"{float(s.count * scale.step) * (2.20462262185 if s.t_s > at else 1):8.1f}"

    def encode(made: list[State]) -> bytes:
        s = made[0]
        return f"{'S' if s.steady else 'M'} {number(s)} {'lb' if s.t_s > at else 'kg'}\r\n".encode()

    return odd_design(
        "odd unit changes",
        scale,
        encode,
        mass_kg=lambda s: float(number(s)) * (0.45359237 if s.t_s > at else 1),
    )


def inner_span(rng: Rng) -> Design:
    """A check over a part of the message only, or begun at an odd number."""
    scale, end = scale_of(rng), rng.choice((b"\r\n", b"\r"))
    kind, begun = rng.choice(("xor", "sum")), rng.choice((0, 0x55, 0xA7, 0xFF))
    compute = checks.summing(kind, begun)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = scale.text(s.count, "+09").encode()
        body = b"u:" + (b"ok " if s.steady else b"mv ") + number
        return body + f" {compute(number) & 0xFF:02X} {scale.unit}".encode() + end

    return odd_design("odd inner span", scale, encode, check=kind)


def kinds(rng: Rng) -> Design:
    """Two kinds of message, one in four of them with something else that answers to nothing."""
    scale = scale_of(rng)
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

    return odd_design("odd kinds", scale, encode)


def labelled(rng: Rng) -> Design:
    """Gross, tare and net by name, without a tare."""
    scale = scale_of(rng)
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

    return odd_design("odd labelled", scale, encode)


def glued(rng: Rng) -> Design:
    """Key, number and unit glued together, or in brackets, or quoted."""
    scale = scale_of(rng)
    form = rng.choice(
        ("W={n}{u};S={s}\r\n", "[{n}{u}|{s}]\r\n", '"{n}","{u}","{s}"\r\n', "<w u={u} s={s}>{n}</w>\n")
    )
    words = rng.choice((("1", "0"), ("Y", "N"), ("stop", "go")))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        return form.format(n=scale.text(s.count), u=scale.unit, s=words[0 if s.steady else 1]).encode()

    return odd_design("odd glued", scale, encode)


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

    return odd_design("odd thousands", scale, encode)


def raw_beside(rng: Rng) -> Design:
    """Converter counts beside the mass."""
    scale = scale_of(rng)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        raw = 183044 + round(float(s.count * scale.step) * 911.7) + (s.seq * 7919) % 23
        return f"{raw} {scale.text(s.count)} {scale.unit} {'s' if s.steady else 'm'}\n".encode()

    return odd_design("odd raw beside", scale, encode)


def nested(rng: Rng) -> Design:
    """JSON with pads inside, numbers as texts, and keys that come and go."""
    scale, quoted = scale_of(rng), rng.random() < 0.5
    pads = ["n1", "n2", "n3"][: rng.choice((2, 3))]

    def encode(made: list[State]) -> bytes:
        inside = []
        for name, s in zip(pads, made, strict=True):
            number = scale.text(s.count)
            inside.append(f'{{"id":"{name}","load":{json.dumps(number) if quoted else number}}}')
        still = json.dumps(all(s.steady for s in made))
        up = f',"up":{int(made[0].t_s)}' if made[0].seq % 10 == 0 else ""
        return f'{{"cells":[{",".join(inside)}],"unit":"{scale.unit}","still":{still}{up}}}\r\n'.encode()

    return odd_design("odd nested", scale, encode, pads=pads, together=True)


def table(rng: Rng) -> Design:
    """A line of columns with pad, load and claim of each pad."""
    scale = scale_of(rng)
    pads, mark = ["1", "2", "3", "4"][: rng.choice((2, 4))], rng.choice((",", ";", "\t"))

    def encode(made: list[State]) -> bytes:
        said = "S" if all(s.steady for s in made) else "D"
        cells = [cell for n, s in zip(pads, made, strict=True) for cell in (f"L{n}", scale.text(s.count))]
        total = scale.text(sum(s.count for s in made))
        return mark.join([said, *cells, "SUM", total, scale.unit]).encode() + b"\r\n"

    return odd_design("odd table", scale, encode, pads=pads, together=True)


def shorter_number(rng: Rng) -> Design:
    """Lines without anything but the number, of changing length."""
    scale = scale_of(rng)
    end = rng.choice((b"\r\n", b"\n", b"\r", b"\x03"))
    plus = rng.choice(("", "+"))

    def encode(made: list[State]) -> bytes:
        return scale.text(made[0].count, plus).encode() + end

    return odd_design("odd bare number", scale, encode, says_steady=False)


def letters(rng: Rng) -> Design:
    """A pad's name in letters, the unit as a code letter, the claim as a letter in small or capital."""
    scale = scale_of(rng)
    pads = rng.choice((["near", "far"], ["A", "B", "C"], ["07", "12"]))
    end = rng.choice((b"\r\n", b"\r"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        code = {"kg": "K", "lb": "L"}[scale.unit]
        letter = code if s.steady else code.lower()
        return f"@{pads[s.pad]}:{scale.text(s.count)}{letter}".encode() + end

    return odd_design("odd letters", scale, encode, pads=pads)


def hex_status(rng: Rng) -> Design:
    """Hexadecimal status word, number, hexadecimal sum, all of fixed width behind an exclamation mark."""
    scale = scale_of(rng)
    name, write = any_check(rng, text=True, none=0.3)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        status = 0x8040 | (0x0002 if s.steady else 0) | (0x0100 if s.seq % 50 == 0 else 0)
        body = f"!{status:04X}{scale.text(s.count):>9}".encode()
        return body + write(body[1:]) + b"\r\n"

    return odd_design("odd hex status", scale, encode, check=name)
