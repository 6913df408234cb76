"""Invented indicators of the wide family that send text: every way to write a number, freely mixed."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import dataclass

from stream_kit import Design, State, any_check
from stream_odd_kit import Rng, Scale, odd_design, scale_of

COARSE = (("kg", "1", 0), ("kg", "0.5", 1), ("lb", "1", 0), ("kg", "0.2", 1), ("lb", "0.5", 1))
USUAL = (("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2), ("lb", "0.1", 1), ("lb", "0.2", 1))
ENDS = (b"\r\n", b"\n", b"\r")
WORDS = (("STABLE", "UNSTAB"), ("OK", "??"), ("s", "m"), ("HOLD", "MOVE"), ("=", "~"), ("0", "1"), ("Y", "N"))
LOOSE = (("still", "moving"), ("at rest", "swings"), ("1", "0"), ("R", "D"), ("true", "false"))
CHATTER = (b"* link up", b"# fw 3.07 (c) 2029", b"?", b"WARN cell heat 31 C", b"boot 0x4F ok")


@dataclass(frozen=True)
class Written:
    """How a number is written: where its sign stands, what fills it, its decimal mark, last digit first."""

    scale: Scale
    width: int
    sign: str
    fill: str
    mark: str
    plus: str
    turned: bool = False

    def digits(self, count: int) -> str:
        """The number without its sign, `width` characters."""
        whole = abs(round(count * self.scale.step * 10**self.scale.places))
        text = f"{whole:0{self.scale.places + 1}d}"
        if self.scale.places:
            text = f"{text[: -self.scale.places]}{self.mark}{text[-self.scale.places :]}"
        text = text.rjust(self.width, self.fill)
        return text[::-1] if self.turned else text

    def sign_of(self, count: int) -> str:
        return "-" if count < 0 else self.plus

    def text(self, count: int) -> str:
        """The number with its sign before or behind, or hard before the first digit."""
        digits, sign = self.digits(count), self.sign_of(count)
        if self.sign == "after":
            return digits + sign
        if self.sign == "close":
            return (sign.strip() + digits.strip()).rjust(self.width + 1)
        return sign + digits


def written(rng: Rng, *, scales: tuple[tuple[str, str, int], ...] = USUAL, turned: bool = False) -> Written:
    return Written(
        scale_of(rng, *scales),
        rng.choice((5, 6, 7, 8)),
        rng.choice(("before", "after", "close")),
        rng.choice((" ", "0")),
        rng.choice((".", ".", ",", "")),
        rng.choice((" ", "+", " ")),
        turned,
    )


def _some(rng: Rng, names: tuple[tuple[str, ...], ...]) -> list[str]:
    """No pad's name, or two to four names."""
    return list(rng.choice(names))[: rng.choice((2, 3, 4))] if rng.random() < 0.55 else [""]


def framed_columns(rng: Rng) -> Design:
    """Fixed places between STX and ETX or up to CR: a bit-coded character, number, unit letter, check."""
    number = written(rng, scales=USUAL + COARSE)
    base, bit = rng.choice((0x20, 0x40, 0x60)), 1 << rng.randrange(4)
    turn, spare = rng.random() < 0.5, rng.choice((b"", b" ", b"G", b"0"))
    unit = rng.choice(
        (
            b"",
            number.scale.unit.encode(),
            number.scale.unit[0].encode(),
            number.scale.unit[:1].upper().encode(),
        )
    )
    start, end = rng.choice(((b"\x02", b"\x03"), (b"\x02", b"\x03\r"), (b"", b"\r"), (b"\x01", b"\x04")))
    name, write = any_check(rng, text=True, none=0.4)
    pads = _some(rng, (("1", "2", "3", "4"), ("a", "b", "c", "d")))
    inside = rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        flag = bytes([base | (bit if s.steady != turn else 0)])
        body = pads[s.pad].encode() + flag + spare + number.text(s.count).encode() + unit
        return start + body + (write(body) + end if inside or not start else end + write(body + end))

    return odd_design("wide framed columns", number.scale, encode, check=name, pads=pads)


