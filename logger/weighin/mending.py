"""A damaged ledger mended: the file is set aside whole, and all that can be read goes into a new one."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from logger.weighin.migrating import newer_file
from logger.weighin.refusal import refused_for_now

OnTrouble = Callable[[str, str], None]


def mend_ledger(path: Path, quarantine: Path, tell: OnTrouble) -> bool:
    """Mend the ledger at `path` if it needs it; True when it did. What was there is kept in `quarantine`.

    While the disk refuses, nothing is touched, and a newer program's ledger never is.
    """
    if not path.exists() or newer_file(path) or _may_be_whole(path):
        return False
    fresh = path.with_name(f".tmp-{path.name}")
    try:
        _remove(fresh)
        rows = _save(path, fresh)
        aside = _set_aside(path, quarantine)
    except (sqlite3.Error, OSError) as why:
        with contextlib.suppress(OSError):
            _remove(fresh)
        tell("ledger_not_mended", f"{path}: is damaged and cannot be mended now ({why}); it is left as it is")
        return False
    if rows is None:
        _remove(fresh)
        path.unlink()
        tell("ledger_lost", f"{path}: is no database any more; it is kept as {aside}, a new one begins")
        return True
    fresh.rename(path)
    told = ", ".join(f"{count} of {table}" for table, count in rows.items())
    tell("ledger_mended", f"{path}: was damaged and is kept as {aside}; saved were {told}")
    return True


def _remove(path: Path) -> None:
    """A file of SQLite's, and what it may have left beside it to undo a write."""
    for suffix in ("", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _set_aside(path: Path, quarantine: Path) -> Path:
    """Keep a second name of the damaged file, and with it the log beside it, which belongs to it alone."""
    quarantine.mkdir(exist_ok=True, mode=0o750)
    aside = quarantine / f"ledger-{path.stat().st_mtime_ns}.db"
    aside.hardlink_to(path)
    for suffix in ("-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
    return aside


def _may_be_whole(path: Path) -> bool:
    """Whether nothing speaks against it: a disk that does not give the file for now says nothing about it."""
    try:
        with closing(sqlite3.connect(path)) as db:
            return bool(db.execute("PRAGMA integrity_check(1)").fetchone()[0] == "ok")
    except sqlite3.Error as error:
        return refused_for_now(error)


def _save(damaged: Path, fresh: Path) -> dict[str, int] | None:
    """Copy what can be read, table by table; rows by table, None when not even the schema can be."""
    with closing(sqlite3.connect(damaged)) as old, closing(sqlite3.connect(fresh)) as new:
        try:
            version = old.execute("PRAGMA user_version").fetchone()[0]
            made = old.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql NOT NULL").fetchall()
        except sqlite3.Error as error:
            if refused_for_now(error):
                raise
            return None
        tables = [row for row in made if row[0] == "table" and not row[1].startswith("sqlite_")]
        counts = {}
        for _, name, sql in tables:
            new.execute(sql)
            counts[name] = sum(_put(new, name, row) for row in _rows(old, name))
        for _, _, sql in (row for row in made if row[0] != "table"):
            with contextlib.suppress(sqlite3.Error):  # an index that no longer holds is better gone
                new.execute(sql)
        new.execute(f"PRAGMA user_version = {int(version)}")
        new.commit()
    return counts


def _rows(old: sqlite3.Connection, table: str) -> Iterator[tuple[Any, ...]]:
    """The rows from the front, then from the back: what is damaged lies between."""
    seen = set()
    for order in ("ASC", "DESC"):
        with contextlib.suppress(sqlite3.Error):
            for rowid, *row in old.execute(f'SELECT rowid, * FROM "{table}" ORDER BY rowid {order}'):
                if rowid not in seen:
                    seen.add(rowid)
                    yield tuple(row)


def _put(new: sqlite3.Connection, table: str, row: tuple[Any, ...]) -> bool:
    marks = ",".join("?" * len(row))
    try:
        new.execute(f'INSERT INTO "{table}" VALUES ({marks})', row)
    except sqlite3.Error as error:
        if refused_for_now(error):
            raise
        return False
    return True
