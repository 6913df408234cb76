"""Read past weigh-ins: a CSV of loads and a TOML of the car, every fault with its file and line at once.

CSV columns: run, facing (out, back), spot, corner, pad, value, unit and, optionally, u, shim_mm, build. Units
may differ from row to row. A run that cannot be used (a wheel missing, a load no car has) is left out and
said so; a row that cannot be read is a fault.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite, sqrt
from pathlib import Path
from statistics import median
from typing import TypeVar, cast

from logger.car_file import Car
from logger.mechanics.plausible import faults_of, unit_mix_up
from logger.mechanics.solve import Solution, solve_builds
from logger.mechanics.weighing import Known, Weighing
from logger.model import CORNERS, Corner, Facing
from logger.typed_toml import ConfigError
from logger.units import KG_PER, to_kg

COLUMNS = ("run", "facing", "spot", "corner", "pad", "value", "unit")
OPTIONAL = ("u", "shim_mm", "build")
OTHER_NAMES = {"FL": "LF", "FR": "RF", "RL": "LR"}
"""Corners as some write them; RR is the same in both."""
LEAST_U_KG = 0.05
"""Assumed u of a reading whose file gives none and whose digits would allow less; pads repeat no better."""

MOST_U = 1e6
"""No unit has so many of it on a pad; a standard uncertainty above is a number from elsewhere."""
MOST_SHIM_MM = 100.0
"""A thicker stack under a pad is a slip of the pen or another unit."""

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the CSV in SI: `value_kg`, `step_kg` (one unit of its last digit), `u_kg` or None."""

    line: int
    run: str
    build: str
    facing: Facing
    spot: str
    corner: Corner
    pad: str
    value_kg: float
    step_kg: float
    u_kg: float | None
    shim_m: float


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
    rows, notes = _rows(path)
    runs, split_notes = _runs(path, rows)
    u_assumed = all(row.u_kg is None for row in rows)
    assumed_u = _assumed_u(rows)
    weighings: list[Weighing] = []
    refused: list[Weighing] = []
    left_out: list[str] = []
    for name, members in runs:
        wrong = _unfit(name, members)
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


def _rows(path: Path) -> tuple[list[Row], list[str]]:
    lines = _lines(path)
    start = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if start is None:
        raise ConfigError([f"{path}: is empty; the first line names the columns: {','.join(COLUMNS)}"])
    separator = max(",;\t", key=lines[start].count)
    header = [name.lower() for name in _cells(lines[start], separator) or []]
    if wrong := _header_faults(header):
        raise ConfigError([f"{path}:{start + 1}: {text}" for text in wrong])
    unused = [_meant(name, header) for name in header if name not in (*COLUMNS, *OPTIONAL)]
    notes = [f"Columns not used: {', '.join(unused)}."] if unused else []
    rows: list[Row] = []
    faults: list[str] = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if not line.strip() or line.startswith("#"):
            continue
        cells = _cells(line, separator)
        if cells is None:
            faults.append(f"{path}:{number}: is no line of a CSV; check its quotes")
            continue
        values = dict(zip(header, cells, strict=False))
        if not values.get("value"):
            notes.append(f"Line {number} has no value and counts as not weighed.")
            continue
        row, wrong = _row(number, values, decimal_comma=separator == ";")
        faults += [f"{path}:{number}: {text}" for text in wrong]
        if row is not None:
            rows.append(row)
    if faults:
        raise ConfigError(faults)
    return rows, notes


def _header_faults(header: Sequence[str]) -> list[str]:
    """What is wrong with the names of the columns."""
    twice = sorted({name for name in header if name in (*COLUMNS, *OPTIONAL) and header.count(name) > 1})
    faults = [f"column {name} stands there twice; strike one" for name in twice]
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        strange = [told for name in header if (told := _meant(name, header)) != name]
        hint = f" ({', '.join(strange)})" if strange else ""
        faults.append(f"no column {', '.join(missing)}{hint}; there should be {','.join(COLUMNS)}")
    return faults


