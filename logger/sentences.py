"""Sentences count in kg, kg·m, m and mm inside; whoever shows them to a reader of pounds turns them here."""

from __future__ import annotations

import re
from decimal import Decimal

from logger.quantity import rounded
from logger.units import IN_M, LB_KG

US: dict[str, tuple[str, float, int]] = {
    "kg": ("lb", 1 / LB_KG, 0),
    "kg·m": ("lb·in", 1 / (LB_KG * IN_M), -1),
    "m": ("in", 1 / IN_M, -1),
    "mm": ("in", 1e-3 / IN_M, 2),
}
"""For each unit in a sentence: the reader's unit, what one is in it, how many decimals more it is given."""

_NUMBER = r"[+−-]?\d+(?:\.\d+)?"
_COUNTED = re.compile(
    rf"(?<![\w.])({_NUMBER})(?:( ± | to )({_NUMBER}))? (kg·m|kg|mm|m)(?![\w·/]| in a metre)"
)


def significant(value: float, digits: int, *, sign: bool = False) -> str:
    """Write a number to so many significant digits, thousands in full: 1170, not 1.17e+03."""
    text = f"{Decimal(f'{value:.{digits}g}'):f}"
    return f"+{text}" if sign and value > 0 else text


def kilograms(mass_kg: float, digits: int = 4, *, sign: bool = False) -> str:
    """Write a mass as sentences have it: "1170 kg"."""
    return f"{significant(mass_kg, digits, sign=sign)} kg"


def counted(n: int, noun: str) -> str:
    """Write a count of things: "1 run", "2 runs"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def in_unit(sentence: str, unit: str) -> str:
    """A sentence as it stands for "kg"; for "lb" its masses in lb, its moments in lb·in, its lengths in in.

    A number keeps about the digits it had. Slopes and stiffnesses stay metric.
    """
    return sentence if unit == "kg" else _COUNTED.sub(_converted, sentence)


def _converted(found: re.Match[str]) -> str:
    unit, factor, more = US[found[4]]

    def shown(text: str) -> str:
        places = max(len(text.partition(".")[2]) + more, 0)
        sign = "+" if text.startswith("+") else ""
        return sign + rounded(float(text.replace("−", "-")) * factor, places)

    second = f"{found[2]}{shown(found[3])}" if found[2] else ""
    return f"{shown(found[1])}{second} {unit}"
