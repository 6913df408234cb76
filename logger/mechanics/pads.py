"""Check pads' gains with a known mass, and refuse to call it a calibration when the mass is too light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf, sqrt
from statistics import fmean, variance

from msgspec import Struct

from logger.mechanics.lines import student
from logger.mechanics.plausible import mix_up_asked
from logger.quantity import Quantity
from logger.sentences import kilograms

ENOUGH_U = 5e-4
"""A gain told to ±0.1 % (2u) is worth having: on a 250 kg corner that is 0.25 kg."""

FEW = 4.0
"""Degrees of freedom below which further readings sharpen a check by a quarter or more."""


class GainCheck(Struct, frozen=True, kw_only=True):
    """One pad against a known mass: relative gain, its effective degrees of freedom, and what follows.

    `may_correct` is False when the mass is too light to tell the gain; `needed_kg` is the mass that would.
    """

    pad: str
    gain: Quantity
    freedom: float
    may_correct: bool
    needed_kg: float
    text: str


def gain_check(
    readings_kg: Mapping[str, Sequence[float]],
    mass: Quantity | None,
    resolution_kg: float,
    u_zero_kg: float = 0.0,
) -> dict[str, GainCheck]:
    """Compare each pad's readings of one mass with it; `mass` None: one unknown load on each in turn.

    With an unknown load (a person who keeps still) only what the pads differ from their mean is told. One
    reading does not show how well a pad repeats: nothing is to be corrected by it. ValueError for no readings
    or a mass that is not above zero.
    """
    if not readings_kg or any(len(r) == 0 for r in readings_kg.values()):
        raise ValueError("each pad needs a reading of the mass; put it on every pad in turn")
    if mass is not None and mass.value <= 0:
        raise ValueError(f"a known mass of {mass.value:g} kg cannot check anything")
    means = {pad: fmean(r) for pad, r in readings_kg.items()}
    reference = fmean(means.values()) if mass is None else mass.value
    u_reference = 0.0 if mass is None or mass.u is None else mass.u
    return {
        pad: _check(pad, readings, reference, u_reference, resolution_kg, u_zero_kg)
        for pad, readings in readings_kg.items()
    }


def _check(
    pad: str, readings: Sequence[float], reference: float, u_reference: float, d: float, u_zero: float
) -> GainCheck:
    repeat = sqrt(variance(readings) / len(readings)) if len(readings) > 1 else 0.0
    parts = [(repeat, len(readings) - 1.0), (d / sqrt(12), inf), (u_reference, inf), (u_zero, inf)]
    u = sqrt(sum(p**2 for p, _ in parts))
    freedom = effective_freedom([p for p, _ in parts], [n for _, n in parts])
    u_gain = u * student(2.0, freedom) / 2 / reference
    gain = Quantity(fmean(readings) / reference - 1, u_gain, "1")
    needed = u * student(2.0, freedom) / 2 / ENOUGH_U
    enough = u_gain <= ENOUGH_U
    told = _mixed_unit(pad, fmean(readings), reference)
    if told is None and enough and len(readings) == 1:
        told = f"{_told(pad, gain, reference)}, by one reading: put it on again, to see how well it repeats."
    return GainCheck(
        pad=pad,
        gain=gain,
        freedom=freedom,
        may_correct=enough and told is None,
        needed_kg=needed,
        text=told or _text(pad, gain, reference, needed, enough=enough, few=freedom < FEW),
    )


def _mixed_unit(pad: str, reading_kg: float, reference_kg: float) -> str | None:
    """A sentence when a reading is to the mass as pounds to kilograms."""
    asked = mix_up_asked(reading_kg, reference_kg)
    if asked is None:
        return None
    return f"{pad} reads {reading_kg / reference_kg:.3g} times {kilograms(reference_kg)}: {asked}"


def _text(pad: str, gain: Quantity, reference: float, needed: float, *, enough: bool, few: bool) -> str:
    off = gain.u is not None and abs(gain.value) > 2 * gain.u
    told = _told(pad, gain, reference)
    if enough:
        return f"{told}: {'it is off and may be corrected' if off else 'within what the check can tell'}."
    return (
        f"{told}. {kilograms(reference)} is too light to calibrate with: it would take about "
        f"{kilograms(needed, 3)}{', or more readings of it' if few else ''}. "
        + ("The pad is off all the same; look at it." if off else "No gain is changed.")
    )


def _told(pad: str, gain: Quantity, reference: float) -> str:
    return f"{pad} reads {gain.shown_in('%').text()} against {kilograms(reference)}"


def effective_freedom(us: Sequence[float], freedoms: Sequence[float]) -> float:
    """Effective degrees of freedom of a sum of independent parts (Welch–Satterthwaite, GUM G.4.1)."""
    below = sum(u**4 / n for u, n in zip(us, freedoms, strict=True) if u > 0 and n < inf)
    return sum(u**2 for u in us) ** 2 / below if below > 0 else inf
