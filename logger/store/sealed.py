"""Sealed files: written whole beside their place, made durable, read back, renamed; and a mark a segment.

A journal segment is the unit: its files are named after it (`run-000001-…-000003.parquet` in each table and
date), so that making them again puts the same rows in the same place, never twice. The mark, written last,
says that all of a segment's files are there, and holds their sizes and hashes.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any

from logger.store.schema import COLUMNS, ENCODING, SCHEMA
from logger.version import VERSION
from logger.whole import TEMPORARY, durable, put_in_place, write_whole

MARKS = "_sealed"
"""Folder of the marks; readers of hive datasets pass over names that begin with an underscore."""
SUM = b',\n "sum": "'
TORN = "torn, or damaged since it was written"


def seal(
    folder: Path, bay: str, run: str, segment: int, tables: list[tuple[str, str, Any]], about: dict[str, Any]
) -> dict[str, Any]:
    """Write a segment's tables (see SegmentRows.tables) and its mark; return the mark.

    `about` is kept in the mark (the segment's hash, the config id). Files of the segment that are none of
    these go before the mark is written: they held the same rows under another date. OSError when the disk
    refuses; calling again with the same tables then completes the same files.
    """
    name = segment_name(run, segment)
    files = []
    for table, date, rows in tables:
        path = folder / table / f"bay={bay}" / f"date={date}" / f"{name}.parquet"
        _write_parquet(path, table, rows, about.get("config_id", ""))
        files.append(_described(folder, path, rows.num_rows))
    mark = {"schema": SCHEMA, "bay": bay, "run": run, "segment": segment, "version": VERSION} | about
    mark["files"] = files
    _drop_others(folder, name, {file["path"] for file in files})
    told = json.dumps(mark, indent=1).removesuffix("\n}").encode()
    write_whole(mark_path(folder, run, segment), told + _end(told))
    return mark


def segment_name(run: str, segment: int) -> str:
    """The stem of all files made of one segment."""
    return f"{run}-{segment:06d}"


def mark_path(folder: Path, run: str, segment: int) -> Path:
    """Where a segment's mark lies in a dataset's folder."""
    return folder / MARKS / f"{segment_name(run, segment)}.json"


def keep_state(folder: Path, run: str, segment: int, state: bytes, needed: int) -> None:
    """Keep what the bay knew when this segment began; forget what it knew before the segment still needed."""
    write_whole(folder / MARKS / f"{segment_name(run, segment)}.state", state)
    for path in (folder / MARKS).glob(f"{run}-*.state"):
        if path.stem < segment_name(run, needed):
            path.unlink(missing_ok=True)


def states(folder: Path, run: str) -> dict[int, Path]:
    """What is kept of a run's bay: the segment it stands at the beginning of → its file."""
    return {int(path.stem[-6:]): path for path in (folder / MARKS).glob(f"{run}-*.state")}


def mark_paths(folder: Path) -> list[Path]:
    """The files of a dataset's marks, in order of run and segment."""
    return [folder / MARKS / name for name in mark_names(folder)]


def mark_names(folder: Path) -> list[str]:
    """The names of these files; a year has 50,000, whose paths would take 50 MB."""
    place = folder / MARKS
    names = os.listdir(place) if place.is_dir() else []
    return sorted(name for name in names if name.startswith("run-") and name.endswith(".json"))


def read_mark(path: Path) -> dict[str, Any] | None:
    """A mark, or None when its file is torn or damaged; of a newer program's only the schema is known.

    Those of version 0.1.0 had no `sum`.
    """
    try:
        content = path.read_bytes()
        mark: dict[str, Any] = json.loads(content)
        if is_newer(mark):
            return mark
        told, found, _ = content.rpartition(SUM)
        whole = content == told + _end(told) if found else _names(mark) == path.stem
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    return mark if whole else None


def is_newer(mark: dict[str, Any]) -> bool:
    """Whether a newer program made this mark: its segment is that program's own."""
    return int(mark["schema"]) > SCHEMA


def _end(told: bytes) -> bytes:
    """The end of a mark's file: 16 hexadecimal digits of SHA-256 over what stands before."""
    return SUM + hashlib.sha256(told).hexdigest()[:16].encode() + b'"\n}'


def _names(mark: dict[str, Any]) -> str:
    """The segment that a mark without a sum is for; KeyError or TypeError where something is missing."""
    for file in mark["files"]:
        file["path"], file["bytes"] + 0, file["sha256"]
    mark["journal_sha256"], mark["bay"]
    return segment_name(mark["run"], mark["segment"])


def marks_of(folder: Path, run: str) -> Iterator[dict[str, Any]]:
    """The whole marks of one run, in order of segment."""
    for path in sorted((folder / MARKS).glob(f"{run}-*.json")):
        if (mark := read_mark(path)) is not None and not is_newer(mark):
            yield mark


def marks(folder: Path, on_damage: Callable[[Path], object] | None = None) -> Iterator[dict[str, Any]]:
    """The whole marks of a dataset that are of this program's schema, in order of run and segment.

    `on_damage` is called with the files of those that are torn or damaged.
    """
    for path in mark_paths(folder):
        mark = read_mark(path)
        if mark is None:
            if on_damage is not None:
                on_damage(path)
        elif not is_newer(mark):
            yield mark


def faults(folder: Path, mark: dict[str, Any], deep: bool = False) -> list[str]:
    """What is wrong with a segment's files: missing, of another size or, when `deep`, of another hash."""
    found = []
    for file in mark["files"]:
        path = folder / file["path"]
        if not path.exists():
            found.append(f"{path}: missing")
        elif path.stat().st_size != file["bytes"]:
            found.append(f"{path}: {path.stat().st_size} bytes where {file['bytes']} were sealed")
        elif deep and _sha256(path) != file["sha256"]:
            found.append(f"{path}: its bytes are not those that were sealed")
    return found


def _drop_others(folder: Path, name: str, named: Collection[str]) -> None:
    for path in folder.glob(f"*/bay=*/date=*/{name}.parquet"):
        if str(path.relative_to(folder)) not in named:
            path.unlink()


def tidy(folder: Path, on_trouble: Callable[[str, str], None], spare: Collection[str] = ()) -> None:
    """Take away what a kill left half written (`.tmp-…`), to be made again from the journal.

    `spare` names the runs that are being written now.
    """
    for path in sorted(folder.rglob(f"{TEMPORARY}*")):
        if path.name.removeprefix(TEMPORARY).startswith(tuple(spare)):
            continue
        path.unlink(missing_ok=True)
        on_trouble("store_tidied", f"{path}: half written when the program ended; removed, to be made again")


def _write_parquet(path: Path, table: str, rows: Any, config_id: str) -> None:
    import pyarrow.parquet as pq  # noqa: PLC0415  a quarter of a second that not every caller needs

    encoding = ENCODING.get(table, {})
    metadata = (rows.schema.metadata or {}) | {b"config_id": config_id.encode(), b"version": VERSION.encode()}
    with put_in_place(path) as temporary:
        with durable(temporary) as file:
            pq.write_table(
                rows.replace_schema_metadata(metadata),
                file,
                compression="zstd",
                compression_level=3,
                use_dictionary=[name for name in COLUMNS[table] if name not in encoding],
                column_encoding=encoding,
            )
        with pq.ParquetFile(temporary) as back:
            count = back.metadata.num_rows
        if count != rows.num_rows:
            told = f"{count} rows read back where {rows.num_rows} were written"
            raise OSError(errno.EIO, told, str(path))


def _described(folder: Path, path: Path, rows: int) -> dict[str, Any]:
    where = str(path.relative_to(folder))
    return {"path": where, "rows": rows, "bytes": path.stat().st_size, "sha256": _sha256(path)}


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
