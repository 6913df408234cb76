"""A solution as one JSON object and as a page of plain text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from logger.cautions import CAUTIONS, GENERAL
from logger.floor_text import floor_lines
from logger.mechanics.solve import Solution
from logger.model import SCHEMA
from logger.quantity import Quantity
from logger.sentences import counted, in_unit

FIGURES = ("total", "front", "left", "cross", "x", "y", "kappa")
MEANING = {
    "total": "",
    "front": "of the total on the front wheels",
    "left": "of the total on the left wheels",
    "cross": "of the total on RF and LR",
    "x": "centre of mass ahead of the rear axle",
    "y": "centre of mass left of the centre line",
    "kappa": "warp term (+ loads LF and RR)",
}


def as_json(solution: Solution, name: str, notes: Sequence[str] = ()) -> str:
    """One JSON object in SI, shares as fractions of 1; `notes` of the file come before the solver's own."""
    found: dict[str, Any] = {"schema": SCHEMA, "car": name}
    found |= {figure: getattr(solution, figure) for figure in FIGURES}
    found |= {
        "corners": solution.corners,
        "floor": solution.floor,
        "scatter": solution.scatter,
        "gains": solution.gains,
        "runs": solution.runs,
        "suspects": solution.suspects,
        "open": solution.open,
        "cannot_tell_apart": solution.cannot_tell_apart,
        "next_placements": solution.next_placements,
        "notes": (*notes, *solution.notes),
    }
    return msgspec.json.encode(found).decode()


def as_text(solution: Solution, name: str, notes: Sequence[str] = (), *, unit: str = "kg") -> str:
    """Plain text with every ± (two standard uncertainties), what is not told, and what to do next."""
    places = len(solution.placements)
    lines = [
        f"{name}: {counted(len(solution.runs), 'run')} in {counted(places, 'placement')}. ± is two standard "
    ]
    lines[0] += "uncertainties."
    lines.append("")
    rows = [(f, getattr(solution, f), MEANING[f]) for f in FIGURES]
    rows += [(corner, q, "") for corner, q in solution.corners.items()]
    lines += [f"  {label:<7}{shown(q, unit):<22}{text}".rstrip() for label, q, text in rows if q is not None]
    lines += [
        "",
        f"  Cross weight scatters from rock to rock by {shown(solution.scatter, unit)} (one standard).",
    ]
    floor = floor_lines(solution.floor, sum(solution.geometry.lengths_m[1:]) / 2)
    lines += _section("The floor", [f"{text}: {q.shown_beside(unit).text()}" for text, q in floor])
    lines += _section(
        "The pads",
        [f"{pad} reads {_per_mille(q)} against its calibration" for pad, q in solution.gains.items()],
    )
    lines += _section("Cannot be told apart", solution.cannot_tell_apart)
    steps = [
        f"{i}. {in_unit(n.action, unit)} {n.bought(unit)}" for i, n in enumerate(solution.next_placements, 1)
    ]
    lines += _section("What to do next", steps)
    lines += _section("Notes", [in_unit(note, unit) for note in (*notes, *solution.notes)])
    lines += _section("Cautions", [CAUTIONS[n] for n in GENERAL])
    return "\n".join(lines)


def shown(q: Quantity, unit: str) -> str:
    """A quantity with its ± beside masses in `unit`; lengths of a car in m or in."""
    return (q if q.unit == "m" and unit == "kg" else q.shown_beside(unit)).text()


def _per_mille(q: Quantity) -> str:
    return Quantity(1e3 * q.value, None if q.u is None else 1e3 * q.u, "‰").text()


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return ["", title, *(f"  {line}" for line in lines)] if lines else []
