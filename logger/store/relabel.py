"""Wall times labelled anew: what was sealed before the clock was set is labelled as the clock tells now.

A PC without a clock battery starts in 1970, or where it was switched off, and learns the time later. Order
and durations hang on monotonic time and stand; the labels of one run before a step are moved by that step.
Only columns move: the records inside `events` are as they were said.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from logger.clock import CLOCK_SET_NS
from logger.store.rows import DAY_NS, date_text
from logger.store.sealed import marks_of, seal

Numbers = np.ndarray[Any, np.dtype[np.int64]]

MOST = 1000
"""Segments before a step that are put right, a week of ten-minute ones: older ones were read as they are."""
SLEWED_NS = 1_000_000
"""Labels that differ by less were made by the same clock; its two readings lie microseconds apart."""
_WALL = {"samples": "t_wall", "events": "t_wall", "rests": "t_from_wall_ns", "car_rests": "t_from_wall_ns"}
"""Table → its wall column; those called t_wall are in µs, the others in ns."""


def relabel(folder: Path, run: str) -> int:
    """Move the wall times of a run's sealed segments by the clock's later steps; return how many segments.

    Segments behind a step are looked at too: they may revise rests from before it, labels and all. Done as
    often as asked, it gives the same. Nothing is done while the clock, as last known, is not set.
    OSError when the disk refuses; asked again, it goes on.
    """
    own = list(marks_of(folder, run))
    steps = sorted(tuple(step) for mark in own for step in mark.get("clock_steps", ()))
    if not steps or steps[-1][2] < CLOCK_SET_NS:
        return 0
    last = max(mark["segment"] for mark in own if mark.get("clock_steps"))
    due = [
        mark for mark in own if last - MOST < mark["segment"] and mark.get("steps_applied", 0) < len(steps)
    ]
    for mark in due:
        _seal_again(folder, mark, steps)
    return len(due)


def _seal_again(folder: Path, mark: dict[str, Any], steps: list[tuple[int, int, int]]) -> None:
    tables = []
    for table in sorted({Path(file["path"]).parts[0] for file in mark["files"]}):
        paths = [folder / file["path"] for file in mark["files"] if Path(file["path"]).parts[0] == table]
        tables += _by_day(table, _moved(table, _read(table, paths), steps))
    anew = ("bay", "run", "segment", "files", "sum")
    about = {key: value for key, value in mark.items() if key not in anew}
    seal(folder, mark["bay"], mark["run"], mark["segment"], tables, about | {"steps_applied": len(steps)})


def _read(table: str, paths: list[Path]) -> Any:
    """The rows of one segment's files of a table, in the order in which they are stored where it is one."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs
    import pyarrow.parquet as pq  # noqa: PLC0415

    parts = []
    for path in paths:
        with pq.ParquetFile(path) as file:
            parts.append(file.read())
    parts.sort(key=lambda part: int(_mono_ns(table, part).min()))
    rows = pa.concat_tables(parts).unify_dictionaries()
    if table == "samples" and len(parts) > 1:  # sorted by pad, then as they came
        rows = rows.take(np.argsort(np.array(rows["pad"].to_pylist(), object), kind="stable"))
    return rows.combine_chunks()


def _moved(table: str, rows: Any, steps: list[tuple[int, int, int]]) -> Any:
    """The rows, those labelled before the last step with the labels that the clock would give them now."""
    name = _WALL[table]
    unit = 1000 if name == "t_wall" else 1
    wall, mono_ns = _numbers(rows, name), _mono_ns(table, rows)
    offsets_ns, told_ns = wall * unit - mono_ns, steps[-1][2] - steps[-1][0]
    before = _labelled_before(offsets_ns, steps)
    # A clock that stepped to and fro: the same label, whether it was moved step by step or all at once.
    before |= (mono_ns < steps[-1][0]) & (np.abs(offsets_ns - told_ns) < SLEWED_NS)
    offset = told_ns // unit
    rows = _replaced(rows, name, np.where(before, mono_ns // unit + offset, wall))
    if table == "samples":
        rows = _replaced(rows, "wall_less_mono_us", _numbers(rows, name) - mono_ns // 1000)
    return rows


def _labelled_before(offsets_ns: Numbers, steps: list[tuple[int, int, int]]) -> np.ndarray[Any, Any]:
    """Which labels were made before the last step: wall less monotonic time tells by which clock each was.

    Between two steps that difference stays within what it was at the first and at the second, give or take
    what the clock was slewed; the time of a row says less, since a rest is labelled anew at each revision.
    """
    begins = [None, *(after - t for t, _, after in steps)]
    ends = [*(before - t for t, before, _ in steps), None]
    spans = [[o for o in pair if o is not None] for pair in zip(begins, ends, strict=True)]
    away = [np.maximum(min(span) - offsets_ns, offsets_ns - max(span)).clip(0) for span in spans]
    before: np.ndarray[Any, Any] = np.argmin(away, axis=0) < len(steps)
    return before


def _by_day(table: str, rows: Any) -> list[tuple[str, str, Any]]:
    """(table, date, its rows) for each day (UTC)."""
    name = _WALL[table]
    days = _numbers(rows, name) // (DAY_NS // 1000 if name == "t_wall" else DAY_NS)
    return [(table, date_text(int(day)), rows.filter(days == day)) for day in np.unique(days)]


def _mono_ns(table: str, rows: Any) -> Numbers:
    if table == "samples":
        return (_numbers(rows, "t_wall") - _numbers(rows, "wall_less_mono_us")) * 1000
    return _numbers(rows, "t_mono_ns" if table == "events" else "t_from_mono_ns")


def _numbers(rows: Any, name: str) -> Numbers:
    """A column as whole numbers in its own unit."""
    numbers: Numbers = rows[name].cast("int64").to_numpy()
    return numbers


def _replaced(rows: Any, name: str, numbers: Numbers) -> Any:
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    field = rows.schema.field(name)
    return rows.set_column(rows.schema.get_field_index(name), field, pa.array(numbers).cast(field.type))
