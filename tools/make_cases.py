"""Write the conformance cases of tests/drivers/cases anew: invented streams with the frames they must give.

    .venv/bin/python tools/make_cases.py [NAME …]

Streams are written by plain formatting, never by the code under test; the truth comes from the same numbers.
A case with a layout of its own keeps it as `layout.toml` in its folder; others name a shipped driver.
"""

from __future__ import annotations

import json
import random
import sys
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
CASES = ROOT / "tests" / "drivers" / "cases"
LAYOUTS = ROOT / "drivers" / "layouts"

KG_PER = {"kg": Fraction(1), "lb": Fraction("0.45359237"), "g": Fraction(1, 1000), "t": Fraction(1000)}
STEADY, MOVING, OVERLOAD, UNDERLOAD, LOW_BATTERY, AT_ZERO, NET = 1, 2, 4, 8, 16, 32, 64

Piece = tuple[bytes, list[dict[str, Any]]]


@dataclass
class Stream:
    """A case in the making: bytes and, for each piece of them, the frames it holds."""

    did: str
    driver: str = ""
    layout: str = ""
    integrity: str = "none"
    pieces: list[Piece] = field(default_factory=list)

    def says(self, data: bytes, *frames: dict[str, Any]) -> None:
        """Add bytes and the frames that stand in them."""
        self.pieces.append((data, list(frames)))


MAKERS: dict[str, Callable[[random.Random], Stream]] = {}


def case(make: Callable[[random.Random], Stream]) -> Callable[[random.Random], Stream]:
    """Register a maker by its name, dashes for underscores."""
    MAKERS[make.__name__.replace("_", "-")] = make
    return make


def loads(rng: random.Random, n: int = 40, step: int = 5) -> Iterator[tuple[int, int]]:
    """Loads of a wheel in hundredths of the unit, with the status flags that go with them."""
    level = 0
    for i in range(n):
        if i % 10 == 0:
            level = rng.choice((0, 2431, 18790, 31245, 99995))
        moving = i % 10 < 3
        spread = 400 if moving else step
        yield level + rng.randrange(-spread, spread + 1, step), MOVING if moving else STEADY


def decimal(hundredths: int, places: int = 2) -> str:
    """Write an integer with an explicit decimal point."""
    digits = f"{abs(hundredths):0{places + 1}d}"
    return ("-" if hundredths < 0 else "") + digits[:-places] + "." + digits[-places:]


def frame(value: str | None, unit: str = "kg", **more: Any) -> dict[str, Any]:
    """A frame as expected: the number as its decimal text says it, converted to kg exactly and rounded once."""
    found: dict[str, Any] = {}
    if value is not None:
        step = Fraction(1, 10 ** len(value.partition(".")[2])) * KG_PER[unit]
        mass_kg = float(Fraction(value) * KG_PER[unit])
        found = {"mass_kg": mass_kg, "resolution_kg": float(step), "wire_value": float(value)}
    more = {key: item for key, item in more.items() if item is not None and (key, item) != ("flags", 0)}
    return found | {"wire_unit": unit} | more


def xor(data: bytes) -> int:
    """XOR, written plainly."""
    found = 0
    for byte in data:
        found ^= byte
    return found


@case
def line_plain(rng: random.Random) -> Stream:
    """Words and a pattern."""
    stream = Stream(
        "port opened in the middle of a line; an overload; a line of chatter", driver="line-plain"
    )
    stream.says(b"12.45 kg\r\n")
    for n, (value, flags) in enumerate(loads(rng)):
        word = "still" if flags == STEADY else "moving"
        unit = "lb" if n % 13 == 12 else "kg"
        text = decimal(value)
        stream.says(f"P3 {word} {text:>11} {unit}\r\n".encode(), frame(text, unit, address="P3", flags=flags))
        if n == 20:
            stream.says(b"P3 over      ------- kg\r\n", frame(None, address="P3", flags=OVERLOAD))
            stream.says(b"battery good, all well\r\n")
            stream.says(b"\r\n")
    return stream


