"""The store: a thread of its own that gathers records and seals them as Parquet, a journal segment at a time.

What could not be sealed is made from the journal when the disk takes it again, what was not sealed when the
program died at the next start (logger.rebuild): nothing here has to survive a kill.
"""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from logger.model import ClockStep, Record
from logger.shortage import go_round, no_memory, why_refused
from logger.store.relabel import relabel
from logger.store.rows import SegmentRows
from logger.store.sealed import keep_state, mark_path, seal

DATASET = "dataset"
"""The dataset's folder in a bay's folder."""

OnTrouble = Callable[[str, str], None]
"""Called with (event, detail) once per change, from any thread; must not block."""


@dataclass(frozen=True, kw_only=True)
class StoreSettings:
    """How the dataset is written."""

    queue_records: int = 65_536
    """Records that may wait for the store's thread: minutes of four pads, should the disk hold it up."""
    look_ms: int = 250
    """How often (ms) the thread looks at its queue; nothing is sealed sooner than a segment's end."""
    retry_s: float = 10.0
    """Pause (s) before a seal that the disk refused is tried again."""
    copy_to: str = ""
    """Where sealed segments are copied to: a URL of any file system pyarrow knows (`s3://bucket/place`,
    `gs://…`, `file:///…`); empty: nowhere. What is here stays here; passwords do not belong into a URL."""
    copy_s: float = 60.0
    """How often (s) it is looked for segments to copy, and tried again where the place is not there."""
    waiting_segments: int = 3
    """Finished segments kept in memory while the disk refuses; older ones are left to the journal."""

    def __post_init__(self) -> None:
        if self.copy_to and not re.match(r"[a-z][a-z0-9+.-]*://", self.copy_to):
            raise ValueError(
                f"copy_to is {self.copy_to!r}, no URL such as s3://bucket/place or file:///place"
            )
        if "@" in self.copy_to:  # the config is copied into each run's journal
            raise ValueError("copy_to holds a name or password; give those by the environment of the service")


@dataclass(frozen=True)
class _Closed:
    run: str
    segment: int
    sha256: str


