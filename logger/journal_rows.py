"""A whole journal segment at once, as columns: what replay reads where nothing is damaged."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.journal_segment import END, Row, head, metadata_size
from logger.packed import Packed

Cuts = tuple[NDArray[np.int64], NDArray[np.int64]]


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
        return np.asarray(np.from_dlpack(self.table[column].chunk(0)), np.int64)

    def numbers(self, column: str, names: list[str]) -> NDArray[np.intp]:
        """A column of names (`kind`, `port`) as their places in a list; -1 for a name that is not in it."""
        coded = self.table[column].chunk(0).dictionary_encode()
        place = [names.index(name) if name in names else -1 for name in coded.dictionary.to_pylist()]
        numbers: NDArray[np.intp] = np.array(place, np.intp)[np.from_dlpack(coded.indices)]
        return numbers

    @cached_property
    def data(self) -> Packed:
        """The bytes of all rows."""
        column = self.table["data"].chunk(0)
        _, offsets, values = column.buffers()
        edges = np.frombuffer(offsets, np.int32)[: len(column) + 1].astype(np.int64)
        held = np.frombuffer(values, np.uint8) if values else np.zeros(0, np.uint8)
        return Packed(held, edges[:-1], np.diff(edges))

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
        found = _table(pa, data)
    except Exception:
        return None  # damaged bytes may raise nearly anything out of Arrow
    if found is None:
        return None
    first, table = found
    return Rows(0, len(data), first, table)


@dataclass(frozen=True)
class _Claim:
    """What a batch says of itself: its checksum and place, how many rows and bytes of values it has."""

    crc32: int
    seq: int
    boot_id: str
    rows: int
    size: int


def _table(pa: Any, data: bytes) -> tuple[int, Any] | None:
    """Number of the first row, and all rows in one piece; None where something is not as it should be."""
    source = pa.BufferReader(data)
    reader = pa.ipc.open_stream(source)
    batches: list[Any] = []
    claims: list[_Claim] = []
    offset = len(head())
    while data[offset : offset + 9] not in (b"", END):
        found = reader.read_next_batch_with_custom_metadata()
        words, end = dict(found.custom_metadata.items()), source.tell()
        told, rows = metadata_size(data[offset : offset + 8]), found.batch.num_rows
        if told is None or int(words[b"n"]) != rows:
            return None
        claim = _Claim(
            int(words[b"crc32"]),
            int(words[b"seq"]),
            words[b"boot_id"].decode(),
            rows,
            end - offset - 8 - told,
        )
        if claims and (claim.seq, claim.boot_id) != (claims[-1].seq + claims[-1].rows, claims[-1].boot_id):
            return None
        batches.append(found.batch)
        claims.append(claim)
        offset = end
    if not batches:
        return None
    table = pa.Table.from_batches(batches)
    table.validate(full=True)
    table = table.combine_chunks()
    whole = all(column.num_chunks == 1 and not column.null_count for column in table.columns)
    return (claims[0].seq, table) if whole and _as_claimed(table, claims) else None


def _as_claimed(table: Any, claims: list[_Claim]) -> bool:
    """Do the checksums and lengths of all batches fit? As `journal_segment.batch_fault` asks of one; making
    Arrow's objects for each took most of the time."""
    edges = np.cumsum([0, *(claim.rows for claim in claims)])
    parts = [part for column in table.columns for part in _parts(column.chunk(0), edges)]
    body = np.array([claim.size for claim in claims])
    lengths = [ends - begins for _, (begins, ends) in parts]
    fits = [sum(-(-length // padding) * padding for length in lengths) == body for padding in (8, 64)]
    if not np.all(fits[0] | fits[1]):
        return False
    views = [(view, cuts[0].tolist(), cuts[1].tolist()) for view, cuts in parts]
    for k, claim in enumerate(claims):
        total = zlib.crc32(f"{claim.rows},{claim.seq},{claim.boot_id}".encode())
        for view, begins, ends in views:
            total = zlib.crc32(view[begins[k] : ends[k]], total)
        if total != claim.crc32:
            return False
    return True


def _parts(column: Any, edges: NDArray[np.int64]) -> Iterator[tuple[memoryview, Cuts]]:
    """The bytes of a column's values (offsets, then bytes, of one that has both), and where those of each
    batch begin and end; offsets are counted anew in each."""
    _, values, *more = column.buffers()
    if not more:
        yield memoryview(values).cast("B"), (8 * edges[:-1], 8 * edges[1:])
        return
    offsets = np.frombuffer(values, np.int32)[: edges[-1] + 1]
    rows, batch = np.diff(edges), np.arange(len(edges) - 1)
    place = np.arange(edges[-1] + len(batch)) - np.repeat(batch, rows + 1)
    anew = offsets[place] - np.repeat(offsets[edges[:-1]], rows + 1)
    yield memoryview(anew).cast("B"), (4 * (edges[:-1] + batch), 4 * (edges[1:] + batch + 1))
    held = memoryview(b"") if more[0] is None else memoryview(more[0]).cast("B")
    yield held, (offsets[edges[:-1]].astype(np.int64), offsets[edges[1:]].astype(np.int64))
