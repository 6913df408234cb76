"""Invented indicators of a third family that send text: blanks for absent pads, pads a line above, tags."""

from __future__ import annotations

import json

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, odd_design, scale_of

from drivers import checks
from drivers.wire import KG_PER

WORDS = (("rest", "move"), ("1", "0"), ("ST", "US"), ("A", "V"))


def pad_above(rng: Rng) -> Design:
    """A record of lines: the pad is named in one, its load follows in the next."""
    scale, pads = scale_of(rng), rng.choice((["1", "2"], ["L", "R"], ["01", "02", "03"]))
    form = rng.choice(
        ("#PAD {p}\r\n{n:>9} {u}\r\n", "[{p}]\r\nW={n}{u}\r\n\r\n", "ch {p}\n{n} {u} {s}\n--\n")
    )

    def encode(made: list[State]) -> bytes:
        s = made[0]
        said = "ok" if s.steady else "mv"
        return form.format(p=pads[s.pad], n=scale.text(s.count), u=scale.unit, s=said).encode()

    return odd_design("far pad above", scale, encode, pads=pads, says_steady=False)


def blank_fields(rng: Rng) -> Design:
    """Several pads a line of fixed width; one that is silent just then leaves its field blank."""
    scale, count = scale_of(rng), rng.choice((2, 3, 4))
    width, every = rng.choice((8, 9)), rng.choice((0, 23))
    mark = rng.choice((" ", "|", ""))

    def absent(s: State) -> bool:
        return bool(every) and s.seq % every == 0 and s.pad == count - 1

    per = float(KG_PER[scale.unit] * scale.step)

    def encode(made: list[State]) -> bytes:
        cells = [f"{scale.text(s.count):>{width}}" for s in made]
        if absent(made[-1]):
            return mark.join([*cells[:-1], " " * width]).encode() + f" {scale.unit}\r\n".encode()
        return mark.join(cells).encode() + f" {scale.unit}\r\n".encode()

    pads = [str(n + 1) for n in range(count)]
    return odd_design(
        "far blank fields",
        scale,
        encode,
        pads=pads,
        together=True,
        says_steady=False,
        mass_kg=lambda s: None if absent(s) else s.count * per,
    )


