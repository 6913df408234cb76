"""One journal segment: a standard Arrow IPC stream whose batches each carry a count, a checksum and a place.

Any Arrow reader opens it. IPC has no checksum of its own, so each batch's metadata holds `n` (rows), `seq`
(the number of its first row in the run), `boot_id` (which run) and `crc32` over all of these and the values:
a zero-filled tail or a flipped bit is then seen, and reading goes on at the next batch that is whole.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import msgspec
import numpy as np

from logger.model import Chunk, ClockStep, Command, Gap, PortEvent, Record

SCHEMA = 1
"""Number of the schema, in each segment's head."""
MARK = b"\xff\xff\xff\xff"
"""Arrow IPC: every message begins with this, on a multiple of 8 bytes."""
END = MARK + b"\0\0\0\0"
"""Arrow IPC: the end of a stream."""
NO_BATCH = "no batch begins here"
MOST_METADATA = 1 << 16
"""A batch of five columns describes itself in well under 64 KiB; more is a damaged length."""


class Tick(Record, frozen=True, tag="tick"):
    """The daemon let time pass (`Bay.advance`): journalled, so that replay lets it pass at the same place.

    `slept_ns` is for how long (ns) the computer was suspended right before; gaps then have that cause.
    """

    t_mono_ns: int
    slept_ns: int = 0


class Asked(Record, frozen=True, tag="asked"):
    """A request went out on a port: replay then knows whom an answer without an address is from."""

    port: str
    t_mono_ns: int
    t_wall_ns: int
    data: bytes


Entry = Chunk | PortEvent | Command | ClockStep | Gap | Tick | Asked
"""What the journal keeps. A Gap here has cause `journal` and counts entries lost, not samples."""


class Row(NamedTuple):
    """One entry as stored: `data` is a chunk's bytes, or the other records as JSON (UTF-8)."""

    kind: str
    port: str
    t_mono_ns: int
    t_wall_ns: int
    data: bytes


@dataclass(frozen=True)
class Batch:
    """A whole batch: its bytes in the file from `offset` to `end`, the number of its first row, its rows."""

    offset: int
    end: int
    seq: int
    rows: list[Row]


@dataclass(frozen=True)
class Damage:
    """Bytes of the file from `offset` to `end` that hold no whole batch, and what is wrong with them."""

    offset: int
    end: int
    reason: str


_JSON = msgspec.json.Encoder()
_OTHERS: msgspec.json.Decoder[PortEvent | Command | ClockStep | Gap | Tick | Asked] = msgspec.json.Decoder(
    PortEvent | Command | ClockStep | Gap | Tick | Asked
)


def row_of(entry: Entry, t_wall_ns: int) -> Row:
    """Flatten an entry; `t_wall_ns` (ns) labels those that carry no wall time of their own."""
    if isinstance(entry, Chunk):
        return Row("chunk", entry.port, entry.t_mono_ns, entry.t_wall_ns, entry.data)
    data = _JSON.encode(entry)
    kind = str(type(entry).__struct_config__.tag)
    if isinstance(entry, PortEvent | Asked):
        return Row(kind, entry.port, entry.t_mono_ns, entry.t_wall_ns, data)
    t_mono_ns = entry.t_to_mono_ns if isinstance(entry, Gap) else entry.t_mono_ns
    return Row(kind, "", t_mono_ns, t_wall_ns, data)


def entry_of(row: Row) -> Entry:
    """Undo `row_of`; ValueError when the data are not what the kind says."""
    if row.kind == "chunk":
        return Chunk(port=row.port, t_mono_ns=row.t_mono_ns, t_wall_ns=row.t_wall_ns, data=row.data)
    return _OTHERS.decode(row.data)