@case
def fixed_width(rng: random.Random) -> Stream:
    """Every field in its place."""
    stream = Stream("two pads take turns; a short line", driver="fixed-width")
    stream.says(b"5 kg\r")
    for n, (value, flags) in enumerate(loads(rng)):
        pad = n % 2 + 1
        text = f"A{pad}{'S' if flags == STEADY else 'M'}  {value:+08d} kg\r"
        stream.says(text.encode(), frame(decimal(value), address=f"P{pad}", flags=flags))
        if n == 7:
            stream.says(b"A1S  +00312 kg\r")
    stream.says(b"A2O           kg\r", frame(None, address="P2", flags=OVERLOAD))
    return stream


@case
def stx_etx_xor(rng: random.Random) -> Stream:
    """Check characters after ETX."""
    stream = Stream(
        "four pads on one receiver; one message damaged, one cut short", driver="stx-etx-xor", integrity="xor"
    )
    stream.says(b"2.45 kg 37 -061 0417\x0300")
    for n, (value, flags) in enumerate(loads(rng, 48)):
        pad, status = n % 4 + 1, "S" if flags == STEADY else "M"
        battery, signal, seq = 37 - n // 30, -61 - pad, (9980 + n) % 10000
        sign, size = "-" if value < 0 else "+", f"{decimal(abs(value)):0>8}"
        body = f"{pad} {status} {sign}{size} kg {battery} {signal:04d} {seq:04d}\x03".encode()
        data = b"\x02" + body + f"{xor(body):02X}".encode()
        told = frame(
            decimal(value), address=f"P{pad}", flags=flags, integrity="xor", battery_V=battery / 10,
            signal_dBm=float(signal), seq=seq,
        )  # fmt: skip
        stream.says(data, told)
        if n == 11:
            stream.says(data.replace(b"kg", b"kh"))
            stream.says(data[:14])
    return stream


@case
def four_in_one(rng: random.Random) -> Stream:
    """Four pads a message."""
    stream = Stream("one pad is not heard for a while", driver="four-in-one", integrity="sum")
    stream.says(b"99;S +02315;3A\r\n")
    for n, (value, flags) in enumerate(loads(rng, 30)):
        cells, frames = [], []
        for pad in range(1, 5):
            tenths = value // 10 + 3 * pad
            if pad == 4 and 10 <= n < 20:
                cells.append(". ......")
                continue
            cells.append(f"{'S' if flags == STEADY else 'M'} {tenths:+06d}")
            frames.append(frame(decimal(tenths, 1), address=f"P{pad}", flags=flags, integrity="sum", seq=n))
        body = f"#{n:04d};{';'.join(cells)};".encode()
        stream.says(body + f"{sum(body) & 255:02X}\r\n".encode(), *frames)
    return stream


def write(name: str, stream: Stream) -> None:
    """Write a case's folder."""
    folder = CASES / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "recording.bin").write_bytes(b"".join(data for data, _ in stream.pieces))
    lines = [json.dumps(told, sort_keys=True) + "\n" for _, frames in stream.pieces for told in frames]
    (folder / "expected.jsonl").write_text("".join(lines), encoding="utf-8")
    about = [f"did = {json.dumps(stream.did)}", 'origin = "invented, written by tools/make_cases.py"']
    about += [f'driver = "{stream.driver or "layout.toml"}"', f'integrity = "{stream.integrity}"']
    (folder / "about.toml").write_text("\n".join(about) + "\n", encoding="utf-8")
    if stream.layout:
        tomllib.loads(stream.layout)
        (folder / "layout.toml").write_text(stream.layout, encoding="utf-8")


def main(names: list[str]) -> int:
    """Write the cases named, or all."""
    for name in names or sorted(MAKERS):
        write(name, MAKERS[name](random.Random(name)))
        print(name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