def turned_digits(rng: Rng) -> Design:
    """Last digit first, sign behind, with or without a point, as long as it is or of one width."""
    number = written(rng, turned=True)
    lead, end = rng.choice(("=", "]", "w")), rng.choice((b"\r", b"\r\n", b"\x03"))
    words = rng.choice(WORDS)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        sign = "-" if s.count < 0 else rng_plus
        return f"{lead}{number.digits(s.count)}{sign}{words[0 if s.steady else 1]}".encode() + end

    rng_plus = rng.choice(("+", "0", " "))
    return odd_design("wide turned digits", number.scale, encode)


def named_values(rng: Rng) -> Design:
    """Pairs of key and value in any of several dresses; values of the link beside them."""
    scale = scale_of(rng, *USUAL, *COARSE)
    between, assign = rng.choice(((";", "="), (" ", "="), (",", ":"), ("&", "="), ("|", "=")))
    comma = between not in ",|" and rng.random() < 0.4
    pads = _some(rng, (("1", "2", "3", "4"), ("FL", "FR", "BL", "BR"), ("7A", "7B", "7C", "7D")))
    words, end = rng.choice(LOOSE), rng.choice(ENDS)
    if between == " ":
        words = tuple(word.replace(" ", "_") for word in words)  # type: ignore[assignment]  # two
    name, write = any_check(rng, text=True, none=0.7)
    with_unit, with_link, order = rng.random() < 0.7, rng.random() < 0.6, rng.randrange(3)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = scale.text(s.count).replace(".", "," if comma else ".")
        pairs = [("id", pads[s.pad])] if len(pads) > 1 else []
        pairs += [("m", text), ("st", words[0 if s.steady else 1])]
        pairs += [("u", scale.unit)] if with_unit else []
        pairs += (
            [("vb", f"{3.98 - s.t_s / 900:.2f}".replace(".", "," if comma else "."))] if with_link else []
        )
        pairs += [("db", str(-60 - (s.seq * 7) % 5)), ("n", str(s.seq))] if with_link else []
        pairs = pairs[::-1] if order == 0 else pairs
        body = between.join(f"{key}{assign}{value}" for key, value in pairs).encode()
        return body + (between + "c" + assign).encode() * (name != "none") + write(body) + end

    chatter = [line + end for line in CHATTER[:2]] if rng.random() < 0.3 and name == "none" else []
    return odd_design("wide named values", scale, encode, pads=pads, check=name, chatter=chatter)


def objects(rng: Rng) -> Design:
    """JSON lines: one pad a line or all in a list, whole grams or decimals, unit in the key or beside."""
    unit, step, places = rng.choice((("g", "20", 0), ("g", "100", 0), ("kg", "0.05", 2), ("lb", "0.2", 1)))
    scale = scale_of(rng, (unit, step, places))
    together = rng.random() < 0.5
    pads = ["p1", "p2", "p3", "p4"][: rng.choice((1, 2, 4))]
    key = rng.choice((f"load_{unit}", "load", "value"))
    claim = rng.choice((("rest", "swing"), (True, False), (0, 1)))
    end, gap = rng.choice((b"\n", b"\r\n")), rng.choice((None, (",", ":")))

    def one(s: State) -> dict[str, object]:
        number = float(scale.text(s.count)) if places else int(scale.text(s.count))
        return {key: number, "state": claim[0 if s.steady else 1]}

    def encode(made: list[State]) -> bytes:
        s = made[0]
        if together:
            out: dict[str, object] = {"t": round(1000 * s.t_s) + 88_000, "pads": [one(x) for x in made]}
        else:
            out = (
                {"pad": pads[s.pad]} | one(s) | {"rssi": -58 - s.seq % 4, "bat": round(4.05 - s.t_s / 800, 2)}
            )
        if not key.endswith(unit):
            out["unit"] = unit
        return json.dumps(out, separators=gap).encode() + end

    names = pads if len(pads) > 1 else [""]
    return odd_design("wide objects", scale, encode, pads=names, together=together and len(pads) > 1)


