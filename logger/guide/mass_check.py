"""A known mass on each pad in turn: what each gain is off, and whether the mass is heavy enough to tell."""

from __future__ import annotations

import argparse
import re
import sys

from logger.cautions import CAUTIONS
from logger.mechanics.pads import GainCheck, gain_check
from logger.quantity import Quantity
from logger.quantity_text import read_quantity
from logger.sentences import in_unit
from logger.units import to_kg

UNKNOWN = "person"
"""Written for the mass: one load nobody knows, the same on every pad (somebody who keeps still)."""
_READING = re.compile(r"(\d*\.?\d+)\s*([a-zA-Z]*)")


def run_mass_check(args: argparse.Namespace) -> int:
    """Print what the check tells of each pad; 2 when it cannot be made of what was typed."""
    try:
        lines = mass_check(args.check, args.reading or [], args.unit)
    except ValueError as why:
        print(f"restpoint weigh: {why}", file=sys.stderr)
        return 2
    print("\n".join(lines))
    return 0


def mass_check(mass: str, readings: list[str], unit: str) -> list[str]:
    """Compare readings ("P1=40.1,40.0 kg") with a mass ("40 ± 0.02 kg", or "person" for one nobody knows).

    Readings without a unit are in `unit`. Pads read best to their last digit, which is told from the
    readings. ValueError in words for what cannot be read.
    """
    known = None if mass == UNKNOWN else read_quantity(mass, "mass")
    by_pad: dict[str, list[float]] = {}
    steps = []
    for text in readings:
        pad, values, step = _reading(text, unit)
        by_pad.setdefault(pad, []).extend(values)
        steps.append(step)
    if known is None and len(by_pad) < 2:
        raise ValueError("a load nobody knows tells only what pads differ: put it on two pads at least")
    checks = gain_check(by_pad, known, min(steps, default=0.1))
    against = "their mean" if known is None else Quantity(known.value, known.u, "kg").shown_in(unit).text()
    lines = [f"Each pad against {against}; ± is two standard uncertainties."]
    lines += [f"  {in_unit(check.text, unit)}" for check in checks.values()]
    lines += [f"  {line}" for line in _what_to_do(checks, known)]
    return [*lines, *(f"  ! {CAUTIONS[n]}" for n in (3, 11))]


def _reading(text: str, unit: str) -> tuple[str, list[float], float]:
    """Pad, readings in kg, and what one of their last digit is in kg."""
    pad, equals, rest = text.partition("=")
    found = _READING.findall(rest)
    if not equals or not pad.strip() or not found or _READING.sub("", rest).strip(" ,;"):
        raise ValueError(f"{text!r} should be a pad and its readings, such as P1=40.1,40.0kg")
    own = next((u for _, u in reversed(found) if u), unit)
    values = [to_kg(float(value), u or own) for value, u in found]
    decimals = max(len(value.partition(".")[2]) for value, _ in found)
    return pad.strip(), values, to_kg(10.0**-decimals, own)


def _what_to_do(checks: dict[str, GainCheck], known: Quantity | None) -> list[str]:
    if known is None:
        return ["Only what the pads differ from each other is told; their common gain is not."]
    light = [pad for pad, check in checks.items() if not check.may_correct]
    if not light:
        return ["Write a gain into the pads' own calibration, never into two places."]
    return [f"No gain is changed on {', '.join(light)}: this check cannot calibrate."]
