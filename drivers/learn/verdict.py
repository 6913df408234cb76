"""In which unit and with which decimal places a field answers: found from the ratio to the known load.

Text with a point and floats show a number in some unit. Integers show a multiple of ten, or of a step of
2 or 5, which gives the same mass whatever the unit is called; what no unit explains may be raw counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import log10

from drivers.learn.answer import Answer
from drivers.learn.recording import Known
from drivers.wire import COUNTS, KG_PER

UNIT_WORDS = {
    "kg": "kg",
    "kgs": "kg",
    "kilo": "kg",
    "kgf": "kg",
    "g": "g",
    "gram": "g",
    "t": "t",
    "mt": "t",
    "lb": "lb",
    "lbs": "lb",
    "lbf": "lb",
    "pound": "lb",
    "oz": "oz",
    "n": "N",
    "kn": "kN",
    "mg": "mg",
}
"""Words that name a unit, in small letters; the ratio must agree with them."""
SHOWN = ("kg", "lb", "g", "oz", "t", "N", "kN")
"""Units that a number with its point may be in: their ratios lie far apart."""
WHOLE = ("kg", "lb")
"""Units that an integer may be a multiple of without a word that says so."""
READABLE = 0.97
"""Share of rows that must read; the others may be damaged."""
GENEROUS = 0.025
"""How far a shown number may be off the known load: its unit is clear all the same."""
CALIBRATION = 0.003
"""How far an indicator may be off by itself; an integer's ratio must fit a unit this well."""
DOUBTFUL = 0.03
"""A ratio this near to a unit, but not within tolerance, is neither that unit nor raw counts for sure."""
DEAD_LOAD = 100
"""Raw counts when empty are not so many times the known load's: bytes before the number were read with it."""
STEPS = (1, 2, 5)
NEWTON_GAP = abs(1 - float(1 / KG_PER["N"]) / 10)
"""Newtons and tens of kilograms differ by 2 %: only a word can tell them apart where the point is implied."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Unit, implied decimal places (None: as sent), scale ("" for 1), and departure from the known load."""

    unit: str
    decimals: int | None = None
    scale: str = ""
    off: float = 0.0

    def factor_kg(self) -> float:
        """Kilograms that one of the number as read is, before decimals and scale; counts stay as they are."""
        per = float(KG_PER.get(self.unit, 1))
        return per * float(Fraction(self.scale or 1)) / 10.0 ** (self.decimals or 0)


def tolerance(answer: Answer, knowns: Sequence[Known]) -> float:
    """How far the ratio may be off, from the digits of the known loads, the step and the calibration."""
    span = max(k.mass_kg for k in knowns) - min(k.mass_kg for k in knowns)
    typed = max(k.half_digit_kg for k in knowns) / span
    return typed + min(answer.step / answer.reach, 0.01) + CALIBRATION


def shown(answer: Answer, word: str) -> Verdict | str:
    """Judge a number with its point, or a float; the text answered says why there is no verdict."""
    fits = {unit: answer.slope * float(KG_PER[unit]) - 1 for unit in SHOWN}
    unit = min(fits, key=lambda u: abs(fits[u]))
    if word and abs(fits.get(word, 9.0)) <= GENEROUS:
        return Verdict(unit=word, off=fits[word])
    if abs(fits[unit]) > GENEROUS:
        return f"it shows {answer.slope:.5g} for each kg, which is no unit: is the known load right?"
    if word:
        return f"it says {word} but answers like {unit}: is the known load right, in its right unit?"
    return Verdict(unit=unit, off=fits[unit])


def whole(answer: Answer, knowns: Sequence[Known], word: str, *, digits: bool) -> Verdict | str:
    """Judge an integer; `digits` when it is written in decimal digits, where steps need no scale."""
    allowed = tolerance(answer, knowns)
    likely = [knowns[-1].unit] if knowns[-1].unit in WHOLE else []
    units = [word] if word else list(dict.fromkeys((*likely, *WHOLE)))
    fits = sorted(
        (fit for unit in units for step in ((1,) if digits else STEPS) if (fit := _fit(answer, unit, step))),
        key=lambda fit: abs(fit.off),
    )
    if fits and abs(fits[0].off) <= (GENEROUS if word and digits else allowed):
        near = [fit for fit in fits if abs(fit.off) <= allowed]
        return next((fit for fit in near if fit.unit in likely), fits[0])
    nearest = fits[0] if fits else Verdict(unit="kg", off=1.0)
    newton = _fit(answer, "N", 1)
    if newton and abs(newton.off) <= allowed and nearest.unit == "kg":
        return (
            "it answers like newtons, or like kilograms with a known load that is 2 % off: "
            "give a load that is known to 0.5 % or better"
        )
    if abs(nearest.off) < DOUBTFUL:
        return f"it is {abs(nearest.off):.1%} off {nearest.unit}: give a load that is known better"
    return f"it counts {answer.slope:.6g} for each kg, which is no unit"


def _fit(answer: Answer, unit: str, step: int) -> Verdict | None:
    """How well the slope is a power of ten over the step, in a unit."""
    per_unit = answer.slope * float(KG_PER[unit]) * step
    places = round(log10(per_unit))
    off = per_unit / 10.0**places - 1
    if not -3 <= places <= 7:
        return None
    if step == 1 and places >= 0:
        return Verdict(unit=unit, decimals=places, off=off)
    scale = Fraction(step) / Fraction(10) ** places
    return Verdict(unit=unit, scale=plain(scale), off=off)


def plain(number: Fraction) -> str:
    """Write a fraction of tens without exponent."""
    return f"{float(number):.9f}".rstrip("0").rstrip(".")


def counts(answer: Answer, knowns: Sequence[Known]) -> Verdict | str:
    """Judge whether an integer that fits no unit is a raw count: fine, and not zero when empty."""
    levels = len({known.mass_kg for known in knowns})
    fine = answer.reach > 2000 * max(answer.step, 1) and abs(answer.empty) < DEAD_LOAD * answer.reach
    if fine and (levels > 2 or abs(answer.empty) > 0.03 * answer.reach):
        return Verdict(unit=COUNTS)
    return (
        f"it counts {answer.slope:.6g} for each kg, which is no unit; raw counts would not be zero when "
        "empty: is the known load right? A third known load would decide"
    )
