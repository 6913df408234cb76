"""The journal's files: which runs and segments there are, reading them, mending what a kill left behind."""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from logger.journal_rows import Rows, whole_segment
from logger.journal_segment import END, Batch, Damage, Entry, Row, entry_of, head, newer, scan
from logger.model import ALL_PADS, Gap, GapCause
from logger.whole import sync_folder

SEGMENT = "segment-{:06d}.arrows"
JOURNAL = "journal"
"""The journal's folder in a bay's folder."""
QUARANTINE = "quarantine"

OnDamage = Callable[[Path, Damage], None]
"""Called with the segment and the bytes of it that could not be read."""


@dataclass(frozen=True)
class Run:
    """One start of the program: its number (0: not known), folder, and segments by rising number."""

    number: int
    folder: Path
    segments: tuple[Path, ...]

    @staticmethod
    def name_of(number: int, boot_id: str) -> str:
        """The name of a run's folder, like no other's: the dataset's files are named after it for good."""
        return f"run-{number:06d}-{boot_id[:6]}"

    @property
    def name(self) -> str:
        """The run's folder name, which is its name in the dataset too."""
        return self.folder.name


def run_folders(folder: Path) -> list[Run]:
    """The runs in a journal's folder, oldest first; empty when there is no such folder."""
    return list(each_run(folder))


def each_run(folder: Path) -> Iterator[Run]:
    """As `run_folders`, looked into one by one: a year's segments are 50,000, and their paths 50 MB."""
    for number, child in _numbered(folder):
        yield _run(number, child)


def next_number(folder: Path) -> int:
    """The number of the next run in a journal's folder."""
    return max((number for number, _ in _numbered(folder)), default=0) + 1


def find_runs(path: Path) -> list[Run]:
    """The runs a path stands for: one segment, a run's folder, a journal, or a folder that holds `journal`.

    ValueError says what was looked for when there is no journal at the path.
    """
    if path.is_file():
        return [Run(0, path.parent, (path,))]
    for folder in (path, path / JOURNAL):
        if _run_number(folder) and any(folder.glob("segment-*.arrows")):
            return [_run(_run_number(folder), folder)]
        if runs := run_folders(folder):
            return runs
    raise ValueError(f"{path}: no journal here (looked for run-*/segment-*.arrows, also under journal/)")


def read_journal(path: Path, on_damage: OnDamage | None = None) -> Iterator[Entry]:
    """Read every entry of a segment, a run or a whole journal, in the order they were put.

    Damaged places are told to `on_damage` and stand as a Gap of cause `journal` that counts entries.
    """
    for run in find_runs(path):
        for _, entry in read_run(run, on_damage):
            yield entry


def read_run(run: Run, on_damage: OnDamage | None = None, first: int = 0) -> Iterator[tuple[int, Entry]]:
    """Read one run from segment `first` on: (segment number, entry) in order; see `read_journal`."""
    for path, item in _read(run, on_damage, first, scan):
        number = segment_number(path)
        if isinstance(item, Gap):
            yield number, item
        elif isinstance(item, Batch):
            for entry in entries(path, item, item.rows, on_damage):
                yield number, entry


def read_rows(run: Run, on_damage: OnDamage | None = None) -> Iterator[tuple[Path, Rows | Batch | Gap]]:
    """Read one run a segment at a time where nothing is damaged, else a batch at a time: (segment, rows).

    The rows' entries are those that `read_run` gives; make them by `entries`.
    """

    def read(data: bytes) -> Iterable[Rows | Batch | Damage]:
        found = whole_segment(data)
        return scan(data) if found is None else (found,)

    return _read(run, on_damage, 0, read)


def _read(
    run: Run, on_damage: OnDamage | None, first: int, read: Callable[[bytes], Iterable[Rows | Batch | Damage]]
) -> Iterator[tuple[Path, Rows | Batch | Gap]]:
    whole = bool(run.segments) and first <= segment_number(run.segments[0]) == 1
    seq = 0 if whole else None  # what was before is not known
    t_mono_ns: int | None = None
    for path in run.segments:
        if segment_number(path) < first:
            continue
        for item in read(path.read_bytes()):
            if isinstance(item, Damage):
                if on_damage is not None:
                    on_damage(path, item)
                continue
            size, first_ns, last_ns = _extent(item)
            if seq is not None and item.seq > seq:
                yield path, _missing(item.seq - seq, first_ns if t_mono_ns is None else t_mono_ns, first_ns)
            yield path, item
            seq, t_mono_ns = item.seq + size, last_ns


