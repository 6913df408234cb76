"""Read past weigh-ins: a CSV of loads and a TOML of the car, every fault with its file and line at once.

The columns stand at the head of `weigh_rows.py`; units may differ from row to row. A run that cannot be used
(a wheel missing, a load no car has) is left out and said so; a row that cannot be read is a fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from statistics import median
from typing import TypeVar

from msgspec.structs import replace

from logger.car_file import Car
from logger.mechanics.plausible import faults_of, unit_mix_up
from logger.mechanics.solve import Solution, solve_builds
from logger.mechanics.weighing import Known, Weighing
from logger.model import CORNERS, Facing
from logger.typed_toml import ConfigError
from logger.weigh_rows import Row, read_rows

LEAST_U_KG = 0.05
"""Assumed u of a reading whose file gives none and whose digits would allow less; pads repeat no better."""


T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Weighings of a file, what is to be said about them, and whether their u is our assumption."""

    weighings: tuple[Weighing, ...]
    notes: tuple[str, ...]
    u_assumed: bool


def read_weighings(path: Path, known: Known) -> Readings:
    """Read a CSV of weighings.

    ConfigError (its `faults` have file and line) when rows cannot be read or no run is usable.
    """
    rows, notes = read_rows(path)
    runs, split_notes = _runs(path, rows)
    u_assumed = all(row.u_kg is None for row in rows)
    assumed_u = _assumed_u(rows)
    weighings: list[Weighing] = []
    refused: list[Weighing] = []
    left_out: list[str] = []
    for name, members in runs:
        wrong = _torn(members, rows) or _unfit(name, members)
        if not wrong:
            weighing = _weighing(name, members, assumed_u)
            wrong = faults_of(weighing, known)
            refused += [weighing] if wrong else []
        if wrong:
            left_out += [f"{path}:{_line(members, text)}: {text}" for text in wrong]
        else:
            weighings.append(weighing)
    if not weighings:
        raise ConfigError(left_out or [f"{path}: has no row; nothing to solve."])
    notes += split_notes
    notes += [f"{text} This run is left out." for text in left_out]
    notes += _other_unit(refused, weighings)
    if any(row.u_kg is None for row in rows):
        notes.append(
            f"The file gives no u for {'any' if u_assumed else 'some'} reading: ±{2 * assumed_u:.2g} kg "
            "(from its last digit, at least 0.1 kg) is assumed"
            + (", and a scatter from rest to rest as the runs tell, or a guess." if u_assumed else ".")
        )
    return Readings(
        weighings=tuple(weighings), notes=(*notes, *_facing_notes(weighings)), u_assumed=u_assumed
    )


def _runs(path: Path, rows: Sequence[Row]) -> tuple[list[tuple[str, list[Row]]], list[str]]:
    """Rows by run and facing; a run given twice is two weighings, or a duplicate when nothing differs."""
    groups: dict[tuple[str, str, Facing], list[list[Row]]] = {}
    for row in rows:
        blocks = groups.setdefault((row.build, row.run, row.facing), [[]])
        block = next((b for b in blocks if all(r.corner != row.corner for r in b)), None)
        if block is None:
            block = []
            blocks.append(block)
        block.append(row)
    facings: dict[str, set[Facing]] = {}
    for _, run, facing in groups:
        facings.setdefault(run, set()).add(facing)
    runs: list[tuple[str, list[Row]]] = []
    notes: list[str] = []
    faults: list[str] = []
    for (_, run, facing), blocks in groups.items():
        name = f"{run} {facing}" if len(facings[run]) > 1 else run
        for count, block in enumerate(_distinct(name, blocks, notes), 1):
            if count > 1 and len(block) < 4:
                faults += [
                    f"{path}:{row.line}: run {name} has {row.corner} a second time; strike one of them, or "
                    "give the second weighing a run of its own"
                    for row in block
                ]
            runs.append((name if count == 1 else f"{name} ({count})", block))
    if faults:
        raise ConfigError(faults)
    return runs, notes


def _distinct(name: str, blocks: list[list[Row]], notes: list[str]) -> Iterable[list[Row]]:
    seen: list[set[tuple[str, str, str, float, float]]] = []
    for block in blocks:
        what = {(str(r.corner), r.pad, r.spot, r.value_kg, r.shim_m) for r in block}
        twin = next((s for s in seen if what <= s), None)
        if twin is not None:
            lines = ", ".join(str(r.line) for r in block)
            notes.append(
                f"Run {name} stands twice in the file, equal to the last digit (lines {lines}): counted once."
            )
            continue
        if seen and len(block) == 4:
            notes.append(
                f"Run {name} stands in the file more than once with other figures: taken as separate runs."
            )
        seen.append(what)
        yield block


