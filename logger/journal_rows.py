"""A whole journal segment at once, as columns: what replay reads where nothing is damaged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.journal_segment import END, Row, batch_fault, head


@dataclass(frozen=True, eq=False)
class Rows:
    """All rows of a segment, its bytes `offset` to `end`; the first is number `seq` of the run."""

    offset: int
    end: int
    seq: int
    table: Any

    def __len__(self) -> int:
        """How many rows."""
        return int(self.table.num_rows)

    @cached_property
    def t_mono_ns(self) -> NDArray[np.int64]:
        """Monotonic times."""
        return self._times("t_mono_ns")

    @cached_property
    def t_wall_ns(self) -> NDArray[np.int64]:
        """Wall times."""
        return self._times("t_wall_ns")

    def _times(self, column: str) -> NDArray[np.int64]:
        return np.asarray(np.from_dlpack(self.table[column].combine_chunks()), np.int64)

    def numbers(self, column: str, names: list[str]) -> NDArray[np.intp]:
        """A column of names (`kind`, `port`) as their places in a list; -1 for a name that is not in it."""
        coded = self.table[column].combine_chunks().dictionary_encode()
        place = [names.index(name) if name in names else -1 for name in coded.dictionary.to_pylist()]
        numbers: NDArray[np.intp] = np.array(place, np.intp)[np.from_dlpack(coded.indices)]
        return numbers

    def data(self, lo: int, hi: int) -> list[bytes]:
        """The bytes of some rows."""
        found: list[bytes] = self.table["data"].slice(lo, hi - lo).to_pylist()
        return found

    def rows(self, lo: int, hi: int) -> Iterator[Row]:
        """Some rows, one by one."""
        columns = (column.to_pylist() for column in self.table.slice(lo, hi - lo).columns)
        return (Row(*values) for values in zip(*columns, strict=True))


def whole_segment(data: bytes) -> Rows | None:
    """Read a segment in which every batch is whole and in its place; None for any other, which
    `journal_segment.scan` then takes apart. Never raises on any bytes."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    if data[: len(head())] != head():
        return None
    try:
        found = _batches(pa, data)
    except Exception:
        return None  # damaged bytes may raise nearly anything out of Arrow
    if not found:
        return None
    return Rows(0, len(data), found[0][0], pa.Table.from_batches([batch for _, batch in found]))


def _batches(pa: Any, data: bytes) -> list[tuple[int, Any]]:
    """Number of the first row, and batch; empty where something is not as it should be."""
    source = pa.BufferReader(data)
    reader = pa.ipc.open_stream(source)
    out: list[tuple[int, Any]] = []
    offset, seq, boot_id = len(head()), None, None
    while data[offset : offset + 9] not in (b"", END):
        found = reader.read_next_batch_with_custom_metadata()
        words, end = dict(found.custom_metadata.items()), source.tell()
        fault = batch_fault(found.batch, words, data[offset : offset + 8], end - offset)
        first, claimed = int(words[b"seq"]), words[b"boot_id"]
        if fault or first != (first if seq is None else seq) or claimed != (boot_id or claimed):
            return []
        out.append((first, found.batch))
        offset, seq, boot_id = end, first + found.batch.num_rows, claimed
    return out