def rows(rng: Rng) -> Design:
    """Several pads a line, separated, each with its claim or all with one, and perhaps a total."""
    number = written(rng, scales=USUAL + COARSE)
    mark = rng.choice(tuple(m for m in (",", ";", "\t", " | ", " / ") if m != number.mark))
    pads = ["1", "2", "3", "4"][: rng.choice((2, 3, 4))]
    own, total, lead = rng.random() < 0.5, rng.random() < 0.3, rng.choice(("", "$L", "ROW"))
    words, end = rng.choice((("s", "m"), ("OK", "MV"), ("0", "1"))), rng.choice(ENDS)
    unit_at = rng.choice(("none", "each", "last"))
    name, write = any_check(rng, text=True, none=0.6)

    def encode(made: list[State]) -> bytes:
        cells = [lead] if lead else []
        for s in made:
            cells.append(number.text(s.count) + (number.scale.unit if unit_at == "each" else ""))
            cells += [words[0 if s.steady else 1]] if own else []
        cells += [number.text(sum(s.count for s in made))] if total else []
        cells += [] if own else [words[0 if all(s.steady for s in made) else 1]]
        cells += [number.scale.unit] if unit_at == "last" else []
        body = mark.join(cells).encode()
        return body + (b"*" if name != "none" else b"") + write(body) + end

    return odd_design("wide rows", number.scale, encode, pads=pads, together=True, check=name)


def blocks(rng: Rng) -> Design:
    """Several pads a line without separators: name, sign, digits and claim glued, block on block."""
    number = written(rng, scales=USUAL + COARSE)
    pads = ["1", "2", "3", "4"][: rng.choice((2, 3, 4))]
    words, end = rng.choice((("S", "D"), ("_", "^"), ("0", "4"))), rng.choice(ENDS)
    lead, named = rng.choice(("", "P", "#")), rng.random() < 0.7
    name, write = any_check(rng, text=True, none=0.5)

    def encode(made: list[State]) -> bytes:
        body = ""
        for s in made:
            body += lead + (pads[s.pad] if named else "")
            body += number.text(s.count) + words[0 if s.steady else 1]
        return body.encode() + write(body.encode()) + end

    return odd_design("wide blocks", number.scale, encode, pads=pads, together=True, check=name)


def counted(rng: Rng) -> Design:
    """The message tells its length first, in digits or in a byte; the text inside is as long as it is."""
    scale = scale_of(rng, *USUAL, *COARSE)
    words, plain = rng.choice(LOOSE), rng.random() < 0.5
    name, write = any_check(rng, text=rng.random() < 0.5, none=0.0)
    pads = _some(rng, (("1", "2", "3", "4"), ("A", "B", "C", "D")))
    start, all_of_it = rng.choice((b"", b"\x01", b"##")), rng.random() < 0.5

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = f"{pads[s.pad]}:" if len(pads) > 1 else ""
        body += f"{scale.text(s.count, '+')} {scale.unit} {words[0 if s.steady else 1]} "
        size = len(body) + len(write(b"")) + (len(start) + (2 if plain else 1) if all_of_it else 0)
        told = f"{size:02d}".encode() if plain else bytes([size])
        return start + told + body.encode() + write(told + body.encode())

    return odd_design("wide counted", scale, encode, check=name, pads=pads)


