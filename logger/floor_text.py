"""What is told of a floor, in words and lengths: the terms of a solution as a person reads them. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from logger.quantity import Quantity

SHIFTS = {
    "h_alpha": "what the slope along moves the centre of mass back by, facing out",
    "h_beta": "what the slope across moves the centre of mass right by, facing out",
}


def floor_lines(terms: Mapping[str, Quantity], track_m: float) -> Iterator[tuple[str, Quantity]]:
    """Words and quantity for each term (as `Solution.floor` has them) of every set of spots.

    Slopes are shares of 1, the twist is one corner's height out of the others' plane (m), by the mean track.
    """
    for key in terms:
        prefix, _, name = key.rpartition("alpha")
        if name == "" and not prefix.endswith("h_"):
            yield from _one_set(terms, prefix, track_m)
    if "stiffness" in terms:
        yield "the car's warp stiffness", terms["stiffness"]


def _one_set(terms: Mapping[str, Quantity], spots: str, track_m: float) -> Iterator[tuple[str, Quantity]]:
    yield f"{spots}slope along, nose up when facing out", _scaled(terms[f"{spots}alpha"], 1.0, "1")
    yield f"{spots}slope across, left up when facing out", _scaled(terms[f"{spots}beta"], 1.0, "1")
    for name, words in SHIFTS.items():
        yield f"{spots}{words}", terms[f"{spots}{name}"]
    yield (
        f"{spots}twist, as one corner out of the others' plane",
        _scaled(terms[f"{spots}theta"], track_m, "m"),
    )
    yield f"{spots}what the twist adds to cross weight", terms[f"{spots}cross_floor"]


def _scaled(q: Quantity, factor: float, unit: str) -> Quantity:
    return Quantity(q.value * factor, None if q.u is None else q.u * factor, unit)
