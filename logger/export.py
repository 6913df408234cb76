"""Export: the dataset as a few plain files for other people's tools, with units and without our folders."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any, Literal

import msgspec
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from logger.store.dataset import read_table
from logger.store.schema import COLUMNS, TABLES

Format = Literal["csv", "parquet", "json"]


def export(dataset: Path, out: Path, form: Format) -> list[Path]:
    """Write a dataset's tables into the folder `out`; return the files, those without rows left away.

    csv: samples of each run by themselves in the long form that `restpoint replay` reads (t_s counts from the
    run's first sample, value has zero taken off), the other tables as they are with units in the header.
    json: one object a line. parquet: one file a table.
    """
    out.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for table in TABLES:
        rows = read_table(dataset, table)
        if rows.num_rows == 0:
            continue
        if form == "csv" and table == "samples":
            written += _samples_csv(rows, out)
            continue
        path = out / f"{table}.{'jsonl' if form == 'json' else form}"
        {"csv": _csv, "parquet": _parquet, "json": _json}[form](rows, table, path)
        written.append(path)
    return written


def _samples_csv(rows: Any, out: Path) -> list[Path]:
    """One file a run, so that seconds of different starts are never mixed."""

    written = []
    for run in pc.unique(rows["run"]).to_pylist():
        here = rows.filter(pc.equal(rows["run"], run))
        t_mono_us = pc.subtract(here["t_wall"].cast(pa.int64()), here["wall_less_mono_us"])
        t_us = pc.subtract(t_mono_us, pc.min(t_mono_us))
        order = pc.sort_indices(pa.table({"t": t_us}), sort_keys=[("t", "ascending")])
        columns = {
            "t_s": pc.divide(t_us.cast(pa.float64()), 1e6),
            "pad": here["pad"],
            "value": here["mass_kg"],
            "unit": pa.repeat("kg", here.num_rows),
            "t_wall": here["t_wall"],
            "flags": here["flags"],
        }
        path = out / f"samples-{run}.csv"
        pyarrow.csv.write_csv(
            pa.table(columns).take(order), path, pyarrow.csv.WriteOptions(quoting_style="needed")
        )
        written.append(path)
    return written


def _csv(rows: Any, table: str, path: Path) -> None:

    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        units = {name: unit for name, (_, unit) in COLUMNS[table].items() if unit not in (None, "1")}
        writer.writerow([f"{name} [{units[name]}]" if name in units else name for name in rows.column_names])
        for row in rows.to_pylist():
            writer.writerow([" ".join(map(str, v)) if isinstance(v, list) else v for v in row.values()])


def _json(rows: Any, _table: str, path: Path) -> None:

    with path.open("wb") as file:
        for row in rows.to_pylist():
            file.write(msgspec.json.encode(row) + b"\n")


def _parquet(rows: Any, _table: str, path: Path) -> None:

    pq.write_table(rows, path, compression="zstd")
