"""The dataset's tables: fixed, numbered schemas with the unit of every column in its field's metadata.

samples    one row a sample, sorted by pad, then as they came
rests      one row a revision of a pad's rest reading (the last revision counts)
car_rests  one row a revision of a whole-car rest
events     one row of any other record, whole, as JSON

All files lie under `bay=…/date=…/` (UTC date of the wall time as known then). Columns are only ever added.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np

SCHEMA = 1
"""Number of this set of schemas, in each file's metadata."""
TABLES = ("samples", "rests", "car_rests", "events")

_REST = {
    "run": ("run", None),
    "pad": ("text", None),
    "t_from_mono_ns": ("int64", "ns"),
    "t_from_wall_ns": ("int64", "ns"),
    "t_declared_mono_ns": ("int64", "ns"),
    "t_to_mono_ns": ("int64", "ns"),
    "declared_mass_kg": ("float64", "kg"),
    "declared_u_kg": ("float64", "kg"),
    "mass_kg": ("float64", "kg"),
    "u_kg": ("float64", "kg"),
    "slope_kg_per_s": ("float64", "kg/s"),
    "n": ("int64", "1"),
    "zero_kg": ("float64", "kg"),
    "u_zero_kg": ("float64", "kg"),
    "open": ("bool", None),
    "revision": ("int64", "1"),
}

COLUMNS: dict[str, dict[str, tuple[str, str | None]]] = {
    "samples": {
        "run": ("run", None),
        "pad": ("choice", None),
        "t_wall": ("time", "us"),
        "wall_less_mono_us": ("int64", "us"),
        "mass_wire_kg": ("float64", "kg"),
        "mass_kg": ("float64", "kg"),
        "flags": ("int32", "1"),
        "resolution_kg": ("float64", "kg"),
        "battery_V": ("float64", "V"),
        "signal_dBm": ("float64", "dBm"),
        "temperature_C": ("float64", "degC"),
    },
    "rests": _REST,
    "car_rests": {
        "run": ("run", None),
        "pads": ("texts", None),
        **{n: c for n, c in _REST.items() if n not in ("run", "pad", "zero_kg", "u_zero_kg")},
        "loads_kg": ("floats", "kg"),
        "covariance_kg2": ("floats", "kg2"),
    },
    "events": {
        "run": ("run", None),
        "kind": ("choice", None),
        "pad": ("text", None),
        "t_mono_ns": ("int64", "ns"),
        "t_wall": ("time", "us"),
        "record": ("text", None),
    },
}
"""Table → column → (our name for its type, unit or None)."""

ENCODING = {"samples": {"t_wall": "DELTA_BINARY_PACKED"}}
"""Measured on four pads at 20 and 80 Hz with 0.3 ms of jitter: 2.8 bytes a sample, 4.1 with a second plain
time column instead of the nearly constant difference of the two clocks; a mass takes 0.5 as dictionary."""


@cache
def schema(table: str) -> Any:
    """The Arrow schema of a table; `table` is one of TABLES."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    units = {name: unit for name, (_, unit) in COLUMNS[table].items() if unit}
    fields = [
        pa.field(name, _types()[kind], metadata={"unit": unit} if unit else None)
        for name, (kind, unit) in COLUMNS[table].items()
    ]
    metadata = {"what": f"restpoint {table}", "schema": str(SCHEMA), "units": json.dumps(units)}
    return pa.schema(fields, metadata=metadata)


def array(kind: str, values: Sequence[Any]) -> Any:
    """Build an Arrow array from Python or numpy values, None (and NaN in floats) as null.

    Built from buffers: the first `pyarrow.array` of a process imports pandas where it is installed (1.1 s,
    46 MB), which the daemon must not.
    """
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    n = len(values)
    if kind == "text":
        return _text(values)
    if kind in ("run", "choice"):
        words = sorted({v for v in values if v is not None})
        place = {word: i for i, word in enumerate(words)}
        return coded(words, [None if v is None else place[v] for v in values])
    if kind in ("texts", "floats"):
        flat = [v for row in values for v in row]
        offsets = array("int32", np.cumsum([0, *(len(row) for row in values)]).tolist())
        return pa.ListArray.from_arrays(offsets, array(kind[:-1] if kind == "texts" else "float64", flat))
    if kind == "bool":
        bits = np.packbits(np.array(values, bool), bitorder="little")
        return pa.Array.from_buffers(pa.bool_(), n, [None, pa.py_buffer(bits)])
    return _number(kind, values)


def coded(words: Sequence[str], codes: Any) -> Any:
    """Build an Arrow array of the kinds `run` and `choice`: its words, and which of them each row has."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    return pa.DictionaryArray.from_arrays(array("int32", codes), _text(words))


def _number(kind: str, values: Sequence[Any]) -> Any:
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    dtype = np.dtype("int64" if kind == "time" else kind)
    if dtype.kind == "f":
        numbers = np.asarray(values, dtype)  # None becomes NaN
        missing = np.isnan(numbers)
    else:
        missing = np.array([v is None for v in values] if isinstance(values, list) else False)
        numbers = np.asarray([0 if v is None else v for v in values] if missing.any() else values, dtype)
    valid = pa.py_buffer(np.packbits(~missing, bitorder="little")) if missing.any() else None
    return pa.Array.from_buffers(_types()[kind], len(numbers), [valid, pa.py_buffer(numbers)])


def _text(values: Sequence[str | None]) -> Any:
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    words = [b"" if v is None else v.encode() for v in values]
    offsets = np.zeros(len(words) + 1, np.int32)
    np.cumsum([len(w) for w in words], out=offsets[1:])
    there = np.array([v is not None for v in values], bool)
    valid = None if there.all() else pa.py_buffer(np.packbits(there, bitorder="little"))
    buffers = [valid, pa.py_buffer(offsets), pa.py_buffer(b"".join(words))]
    return pa.Array.from_buffers(pa.utf8(), len(words), buffers)


@cache
def _types() -> dict[str, Any]:
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    choice = pa.dictionary(pa.int32(), pa.utf8())
    return {
        "run": choice,
        "choice": choice,
        "text": pa.utf8(),
        "texts": pa.list_(pa.utf8()),
        "floats": pa.list_(pa.float64()),
        "bool": pa.bool_(),
        "int32": pa.int32(),
        "int64": pa.int64(),
        "float64": pa.float64(),
        "time": pa.timestamp("us", "UTC"),
    }