def _extent(item: Rows | Batch) -> tuple[int, int, int]:
    """How many rows, and the monotonic times (ns) of the first and last."""
    if isinstance(item, Rows):
        return len(item), int(item.t_mono_ns[0]), int(item.t_mono_ns[-1])
    return len(item.rows), item.rows[0].t_mono_ns, item.rows[-1].t_mono_ns


def segment_number(path: Path) -> int:
    """The number in a segment's name, 0 when it has been renamed."""
    digits = path.stem.rpartition("-")[2]
    return int(digits) if digits.isdecimal() else 0


def segment_hash(path: Path) -> str:
    """SHA-256 of a segment's file, as hexadecimal digits, for provenance."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def recover(folder: Path, on_trouble: Callable[[str, str], None]) -> None:
    """Mend the last segment of each run in a journal's folder before the program starts; never fatal.

    A torn tail is copied to `quarantine/`, cut off and reported; damage with whole batches behind it stays
    where it is, since reading passes over it, and is reported.
    """
    for run in each_run(folder):
        try:
            if run.segments and not is_live(run) and not _ended(run.segments[-1]):
                _mend(run.segments[-1], folder / QUARANTINE, on_trouble)
        except OSError as fault:
            on_trouble("journal_not_mended", f"{run.segments[-1]}: {fault.strerror}; it is read as it is")


def is_live(run: Run) -> bool:
    """Whether a program is writing this run now: it holds a lock on the last segment."""
    if not run.segments:
        return False
    try:
        file = run.segments[-1].open("rb")
    except (FileNotFoundError, IsADirectoryError, PermissionError):  # told by who reads it
        return False
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def _run(number: int, folder: Path) -> Run:
    return Run(number, folder, tuple(sorted(folder.glob("segment-*.arrows"))))


def _numbered(folder: Path) -> list[tuple[int, Path]]:
    """The folders of runs with their numbers, by rising number; none where there is no such folder."""
    children = folder.glob("run-*") if folder.is_dir() else ()
    return sorted((_run_number(child), child) for child in children if _run_number(child))


def _run_number(folder: Path) -> int:
    """The number in a run's folder name, 0 when it is no such name."""
    found = re.fullmatch(r"run-(\d+)(-\w+)?", folder.name)
    return int(found[1]) if found else 0


def _missing(count: int, t_from_ns: int, t_to_ns: int) -> Gap:
    return Gap(
        pad=ALL_PADS, t_from_mono_ns=t_from_ns, t_to_mono_ns=t_to_ns, cause=GapCause.JOURNAL, count=count
    )


def entries(
    path: Path, source: Rows | Batch, rows: Iterable[Row], on_damage: OnDamage | None
) -> Iterator[Entry]:
    """The entries that some rows of a segment hold; one that nobody can read is told to `on_damage`."""
    for row in rows:
        try:
            entry = entry_of(row)
        except ValueError as fault:
            if on_damage is not None:
                on_damage(path, Damage(source.offset, source.end, f"entry of kind {row.kind!r}: {fault}"))
            continue
        yield entry


def _ended(path: Path) -> bool:
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - len(END)))
        return size >= len(head()) + len(END) and file.read() == END


def _mend(path: Path, quarantine: Path, on_trouble: Callable[[str, str], None]) -> None:
    data = path.read_bytes()
    if why := newer(data):
        on_trouble("journal_newer", f"{path}: {why}; until then it is left as it is")
        return
    items = list(scan(data))
    rows = sum(len(item.rows) for item in items if isinstance(item, Batch))
    damages = [item for item in items if isinstance(item, Damage)]
    end = len(data)
    if rows == 0:
        end = 0 if damages or data[: len(head())] != head() else end
    elif damages and damages[-1].end == len(data):
        end = damages.pop().offset
    for damage in damages if rows else ():
        detail = f"bytes {damage.offset}–{damage.end}: {damage.reason}"
        on_trouble("journal_damaged", f"{path}: {detail}; the {rows} entries around it are whole")
    if end < len(data) or not data:
        kept = _keep_copy(quarantine, f"{path.parent.name}-{path.stem}-from-{end}.bytes", data[end:])
        detail = f"torn after {rows} whole entries; the last {len(data) - end} bytes are kept in {kept.name}"
        on_trouble("journal_cut", f"{path}: {detail}")
    with path.open("r+b") as file:
        file.truncate(end)
        file.seek(end)
        file.write(END if end else head() + END)
        file.flush()
        os.fsync(file.fileno())


def _keep_copy(folder: Path, name: str, content: bytes) -> Path:
    folder.mkdir(exist_ok=True, mode=0o750)
    path = folder / name
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(folder)
    return path
