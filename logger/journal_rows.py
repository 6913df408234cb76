"""A whole journal segment at once, as columns: what replay reads where nothing is damaged.

Arrow's objects for each of the many small batches would take most of the time. So a batch is read by the
shape of its metadata: Arrow reads one of each shape, the others may differ from it in their numbers only.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.words import by_size
from logger.journal_segment import END, Row, decode, head, metadata_size
from logger.packed import Packed

Ints = NDArray[np.int64]
COLUMNS = 5
"""kind, port, t_mono_ns, t_wall_ns, data."""
BUFFERS = 13
"""Arrow's for these: what is missing (none), then values, or offsets and values."""
OFFSETS, VALUES, TIMES = (1, 4, 11), (2, 5, 12), (7, 9)
"""Numbers of the buffers of kind, port and data; of the times."""
CHECKED = (1, 2, 4, 5, 7, 9, 11, 12)
"""Those that a checksum covers, in its order."""
WORDS = ("n", "seq", "crc32")
"""Numbers that a batch's metadata tell as text."""


@dataclass(frozen=True, eq=False)
class Rows:
    """All rows of a segment, its bytes `offset` to `end`; the first is number `seq` of the run."""

    offset: int
    end: int
    seq: int
    kind: Packed
    port: Packed
    t_mono_ns: Ints
    t_wall_ns: Ints
    data: Packed

    def __len__(self) -> int:
        """How many rows."""
        return len(self.data)

    def rows(self, lo: int, hi: int) -> Iterator[Row]:
        """Some rows, one by one."""
        for k in range(lo, hi):
            kind, port = self.kind.piece(k).decode(), self.port.piece(k).decode()
            yield Row(kind, port, int(self.t_mono_ns[k]), int(self.t_wall_ns[k]), self.data.piece(k))


def whole_segment(data: bytes) -> Rows | None:
    """Read a segment in which every batch is whole and in its place; None for any other, which
    `journal_segment.scan` then takes apart. Never raises on any bytes."""
    begin = len(head())
    if data[:begin] != head() or begin % 8:
        return None
    try:
        batches = _Batches(data, begin)
        return batches.read() if batches.whole() else None
    except (ValueError, IndexError, OverflowError, struct.error):
        return None  # a number or an end that is none


class _Shape:
    """Metadata of one kind and size: the bytes that never change, where the numbers stand, the run told."""

    def __init__(self, data: bytes, at: int, size: int) -> None:
        if isinstance(decode(data, at - 8, None, -1), str):
            raise ValueError("no whole batch")
        self._data, self._at = data, at
        message = self._table(at)
        batch = self._table(self._field(message, 2))
        places = [self._field(message, 3), self._field(batch, 0)]
        for field, count, size_of in ((1, COLUMNS, 16), (2, BUFFERS, 16)):
            vector = self._table(self._field(batch, field))
            if self._number("I", vector) != count:
                raise ValueError("other columns")
            places += range(vector + 4, vector + 4 + count * size_of, 8)
        told = dict(self._told(self._table(self._field(message, 4))))
        begin, end = told["boot_id"]
        self.boot_id = data[begin:end]
        self.places = np.array(places) - at
        if (self.places % 8).any():
            raise ValueError("no place of a number")
        self.words = [slice(*(place - at for place in told[word])) for word in WORDS]
        self.fixed = np.full(size, 0xFF, np.uint8)
        self.fixed[self.places[:, None] + np.arange(8)] = 0
        for word in self.words:
            self.fixed[word] = 0
        self.like = np.frombuffer(data, np.uint8, size, at) & self.fixed

    def _number(self, code: str, at: int) -> int:
        return int(struct.unpack_from(f"<{code}", self._data, at)[0])

    def _table(self, at: int) -> int:
        """What an offset leads to: a table, a vector or a text."""
        return at + self._number("I", at)

    def _field(self, table: int, number: int) -> int:
        """Place of a table's field."""
        places = table - self._number("i", table)
        return table + self._number("H", places + 4 + 2 * number)

    def _told(self, pairs: int) -> Iterator[tuple[str, tuple[int, int]]]:
        """Where the texts stand that stand behind keys."""
        for k in range(self._number("I", pairs)):
            pair = self._table(pairs + 4 + 4 * k)
            key, text = (self._table(self._field(pair, field)) for field in (0, 1))
            name = self._data[key + 4 : key + 4 + self._number("I", key)].decode()
            yield name, (text + 4, text + 4 + self._number("I", text))


