"""The rows made of one journal segment on their way into the dataset: gathered, then built as tables."""

from __future__ import annotations

from array import array as numbers
from datetime import date, timedelta
from typing import Any

import msgspec
import numpy as np

from logger.columns import FLOATS
from logger.model import CarRest, ClockStep, Gap, GapCause, Record, Rest, Sample
from logger.store.schema import COLUMNS, array, coded, schema

DAY_NS = 86_400_000_000_000
_JSON = msgspec.json.Encoder()
_NAN = float("nan")


class SegmentRows:
    """Gathers the records derived from one journal segment.

    A sample takes 68 bytes here; times are cut to whole microseconds (the journal keeps the nanoseconds).
    """

    def __init__(self) -> None:
        self._pads: dict[str, _PadSamples] = {}
        self._others: dict[str, list[tuple[int, list[Any]]]] = {}
        self.lossy = False
        """Whether the journal of this segment lacks entries."""
        self._clock_steps: list[tuple[int, int, int]] = []

    def add(self, record: Record, offset_ns: int) -> None:
        """Take one record; `offset_ns` is wall less monotonic time (ns), for those without wall time."""
        if isinstance(record, Sample):
            self._pads.setdefault(record.pad, _PadSamples()).add(record)
        elif isinstance(record, Rest | CarRest):
            table = "rests" if isinstance(record, Rest) else "car_rests"
            row = [getattr(record, name) for name in list(COLUMNS[table])[1:]]
            self._put(table, record.t_from_wall_ns, row)
        else:
            if isinstance(record, ClockStep):
                self._clock_steps.append((record.t_mono_ns, record.wall_before_ns, record.wall_after_ns))
            self.lossy |= isinstance(record, Gap) and record.cause is GapCause.JOURNAL
            t_mono_ns = moment_ns(record)
            t_wall_ns = t_mono_ns + offset_ns
            kind = str(type(record).__struct_config__.tag)
            text = _JSON.encode(record).decode()
            row = [kind, getattr(record, "pad", None), t_mono_ns, t_wall_ns // 1000, text]
            self._put("events", t_wall_ns, row)

    def about(self, journal_sha256: str, config_id: str) -> dict[str, Any]:
        """What the segment's mark says besides its files; `clock_steps` are (t_mono_ns, before, after)."""
        steps = {"clock_steps": self._clock_steps} if self._clock_steps else {}
        return {"journal_sha256": journal_sha256, "config_id": config_id, **steps}

    def tables(self, run: str) -> list[tuple[str, str, Any]]:
        """Build (table, date as YYYY-MM-DD, Arrow table) for all that was gathered in this run."""
        out = self._sample_tables(run)
        for table, rows in sorted(self._others.items()):
            for day in sorted({day for day, _ in rows}):
                columns = zip(*(row for at, row in rows if at == day), strict=True)
                out.append((table, date_text(day), _table(table, run, [list(column) for column in columns])))
        return out

    def _put(self, table: str, t_wall_ns: int, row: list[Any]) -> None:
        self._others.setdefault(table, []).append((t_wall_ns // DAY_NS, row))

    def _sample_tables(self, run: str) -> list[tuple[str, str, Any]]:
        if not self._pads:
            return []
        pads = sorted(self._pads)
        which = np.repeat(np.arange(len(pads)), [len(self._pads[pad].flags) for pad in pads])

        def column(name: str) -> Any:
            return np.concatenate([np.asarray(getattr(self._pads[pad], name)) for pad in pads])

        days = column("t_wall_us") // (DAY_NS // 1000)
        out = []
        for day in np.unique(days):
            here = days == day
            rows = {name: column(name)[here] for name in ("flags", *FLOATS)}
            rows["t_wall"] = column("t_wall_us")[here]
            rows["wall_less_mono_us"] = rows["t_wall"] - column("t_mono_us")[here]
            present, codes = np.unique(which[here], return_inverse=True)
            rows["pad"] = coded([pads[n] for n in present], codes)
            table = _table("samples", run, [rows[name] for name in list(COLUMNS["samples"])[1:]])
            out.append(("samples", date_text(int(day)), table))
        return out


class _PadSamples:
    """One pad's samples as packed columns; NaN stands for None."""

    def __init__(self) -> None:
        self.t_mono_us, self.t_wall_us, self.flags = numbers("q"), numbers("q"), numbers("i")
        self.mass_wire_kg, self.mass_kg, self.resolution_kg = numbers("d"), numbers("d"), numbers("d")
        self.battery_V, self.signal_dBm, self.temperature_C = numbers("d"), numbers("d"), numbers("d")

    def add(self, sample: Sample) -> None:
        self.t_mono_us.append(sample.t_mono_ns // 1000)
        self.t_wall_us.append(sample.t_wall_ns // 1000)
        self.flags.append(sample.flags)
        for name in FLOATS:
            value = getattr(sample, name)
            getattr(self, name).append(_NAN if value is None else value)


def moment_ns(record: Record) -> int:
    """The one time (monotonic, ns) that a record without interval or with one is filed under: its end."""
    for name in ("t_mono_ns", "t_to_mono_ns", "since_mono_ns"):
        if (moment := getattr(record, name, None)) is not None:
            return int(moment)
    raise TypeError(f"{type(record).__name__} has no time")


def date_text(day: int) -> str:
    """Write a day, counted from 1970-01-01 UTC, as YYYY-MM-DD."""
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat()


def _table(table: str, run: str, columns: list[Any]) -> Any:
    """Make an Arrow table of columns in their order, behind the run; what is an Arrow array already stays."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    runs = coded([run], np.zeros(len(columns[0]), np.int32))
    kinds = [kind for kind, _ in COLUMNS[table].values()]
    arrays = [
        values if isinstance(values, pa.Array) else array(kind, values)
        for kind, values in zip(kinds, [runs, *columns], strict=True)
    ]
    return pa.Table.from_arrays(arrays, schema=schema(table))
