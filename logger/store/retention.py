"""What may go when it is old or the disk is short: sealed segments, oldest first; nothing else ever.

A segment goes in two steps: its raw bytes first, since the dataset is made from them and not the other way
round, and much later its part of the dataset. What has no mark is not sealed and stays.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import Any

from logger.store.sealed import MARKS, is_newer, mark_names, read_mark
from logger.store.writer import DATASET

DAY_S = 86_400.0
LONGEST_DAYS = 36_500.0
"""What seems older was written before the clock was set; it goes by size only."""


@dataclass(frozen=True, kw_only=True)
class RetentionSettings:
    """How long to keep what was recorded."""

    journal_days: float = 400.0
    """Raw bytes are kept so long (days): over a season and into the next."""
    dataset_days: float = 4000.0
    """The dataset is kept so long (days); it is a twentieth of the raw bytes."""
    free_bytes: int = 1 << 30
    """Below this much free space (bytes) the oldest sealed raw bytes go before their time."""
    most_at_once: int = 144
    """Segments removed in one go: a clock that is wrong by years costs a day's worth before it is noticed."""


@dataclass(frozen=True)
class Sealed:
    """One sealed segment: its mark's file, and the files of its raw bytes and of its part of the dataset."""

    mark: Path
    raw: Path
    derived: tuple[Path, ...]
    t_s: float
    """When it was sealed, by the clock as it was then."""

    @property
    def size(self) -> int:
        """Bytes that it takes on the disk."""
        return sum(path.stat().st_size for path in (self.raw, *self.derived) if path.exists())


def sealed_segments(folder: Path, newest_first: bool = False) -> Iterator[Sealed]:
    """The sealed segments in a bay's folder, oldest first; each is looked at when it is asked for."""
    for name in sorted(mark_names(folder / DATASET), reverse=newest_first):
        path = folder / DATASET / MARKS / name
        mark: dict[str, Any] | None = read_mark(path)
        if mark is not None and not is_newer(mark):
            raw = folder / "journal" / mark["run"] / f"segment-{mark['segment']:06d}.arrows"
            derived = tuple(folder / DATASET / file["path"] for file in mark["files"])
            yield Sealed(path, raw, derived, path.stat().st_mtime)


def retain(
    folder: Path, settings: RetentionSettings, now_s: float, free_bytes: int | None = None
) -> list[Path]:
    """Remove what is past its time or must make room; return the files removed.

    `now_s` is wall time (s); `free_bytes` is the free space, None to ask the disk.
    """
    free = shutil.disk_usage(folder).free if free_bytes is None else free_bytes
    removed: list[Path] = []
    touched = 0
    for segment in sealed_segments(folder):
        before = len(removed)
        age_days = (now_s - segment.t_s) / DAY_S
        known = age_days < LONGEST_DAYS
        short = free < settings.free_bytes
        if segment.raw.exists() and (short or (known and age_days > settings.journal_days)):
            free += segment.raw.stat().st_size
            removed += _remove(segment.raw)
        if not segment.raw.exists() and known and age_days > settings.dataset_days:
            removed += _remove(*segment.derived, segment.mark)
        elif segment.raw.exists():
            break  # the younger ones stay as well
        touched += len(removed) > before
        if touched >= settings.most_at_once:
            break
    return removed


def days_left(
    folder: Path, settings: RetentionSettings, now_s: float, free_bytes: int | None = None
) -> float | None:
    """Days until the disk is down to its reserve at the last week's pace; None while nothing was sealed."""
    free = shutil.disk_usage(folder).free if free_bytes is None else free_bytes
    newest = takewhile(lambda s: now_s - s.t_s <= 7 * DAY_S, sealed_segments(folder, newest_first=True))
    week = [segment for segment in newest if segment.t_s <= now_s]
    if not week:
        return None
    span_s = max(now_s - min(segment.t_s for segment in week), DAY_S / 24)
    pace = sum(segment.size for segment in week) / span_s * DAY_S
    return max(free - settings.free_bytes, 0) / pace if pace > 0 else None


def _remove(*paths: Path) -> list[Path]:
    gone = [path for path in paths if path.exists()]
    for path in gone:
        path.unlink()
    return gone
