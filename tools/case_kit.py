"""What makers of conformance cases share: a stream in the making, loads, numbers as text, plain checks."""

from __future__ import annotations

import random
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
    """A frame as expected: the number as its text says it, converted to kg exactly and rounded once."""
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


def crc(data: bytes, bits: int, poly: int, init: int, *, reflect: bool, out: int = 0) -> int:
    """CRC bit by bit, as textbooks write it; it shares nothing with the library that layouts use."""
    top, full = 1 << (bits - 1), (1 << bits) - 1
    found = init
    for byte in data:
        found ^= (int(f"{byte:08b}"[::-1], 2) if reflect else byte) << (bits - 8)
        for _ in range(8):
            found = ((found << 1) ^ poly) & full if found & top else found << 1
    found = int(f"{found:0{bits}b}"[::-1], 2) if reflect else found
    return found ^ out


def counted(counts: int, **more: Any) -> dict[str, Any]:
    """A frame of converter counts as expected."""
    more = {key: item for key, item in more.items() if item is not None and (key, item) != ("flags", 0)}
    return {"counts": counts, "wire_value": float(counts), "wire_unit": "counts"} | more