def sentence(rng: Rng) -> Design:
    """A sentence with commas from a dollar sign, its XOR in hexadecimal behind a star."""
    scale, words = scale_of(rng), rng.choice(WORDS)
    pads = rng.choice(([""], ["1", "2", "3", "4"], ["FL7", "FR7"]))
    unit = {"kg": "K", "lb": "P"}[scale.unit] if rng.random() < 0.5 else scale.unit
    talker = rng.choice(("$PXLD", "$LD", "!W"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        cells = [talker[1:], *([pads[s.pad]] if len(pads) > 1 else []), scale.text(s.count), unit]
        body = ",".join([*cells, words[not s.steady]]).encode()
        return talker[:1].encode() + body + f"*{checks.xor(body):02X}\r\n".encode()

    return odd_design("far sentence", scale, encode, pads=pads, check="xor")


def tagged(rng: Rng) -> Design:
    """Lines of marks, as of a page: attributes with units glued to numbers."""
    scale, pads = scale_of(rng), rng.choice(([""], ["a", "b"], ["7", "8", "9"]))
    style = rng.choice(("attr", "nest", "pairs"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        name, number = pads[s.pad] or "x", scale.text(s.count)
        if style == "attr":
            return f'<r id="{name}" w="{number}" u="{scale.unit}" s="{int(s.steady)}"/>\n'.encode()
        if style == "nest":
            return f"<r><id>{name}</id><w>{number}{scale.unit}</w><s>{int(s.steady)}</s></r>\r\n".encode()
        return f"id={name} w={number}{scale.unit} s={int(s.steady)} t={s.seq}\r\n".encode()

    return odd_design("far tagged", scale, encode, pads=pads)


def packed_digits(rng: Rng) -> Design:
    """Digits without a point, last digit first or not, sign and claim in one letter; no blank anywhere."""
    scale, digits = scale_of(rng), rng.choice((5, 6, 7))
    back, end = rng.random() < 0.6, rng.choice((b"\r", b"\r\n", b"=", b"\x03"))
    letters = rng.choice(("PNpn", "+-<>", "0123"))
    start = rng.choice((b"", b"\x02")) if end != b"=" else b""

    def encode(made: list[State]) -> bytes:
        s = made[0]
        count = abs(s.count) * int(scale.step * 10**scale.places)
        text = f"{count:0{digits}d}"
        letter = letters[(s.count < 0) + 2 * (not s.steady)]
        return start + (letter + (text[::-1] if back else text)).encode() + end

    return odd_design("far packed digits", scale, encode)


def dotted_reverse(rng: Rng) -> Design:
    """The number with its point, last digit first, behind an equals sign, as a remote display takes it."""
    scale, width = scale_of(rng), rng.choice((6, 7, 8))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = f"{abs(float(s.count * scale.step)):0{width}.{scale.places}f}"
        return b"=" + (("-" if s.count < 0 else "0") + text)[::-1].encode()

    return odd_design("far dotted reverse", scale, encode, says_steady=False)


def chatty(rng: Rng) -> Design:
    """Lines between that hold numbers of their own: totals, peaks, a tare; any may look like a load."""
    scale, end = scale_of(rng), b"\r\n"
    kind = rng.choice(("peak", "total", "set", "echo"))
    most = [0]

    def encode(made: list[State]) -> bytes:
        s = made[0]
        most[0] = max(most[0], s.count)
        line = f"{'=' if s.steady else '~'}{scale.text(s.count):>9} {scale.unit}".encode() + end
        if s.seq % 9:
            return line
        other = {
            "peak": f"PEAK {scale.text(most[0]):>9} {scale.unit}",
            "total": f"T{scale.text(3210):>10} {scale.unit}",
            "set": f"^{scale.text(150):>9} {scale.unit}",
            "echo": f"LAST {scale.text(s.count - 2)}",
        }[kind]
        return other.encode() + end + line

    return odd_design(f"far chatty {kind}", scale, encode)


def deep_json(rng: Rng) -> Design:
    """JSON nested: pads as an object of objects with status words, time and unit far away."""
    scale, pads = scale_of(rng), ["lh", "rh", "c"][: rng.choice((2, 3))]
    grams = rng.random() < 0.3
    list_like = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        def number(s: State) -> float:
            return float(s.count * scale.step) * (1000 if grams and scale.unit == "kg" else 1)

        unit = "g" if grams and scale.unit == "kg" else scale.unit
        if list_like:
            data: object = [[p, round(number(s), 3), int(s.steady)] for p, s in zip(pads, made, strict=True)]
        else:
            data = {p: {"m": round(number(s), 3), "ok": s.steady} for p, s in zip(pads, made, strict=True)}
        tree = {"ts": round(1.7e9 + made[0].t_s, 2), "meta": {"u": unit, "fw": "2.4.1"}, "data": data}
        return json.dumps(tree, separators=(",", ":")).encode() + b"\n"

    return odd_design("far deep json", scale, encode, pads=pads, together=True, says_steady=False)


def one_json(rng: Rng) -> Design:
    """JSON of one pad a line, the pad deep inside, the number as text with its unit."""
    scale, pads = scale_of(rng), rng.choice(([""], ["n7", "n8"]))
    glued = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        number = scale.text(s.count) + (" " + scale.unit if glued else "")
        tree = {"src": {"node": pads[s.pad] or "n0"}, "v": {"w": number, "u": scale.unit}, "m": not s.steady}
        return json.dumps(tree).encode() + b"\r\n"

    return odd_design("far one json", scale, encode, pads=pads)


def python_floats(rng: Rng) -> Design:
    """Numbers without trailing zeros: 84, 84.2, 84.25."""
    scale = scale_of(rng, ("kg", "0.05", 2), ("kg", "0.25", 2), ("lb", "0.5", 1))
    end, words = rng.choice((b"\r\n", b"\n")), rng.choice(WORDS)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        return f"{float(s.count * scale.step):g},{scale.unit},{words[not s.steady]}".encode() + end

    return odd_design("far short floats", scale, encode)


def overload_words(rng: Rng) -> Design:
    """While it moves, now and then dashes or OVER stand in place of the number."""
    scale, words = scale_of(rng), rng.choice((("-----", "  ---"), (" OVER", "  ERR"), ("", "")))

    def absent(s: State) -> bool:
        return not s.steady and s.seq % 3 == 0

    def encode(made: list[State]) -> bytes:
        s = made[0]
        if absent(s):
            return f"W {words[s.seq % 2]:>8} {scale.unit} M\r\n".encode()
        return f"W {scale.text(s.count):>8} {scale.unit} {'S' if s.steady else 'M'}\r\n".encode()

    per = float(KG_PER[scale.unit] * scale.step)
    return odd_design("far dashes", scale, encode, mass_kg=lambda s: None if absent(s) else s.count * per)


def lower_hex(rng: Rng) -> Design:
    """Small hexadecimal digits with pad and status, a CRC over several spans or a sum, between marks."""
    scale, pads = scale_of(rng, ("kg", "0.1", 1), ("kg", "0.02", 2)), rng.choice(([""], ["1", "2"]))
    name, write = any_check(rng, text=True, none=0.2)
    width, skip = rng.choice((4, 6, 8)), rng.choice((0, 1))
    upper = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = f"{s.pad + 1:02x}{0x80 | s.steady:02x}{s.count & (1 << 4 * width) - 1:0{width}x}"
        body = body.upper() if upper else body
        data = b"%" + body.encode()
        return data + write(data[skip:]) + b"\r"

    return odd_design("far lower hex", scale, encode, pads=pads, check=name)


TEXTS = (
    pad_above,
    blank_fields,
    sentence,
    tagged,
    packed_digits,
    dotted_reverse,
    chatty,
    deep_json,
    one_json,
    python_floats,
    overload_words,
    lower_hex,
)
