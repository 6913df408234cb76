"""The journal: raw bytes with their times, append-only; the truth all else is made from.

A folder holds one `run-000001-…` for each start of the program, with the configuration it ran under and its
`segment-000001.arrows` and on. `Journal` writes it with one thread; logger.journal_folder reads and mends it.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from logger.clock import now_ns
from logger.journal_folder import SEGMENT, Run, next_number
from logger.journal_segment import END, Entry, Row, encode, head, row_of
from logger.model import ALL_PADS, Gap, GapCause
from logger.shortage import go_round, no_memory, why_refused
from logger.snapshot import SUMS, sums
from logger.whole import sync_folder, write_whole

OnTrouble = Callable[[str, str], None]
"""Called with (event, detail) once per change, from any thread; must not block."""

ROW_BYTES = 200
"""What an entry costs in memory besides its data, measured on CPython 3.11 (a tuple, two ints, bytes)."""
BATCH_BYTES = 1 << 20
"""A backlog is written in batches of at most this size, so that one damaged batch costs little."""


@dataclass(frozen=True, kw_only=True)
class JournalSettings:
    """How the journal is written."""

    fsync_ms: int = 200
    """What is older than this (ms) survives a power cut; short against a rest, long against a disk's 1–20."""
    segment_bytes: int = 16 << 20
    """A segment ends at this size (bytes): read and checked in about a second at the next start."""
    segment_s: float = 600.0
    """A segment ends at this age (s): the Parquet files made of one are then neither tiny nor late."""
    memory_bytes: int = 16 << 20
    """Held in memory (bytes) while the disk is full or slow: minutes of four pads at 80 Hz."""


class ClosedSegment(Protocol):
    """What is called, from the writer's thread, when a segment is whole and durable."""

    def __call__(self, segment: int, path: Path, sha256: str) -> None:
        """`sha256` is of the whole file, as hexadecimal digits."""
        ...


@dataclass
class _Batch:
    segment: int
    blob: bytes
    rows: int
    held: int


@dataclass
class _File:
    """The open segment: where the next byte goes and the hash of all before it."""

    number: int
    path: Path
    fd: int
    end: int
    digest: hashlib._Hash


