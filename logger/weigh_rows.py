"""Read the rows of a CSV of weighings, every fault with its file and line at once.

Columns: run, facing (out, back), spot, corner, pad, value, unit and, optionally, u, shim_mm, build, zero_u
(the u of the pad's zero beside u, in the row's unit; shared by the runs of a placement) and zero (the name of
the zero check, where one serves several placements).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import cast

from logger.model import CORNERS, Corner, Facing
from logger.typed_toml import ConfigError
from logger.units import KG_PER, to_kg

COLUMNS = ("run", "facing", "spot", "corner", "pad", "value", "unit")
OPTIONAL = ("u", "shim_mm", "build", "zero_u", "zero")
OTHER_NAMES = {"FL": "LF", "FR": "RF", "RL": "LR"}
"""Corners as some write them; RR is the same in both."""
MOST_U = 1e6
"""No unit has so many of it on a pad; a standard uncertainty above is a number from elsewhere."""
MOST_SHIM_MM = 100.0
"""A thicker stack under a pad is a slip of the pen or another unit."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the CSV in SI: `value_kg`, `step_kg` (one unit of its last digit), `u_kg` or None.

    `zero_u_kg` is 0 and `zero` is empty where the file says nothing of them.
    """

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
    zero_u_kg: float = 0.0
    zero: str = ""


def read_rows(path: Path) -> tuple[list[Row], list[str]]:
    """Read all rows, with notes on columns and lines not used.

    ConfigError with every fault (file and line) when the file or a row cannot be read.
    """
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
    numbers, wrong = _numbers(cells, decimal_comma=decimal_comma)
    faults += wrong
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
        zero_u_kg=to_kg(numbers.get("zero_u", 0.0), unit),
        zero=cells.get("zero", ""),
    )
    return row, []


def _numbers(cells: dict[str, str], *, decimal_comma: bool) -> tuple[dict[str, float], list[str]]:
    """The numbers of a row by column, and what is wrong with them."""
    faults: list[str] = []
    numbers: dict[str, float] = {}
    for name in ("value", "u", "shim_mm", "zero_u"):
        text = cells.get(name, "")
        if text:
            try:
                numbers[name] = _number(text, decimal_comma=decimal_comma)
            except ValueError:
                faults.append(f"{name} {text!r} is not a number")
    for name in ("u", "zero_u"):
        if not 0 <= numbers.get(name, 1.0) <= MOST_U:
            what = "negative" if numbers[name] < 0 else "more than any pad carries"
            faults.append(f"{name} {cells[name]!r} is {what}; a standard uncertainty is zero or more")
    if not 0 <= numbers.get("shim_mm", 0.0) <= MOST_SHIM_MM:
        faults.append(
            f"shim_mm {cells['shim_mm']!r}: what lies under a pad is 0 to {MOST_SHIM_MM:g} mm; check the unit"
        )
    return numbers, faults


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