def hexed(rng: Rng) -> Design:
    """Everything in hexadecimal digits between marks: pad, state, number in two's complement, check."""
    scale = scale_of(
        rng, ("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.02", 2), ("lb", "0.1", 1), ("kg", "1", 0)
    )
    width, small = rng.choice((4, 6, 8)), rng.random() < 0.4
    flip, plain = rng.random() < 0.3, rng.random() < 0.5
    start, end = rng.choice(((b"\x02", b"\x03"), (b":", b"\r\n"), (b"<", b">"), (b"", b"\r")))
    name, write = any_check(rng, text=True, none=0.2)
    pads = _some(rng, (("0A", "0B", "0C", "0D"), ("1", "2", "3", "4"), ("F1", "F2", "F3", "F4")))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        value = s.count if plain else round(s.count * scale.step * 10**scale.places)
        number = (
            (value & (1 << 4 * width) - 1).to_bytes(width // 2, "little" if flip else "big").hex().upper()
        )
        body = f"{pads[s.pad]}{0x80 | (0 if s.steady else 0x20):02X}{number}".encode()
        body = body.lower() if small else body
        told = write(body)
        return start + body + (told.lower() if small else told) + end

    return odd_design("wide hexed", scale, encode, check=name, pads=pads)


def failing(rng: Rng) -> Design:
    """Now and then words stand in the number's place for a second, or a start-up talk is repeated."""
    number = written(rng)
    fault = rng.choice(("------", " OVER ", "NO PAD", "  Err "))
    words, end = rng.choice(WORDS), rng.choice(ENDS)
    pads = _some(rng, (("1", "2", "3", "4"), ("N", "E", "S", "W")))
    unit, mark = (
        rng.choice(("", number.scale.unit)),
        rng.choice(tuple(m for m in (",", ";", " ", "\t") if m != number.mark)),
    )

    def out(s: State) -> bool:
        return s.seq % 90 > 81

    def encode(made: list[State]) -> bytes:
        s = made[0]
        text = fault.rjust(len(number.text(0))) if out(s) else number.text(s.count)
        cells = [*([pads[s.pad]] if len(pads) > 1 else []), words[0 if s.steady else 1], text]
        return mark.join([*cells, *([unit] if unit else [])]).encode() + end

    per = float(number.scale.step) * (0.45359237 if number.scale.unit == "lb" else 1)
    return odd_design(
        "wide failing",
        number.scale,
        encode,
        pads=pads,
        chatter=[line + end for line in CHATTER],
        mass_kg=lambda s: None if out(s) else s.count * per,
    )


def unit_shy(rng: Rng) -> Design:
    """The unit is written only while the number stands still, blanks instead while it moves."""
    number = written(rng)
    unit, end = number.scale.unit, rng.choice(ENDS)
    word = rng.choice(("", "ST,", "G "))
    name, write = any_check(rng, text=True, none=0.7)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = f"{word}{number.text(s.count)} {unit if s.steady else ' ' * len(unit)}".encode()
        return body + write(body) + end

    return odd_design("wide unit shy", number.scale, encode, check=name)


def spaced(rng: Rng) -> Design:
    """Blanks inside numbers: after the sign, and between thousands."""
    unit, step = rng.choice((("g", "50"), ("g", "100"), ("g", "20")))
    scale = scale_of(rng, (unit, step, 0))
    words, end = rng.choice(LOOSE), rng.choice(ENDS)
    before = rng.random() < 0.5
    width = rng.choice((0, 9))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        digits = f"{abs(int(scale.text(s.count))):,d}".replace(",", " ")
        text = f"{'-' if s.count < 0 else ' ' if width else ''} {digits:>{width}}".strip("" if width else " ")
        said = words[0 if s.steady else 1]
        return (f"{said}: {text} {unit}" if before else f"{text} {unit}; {said}").encode() + end

    return odd_design("wide spaced", scale, encode)


def echoed(rng: Rng) -> Design:
    """A polled line listened to: each question is heard before its answer, which names its pad."""
    number = written(rng, scales=USUAL + COARSE)
    pads = ["01", "02", "03", "04"][: rng.choice((2, 3, 4))]
    ask, end = rng.choice(("R", "?", "\x05")), rng.choice((b"\r", b"\r\n"))
    words = rng.choice((("S", "D"), ("0", "1"), ("ok", "mv")))
    name, write = any_check(rng, text=True, none=0.5)

    def encode(made: list[State]) -> bytes:
        s = made[0]
        body = f"A{pads[s.pad]}{words[0 if s.steady else 1]}{number.text(s.count)}".encode()
        return f"{ask}{pads[s.pad]}".encode() + end + body + write(body) + end

    return odd_design("wide echoed", number.scale, encode, pads=pads, check=name)


def sign_apart(rng: Rng) -> Design:
    """The sign stands in a field of its own, away from digits that never show it."""
    number = written(rng)
    minus, plus = rng.choice((("-", "+"), ("-", " "), ("N", "P"), ("1", "0")))
    words, end = rng.choice((("S", "U"), ("ST", "US"))), rng.choice(ENDS)
    mark = rng.choice(tuple(m for m in ("", ",", ";", " ") if m != number.mark or not m))
    order = rng.choice(("sign first", "sign last"))

    def encode(made: list[State]) -> bytes:
        s = made[0]
        sign, said = minus if s.count < 0 else plus, words[0 if s.steady else 1]
        cells = (
            [sign, said, number.digits(s.count)]
            if order == "sign first"
            else [said, number.digits(s.count), "kg", sign]
        )
        return mark.join(cells).replace("kg", number.scale.unit).encode() + end

    return odd_design("wide sign apart", number.scale, encode, features=["below zero"])


TEXTS: tuple[Callable[[random.Random], Design], ...] = (
    framed_columns,
    turned_digits,
    named_values,
    objects,
    rows,
    blocks,
    counted,
    hexed,
    failing,
    unit_shy,
    spaced,
    echoed,
    sign_apart,
)
