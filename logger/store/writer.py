"""The store: a thread of its own that gathers records and seals them as Parquet, a journal segment at a time.

What is not sealed when the program dies is made again from the journal at the next start (logger.rebuild),
so nothing here has to survive a kill.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger.model import ClockStep, Record
from logger.store.rows import SegmentRows
from logger.store.sealed import seal

OnTrouble = Callable[[str, str], None]


@dataclass(frozen=True, kw_only=True)
class StoreSettings:
    """How the dataset is written."""

    queue_records: int = 65_536
    """Records that may wait for the store's thread: minutes of four pads, should the disk hold it up."""
    look_ms: int = 250
    """How often (ms) the thread looks at its queue; nothing is sealed sooner than a segment's end."""
    retry_s: float = 10.0
    """Pause (s) before a seal that the disk refused is tried again."""
    waiting_segments: int = 3
    """Finished segments kept in memory while the disk refuses; older ones are left to the next start."""


@dataclass(frozen=True)
class _Seal:
    segment: int
    sha256: str


class Store:
    """Puts a bay's records into the dataset in `folder`.

    Call `at` before the records of each journal entry, `put` for each record, `seal` when the journal says
    that a segment is durable, from one thread or in that order. None of them waits for the disk.
    """

    def __init__(
        self,
        folder: Path,
        bay: str,
        settings: StoreSettings,
        on_trouble: OnTrouble,
        *,
        run: str = "run-000001",
        config_id: str = "",
    ) -> None:
        self.folder, self.bay, self.run = folder, bay, run
        self._settings, self._on_trouble, self._config_id = settings, on_trouble, config_id
        self._queue: deque[tuple[int, int, Record | _Seal]] = deque()
        self._segment = self._offset_ns = 0
        self._rows: dict[int, SegmentRows] = {}
        self._due: deque[_Seal] = deque()
        self._spoiled: set[int] = set()
        self._blocked = False
        self.dropped = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)
        self._thread.start()

    def __repr__(self) -> str:
        return f"<Store {self.folder} {self.run} segment {self._segment}, {len(self._queue)} records waiting>"

    @property
    def alive(self) -> bool:
        """Whether the store's thread runs."""
        return self._thread.is_alive()

    def at(self, segment: int, entry: Record) -> None:
        """Say which journal segment the next records were derived from, and the entry (for its clocks)."""
        self._segment = segment
        t_wall_ns = entry.wall_after_ns if isinstance(entry, ClockStep) else getattr(entry, "t_wall_ns", None)
        if t_wall_ns is not None:
            self._offset_ns = t_wall_ns - entry.t_mono_ns  # type: ignore[attr-defined]  # what has wall time has both

    def put(self, record: Record) -> None:
        """Take one record; when the queue is full its segment is left to be made from the journal later."""
        if len(self._queue) >= self._settings.queue_records:
            self.dropped += 1
            if self._segment not in self._spoiled:
                self._spoiled.add(self._segment)
                self._leave(self._segment, "the store could not keep up")
            return
        self._queue.append((self._segment, self._offset_ns, record))

    def seal(self, segment: int, sha256: str = "") -> None:
        """Seal a segment, all of whose records have been put; `sha256` is of the journal's file."""
        self._queue.append((segment, 0, _Seal(segment, sha256)))

    def close(self, timeout_s: float = 30.0) -> None:
        """Seal what is due and stop; what is not sealed then is made from the journal at the next start."""
        self._stop.set()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        stopping = False
        while not stopping:
            pause_s = self._settings.retry_s if self._blocked else self._settings.look_ms / 1000
            stopping = self._stop.wait(pause_s)
            try:
                self._gather()
                self._seal_due()
            except Exception as fault:
                self._on_trouble("store_stopped", f"{self.folder}: {fault!r}; the journal goes on")
                raise

    def _gather(self) -> None:
        while self._queue:
            segment, offset_ns, item = self._queue.popleft()
            if isinstance(item, _Seal):
                self._due.append(item)
            elif segment not in self._spoiled:
                rows = self._rows.get(segment)
                if rows is None:
                    rows = self._rows[segment] = SegmentRows(self.run)
                rows.add(item, offset_ns)

    def _seal_due(self) -> None:
        while self._due:
            due = self._due[0]
            if due.segment not in self._spoiled and not self._seal_one(due):
                break
            self._due.popleft()
            self._rows.pop(due.segment, None)
            self._spoiled.discard(due.segment)
        while len(self._due) > self._settings.waiting_segments:
            gone = self._due.popleft()
            self._rows.pop(gone.segment, None)
            self._leave(gone.segment, "the disk has refused for too long")

    def _seal_one(self, due: _Seal) -> bool:
        rows = self._rows.get(due.segment, SegmentRows(self.run))
        about = {"journal_sha256": due.sha256, "config_id": self._config_id}
        try:
            seal(self.folder, self.bay, self.run, due.segment, rows.tables(), about)
        except OSError as fault:
            if not self._blocked:
                self._blocked = True
                self._on_trouble(
                    "store_blocked", f"{self.folder}: {fault.strerror}; tried again until it goes"
                )
            return False
        if self._blocked:
            self._blocked = False
            self._on_trouble("store_restored", f"{self.folder}: segments are sealed again")
        return True

    def _leave(self, segment: int, why: str) -> None:
        self._on_trouble(
            "store_behind",
            f"{self.run} segment {segment}: {why}; it is made from the journal at the next start",
        )
