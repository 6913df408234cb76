"""How replayed records are written: one JSON object a line (`logger.replay_segments` writes a list to read).

A rest is `{"kind":"rest","pad":…,"t_from_s":…,"t_declared_s":…,"t_to_s":…,"value":…,"u":…,"unit":…}`: `value`
and `u` as declared at `t_declared_s` and never changed after, `final_value` and `final_u` as refined when
the rest ended. A rest of the whole car has `"pad":"*"`. All else keeps its record's names, less their units.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from logger.clock import NS, wall_text
from logger.model import ALL_PADS, CarRest, Record, Rest, Sample
from logger.recording import kg_per
from logger.replay import Replayed
from logger.store.rows import moment_ns

_ENCODER = msgspec.json.Encoder()
_HEAD = ("kind", "pad", "t_from_s", "t_declared_s", "t_to_s", "value", "u", "unit", "final_value", "final_u")


def kept(records: Iterable[Record]) -> list[Record]:
    """All records but samples, in order of time, of each rest its last revision."""
    last: dict[tuple[str, int], Rest | CarRest] = {}
    others: list[Record] = []
    for record in records:
        if isinstance(record, Rest | CarRest):
            last[_pad(record), record.t_from_mono_ns] = record
        elif not isinstance(record, Sample):
            others.append(record)
    return sorted([*others, *last.values()], key=_begin_ns)


def json_lines(recording: Replayed) -> Iterator[bytes]:
    """The recording's records, each as one line of JSON; floats to full precision, None and NaN as null."""
    for record in kept(recording.records if recording.told is None else recording.told):
        yield _ENCODER.encode(as_object(record, recording)) + b"\n"


def as_object(record: Record, recording: Replayed) -> dict[str, Any]:
    """One record as a JSON object: its times in seconds of the recording, its masses in the pad's unit."""
    unit = recording.units.get(_pad(record), recording.unit)
    factor = kg_per(unit)
    row: dict[str, Any] = {}
    for name, value in msgspec.to_builtins(record).items():
        if name.endswith("_mono_ns"):
            row[name.removesuffix("_mono_ns") + "_s"] = (value - recording.start_ns) / NS + recording.origin_s
        elif name.endswith("wall_ns") or name.startswith("wall_"):
            if recording.wall:
                row[name.removesuffix("_ns")] = wall_text(value)
        else:
            row |= _in_unit(name, value, factor)
    if isinstance(record, Rest | CarRest):
        row = _as_rest(row, record)
    row["unit"] = unit
    return {name: row[name] for name in (*_HEAD, *row) if name in row}


def _in_unit(name: str, value: Any, factor: float) -> dict[str, Any]:
    """A mass, its square or its slope in the unit whose kilograms are `factor`, under its name less "_kg"."""
    if name.endswith("_kg2"):
        return {name.removesuffix("_kg2"): [v / factor**2 for v in value]}
    if name.endswith("_kg_per_s"):
        return {name.removesuffix("_kg_per_s") + "_per_s": value / factor}
    if not name.endswith("_kg"):
        return {name: value}
    name = name.removesuffix("_kg")
    if isinstance(value, list | tuple):
        return {name: [v / factor for v in value]}
    return {name: None if value is None else value / factor}


def _as_rest(row: dict[str, Any], record: Rest | CarRest) -> dict[str, Any]:
    row |= {
        "kind": "rest",
        "pad": _pad(record),
        "value": row.pop("declared_mass"),
        "final_value": row.pop("mass"),
        "final_u": row.pop("u"),
    }
    row["u"] = row.pop("declared_u")
    if isinstance(record, CarRest):
        row["loads"] = dict(zip(row["pads"], row["loads"], strict=True))
    return row


def _pad(record: Record) -> str:
    return str(getattr(record, "pad", ALL_PADS))


def _begin_ns(record: Record) -> int:
    begin = getattr(record, "t_from_mono_ns", None)
    return moment_ns(record) if begin is None else int(begin)
