"""Writes into the ledger that wait, in order, while the disk or another program refuses them."""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable
from pathlib import Path

from logger.clock import NS

AGAIN_NS = 2 * NS
"""What was refused is tried again so often: a full disk stays so for hours, a lock for some milliseconds."""
MOST = 5000
"""Writes kept in memory, a capture about 2 kB each: days of weighing. Older ones go, and it is said."""

OnTrouble = Callable[[str, str], None]


class Patience:
    """Writes at once where it can; what the ledger at `path` refuses is kept and tried again by `look`.

    `tell(event, detail)` is called once when that begins and once when it is over.
    """

    def __init__(self, path: Path, tell: OnTrouble) -> None:
        self._path, self._tell = path, tell
        self._due: deque[Callable[[], object]] = deque()
        self._blocked = False
        self._t_again_ns = 0
        self._lost = 0

    def do(self, write: Callable[[], object]) -> None:
        """Write now, or behind what waits already; a write that is refused must leave nothing behind."""
        self._due.append(write)
        if len(self._due) > MOST:
            self._due.popleft()
            self._lost += 1
        if not self._blocked:
            self._write_due()

    def look(self, t_mono_ns: int) -> None:
        """Try again, when it is time."""
        if self._blocked and t_mono_ns >= self._t_again_ns:
            self._t_again_ns = t_mono_ns + AGAIN_NS
            self._write_due()

    def end(self) -> None:
        """Try a last time, and say what cannot be kept."""
        self._write_due()
        if lost := self._lost + len(self._due):
            self._tell("ledger_lost", f"{self._path}: {lost} entries could not be written before the stop")

    def _write_due(self) -> None:
        while self._due:
            try:
                self._due[0]()
            except sqlite3.Error as why:
                if not self._blocked:
                    self._blocked = True
                    self._tell("ledger_blocked", f"{self._path}: {why}; entries are kept in memory for now")
                return
            self._due.popleft()
        if self._blocked:
            self._blocked = False
            lost = f", but {self._lost} entries were too many to keep" if self._lost else ""
            self._lost = 0
            self._tell("ledger_restored", f"{self._path}: takes entries again{lost}")