class Journal:
    """Writes entries in the order of `put`; one for a bay and a start of the program.

    `snapshot` maps file names to contents (config.toml, layouts used) that are stored beside the segments
    before the first of them. `on_gap` is called inside `put` with the segment and the Gap that stands in it
    for what could not be kept.
    """

    def __init__(
        self,
        folder: Path,
        settings: JournalSettings,
        on_trouble: OnTrouble,
        *,
        snapshot: Mapping[str, bytes] | None = None,
        on_closed: ClosedSegment | None = None,
        on_gap: Callable[[int, Gap], None] | None = None,
    ) -> None:
        self.boot_id = uuid.uuid4().hex[:12]
        self.run = next_number(folder)
        self.folder = folder / Run.name_of(self.run, self.boot_id)
        self._settings, self._on_trouble = settings, on_trouble
        self._snapshot = dict(snapshot or {})
        if self._snapshot:
            self._snapshot[SUMS] = sums(self._snapshot)
        self._on_closed, self._on_gap = on_closed, on_gap
        head()  # imports Arrow now: what is put must not wait for that to become durable
        self._lock = threading.Lock()
        self._queue: deque[tuple[int, Row]] = deque()
        self._held = 0
        self._segment, self._segment_bytes, self._segment_t_ns = 0, 0, 0
        self._lost: Gap | None = None
        self._hand: _Batch | None = None
        self._file: _File | None = None
        self._seq = 0
        self._blocked = self._prepared = False
        self.beat_mono_ns = now_ns()[0]
        """When the writer's thread last came round; long ago means that the disk holds it."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=go_round, args=(self._work,), name="journal", daemon=True)
        self._thread.start()

    def __repr__(self) -> str:
        return f"<Journal {self.folder.name} segment {self._segment}, {self._held} bytes waiting>"

    @property
    def alive(self) -> bool:
        """Whether the writer's thread runs."""
        return self._thread.is_alive()

    @property
    def waiting_bytes(self) -> int:
        """Bytes of memory held by entries not yet durable."""
        return self._held

    @property
    def durable(self) -> int:
        """Count of entries that survive whatever happens next."""
        return self._seq

    def put(self, entry: Entry) -> int:
        """Take the next entry and return the number of the segment it belongs to; never waits for the disk.

        When memory for waiting entries is used up the entry is lost and counted; the first one that finds
        room again is preceded by a Gap of cause `journal`.
        """
        row = row_of(entry, time.time_ns())
        gap_segment = 0
        with self._lock:
            gap = self._lost
            most = self._settings.memory_bytes // (1 if gap is None else 2)
            room = self._held + len(row.data) + ROW_BYTES <= most
            if room and gap is not None:
                gap_segment = self._append(row_of(gap, row.t_wall_ns))
            self._lost = None if room else _longer(gap, row)
            segment = self._append(row) if room else self._segment
        if not room and gap is None:
            self._tell("journal_losing", f"{self._held} bytes wait for the disk; no more are kept")
        if room and gap is not None:
            self._tell("journal_keeping", f"{gap.count} entries were lost while the disk did not take them")
            if self._on_gap is not None:
                self._on_gap(gap_segment, gap)
        return segment

    def close(self, timeout_s: float = 10.0) -> None:
        """Write what waits, end the segment and stop; what the disk refuses by then is lost and said."""
        self._stop.set()
        self._thread.join(timeout_s)
        if self._held or self._lost is not None:
            count = len(self._queue) + (self._hand.rows if self._hand else 0)
            count += self._lost.count or 0 if self._lost else 0
            self._tell("journal_lost", f"{count} entries could not be written before the stop")

    def _tell(self, event: str, detail: str) -> None:
        self._on_trouble(event, f"{self.folder.name}: {detail}")

    def _append(self, row: Row) -> int:
        """Queue a row in the present segment, or in a new one when that is full; the lock is held."""
        size = len(row.data) + ROW_BYTES
        age_s = (row.t_mono_ns - self._segment_t_ns) / 1e9
        over = self._segment_bytes + size > self._settings.segment_bytes or age_s > self._settings.segment_s
        if self._segment == 0 or over:
            self._segment += 1
            self._segment_bytes, self._segment_t_ns = 0, row.t_mono_ns
        self._segment_bytes += size
        self._queue.append((self._segment, row))
        self._held += size
        return self._segment

    def _work(self) -> bool:
        """Wait a period and write what came in it; True when that was the last."""
        stopping = self._stop.wait(self._settings.fsync_ms / 1000)
        self.beat_mono_ns = now_ns()[0]
        try:
            self._commit()
            if stopping:
                self._end_segment()
        except Exception as fault:
            if not (isinstance(fault, OSError) or no_memory(fault)):
                self._tell("journal_stopped", f"{fault!r}; nothing more is written")
                raise
            if not self._blocked:
                self._tell("journal_blocked", f"{why_refused(fault)}; entries are kept in memory for now")
                self._blocked = True
        return stopping

    def _commit(self) -> None:
        """Make durable all that waits, in order."""
        while (batch := self._hand or self._take()) is not None:
            self._hand = batch
            self._write(batch)
            self.beat_mono_ns = now_ns()[0]
            self._hand = None
            self._seq += batch.rows
            with self._lock:
                self._held -= batch.held
            if self._blocked:
                self._blocked = False
                self._tell("journal_restored", "the disk takes entries again")

    def _take(self) -> _Batch | None:
        """Encode the next waiting rows of one segment; they wait on until that has gone well."""
        rows: list[Row] = []
        held = 0
        with self._lock:
            segment = self._queue[0][0] if self._queue else 0
            for number, row in self._queue:
                if number != segment or held >= BATCH_BYTES:
                    break
                rows.append(row)
                held += len(row.data) + ROW_BYTES
        if not rows:
            return None
        batch = _Batch(segment, encode(rows, self._seq, self.boot_id), len(rows), held)
        with self._lock:
            for _ in rows:
                self._queue.popleft()
        return batch

    def _write(self, batch: _Batch) -> None:
        """Append one batch and wait until it is durable; after an OSError the same call may be made again."""
        if self._file is not None and self._file.number != batch.segment:
            self._end_segment()
        if self._file is None:
            self._file = self._open(batch.segment)
        file = self._file
        _write_at(file.fd, batch.blob, file.end)
        os.fdatasync(file.fd)
        file.end += len(batch.blob)
        file.digest.update(batch.blob)

    def _prepare(self) -> None:
        """Make the run's folder and store in it what the run was configured with."""
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        for name, content in self._snapshot.items():
            write_whole(self.folder / name, content)
        sync_folder(self.folder.parent)
        self._prepared = True

    def _open(self, number: int) -> _File:
        if not self._prepared:
            self._prepare()
        path = self.folder / SEGMENT.format(number)
        fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)  # tells others that this run is alive
            _write_at(fd, head(), 0)
            os.fsync(fd)
            sync_folder(self.folder)
        except OSError:
            os.close(fd)
            raise
        return _File(number, path, fd, len(head()), hashlib.sha256(head()))

    def _end_segment(self) -> None:
        """Write the end mark; the segment is then whole and is handed on."""
        file = self._file
        if file is None:
            return
        _write_at(file.fd, END, file.end)
        os.fdatasync(file.fd)
        self._file = None
        with contextlib.suppress(OSError):
            os.close(file.fd)
        file.digest.update(END)
        if self._on_closed is not None:
            self._on_closed(file.number, file.path, file.digest.hexdigest())


def _write_at(fd: int, blob: bytes, offset: int) -> None:
    """Write all of the bytes at an offset: a batch cut short by a full disk is written over next time."""
    done = os.pwrite(fd, blob, offset)
    while done < len(blob):  # the rest fails with the reason, or goes through
        done += os.pwrite(fd, blob[done:], offset + done)


def _longer(lost: Gap | None, row: Row) -> Gap:
    """The gap that also holds this entry; its count is of entries, since their samples are not known."""
    return Gap(
        pad=ALL_PADS,
        t_from_mono_ns=lost.t_from_mono_ns if lost else row.t_mono_ns,
        t_to_mono_ns=row.t_mono_ns,
        cause=GapCause.JOURNAL,
        count=(lost.count or 0) + 1 if lost else 1,
    )