class Store:
    """Puts a bay's records into `folder`/dataset.

    Call `at` before the records of each journal entry and `put` for each record, from one thread. A segment
    is sealed once the journal has closed it (`segment_closed`, from any thread) and `at` has gone past it, or
    the store is closed. None of these waits for the disk.
    """

    def __init__(
        self, folder: Path, bay: str, settings: StoreSettings, on_trouble: OnTrouble, *, config_id: str = ""
    ) -> None:
        self.folder, self.bay = folder / DATASET, bay
        self._settings, self._on_trouble, self._config_id = settings, on_trouble, config_id
        self._queue: deque[tuple[int, int, Record | None]] = deque()
        self._segment = self._offset_ns = 0
        self._rows: dict[int, SegmentRows] = {}
        self._closed: deque[_Closed] = deque()
        self._states: deque[tuple[str, int, bytes]] = deque()
        self._reached = 0
        self._spoiled: set[int] = set()
        self._left: set[tuple[str, int]] = set()
        self._blocked = self._stepped = False
        self.dropped = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=go_round, args=(self._work,), name="store", daemon=True)
        self._thread.start()

    def __repr__(self) -> str:
        return f"<Store {self.folder} segment {self._segment}, {len(self._queue)} records waiting>"

    @property
    def wall_offset_ns(self) -> int:
        """Wall less monotonic time (ns) as the last entry with a wall time told it."""
        return self._offset_ns

    @property
    def waiting(self) -> int:
        """Records that the store's thread has not yet looked at."""
        return len(self._queue)

    @property
    def alive(self) -> bool:
        """Whether the store's thread runs."""
        return self._thread.is_alive()

    def left(self) -> set[tuple[str, int]]:
        """Run and number of closed segments that are not sealed from here but to be made from the journal."""
        for run, segment in tuple(self._left):
            if mark_path(self.folder, run, segment).exists():
                self._left.discard((run, segment))
        return set(self._left)

    def at(self, segment: int, entry: Record) -> None:
        """Say which journal segment the next records come from, and which entry (for its clocks)."""
        if segment != self._segment:
            self._segment = segment
            self._queue.append((segment, 0, None))
        self._offset_ns = wall_offset_ns(entry, self._offset_ns)

    def turn(self, run: str, segment: int, state: bytes) -> None:
        """Keep what the bay knows where this segment begins (logger.bay_state), to be called before `at`."""
        self._states.append((run, segment, state))

    def skip(self, segment: int) -> None:
        """Hear that a segment has entries nobody derived records from: it is made from the journal later."""
        if segment not in self._spoiled:
            self._spoiled.add(segment)
            self._leave(segment, "the program could not keep up")

    def put(self, record: Record) -> None:
        """Take one record; when the queue is full its segment is left to be made from the journal later."""
        if len(self._queue) >= self._settings.queue_records:
            self.dropped += 1
            self.skip(self._segment)
            return
        self._queue.append((self._segment, self._offset_ns, record))

    def segment_closed(self, segment: int, path: Path, sha256: str) -> None:
        """Hear from the journal that a segment is whole and durable; `sha256` is of its file."""
        self._closed.append(_Closed(path.parent.name, segment, sha256))

    def close(self, timeout_s: float = 30.0) -> None:
        """Seal what is due and stop; what is not sealed then is made from the journal at the next start."""
        self._stop.set()
        self._thread.join(timeout_s)

    def _work(self) -> bool:
        """Wait a little and look at the queue; True when that was the last look."""
        pause_s = self._settings.retry_s if self._blocked else self._settings.look_ms / 1000
        stopping = self._stop.wait(pause_s)
        try:
            self._keep_states()
            self._gather()
            self._seal_due(everything=stopping)
        except Exception as fault:
            if not no_memory(fault):  # else the next look goes on where this one ended
                self._on_trouble("store_stopped", f"{self.folder}: {fault!r}; the journal goes on")
                raise
        return stopping

    def _keep_states(self) -> None:
        while self._states:
            run, segment, state = self._states.popleft()
            with suppress(OSError, MemoryError):  # only a shortcut; who must write tells of what refuses
                keep_state(self.folder, run, segment, state, self._needed(segment - 1))

    def _needed(self, segment: int) -> int:
        """The first segment that is yet to be made, here or from the journal; at most the one named."""
        unsealed = {number for _, number in self.left()} | {due.segment for due in tuple(self._closed)}
        return min({segment} | self._spoiled | unsealed)

    def _gather(self) -> None:
        while self._queue:
            segment, offset_ns, record = self._queue.popleft()
            self._reached = segment
            if record is None or segment in self._spoiled:
                continue
            rows = self._rows.get(segment)
            if rows is None:
                rows = self._rows[segment] = SegmentRows()
            try:
                rows.add(record, offset_ns)
            except MemoryError:
                self.skip(segment)

    def _seal_due(self, everything: bool) -> None:
        while self._closed and (everything or self._closed[0].segment < self._reached):
            due = self._closed[0]
            if due.segment in self._spoiled:
                self._left.add((due.run, due.segment))
            elif not self._seal_one(due):
                break
            self._forget(self._closed.popleft())
        while self._blocked and len(self._closed) > self._settings.waiting_segments:
            gone = self._closed.popleft()
            self._left.add((gone.run, gone.segment))
            self._forget(gone)
            self._leave(gone.segment, "the disk has refused for too long")

    def _forget(self, gone: _Closed) -> None:
        self._rows.pop(gone.segment, None)
        self._spoiled.discard(gone.segment)

    def _seal_one(self, due: _Closed) -> bool:
        rows = self._rows.get(due.segment, SegmentRows())
        about = rows.about(due.sha256, self._config_id)
        try:
            seal(self.folder, self.bay, due.run, due.segment, rows.tables(due.run), about)
            self._stepped |= "clock_steps" in about
            if self._stepped:
                relabel(self.folder, due.run)
        except Exception as fault:
            if not (isinstance(fault, OSError) or no_memory(fault)):
                raise
            if not self._blocked:
                told = f"{self.folder}: {why_refused(fault)}; tried again until it goes"
                self._on_trouble("store_blocked", told)
                self._blocked = True
            return False
        if self._blocked:
            self._blocked = False
            self._on_trouble("store_restored", f"{self.folder}: segments are sealed again")
        return True

    def _leave(self, segment: int, why: str) -> None:
        detail = f"segment {segment}: {why}; it is made from the journal later"
        self._on_trouble("store_behind", detail)


def wall_offset_ns(entry: Record, before_ns: int) -> int:
    """Wall less monotonic time (ns) as an entry tells it; one without wall time leaves it as it was."""
    t_wall_ns = entry.wall_after_ns if isinstance(entry, ClockStep) else getattr(entry, "t_wall_ns", None)
    t_mono_ns = getattr(entry, "t_mono_ns", None)
    return before_ns if t_wall_ns is None or t_mono_ns is None else t_wall_ns - t_mono_ns
