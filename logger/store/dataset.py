"""Reading the dataset back as records, from any part of it: the whole, a table, a partition or one file.

For analysis, `pandas.read_parquet(".../dataset/samples")`, DuckDB or pyarrow read the same files.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterator, Mapping
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.columns import FLOATS, Columns
from logger.model import CarRest, Record, Rest, Sample
from logger.store.schema import COLUMNS, SCHEMA, TABLES, schema
from logger.store.sealed import MARKS, is_newer, read_mark

R = TypeVar("R", Rest, CarRest)
SEALING_S = 2.0
"""A segment that is sealed anew just now has its mark after its files, by this (s) at the latest."""


def samples_by_run(path: Path) -> Iterator[tuple[str, list[Sample]]]:
    """The samples of each run, in order of time; times are whole microseconds."""
    for run, columns in columns_by_run(path):
        yield run, list(columns.samples())


def columns_by_run(path: Path) -> Iterator[tuple[str, Columns]]:
    """The same as columns."""
    table = read_table(path, "samples")
    which, runs = _coded(table["run"])
    pad, pads = _coded(table["pad"])
    t_wall_us = _numbers(table["t_wall"].cast("int64"))
    t_mono_us = t_wall_us - _numbers(table["wall_less_mono_us"])
    whole = Columns(
        pads=tuple(pads),
        pad=pad,
        t_mono_ns=t_mono_us * 1000,
        t_wall_ns=t_wall_us * 1000,
        flags=_numbers(table["flags"]).astype(np.int64),
        missing=_numbers(table["mass_wire_kg"].is_null()),
        floats={name: _numbers(table[name]) for name in FLOATS},
    )
    for k in sorted(range(len(runs)), key=lambda k: runs[k]):
        yield runs[k], whole.taken(_in_order(np.flatnonzero(which == k), t_mono_us))


def _in_order(here: NDArray[np.intp], times: NDArray[np.int64]) -> NDArray[np.intp] | slice:
    """These places in order of time; a slice, which copies nothing, where they stand so one after another."""
    if not np.all(np.diff(times[here]) >= 0):
        return here[np.argsort(times[here], kind="stable")]
    whole = len(here) > 0 and here[-1] - here[0] + 1 == len(here)
    return slice(int(here[0]), int(here[-1]) + 1) if whole else here


def _coded(column: Any) -> tuple[Any, list[str]]:
    """A dictionary column as numbers, and the texts they stand for."""
    one = column.combine_chunks()
    if not pa.types.is_dictionary(one.type):
        one = one.dictionary_encode()
    return np.from_dlpack(one.indices).astype(np.intp), one.dictionary.to_pylist()


def _numbers(column: Any) -> Any:
    """A column as an array; NaN where there is nothing, ValueError where that cannot be.

    Not by `to_numpy` or `fill_null`, which import pandas: half a second.
    """
    one = column.combine_chunks()
    if pa.types.is_boolean(one.type):
        return _numbers(column.cast("int8")).astype(np.bool_)
    if not one.null_count:
        return np.from_dlpack(one)
    if not pa.types.is_floating(one.type):
        raise ValueError("a number is missing where there has to be one")
    if one.null_count == len(one):
        return np.full(len(one), np.nan)
    one = one.cast("float64")
    held = np.frombuffer(one.buffers()[1], np.float64)[one.offset : one.offset + len(one)]
    return np.where(_numbers(column.is_valid()), held, np.nan)


def rests(path: Path) -> list[Rest]:
    """The last revision of each rest of single pads, in order of run and beginning."""
    return _last(path, "rests", Rest)


def car_rests(path: Path) -> list[CarRest]:
    """The last revision of each rest of the whole car, in order of run and beginning."""
    return _last(path, "car_rests", CarRest)


def revisions(path: Path, table: str, kind: type[R]) -> Iterator[tuple[str, R]]:
    """(run, record) of every revision stored, in the order of the files."""
    for row in read_table(path, table).to_pylist():
        run = row.pop("run")
        yield run, msgspec.convert(row, kind, strict=False)


def events(path: Path) -> Iterator[tuple[str, Record]]:
    """(run, record) of all other records, in the order of the files."""
    decoder = msgspec.json.Decoder(_any_record())
    for row in read_table(path, "events").to_pylist():
        yield row["run"], decoder.decode(row["record"])


def read_table(path: Path, table: str) -> Any:
    """One table's columns as an Arrow table, files in order of run and segment; empty when there are none.

    ValueError names a file that is not as it was sealed: a flipped bit may give other numbers.
    """
    parts = []
    for file in files(path, table):
        with pq.ParquetFile(pa.BufferReader(_sealed(file))) as one:
            _check_known(file, one.schema_arrow.metadata or {})
            parts.append(one.read(columns=list(COLUMNS[table])))
    if not parts:
        return schema(table).empty_table()
    return pa.concat_tables(parts, promote_options="permissive").unify_dictionaries()


def files(path: Path, table: str) -> list[Path]:
    """The sealed files of a table under a path, in order of run and segment, then date."""
    if path.is_file():
        return [path]
    others = set(TABLES) - {table}
    found = [
        file
        for file in path.rglob("*.parquet")
        if not file.name.startswith(".") and not others & set(file.parts[len(path.parts) - 1 :])
    ]
    return sorted(found, key=lambda file: (file.name, str(file)))


def _sealed(file: Path) -> bytes:
    """A file's bytes, held against the hash in its segment's mark where there is one."""
    end = time.monotonic() + SEALING_S
    while True:
        content = file.read_bytes()
        if _hash_told(file) in (None, hashlib.sha256(content).hexdigest()):
            return content
        if time.monotonic() > end:
            raise ValueError(
                f"{file}: its bytes are not those that were sealed; they are made again from the journal by "
                "restpoint doctor --repair"
            )
        time.sleep(0.1)


def _hash_told(file: Path) -> str | None:
    """What the mark of a file's segment says of it; None where no mark names it."""
    root = next((place for place in file.absolute().parents[:4] if (place / MARKS).is_dir()), None)
    if root is None:
        return None
    try:
        mark = read_mark(root / MARKS / f"{file.stem}.json")
    except FileNotFoundError:
        return None
    if mark is None or is_newer(mark):
        return None
    name = file.absolute().relative_to(root).as_posix()
    return next((str(told["sha256"]) for told in mark["files"] if told["path"] == name), None)


def _check_known(file: Path, metadata: Mapping[bytes, bytes]) -> None:
    """ValueError when a newer program wrote this file; a column more does not make a newer schema."""
    number = int(metadata.get(b"schema", SCHEMA))
    if number > SCHEMA:
        raise ValueError(f"{file}: was written by a newer restpoint (schema {number}); update this one")


def _last(path: Path, table: str, kind: type[R]) -> list[R]:
    last: dict[tuple[str, str, int], R] = {}
    for run, record in revisions(path, table, kind):
        key = run, getattr(record, "pad", ""), record.t_from_mono_ns
        if key not in last or record.revision >= last[key].revision:
            last[key] = record
    return [last[key] for key in sorted(last, key=lambda key: (key[0], key[2], key[1]))]


def _any_record() -> Any:
    """The union of all kinds of record there are, told apart by their tag."""
    return reduce(or_, Record.__subclasses__())