def _torn(members: Sequence[Row], rows: Sequence[Row]) -> list[str]:
    """A sentence when the wheels that a run lacks stand under the same run with the other facing."""
    first = members[0]
    others = [r for r in rows if (r.run, r.build) == (first.run, first.build) and r.facing != first.facing]
    both = [*members, *others]
    if not others or len(both) != 4 or {r.corner for r in both} != set(CORNERS):
        return []
    mine, theirs = (" and ".join(r.corner for r in some) for some in (members, others))
    return [
        f"run {first.run} faces {first.facing} for {mine} and {others[0].facing} for {theirs}: a car "
        "faces one way. Correct the facing."
    ]


def _unfit(name: str, rows: Sequence[Row]) -> list[str]:
    """Sentences when a run has not one row per wheel, each on a pad and spot of its own."""
    missing = [c for c in CORNERS if all(r.corner != c for r in rows)]
    if missing:
        on = 4 - len(missing)
        return [
            f"run {name} has {on} wheel{'s' if on != 1 else ''} on pads, {' and '.join(missing)} missing: "
            "three wheels do not tell what the fourth carries. Weigh all four at once."
        ]
    wrong = []
    for what in ("pad", "spot"):
        values = [getattr(r, what) for r in rows]
        double = {v for v in values if values.count(v) > 1}
        wrong += [
            f"run {name} has {what} {v} under two wheels; look which stands where." for v in sorted(double)
        ]
    return wrong


def _other_unit(refused: Sequence[Weighing], others: Sequence[Weighing]) -> list[str]:
    """Say of runs left out when their totals are to the others' as pounds to kilograms."""
    usual_kg = median(sum(w.loads_kg) for w in others)
    hints = [(w.run, unit_mix_up(sum(w.loads_kg), usual_kg, "the other runs")) for w in refused]
    return [f"Run {run}: {hint[0].lower()}{hint[1:]} Then correct the unit." for run, hint in hints if hint]


def _line(rows: Sequence[Row], text: str) -> int:
    """The line that a sentence about a run is of: its corner's, else the run's first."""
    return next((row.line for row in rows if f"{row.corner} on pad {row.pad} " in text), rows[0].line)


def _weighing(name: str, rows: Sequence[Row], assumed_u: float) -> Weighing:
    by_corner = {row.corner: row for row in rows}
    ordered = [by_corner[c] for c in CORNERS]
    weighing = Weighing(
        run=name,
        facing=ordered[0].facing,
        spots=_four([r.spot for r in ordered]),
        pads=_four([r.pad for r in ordered]),
        loads_kg=_four([r.value_kg for r in ordered]),
        covariance_kg2=tuple((assumed_u if r.u_kg is None else r.u_kg) ** 2 for r in ordered),
        shims_m=_four([r.shim_m for r in ordered]),
        build=ordered[0].build,
        zero_u_kg=_four([r.zero_u_kg for r in ordered]),
    )
    named = " ".join(dict.fromkeys(r.zero for r in ordered if r.zero))
    return replace(weighing, zero_check=named or weighing.placement)


def _four(values: Sequence[T]) -> tuple[T, T, T, T]:
    a, b, c, d = values
    return a, b, c, d


def _assumed_u(rows: Sequence[Row]) -> float:
    """Standard uncertainty (kg) of readings without one: rounding and as much again, from the last digit."""
    step = max((row.step_kg for row in rows), default=0.0)
    return max(LEAST_U_KG, sqrt(2) * step / sqrt(12))


def _facing_notes(weighings: Sequence[Weighing]) -> list[str]:
    """Say where the spots under the wheels contradict the facing: half a turn puts LF where RR stood."""
    first = {w.spot_set: w for w in reversed(weighings)}
    return [
        f"Run {w.run} faces {w.facing}, but its spots are not those of a half turn against run "
        f"{first[w.spot_set].run}: LF stands on {w.spots[0]}. Facing is taken as written; check the spots, "
        "the floor is freed by them."
        for w in weighings
        if w.out_spots != first[w.spot_set].out_spots
    ]


def solved_build(readings: Readings, car: Car, aim: str, build: str | None) -> Solution:
    """Solve a file's weighings, all builds together, and return one build's solution.

    ValueError names the builds when there are several and `build` is none of them.
    """
    names = list(dict.fromkeys(w.build for w in readings.weighings))
    wanted = names[0] if build is None and len(names) == 1 else build
    if wanted not in names:
        raise ValueError(_several_builds(readings.weighings, names))
    builds = solve_builds(
        readings.weighings, car.geometry, car.known, car.allowances, aim, u_assumed=readings.u_assumed
    )
    return builds.solutions[str(wanted)]


def _several_builds(weighings: Sequence[Weighing], names: Sequence[str]) -> str:
    told = (
        f"the file holds the builds {', '.join(map(repr, names))}: name one with --build; all are solved "
        "together, so that all tell what they share (floor, pads)."
    )
    facings = [{w.facing for w in weighings if w.build == name} for name in names]
    if not set.intersection(*facings):
        told += (
            " Each facing has a build of its own: what the floor's slope did and what the change did are not "
            "told apart. Weigh one build in both facings."
        )
    return told
