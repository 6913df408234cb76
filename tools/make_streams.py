"""Invent streams of indicators that nobody has: features put together at random from a seed, with the truth.

Each stream is what somebody who learns a layout has: bytes as they came with their times, and what stood on
the pads when. The truth says for every message where it ended, and pad, mass, unit and steady claim of its
readings. A second part, `later`, is the same indicator in use: heavier loads and readings below zero.
Streams marked `undecidable` cannot be learnt by anybody from what is given.

    python tools/make_streams.py FOLDER [SEED …]      write x.bin, x.times.csv, x.truth.jsonl, about.toml
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from drivers import checks, escapes
from drivers.wire import KG_PER


@dataclass(kw_only=True)
class Reading:
    """One true reading: pad, number in units of the last place, its step and unit."""

    pad: str
    mass_kg: float
    steady: bool


@dataclass(kw_only=True)
class Stream:
    """Bytes with times, and the truth by the offset at which a message ended."""

    name: str
    shape: str
    known: list[str]
    chunks: list[tuple[float, bytes]]
    truth: dict[int, list[Reading]]
    later: bytes
    later_truth: dict[int, list[Reading]]
    check: str
    says_steady: bool
    undecidable: bool = False
    features: list[str] = field(default_factory=list)


@dataclass(kw_only=True)
class State:
    """What a message is made from: number of the pad, counts of the last place, whether it stands still."""

    pad: int
    count: int
    steady: bool
    seq: int
    t_s: float


Encode = Callable[[list[State]], bytes]


@dataclass(kw_only=True)
class Design:
    """An invented indicator. `encode` makes a whole message of one state (or one of each pad)."""

    shape: str
    unit: str
    step: Fraction
    pads: list[str]
    together: bool
    encode: Encode
    check: str = "none"
    says_steady: bool = True
    chatter: list[bytes] = field(default_factory=list)
    undecidable: bool = False
    features: list[str] = field(default_factory=list)


# ---------------------------------------------------------------- loads


def profile(t_s: float, plan: list[tuple[float, float]]) -> tuple[float, bool]:
    """Load (kg) and whether it stands still: a plan lists (from_s, kg), each reached within 1.6 s."""
    now, before = plan[0][1], plan[0][1]
    since = -9.0
    for begin, load in plan:
        if t_s >= begin > 0:
            before, now, since = now, load, begin
    share = min((t_s - since) / 1.6, 1.0)
    return before + (now - before) * share * share * (3 - 2 * share), t_s - since > 2.1


def states(rng: random.Random, design: Design, plans: list[list[tuple[float, float]]], rate: float, seconds: float) -> list[list[State]]:
    """The states of all messages, in turn or together."""
    out = []
    per = float(KG_PER[design.unit] * design.step)
    noise = rng.choice((0.4, 0.8, 1.5)) * per
    zero = [rng.uniform(-1.2, 1.2) * per for _ in plans]
    seq, t_s, turn = rng.randrange(256), 0.0, 0
    while t_s < seconds:
        which = range(len(plans)) if design.together else (turn % len(plans),)
        made = []
        for pad in which:
            load, still = profile(t_s, plans[pad])
            shake = noise if still else noise + 0.01 * abs(load)
            mass = load + zero[pad] + rng.gauss(0, shake) * (0.4 if still else 1)
            made.append(State(pad=pad, count=round(mass / per), steady=still, seq=seq, t_s=t_s))
        out.append(made)
        seq += 1
        turn += 1
        t_s += 1 / rate
    return out


# ---------------------------------------------------------------- numbers


def digits(rng: random.Random, places: int, step: Fraction) -> tuple[Callable[[int], tuple[bytes, bytes]], int, list[str]]:
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

    features = [f"{places} places", *(["comma"] if mark == "," else []), *(["implied point"] if implied and places else [])]
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
        return (sign + text.replace(b" ", b"0"))[::-1]

    return field_of, [*features, f"sign {style}"]


# ---------------------------------------------------------------- checks

SUMS = ("xor", "sum", "sum-twos", "sum-ones")
CRC8 = ("CRC8-SMBUS", "CRC8-MAXIM-DOW", "CRC8-ROHC", "CRC8-AUTOSAR")
CRC16 = ("CRC16-MODBUS", "CRC16-XMODEM", "CRC16-IBM-3740", "CRC16-KERMIT", "CRC16-ARC", "CRC16-DNP")
CRC32 = ("CRC32-ISO-HDLC", "CRC32-BZIP2", "CRC32-MPEG-2")


def any_check(rng: random.Random, *, text: bool, none: float) -> tuple[str, Callable[[bytes], bytes]]:
    """A check and what writes it for the bytes it covers."""
    if rng.random() < none:
        return "none", lambda _: b""
    kind = rng.choice((*SUMS, "crc8", "crc16", "crc16", "crc32"))
    if kind in SUMS:
        compute, size, name = checks.summing(kind), 1, kind
    else:
        name = rng.choice({"crc8": CRC8, "crc16": CRC16, "crc32": CRC32}[kind])
        compute, bits = checks.crc(name)
        size = bits // 8
    order = rng.choice(("big", "little")) if size > 1 else "big"
    mask = (1 << 8 * size) - 1
    if text:
        return name, lambda data: f"{compute(data) & mask:0{2 * size}X}".encode()
    return name, lambda data: (compute(data) & mask).to_bytes(size, order)  # type: ignore[arg-type]  # one of two


# ---------------------------------------------------------------- text


def text_fixed(rng: random.Random) -> Design:
    """Messages of fixed width, marked or ended, of fields in any order."""
    unit, step, places = _text_unit(rng)
    number, features = number_text(rng, places, step)
    pads = _pads(rng)
    names = [form.format(n + 1) for n in pads] if (form := rng.choice(("{}", "0{}", "P{}", "#{}"))) else []
    steady = rng.choice((("ST", "US"), ("S", "M"), ("=", "~"), ("STABLE", "MOTION"), None))
    separator = rng.choice(("", ",", " ", ";"))
    word = rng.choice((unit, unit.upper(), ""))
    start, end, trail = rng.choice(((b"\x02", b"\x03", 1), (b"\x02", b"\r", 0), (b"", b"\r\n", 0), (b"", b"\r", 0), (b"", b"\n", 0), (b"$", b"\r\n", 0)))
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

    features += [f"start {start!r}", f"end {end!r}", f"unit word {word!r}", f"separator {separator!r}", f"steady {steady}"]
    return Design(shape="text fixed", unit=unit, step=step, pads=names if len(names) > 1 else [""], together=False, encode=encode, check=check, says_steady=steady is not None, chatter=_chatter(rng, start, end, trail), features=features)


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

    return Design(shape="text sign apart", unit=unit, step=step, pads=[""], together=False, encode=encode, features=[*features, f"signs {letters}"], chatter=_chatter(rng, b"", end, 0))


def text_variable(rng: random.Random) -> Design:
    """Lines whose length changes with the number."""
    unit, step, places = _text_unit(rng, whole=False)
    pads = _pads(rng)
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

    return Design(shape="text variable", unit=unit, step=step, pads=names if len(names) > 1 else [""], together=False, encode=encode, check=check, says_steady=style != "plain", chatter=_chatter(rng, b"", end, 0), features=[style, f"steady {steady}", *(["counter"] if counter else [])])


def text_keyed(rng: random.Random) -> Design:
    """Pairs of key and value, in any order, or a JSON object."""
    unit, step, places = _text_unit(rng, whole=False)
    json_lines = rng.random() < 0.5
    pads = _pads(rng)
    names = ["A", "B", "C", "D"][: len(pads)]
    separator, assign = rng.choice(((";", "="), (",", ":"), (" ", "="), ("&", "=")))
    shuffle = rng.random() < 0.5
    key = rng.choice(("w", "load", "kgs", "val"))

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = f"{float(state.count * step):.{places}f}"
        if json_lines:
            text = f'{{"pad":"{names[state.pad]}","{key}":{number},"unit":"{unit}","still":{json.dumps(state.steady)},"n":{state.seq}}}'
            return text.encode() + b"\n"
        pairs = [("id", names[state.pad]), (key, number), ("u", unit), ("st", "ok" if state.steady else "mv"), ("n", str(state.seq % 100))]
        if shuffle:
            rng.shuffle(pairs)
        return separator.join(f"{k}{assign}{v}" for k, v in pairs).encode() + b"\r\n"

    return Design(shape="json" if json_lines else "keyed", unit=unit, step=step, pads=names if len(names) > 1 else [""], together=False, encode=encode, features=["shuffled"] if shuffle else [])


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
            return " ".join(f"{letter}:{number:>8}" for letter, number in zip(letters, numbers, strict=True)).encode() + f" {unit} {said}\r\n".encode()
        return ("\t".join([said, *numbers]) + f"\t{unit}\r\n").encode()

    if style == "named":
        names = list(letters)
    return Design(shape="text together", unit=unit, step=step, pads=names, together=True, encode=encode, says_steady=style != "json", features=[style])


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

    return Design(shape="text hex", unit="kg", step=step, pads=[""], together=False, encode=encode, check=check)


def _text_unit(rng: random.Random, *, whole: bool = True) -> tuple[str, Fraction, int]:
    choices = [("kg", "0.1", 1), ("kg", "0.05", 2), ("kg", "0.01", 2), ("lb", "0.1", 1), ("lb", "0.2", 1), ("kg", "0.5", 1), ("t", "0.0001", 4), ("N", "0.5", 1)]
    if whole:
        choices += [("g", "50", 0), ("kg", "0.1", 1)]
    unit, step, places = rng.choice(choices)
    return unit, Fraction(step), places


def _pads(rng: random.Random) -> list[int]:
    return list(range(rng.choice((1, 1, 2, 4))))


def _chatter(rng: random.Random, start: bytes, end: bytes, trail: int) -> list[bytes]:
    if trail or rng.random() < 0.5:
        return []
    return [start + text + end for text in (b"READY", b"ver 2.1 ok", b"batt low? no", b"-- zero done --")]


# ---------------------------------------------------------------- binary


def value_bytes(rng: random.Random) -> tuple[Callable[[int], bytes], str, Fraction, list[str]]:
    """A binary coding of a count: the function, unit, step and features."""
    kind = rng.choice(("int", "int", "int", "float", "bcd", "int16"))
    unit = rng.choice(("kg", "kg", "lb"))
    order = rng.choice(("big", "little"))
    step = Fraction(rng.choice(("0.01", "0.02", "0.1", "0.05", "0.2")))
    if kind == "float":
        import struct

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
    pads = _pads(rng)
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
        chatter = [wrapped(frame, sync, bytes([0xE0, 3, 9, n, 1, 7, 7, 2, 1]), write, over_sync) for n in range(3)]
    return Design(shape=f"binary {frame}", unit=unit, step=step, pads=[str(n + 1) for n in pads] if len(pads) > 1 else [""], together=False, encode=encode, check=check, chatter=chatter, features=[*features, f"sync {sync.hex()}", *(["counter"] if counter else []), *(["battery"] if battery else [])])


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
        flags = sum(state.steady << n for n, state in enumerate(made)) and (0x10 if all(s.steady for s in made) else 0)
        values = b"".join((state.count & (1 << 8 * size) - 1).to_bytes(size, order) for state in made)  # type: ignore[arg-type]  # one of two
        body = bytes([flags]) + values
        return b"\xa5\x5a" + body + write(body)

    return Design(shape="binary together", unit="kg", step=step, pads=[str(n + 1) for n in range(count)], together=True, encode=encode, check=check, features=[f"int{8 * size}", order])


def undecidable(rng: random.Random) -> Design:
    """Streams that nobody could tell: gross and net alike, or numbers that do not answer."""
    kind = rng.choice(("twins", "no answer", "off"))
    factor = {"twins": 1.0, "no answer": 0.0, "off": 1.13}[kind]

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = round(state.count * factor)
        if kind == "twins":
            return f"{number / 10:8.1f} {number / 10:8.1f}\r\n".encode()
        if kind == "no answer":
            return f"{'S' if state.steady else 'M'} {37 + state.seq % 7:6d} kg\r\n".encode()
        return b"\xaa\x55" + (number & 0xFFFF).to_bytes(2, "big") + bytes([checks.xor((number & 0xFFFF).to_bytes(2, "big"))])

    return Design(shape=f"undecidable {kind}", unit="kg", step=Fraction(1, 10), pads=[""], together=False, encode=encode, undecidable=True)


FAMILIES = (text_fixed, text_fixed, text_sign_apart, text_variable, text_keyed, text_together, text_hex, binary, binary, binary, binary_together, undecidable)


# ---------------------------------------------------------------- streams


def make(seed: int) -> Stream:
    """Invent one stream from its seed."""
    rng = random.Random(seed)
    design = FAMILIES[seed % len(FAMILIES)](rng)
    load = Fraction(rng.choice(("84.2", "71.4", "63.85", "92.6")))
    plans, known, seconds = _session(rng, design, load)
    rate = rng.choice((8, 10, 10, 12.5, 20)) * (1 if design.together else max(len(design.pads) * 0.7, 1))
    if len(known) == 2 and seconds > 25 and rng.random() < 0.5:
        known.append(f"0@{seconds - 5:g}:{seconds - 0.5:g}")
        for plan in plans:
            plan.append((seconds - 9, 0.0))
    chunks, truth = wire(rng, design, states(rng, design, plans, rate, seconds), damage=0 if rng.random() < 0.3 else 2e-4)
    used = [[(0.0, 0.0), (3.0, rng.uniform(90, 290)), (8.0, rng.uniform(-18, -4)), (12.0, rng.uniform(20, 320)), (17.0, 0.0)] for _ in plans]
    later, later_truth = wire(rng, design, states(rng, design, used, rate, 20.0), damage=0)
    return Stream(
        name=f"s{seed:05d}",
        shape=design.shape,
        known=known,
        chunks=chunks,
        truth=truth,
        later=b"".join(data for _, data in later),
        later_truth=later_truth,
        check=design.check,
        says_steady=design.says_steady,
        undecidable=design.undecidable,
        features=[design.unit, f"step {float(design.step):g}", f"{len(design.pads)} pads", *design.features],
    )


def _session(rng: random.Random, design: Design, load: Fraction) -> tuple[list[list[tuple[float, float]]], list[str], float]:
    """Loads by pad, what is known, and how long: 20 s for one pad; pads together are loaded in turn."""
    plans: list[list[tuple[float, float]]] = [[(0.0, 0.0)] for _ in design.pads]
    known = ["0@0:8"]
    if design.together or (len(plans) > 1 and rng.random() < 0.5):
        begin = 9.0
        for plan in plans:
            plan += [(begin, float(load)), (begin + 7, 0.0)]
            known.append(f"{float(load):g}kg@{begin + 2.5:g}:{begin + 6.8:g}")
            begin += 8.0
        return plans, known, begin + 1
    plans[rng.randrange(len(plans))].append((9.0, float(load)))
    known.append(f"{float(load):g}kg@12:20")
    return plans, known, 20.0 if rng.random() < 0.5 else 30.0


def wire(rng: random.Random, design: Design, made: list[list[State]], *, damage: float) -> tuple[list[tuple[float, bytes]], dict[int, list[Reading]]]:
    """Put messages on the line: mid-frame start, chatter, lost bytes, flipped bits."""
    per = float(KG_PER[design.unit] * design.step)
    chunks: list[tuple[float, bytes]] = []
    truth: dict[int, list[Reading]] = {}
    size = 0
    first = rng.randrange(1, 6)
    for number, together in enumerate(made):
        data = design.encode(together)
        intact = True
        if number == 0:
            data, intact = data[first:], False
        elif damage and rng.random() < damage * len(data):
            data, intact = _damaged(rng, data), False
        size += len(data)
        if intact:
            truth[size] = [
                Reading(pad=design.pads[state.pad], mass_kg=state.count * per, steady=state.steady)
                for state in together
            ]
        chunks.append((together[0].t_s, data))
        if design.chatter and rng.random() < 0.02:
            line = rng.choice(design.chatter)
            chunks.append((together[0].t_s + 0.01, line))
            size += len(line)
    return _cut_apart(rng, chunks), truth


def _damaged(rng: random.Random, data: bytes) -> bytes:
    if rng.random() < 0.4:
        at = rng.randrange(len(data))
        return data[:at] + data[at + rng.randrange(1, 4) :]
    out = bytearray(data)
    out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut_apart(rng: random.Random, chunks: list[tuple[float, bytes]]) -> list[tuple[float, bytes]]:
    """Let one chunk in eight come in two."""
    out: list[tuple[float, bytes]] = []
    for t_s, data in chunks:
        if len(data) > 4 and rng.random() < 0.125:
            at = rng.randrange(1, len(data))
            out += [(t_s, data[:at]), (t_s + 0.004, data[at:])]
        else:
            out.append((t_s, data))
    return out


def save(stream: Stream, folder: Path) -> Path:
    """Write a stream as files; returns the path of its bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{stream.name}.bin"
    path.write_bytes(b"".join(data for _, data in stream.chunks))
    at, rows = 0, ["offset,t_s"]
    for t_s, data in stream.chunks:
        rows.append(f"{at},{t_s:.4f}")
        at += len(data)
    path.with_suffix(".times.csv").write_text("\n".join(rows) + "\n")
    lines = [json.dumps({"end": end, "readings": [vars(r) for r in readings]}) for end, readings in stream.truth.items()]
    path.with_suffix(".truth.jsonl").write_text("\n".join(lines) + "\n")
    about = [f'shape = "{stream.shape}"', f"known = {json.dumps(stream.known)}", f'check = "{stream.check}"', f"features = {json.dumps(stream.features)}", 'origin = "invented, written by tools/make_streams.py"']
    path.with_suffix(".about.toml").write_text("\n".join(about) + "\n")
    return path


if __name__ == "__main__":
    for one in [int(word) for word in sys.argv[2:]] or range(48):
        print(save(make(one), Path(sys.argv[1])))