class _Batches:
    """All batches of a segment: where they are, and what each says of itself."""

    def __init__(self, data: bytes, begin: int) -> None:
        self._data = data
        self._bytes = np.frombuffer(data, np.uint8)
        self._walk(begin)
        count = len(self._begin)
        self._numbers = np.zeros((count, 2 + 2 * (COLUMNS + BUFFERS)), np.int64)
        self._words = np.zeros((count, len(WORDS)), np.int64)
        self._boot_id = b""
        for size in np.unique(self._size).tolist():
            self._take(size)
        self._rows = self._numbers[:, 1]
        self._length = self._numbers[:, 3 + 2 * COLUMNS :: 2]
        self._where = self._numbers[:, 2 + 2 * COLUMNS :: 2] + (self._begin + self._size)[:, None]
        """By batch and buffer: its size, and its first byte in the file."""

    def _walk(self, at: int) -> None:
        """Find where each batch's metadata begin, how large they are, and where the file ends."""
        data, found = self._data, []
        unsigned, signed, short, long = (struct.Struct(f"<{code}").unpack_from for code in "IiHq")
        while data[at : at + 9] not in (b"", END):
            size = metadata_size(data[at : at + 8])
            if size is None:
                raise ValueError("no batch begins here")
            table = at + 8 + unsigned(data, at + 8)[0]
            places = table - signed(data, table)[0]
            body = long(data, table + short(data, places + 10)[0])[0]
            found.append((at + 8, size))
            if size % 8 or body % 8 or not 0 <= body <= len(data) - at - 8 - size:
                raise ValueError("no size of a batch")
            at += 8 + size + body
        self._begin, self._size = np.array(found, np.int64).reshape(-1, 2).T

    def _take(self, size: int) -> None:
        """Read the metadata of this size, shape by shape; the last one's first, as most count as far."""
        left = np.flatnonzero(self._size == size)
        rows = by_size(self._bytes, size)[self._begin[left]].view(np.int64).reshape(-1, size // 8)
        while len(left):
            shape = _Shape(self._data, int(self._begin[left[-1]]), size)
            if (self._boot_id or shape.boot_id) != shape.boot_id:
                raise ValueError("of another run")
            self._boot_id = shape.boot_id
            like = ((rows & shape.fixed.view(np.int64)) == shape.like.view(np.int64)).all(axis=1)
            where, here = np.flatnonzero(like)[:, None], left[like]
            self._numbers[here] = rows[where, shape.places // 8]
            for k, word in enumerate(shape.words):
                digits = rows.view(np.uint8)[where, np.arange(word.start, word.stop)] - np.uint8(ord("0"))
                if digits.shape[1] > 18 or digits.max() > 9:
                    raise ValueError("no number")
                self._words[here, k] = digits @ 10 ** np.arange(digits.shape[1], dtype=np.int64)[::-1]
            left, rows = left[~like], rows[~like]

    def whole(self) -> bool:
        """Whether every batch is what its checksum says, has no more bytes than its values, and follows the
        one before."""
        rows, length = self._rows, self._length
        if not len(rows) or rows.min() < 1 or length.min() < 0:
            return False
        told, seq = self._words[:, 0], self._words[:, 1]
        sizes = np.zeros_like(length)
        sizes[:, OFFSETS] = 4 * (rows[:, None] + 1)
        sizes[:, TIMES] = 8 * rows[:, None]
        sizes[:, VALUES] = length[:, VALUES]
        nodes = self._numbers[:, 2 : 2 + 2 * COLUMNS].reshape(-1, COLUMNS, 2)
        return bool(
            (length == sizes).all()
            and (nodes[:, :, 0] == rows[:, None]).all()
            and not nodes[:, :, 1].any()
            and (told == rows).all()
            and (seq[1:] == seq[:-1] + rows[:-1]).all()
            and (self._packed(8) | self._packed(64)).all()
            and self._summed()
        )

    def _packed(self, padding: int) -> NDArray[np.bool_]:
        """Do a batch's buffers follow each other, filled up to this, as writers do?"""
        room = -(-self._length // padding) * padding
        ends = np.cumsum(room, axis=1)
        begins = self._where - (self._begin + self._size)[:, None]
        follow: NDArray[np.bool_] = (begins == ends - room).all(axis=1) & (ends[:, -1] == self._numbers[:, 0])
        return follow

    def _summed(self) -> bool:
        """Do the checksums fit? Buffers without anything between them are summed in one go."""
        begins = self._where[:, CHECKED]
        ends = begins + self._length[:, CHECKED]
        parts: list[tuple[list[int], list[int]]] = []
        for k in range(len(CHECKED)):
            if k and (begins[:, k] == ends[:, k - 1]).all():
                parts[-1] = parts[-1][0], ends[:, k].tolist()
            else:
                parts.append((begins[:, k].tolist(), ends[:, k].tolist()))
        bounds = zip(*(zip(*part, strict=True) for part in parts), strict=True)
        view, crc32, boot_id = memoryview(self._data), zlib.crc32, self._boot_id.decode()
        for (rows, seq, claimed), pairs in zip(self._words.tolist(), bounds, strict=True):
            total = crc32(f"{rows},{seq},{boot_id}".encode())
            for first, stop in pairs:
                total = crc32(view[first:stop], total)
            if total != claimed:
                return False
        return True

    def read(self) -> Rows | None:
        """The rows; None where a text is none."""
        kind, port, data = (self._pieces(k) for k in range(3))
        if not (self._text(0, kind) and self._text(1, port)):
            return None
        return Rows(
            offset=0,
            end=len(self._data),
            seq=int(self._words[0, 1]),
            kind=kind,
            port=port,
            t_mono_ns=self._times(0),
            t_wall_ns=self._times(1),
            data=data,
        )

    def _text(self, column: int, pieces: Packed) -> bool:
        """Is every piece UTF-8?"""
        whole = self._column(VALUES[column])
        if whole.isascii():
            return True
        whole.decode()  # where it is none, this raises a ValueError
        first = pieces.values[pieces.starts[pieces.sizes > 0]]
        return not ((first & 0xC0) == 0x80).any()  # the middle of a character

    def _column(self, buffer: int) -> bytes:
        """One buffer of all batches, one behind another."""
        return Packed(self._bytes, self._where[:, buffer], self._length[:, buffer]).joined(slice(None))

    def _times(self, column: int) -> Ints:
        return np.frombuffer(self._column(TIMES[column]), np.int64)

    def _pieces(self, column: int) -> Packed:
        """A column of texts or bytes; each batch's lie one behind another from the first byte on."""
        rows, length = self._rows, self._length[:, VALUES[column]]
        offsets = np.frombuffer(self._column(OFFSETS[column]), np.int32)
        last = np.cumsum(rows + 1) - 1
        begins = np.ones(len(offsets), np.bool_)
        begins[last] = False
        sizes = np.diff(offsets)[begins[:-1]].astype(np.int64)
        if sizes.min() < 0 or offsets[last - rows].any() or (offsets[last] != length).any():
            raise ValueError("no offsets")
        return Packed(self._bytes, offsets[begins] + np.repeat(self._where[:, VALUES[column]], rows), sizes)