@cache
def schema() -> Any:
    """The one Arrow schema of all segments."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    ns = {"unit": "ns"}
    return pa.schema(
        [
            pa.field("kind", pa.utf8(), nullable=False),
            pa.field("port", pa.utf8(), nullable=False),
            pa.field("t_mono_ns", pa.int64(), nullable=False, metadata=ns),
            pa.field("t_wall_ns", pa.int64(), nullable=False, metadata=ns),
            pa.field("data", pa.binary(), nullable=False),
        ],
        metadata={"what": "restpoint journal", "schema": str(SCHEMA)},
    )


@cache
def head() -> bytes:
    """The bytes every segment begins with: the schema message."""
    return bytes(schema().serialize().to_pybytes())


def newer(data: bytes) -> str:
    """Say that a newer program wrote this segment; empty when none did, as far as its beginning tells."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    if data[: len(head())] == head():
        return ""
    try:
        told = pa.ipc.read_schema(pa.BufferReader(data)).metadata or {}
        number = int(told.get(b"schema", 0))
    except (pa.ArrowException, OSError, ValueError):
        return ""
    known = told.get(b"what") == b"restpoint journal" and number > SCHEMA
    return f"it was written by a newer restpoint (journal schema {number}); update this one" if known else ""


def encode(rows: Sequence[Row], seq: int, boot_id: str) -> bytes:
    """Encode rows (at least one) as the bytes of one batch, to be appended by one write."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    def variable(values: list[bytes], kind: Any) -> Any:
        offsets = np.zeros(len(values) + 1, np.int32)
        np.cumsum([len(v) for v in values], out=offsets[1:])
        buffers = [None, pa.py_buffer(offsets), pa.py_buffer(b"".join(values))]
        return pa.Array.from_buffers(kind, len(values), buffers)

    def fixed(values: list[int]) -> Any:
        buffers = [None, pa.py_buffer(np.array(values, np.int64))]
        return pa.Array.from_buffers(pa.int64(), len(values), buffers)

    columns = [
        variable([r.kind.encode() for r in rows], pa.utf8()),
        variable([r.port.encode() for r in rows], pa.utf8()),
        fixed([r.t_mono_ns for r in rows]),
        fixed([r.t_wall_ns for r in rows]),
        variable([r.data for r in rows], pa.binary()),
    ]
    batch = pa.RecordBatch.from_arrays(columns, schema=schema())
    sums = str(_checksum(list(_parts(batch)), len(rows), seq, boot_id))
    metadata = {"n": str(len(rows)), "seq": str(seq), "boot_id": boot_id, "crc32": sums}
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, schema()) as writer:
        writer.write_batch(batch, custom_metadata=metadata)
    return bytes(sink.getvalue().to_pybytes()[len(head()) : -len(END)])


def scan(data: bytes) -> Iterator[Batch | Damage]:
    """Read a segment's bytes: whole batches in order, and the damage between and behind them.

    Never raises on any bytes. An end mark, or none, is no damage: a segment still being written has none.
    """
    begin = len(head())
    if why := newer(data):
        yield Damage(0, len(data), why)
        return
    if data[:begin] != head():
        yield Damage(0, min(begin, len(data)), "the segment does not begin with the journal's schema")
    seq, seq_known, boot_id, offset = -1, False, None, begin
    while offset < len(data) and data[offset : offset + 9] != END:
        found = decode(data, offset, boot_id, seq)
        if isinstance(found, str):
            end = _next_whole(data, offset, boot_id, seq)
            yield Damage(offset, end, found)
            offset, seq_known = end, False
        else:
            batch, boot_id = found
            if seq_known and batch.seq > seq + 1:
                yield Damage(offset, offset, f"{batch.seq - seq - 1} entries before this place are missing")
            seq, offset, seq_known = batch.seq + len(batch.rows) - 1, batch.end, True
            yield batch


def _next_whole(data: bytes, offset: int, boot_id: str | None, seq: int) -> int:
    """Offset of the next whole batch, of the end mark at the end, or the end of the data."""
    offset += 1
    while (offset := data.find(MARK, offset)) >= 0:
        if offset % 8 == 0 and (
            data[offset:] == END or not isinstance(decode(data, offset, boot_id, seq), str)
        ):
            return offset
        offset += 1
    return len(data)


def decode(data: bytes, offset: int, boot_id: str | None, seq: int) -> tuple[Batch, str] | str:
    """The batch at an offset and its run, or what is wrong; it must be of the run and behind row `seq`."""
    begin = data[offset : offset + 8]
    if metadata_size(begin) is None:
        return NO_BATCH
    try:
        batch, words, end = _arrow_batch(data, offset)
        first, claimed = int(words[b"seq"]), words[b"boot_id"].decode()
        why = batch_fault(batch, words, begin, end - offset)
        rows = [Row(*values) for values in zip(*(c.to_pylist() for c in batch.columns), strict=True)]
    except Exception as fault:
        # Damaged bytes may raise nearly anything out of Arrow; all of it means the same here.
        return str(fault).partition("\n")[0] or type(fault).__name__
    if why:
        return why
    if first <= seq or claimed != (boot_id or claimed):
        return "a batch out of its place"
    return Batch(offset, end, first, rows), claimed


def _arrow_batch(data: bytes, offset: int) -> tuple[Any, dict[bytes, bytes], int]:
    """Read one message as Arrow does: the batch, its metadata, its end in the data."""
    import pyarrow as pa  # noqa: PLC0415  a quarter of a second that not every caller needs

    source = pa.BufferReader(data)
    source.seek(offset)
    pa.ipc.read_message(source)  # finds the end, so that only this message is copied behind the schema
    end = source.tell()
    found = pa.ipc.open_stream(head() + data[offset:end]).read_next_batch_with_custom_metadata()
    return found.batch, dict(found.custom_metadata.items()), end


def batch_fault(batch: Any, words: dict[bytes, bytes], begin: bytes, size: int) -> str:
    """What is wrong with a batch that Arrow has read, empty when nothing is; may raise on damaged ones.

    `words` are its metadata, `begin` the first 8 of the `size` bytes that it took.
    """
    told = metadata_size(begin)
    if told is None:
        return NO_BATCH
    batch.validate(full=True)
    if any(column.null_count for column in batch.columns):
        return "a value is missing"
    parts = list(_parts(batch))
    sums = _checksum(parts, batch.num_rows, int(words[b"seq"]), words[b"boot_id"].decode())
    if int(words[b"n"]) != batch.num_rows or int(words[b"crc32"]) != sums:
        return "the checksum does not fit"
    if size - 8 - told not in (_body_size(parts, 8), _body_size(parts, 64)):
        return "its length is not that of its values"
    return ""


def metadata_size(begin: bytes) -> int | None:
    """Size of the metadata of the message that begins so; None where none begins."""
    size = int.from_bytes(begin[4:], "little", signed=True)
    return size if begin[:4] == MARK and 0 < size <= MOST_METADATA else None


def _body_size(parts: list[memoryview], padding: int) -> int:
    """Bytes of a batch's values when each buffer is padded to a multiple of 8 or 64, as writers do."""
    return sum([-(-len(part) // padding) * padding for part in parts])


def _checksum(parts: list[memoryview], rows: int, seq: int, boot_id: str) -> int:
    """CRC-32 over a batch's place and its values: offsets and bytes of each column, padding left out."""
    total = zlib.crc32(f"{rows},{seq},{boot_id}".encode())
    for part in parts:
        total = zlib.crc32(part, total)
    return total


def _parts(batch: Any) -> Iterator[memoryview]:
    """The bytes that hold the batch's values, column by column, without padding."""
    for column in batch.columns:
        _, values, *more = column.buffers()
        if not more:
            yield memoryview(values)[: 8 * len(column)]
            continue
        offsets = memoryview(values)[: 4 * (len(column) + 1)]
        yield offsets
        yield memoryview(more[0])[: int.from_bytes(offsets[-4:], "little")]
