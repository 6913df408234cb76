"""Invented indicators that send text."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from fractions import Fraction

from stream_kit import Design, State, any_check, some_pads


def digits(
    rng: random.Random, places: int, step: Fraction
) -> tuple[Callable[[int], tuple[bytes, bytes]], int, list[str]]:
    """A way to write a count in decimal digits: returns sign and number apart, the width, and features."""
    comma, implied = rng.random() < 0.15, rng.random() < 0.25
    pad = rng.choice((" ", "0", " "))
    width = rng.choice((6, 7, 8))
    blanks = rng.random() < 0.1 and not implied and places > 0
    mark = "" if implied or not places else "," if comma else "."

    times = int(step * 10**places)

    def write(count: int) -> tuple[bytes, bytes]:
        whole = f"{abs(count) * times:0{places + 1}d}"
        text = whole[: len(whole) - places] + mark + whole[len(whole) - places :] if places else whole
        if blanks and len(whole) - places > 3:
            at = len(whole) - places - 3
            text = text[:at] + " " + text[at:]
        return (b"-" if count < 0 else b"+"), text.rjust(width, pad).encode()

    features = [
        f"{places} places",
        *(["comma"] if mark == "," else []),
        *(["implied point"] if implied and places else []),
    ]
    return write, width, features + (["blanks inside"] if blanks else []) + (["zeros"] if pad == "0" else [])


def number_text(rng: random.Random, places: int, step: Fraction) -> tuple[Callable[[int], bytes], list[str]]:
    """A whole number field of text of fixed width, its sign somewhere in it."""
    write, width, features = digits(rng, places, step)
    style = rng.choice(("first", "first blank", "flush", "behind", "behind blank", "reversed"))

    def field_of(count: int) -> bytes:
        sign, text = write(count)
        if style == "first":
            return sign + text
        if style == "first blank":
            return (sign if sign == b"-" else b" ") + text
        if style == "flush":
            body = text.lstrip(b" ")
            return ((b"-" if sign == b"-" else b"") + body).rjust(width + 1, b" ")
        if style == "behind":
            return text + sign
        if style == "behind blank":
            return text + (sign if sign == b"-" else b" ")
        return (sign + text.strip(b" ").replace(b" ", b"").rjust(width, b"0"))[::-1]

    return field_of, [*features, f"sign {style}"]


def text_fixed(rng: random.Random) -> Design:
    """Messages of fixed width, marked or ended, of fields in any order."""
    unit, step, places = _text_unit(rng)
    number, features = number_text(rng, places, step)
    pads = some_pads(rng)
    names = [form.format(n + 1) for n in pads] if (form := rng.choice(("{}", "0{}", "P{}", "#{}"))) else []
    steady = rng.choice((("ST", "US"), ("S", "M"), ("=", "~"), ("STABLE", "MOTION"), None))
    separator = rng.choice(("", ",", " ", ";"))
    word = rng.choice((unit, unit.upper(), ""))
    start, end, trail = rng.choice(
        (
            (b"\x02", b"\x03", 1),
            (b"\x02", b"\r", 0),
            (b"", b"\r\n", 0),
            (b"", b"\r", 0),
            (b"", b"\n", 0),
            (b"$", b"\r\n", 0),
        )
    )
    check, write = any_check(rng, text=not trail, none=0.6)
    if trail and check == "none":
        trail = 0
    before = rng.random() < 0.5
    battery = rng.random() < 0.3

    def encode(made: list[State]) -> bytes:
        state = made[0]
        parts = [names[state.pad]] if len(names) > 1 else []
        parts += [steady[0 if state.steady else 1]] if steady and before else []
        parts += [number(state.count).decode()]
        parts += [word] if word else []
        parts += [steady[0 if state.steady else 1]] if steady and not before else []
        parts += [f"{3.7 - 0.0005 * state.t_s:.2f}V"] if battery else []
        body = separator.join(parts).encode()
        if trail:
            covered = body + end
            return start + covered + write(covered)
        return start + body + write(body) + end

    features += [
        f"start {start!r}",
        f"end {end!r}",
        f"unit word {word!r}",
        f"separator {separator!r}",
        f"steady {steady}",
    ]
    return Design(
        shape="text fixed",
        unit=unit,
        step=step,
        pads=names if len(names) > 1 else [""],
        together=False,
        encode=encode,
        check=check,
        says_steady=steady is not None,
        chatter=_chatter(rng, start, end, trail),
        features=features,
    )


def text_sign_apart(rng: random.Random) -> Design:
    """The sign stands away from the number."""
    unit, step, places = _text_unit(rng)
    write, _, features = digits(rng, places, step)
    letters = rng.choice((("+", "-"), (" ", "-"), ("P", "N")))
    steady = rng.choice((("S", "D"), ("0", "4")))
    end = rng.choice((b"\r\n", b"\r", b"\n"))

    def encode(made: list[State]) -> bytes:
        state = made[0]
        sign, text = write(state.count)
        mark = letters[sign == b"-"]
        return f"{mark}{steady[0 if state.steady else 1]} ".encode() + text + f" {unit}".encode() + end

    return Design(
        shape="text sign apart",
        unit=unit,
        step=step,
        pads=[""],
        together=False,
        encode=encode,
        features=[*features, f"signs {letters}"],
        chatter=_chatter(rng, b"", end, 0),
    )


def text_variable(rng: random.Random) -> Design:
    """Lines whose length changes with the number."""
    unit, step, places = _text_unit(rng, whole=False)
    pads = some_pads(rng)
    names = [form.format(n + 1) for n in pads] if (form := rng.choice(("P{}", "pad{}", "{}"))) else []
    style = rng.choice(("csv", "words", "plain"))
    plus = rng.choice(("+", ""))
    steady = rng.choice((("ST", "US"), ("ok", "mv"), ("stable", "moving")))
    end = rng.choice((b"\r\n", b"\n", b"\r"))
    check, write = any_check(rng, text=True, none=0.6)
    counter = rng.random() < 0.4

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = f"{float(state.count * step):{plus}.{places}f}"
        name = [names[state.pad]] if len(names) > 1 else []
        said = steady[0 if state.steady else 1]
        seq = [str(state.seq % 1000)] if counter else []
        if style == "csv":
            body = ",".join([*name, said, number, unit, *seq])
        elif style == "words":
            body = " ".join([*name, "W:", number + unit, said, *seq])
        else:
            body = " ".join([*name, number, unit, *seq])
        data = body.encode()
        return data + (b"*" + write(data) if check != "none" else b"") + end

    return Design(
        shape="text variable",
        unit=unit,
        step=step,
        pads=names if len(names) > 1 else [""],
        together=False,
        encode=encode,
        check=check,
        says_steady=style != "plain",
        chatter=_chatter(rng, b"", end, 0),
        features=[style, f"steady {steady}", *(["counter"] if counter else [])],
    )


def text_keyed(rng: random.Random) -> Design:
    """Pairs of key and value, in any order, or a JSON object."""
    unit, step, places = _text_unit(rng, whole=False)
    json_lines = rng.random() < 0.5
    pads = some_pads(rng)
    names = ["A", "B", "C", "D"][: len(pads)]
    separator, assign = rng.choice(((";", "="), (",", ":"), (" ", "="), ("&", "=")))
    shuffle = rng.random() < 0.5
    key = rng.choice(("w", "load", "kgs", "val"))

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = f"{float(state.count * step):.{places}f}"
        if json_lines:
            said, name = json.dumps(state.steady), names[state.pad]
            text = f'{{"pad":"{name}","{key}":{number},"unit":"{unit}","still":{said},"n":{state.seq}}}'
            return text.encode() + b"\n"
        pairs = [
            ("id", names[state.pad]),
            (key, number),
            ("u", unit),
            ("st", "ok" if state.steady else "mv"),
            ("n", str(state.seq % 100)),
        ]
        if shuffle:
            rng.shuffle(pairs)
        return separator.join(f"{k}{assign}{v}" for k, v in pairs).encode() + b"\r\n"

    return Design(
        shape="json" if json_lines else "keyed",
        unit=unit,
        step=step,
        pads=names if len(names) > 1 else [""],
        together=False,
        encode=encode,
        features=["shuffled"] if shuffle else [],
    )


def text_together(rng: random.Random) -> Design:
    """Several pads in one line."""
    unit, step, places = _text_unit(rng, whole=False)
    count = rng.choice((2, 4))
    style = rng.choice(("columns", "named", "json"))
    names = [str(n + 1) for n in range(count)]
    letters = "ABCD"[:count]

    def encode(made: list[State]) -> bytes:
        numbers = [f"{float(state.count * step):.{places}f}" for state in made]
        said = "S" if all(state.steady for state in made) else "M"
        if style == "json":
            inside = ",".join(f'{{"w":{number}}}' for number in numbers)
            return f'{{"pads":[{inside}],"u":"{unit}"}}'.encode() + b"\n"
        if style == "named":
            return (
                " ".join(
                    f"{letter}:{number:>8}" for letter, number in zip(letters, numbers, strict=True)
                ).encode()
                + f" {unit} {said}\r\n".encode()
            )
        return ("\t".join([said, *numbers]) + f"\t{unit}\r\n").encode()

    if style == "named":
        names = list(letters)
    return Design(
        shape="text together",
        unit=unit,
        step=step,
        pads=names,
        together=True,
        encode=encode,
        says_steady=style != "json",
        features=[style],
    )


def text_hex(rng: random.Random) -> Design:
    """The value in hexadecimal characters, two's complement."""
    width = rng.choice((6, 8))
    step = Fraction(rng.choice(("0.01", "0.02", "0.1", "0.05")))
    start, end = rng.choice(((b"", b"\r\n"), (b":", b"\r\n"), (b"", b"\r")))
    check, write = any_check(rng, text=True, none=0.4)

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = f"{state.count & (1 << 4 * width) - 1:0{width}X}"
        body = f"{'S' if state.steady else 'M'},{number},".encode()
        return start + body + write(body) + end

    return Design(
        shape="text hex", unit="kg", step=step, pads=[""], together=False, encode=encode, check=check
    )


def _text_unit(rng: random.Random, *, whole: bool = True) -> tuple[str, Fraction, int]:
    choices = [
        ("kg", "0.1", 1),
        ("kg", "0.05", 2),
        ("kg", "0.01", 2),
        ("lb", "0.1", 1),
        ("lb", "0.2", 1),
        ("kg", "0.5", 1),
        ("t", "0.0001", 4),
        ("N", "0.5", 1),
    ]
    if whole:
        choices += [("g", "50", 0), ("kg", "0.1", 1)]
    unit, step, places = rng.choice(choices)
    return unit, Fraction(step), places


def _chatter(rng: random.Random, start: bytes, end: bytes, trail: int) -> list[bytes]:
    if trail or rng.random() < 0.5:
        return []
    return [start + text + end for text in (b"READY", b"ver 2.1 ok", b"batt low? no", b"-- zero done --")]
