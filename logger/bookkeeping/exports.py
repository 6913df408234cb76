"""A ledger as plain files for other tools: cars, states, changes, captures, facts, weighings to solve.

Masses in kg and lengths in m, in the column's name; u is a standard uncertainty.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

import msgspec

from logger.bookkeeping.source import car_of, histories
from logger.clock import wall_text
from logger.model import CORNERS, SCHEMA
from logger.quantity import Quantity
from logger.weighin.facts import kind_of
from logger.weighin.ledger import Ledger, WeighInRow
from logger.weighin.states import State, Step

Format = Literal["csv", "json", "parquet"]
Row = dict[str, Any]
WEIGHING = (
    "run",
    "facing",
    "spot",
    "corner",
    "pad",
    "value",
    "unit",
    "u",
    "shim_mm",
    "build",
    "zero_u",
    "zero",
)
"""Columns of the files that `restpoint weigh` and `restpoint ledger import` read."""


def export_ledger(ledger: Ledger, out: Path, form: Format) -> list[Path]:
    """Write the tables that have rows into the folder `out`; return the files."""
    out.mkdir(parents=True, exist_ok=True)
    tables = {name: rows for name, rows in _tables(ledger).items() if rows}
    if form == "json":
        path = out / "ledger.json"
        path.write_bytes(msgspec.json.format(msgspec.json.encode({"schema": SCHEMA, **tables})))
        return [path]
    written = []
    for name, rows in tables.items():
        path = out / f"{name}.{form}"
        (_csv if form == "csv" else _parquet)(path, rows)
        written.append(path)
    return written + (list(_weighings(ledger, out)) if form == "csv" else [])


def _tables(ledger: Ledger) -> dict[str, list[Row]]:
    told = histories(ledger)
    by_car = {row.car: car_of(ledger, row).geometry for row in ledger.weigh_ins()}
    return {
        "cars": [{"car": name, **msgspec.to_builtins(g)} for name, g in by_car.items()],
        "weigh_ins": [_weigh_in(row) for row in ledger.weigh_ins()],
        "states": [_state(name, s) for name, history in told.items() for s in history.states],
        "changes": [_change(name, s) for name, history in told.items() for s in history.steps],
        "captures": list(_captures(ledger)),
        "facts": [
            {"ref": f"e{f.id}", "kind": kind_of(f), "record": msgspec.json.encode(f).decode()}
            for f in ledger.facts()
        ],
        "deeds": [
            {"deed": d.id, "at": wall_text(d.written_wall_ns), "text": d.text, "undone": d.undone}
            for d in ledger.deeds()
        ],
    }


def _weigh_in(row: WeighInRow) -> Row:
    return {
        "weigh_in": f"w{row.id}",
        "car": row.car,
        "bay": row.bay,
        "begun": wall_text(row.begun_wall_ns),
        "ended": wall_text(row.ended_wall_ns) if row.ended_wall_ns else None,
        "counts": not row.withdrawn,
        "conditions": msgspec.json.encode(row.conditions).decode(),
    }


def _state(car: str, state: State) -> Row:
    figures = ("total", "front", "left", "cross", "x", "y")
    found: Row = {
        "car": car,
        "weigh_in": f"w{state.weigh_in}",
        "state": state.label,
        "aboard": ", ".join(state.aboard),
        "at": wall_text(state.t_wall_ns),
    }
    for name in figures:
        found |= _figure(name, getattr(state, name))
    return found


def _change(car: str, step: Step) -> Row:
    return {
        "car": car,
        "ref": step.ref,
        "name": step.name,
        "name_proposed": step.proposed,
        "basis": step.basis,
        "how": step.how,
        "at": wall_text(step.t_wall_ns),
        **_figure("mass", step.mass),
        **_figure("x", step.x),
        **_figure("y", step.y),
        "xy_covariance_m2": step.covariance_xy_m2[1] if step.covariance_xy_m2 else None,
        "too_light_to_locate": step.too_light,
    }


def _captures(ledger: Ledger) -> Iterable[Row]:
    for row in ledger.weigh_ins():
        for c in ledger.captures(row.id):
            loads = {f"{load.corner}_kg": load.mass_kg for load in c.loads}
            us = {f"u_{load.corner}_kg": load.u_kg for load in c.loads}
            pads = {f"{load.corner}_pad": load.pad for load in c.loads}
            spots = {f"{load.corner}_spot": load.spot for load in c.loads}
            shims = {f"{load.corner}_shim_m": load.shim_m for load in c.loads}
            yield {
                "ref": f"w{row.id}.c{c.number}",
                "car": row.car,
                "at": wall_text(c.t_wall_ns),
                "build": c.build,
                "aboard": ", ".join(c.aboard),
                "facing": c.facing,
                "placement": c.placement,
                "total_kg": c.mass_kg,
                "u_total_kg": c.u_kg,
                **loads,
                **us,
                **pads,
                **spots,
                **shims,
                "discarded": c.discarded,
            }


def _figure(name: str, q: Quantity | None) -> Row:
    """A quantity as two columns with the unit in their names."""
    unit = {"total": "_kg", "mass": "_kg", "x": "_m", "y": "_m"}.get(name, "")
    return {f"{name}{unit}": q.value if q else None, f"u_{name}{unit}": q.u if q else None}


def _csv(path: Path, rows: list[Row]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def _parquet(path: Path, rows: list[Row]) -> None:
    import pyarrow as pa  # noqa: PLC0415  # 0.25 s, for this format alone
    import pyarrow.parquet as pq  # noqa: PLC0415

    table = pa.Table.from_pylist(rows)
    fields = [f.with_metadata({"unit": _unit_of(f.name)}) if _unit_of(f.name) else f for f in table.schema]
    pq.write_table(table.cast(pa.schema(fields, {"schema": str(SCHEMA)})), path, compression="zstd")


def _unit_of(column: str) -> str:
    return next(
        (unit for ending, unit in (("_kg", "kg"), ("_m", "m"), ("_m2", "m²")) if column.endswith(ending)), ""
    )


def _weighings(ledger: Ledger, out: Path) -> Iterable[Path]:
    """A file for each weigh-in in the columns that `restpoint weigh` solves; people aboard make a build."""
    for row in ledger.weigh_ins():
        kept = [c for c in ledger.captures(row.id) if not c.discarded]
        if row.withdrawn or not kept:
            continue
        path = out / f"weighings-w{row.id}.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(WEIGHING)
            for c in kept:
                build = " + ".join((c.build, *c.aboard))
                zeros = dict(zip(CORNERS, c.zero_u_kg or (0.0,) * 4, strict=True))
                for load in c.loads:
                    zero_u = zeros[load.corner]
                    u = max(load.u_kg**2 - zero_u**2, 0.0) ** 0.5
                    where = (c.number, c.facing, load.spot, load.corner, load.pad)
                    shim = f"{1e3 * load.shim_m:g}"
                    writer.writerow(
                        (*where, repr(load.mass_kg), "kg", repr(u), shim, build, repr(zero_u), c.placement)
                    )
        yield path