def _meant(name: str, header: Sequence[str]) -> str:
    """The name of a column, with the one it may have been meant for."""
    if name in (*COLUMNS, *OPTIONAL):
        return name
    near = get_close_matches(name, [c for c in (*COLUMNS, *OPTIONAL) if c not in header], 1, 0.6)
    return f"{name}: did you mean {near[0]}?" if near else name


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read ({error.strerror}); check the path"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text (byte {error.start}); save it as UTF-8"]) from error


def _cells(line: str, separator: str) -> list[str] | None:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator))]
    except csv.Error:
        return None


def _row(line: int, cells: dict[str, str], *, decimal_comma: bool) -> tuple[Row | None, list[str]]:
    faults: list[str] = []
    corner = cells.get("corner", "").upper()
    corner = OTHER_NAMES.get(corner, corner)
    facing = cells.get("facing", "").lower()
    unit = _unit(cells.get("unit", ""))
    if corner not in CORNERS:
        faults.append(f"corner {cells.get('corner', '')!r} is not one of {', '.join(CORNERS)}")
    if facing not in ("out", "back"):
        faults.append(f"facing {cells.get('facing', '')!r} is neither out nor back")
    if unit is None:
        faults.append(f"unit {cells.get('unit', '')!r} is not one of {', '.join(KG_PER)}")
    faults += [f"{name} is blank" for name in ("run", "spot", "pad") if not cells.get(name)]
    numbers: dict[str, float] = {}
    for name in ("value", "u", "shim_mm"):
        text = cells.get(name, "")
        if text:
            try:
                numbers[name] = _number(text, decimal_comma=decimal_comma)
            except ValueError:
                faults.append(f"{name} {text!r} is not a number")
    if not 0 <= numbers.get("u", 1.0) <= MOST_U:
        what = "negative" if numbers["u"] < 0 else "more than any pad carries"
        faults.append(f"u {cells['u']!r} is {what}; a standard uncertainty is zero or more")
    if not 0 <= numbers.get("shim_mm", 0.0) <= MOST_SHIM_MM:
        faults.append(
            f"shim_mm {cells['shim_mm']!r}: what lies under a pad is 0 to {MOST_SHIM_MM:g} mm; check the unit"
        )
    if faults or unit is None:
        return None, faults
    digits = cells["value"].replace(",", ".") if decimal_comma else cells["value"]
    decimals = len(digits.partition(".")[2]) if "e" not in digits.lower() else 0
    row = Row(
        line=line,
        run=cells["run"],
        build=cells.get("build", ""),
        facing=cast("Facing", facing),
        spot=cells["spot"],
        corner=cast("Corner", corner),
        pad=cells["pad"],
        value_kg=to_kg(numbers["value"], unit),
        step_kg=to_kg(10.0**-decimals, unit),
        u_kg=to_kg(numbers["u"], unit) if "u" in numbers else None,
        shim_m=numbers.get("shim_mm", 0.0) / 1000,
    )
    return row, []


def _number(text: str, *, decimal_comma: bool) -> float:
    number = float(text.replace(",", ".") if decimal_comma else text)
    if not isfinite(number):
        raise ValueError(text)
    return number


def _unit(text: str) -> str | None:
    """The unit as `units` names it; case and a plural s are forgiven where nothing else is meant."""
    if text in KG_PER:
        return text
    plain = {name.lower(): name for name in KG_PER} | {
        "lbs": "lb",
        "kgs": "kg",
        "lbm": "lb",
        "kgf": "kg",
        "lbf": "lb",
    }
    return plain.get(text.lower())


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
    return Weighing(
        run=name,
        facing=ordered[0].facing,
        spots=_four([r.spot for r in ordered]),
        pads=_four([r.pad for r in ordered]),
        loads_kg=_four([r.value_kg for r in ordered]),
        covariance_kg2=tuple((assumed_u if r.u_kg is None else r.u_kg) ** 2 for r in ordered),
        shims_m=_four([r.shim_m for r in ordered]),
        build=ordered[0].build,
    )


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
