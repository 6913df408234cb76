"""The dataset made from the journal: what was not sealed when the program died, or all of it again.

A journal segment is the unit. A run is fed through a fresh bay of its own configuration from its first
segment on, and the segments that are wanted are sealed as the store would have sealed them.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

from logger.journal_folder import (
    JOURNAL,
    SEGMENT,
    Run,
    find_runs,
    is_live,
    read_run,
    run_folders,
    segment_hash,
    segment_number,
)
from logger.replay import MakeBay, derive
from logger.store import DATASET
from logger.store.rows import SegmentRows
from logger.store.sealed import drop_others, faults, mark_path, mark_paths, read_mark, seal, tidy
from logger.store.writer import wall_offset_ns

NEWEST = 300
"""Marks whose files are looked at when the program starts: two days of ten-minute segments."""

OnTrouble = Callable[[str, str], None]


def make_missing(folder: Path, bay: str, make_bay: MakeBay, on_trouble: OnTrouble) -> int:
    """Seal what the journal holds and the dataset in a bay's folder does not; return how many segments.

    For the start of the program: half-written files are removed, the newest sealed files are checked, and
    those missing or cut short are made again. A run that is being written is left out. Never fatal: what
    cannot be made is reported and left.
    """
    dataset = folder / DATASET
    tidy(dataset, on_trouble, _live(folder))
    _unmark_damaged(dataset, on_trouble)
    done = 0
    for run in _runs(folder):
        missing = {
            n for n in map(segment_number, run.segments) if not mark_path(dataset, run.name, n).exists()
        }
        if missing:
            done += _make(dataset, bay, run, missing, make_bay, on_trouble)
    return done


def make_again(folder: Path, bay: str, make_bay: MakeBay, on_trouble: OnTrouble) -> int:
    """Make every segment's part of the dataset again from the journal; return how many segments.

    Rows of segments that are no longer in the journal stay as they are.
    """
    dataset = folder / DATASET
    tidy(dataset, on_trouble, _live(folder))
    return sum(
        _make(dataset, bay, run, set(map(segment_number, run.segments)), make_bay, on_trouble)
        for run in _runs(folder)
    )


def segments(run: Run, make_bay: MakeBay) -> Iterator[tuple[int, SegmentRows]]:
    """Derive a run's records: (segment number, its rows), each segment when it is complete."""
    bay = make_bay(run.folder / "config.toml")
    rows, offset_ns = SegmentRows(), 0
    entries = read_run(run)
    ahead = next(entries, None)
    for number in map(segment_number, run.segments):
        while ahead is not None and ahead[0] <= number:
            offset_ns = wall_offset_ns(ahead[1], offset_ns)
            for record in derive(bay, ahead[1]):
                rows.add(record, offset_ns)
            ahead = next(entries, None)
        if number == segment_number(run.segments[-1]):
            for record in bay.finish():
                rows.add(record, offset_ns)
        yield number, rows
        rows = SegmentRows()


def config_id(config: Path) -> str:
    """A configuration's id as Loaded.id gives it: the first 12 hex digits of the file's SHA-256."""
    return hashlib.sha256(config.read_bytes()).hexdigest()[:12]


def bay_name(folder: Path) -> str:
    """The bay's name as its newest run was configured; ValueError when there is no journal."""
    file = find_runs(folder)[-1].folder / "config.toml"
    return str(tomllib.loads(file.read_text(encoding="utf-8"))["bay"]["name"])


def _live(folder: Path) -> set[str]:
    """Names of the runs in a bay's folder that a program is writing."""
    return {run.name for run in run_folders(folder / JOURNAL) if is_live(run)}


def _runs(folder: Path) -> list[Run]:
    """The runs in a bay's folder that nobody is writing."""
    return [run for run in run_folders(folder / JOURNAL) if not is_live(run)]


def _make(
    dataset: Path, bay: str, run: Run, wanted: set[int], make_bay: MakeBay, on_trouble: OnTrouble
) -> int:
    made = 0
    try:
        for segment, rows in segments(run, make_bay):
            if segment not in wanted:
                continue
            path = run.folder / SEGMENT.format(segment)
            about = {
                "journal_sha256": segment_hash(path),
                "config_id": config_id(run.folder / "config.toml"),
            }
            drop_others(dataset, seal(dataset, bay, run.name, segment, rows.tables(run.name), about))
            made += 1
            if segment == max(wanted):
                break
    except (OSError, ValueError) as fault:
        on_trouble("store_not_rebuilt", f"{run.folder}: {fault}; its journal stays as it is")
    if made:
        on_trouble("store_rebuilt", f"{run.name}: {made} segments made from the journal")
    return made


def _unmark_damaged(dataset: Path, on_trouble: OnTrouble) -> None:
    """Take away the newest marks that are torn or whose files are missing or cut short: to be made again."""
    for path in mark_paths(dataset)[-NEWEST:]:
        mark = read_mark(path)
        found = [f"{path}: torn"] if mark is None else faults(dataset, mark)
        for fault in found:
            on_trouble("store_damaged", f"{fault}; made again from the journal")
        if found:
            path.unlink()
