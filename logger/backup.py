"""A bay's folder as one archive, and back: journal, dataset, ledger and the configuration it ran under.

It may be made while the daemon runs. Pairings and keys stay behind: whoever finds a backup shall not come in
with it. The list of files with their hashes is the last thing in the archive, so that one cut short is known.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import sqlite3
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path, PurePosixPath
from typing import Any

import msgspec

from logger.journal_folder import JOURNAL, find_runs
from logger.owner import give_all
from logger.snapshot import SUMS
from logger.store.sealed import MARKS
from logger.store.writer import DATASET
from logger.version import VERSION
from logger.whole import TEMPORARY

LIST = "files.json"
CONFIG = "config"
"""Folder of the newest run's configuration in the archive, for a person to put in its place."""
PIECE = 1 << 20
MOST_FILES = 2_000_000
"""A decade of ten-minute segments is 1.5 million files; more is no backup of ours."""


class BackupError(ValueError):
    """An archive cannot be used; the text says why."""


def back_up(folder: Path, archive: Path) -> int:
    """Write the bay's folder into an archive (.tar.gz), whole or not at all; return the file count."""
    temporary = archive.with_name(TEMPORARY + archive.name)
    try:
        count = _write(folder, temporary)
        temporary.rename(archive)
    finally:
        temporary.unlink(missing_ok=True)
    return count


def _write(folder: Path, temporary: Path) -> int:
    files: dict[str, dict[str, Any]] = {}
    with open(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640), "wb") as out:
        with tarfile.open(fileobj=out, mode="w:gz", compresslevel=6) as tar:
            for name, path in _contents(folder):
                with suppress(FileNotFoundError):  # went by its age meanwhile
                    files[name] = _add(tar, name, path)
            with tempfile.TemporaryDirectory() as passing:
                if (folder / "ledger.db").exists():
                    copy = _ledger_copy(folder / "ledger.db", Path(passing))
                    files["ledger.db"] = _add(tar, "ledger.db", copy)
            told = msgspec.json.encode({"schema": 1, "version": VERSION, "files": files})
            entry = tarfile.TarInfo(LIST)
            entry.size, entry.mode = len(told), 0o640
            tar.addfile(entry, io.BytesIO(told))
        out.flush()
        os.fsync(out.fileno())
    return len(files)


def restore(archive: Path, folder: Path) -> int:
    """Make the bay's folder anew from an archive; return the file count. BackupError when anything differs.

    `folder` must not exist or be empty; it appears whole or not at all.
    """
    if folder.exists() and any(folder.iterdir()):
        raise BackupError(f"{folder}: there is something in it; name a folder that is not there yet")
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = folder.with_name(TEMPORARY + folder.name)
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(mode=0o750)
    try:
        count = _unpack(archive, fresh)
        if os.geteuid() == 0:
            give_all(fresh, (folder if folder.exists() else folder.parent).stat())
        if folder.exists():
            folder.rmdir()
        fresh.rename(folder)
    except (tarfile.TarError, EOFError, OSError, msgspec.MsgspecError) as fault:
        raise BackupError(f"{archive}: cannot be read ({fault}); is it whole?") from fault
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return count


def _contents(folder: Path) -> Iterator[tuple[str, Path]]:
    """Name in the archive and path of each file; marks first, since what they name is there already."""
    for part in (folder / DATASET / MARKS, folder / JOURNAL, folder / DATASET):
        for path in sorted(part.rglob("*")):
            again = part.name == DATASET and MARKS in path.parts
            if path.is_file() and not again and not path.name.startswith(TEMPORARY):
                yield str(path.relative_to(folder)), path
    with suppress(ValueError):  # no journal, no configuration
        newest = find_runs(folder)[-1].folder
        for path in sorted(newest.rglob("*")):
            if path.is_file() and path.suffix != ".arrows" and path.name != SUMS:  # it is to be edited
                yield f"{CONFIG}/{path.relative_to(newest)}", path


class _Hashed(io.RawIOBase):
    """A file's first `size` bytes, hashed as they are read: a segment may grow meanwhile."""

    def __init__(self, file: io.BufferedReader, size: int) -> None:
        self._file, self._left, self.digest = file, size, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(self._left if size < 0 else min(size, self._left))
        self._left -= len(data)
        self.digest.update(data)
        return data


def _add(tar: tarfile.TarFile, name: str, path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        status = os.fstat(file.fileno())
        entry = tarfile.TarInfo(name)
        entry.size, entry.mtime, entry.mode = status.st_size, status.st_mtime, 0o640
        hashed = _Hashed(file, entry.size)
        tar.addfile(entry, hashed)
    return {"bytes": entry.size, "sha256": hashed.digest.hexdigest()}


def _ledger_copy(ledger: Path, folder: Path) -> Path:
    """The ledger as one file, with what is still in its log; SQLite sees to it that it is of one moment."""
    copy = folder / ledger.name
    with closing(sqlite3.connect(ledger)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)
    return copy


def _unpack(archive: Path, folder: Path) -> int:
    found: dict[str, dict[str, Any]] = {}
    told: dict[str, Any] | None = None
    with tarfile.open(archive, "r:gz") as tar:
        for entry in tar:
            if not entry.isreg() or len(found) > MOST_FILES:
                raise BackupError(f"{archive}: {entry.name!r} is no file of a backup")
            if entry.name == LIST:
                file = tar.extractfile(entry)
                told = msgspec.json.decode(file.read()) if file else None
                continue
            found[entry.name] = _described(_put(tar, entry, folder))
    if told is None:
        raise BackupError(f"{archive}: has no list at its end; it was cut short")
    for name, about in told["files"].items():
        if found.get(name) != about:
            raise BackupError(f"{archive}: {name} is not as it was backed up")
    if extra := found.keys() - told["files"].keys():
        raise BackupError(f"{archive}: {min(extra)} is not in its list")
    return len(found)


def _put(tar: tarfile.TarFile, entry: tarfile.TarInfo, folder: Path) -> Path:
    """Write one file below the folder, which holds no links; return its path. BackupError when it leads out.

    By hand, since `extract(filter=…)` came with Python 3.11.4 and Debian 12 has 3.11.2.
    """
    name = PurePosixPath(entry.name)
    if name.is_absolute() or ".." in name.parts:
        raise BackupError(f"{entry.name!r} leads out of the folder")
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    source = tar.extractfile(entry)
    assert source is not None  # it is a regular file
    with source, path.open("wb") as file:
        shutil.copyfileobj(source, file)
    path.chmod(0o640)  # as it was backed up
    os.utime(path, (entry.mtime, entry.mtime))
    return path


def _described(path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        return {"bytes": path.stat().st_size, "sha256": hashlib.file_digest(file, "sha256").hexdigest()}
