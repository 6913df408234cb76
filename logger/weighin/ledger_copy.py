"""A second copy of a ledger's rows: one line of text for each transaction, with a checksum of its own.

SQLite passes over a log that was damaged without a word, and knows no checksum for what stands in its pages.
So each transaction is written here, and is on the disk, before SQLite commits it: `ledger.rows` beside
`ledger.db`. A line is 16 hexadecimal digits of SHA-256, a blank and JSON: first of all the schema, then
`[[table, {column: value}], …]`, the rows as they are from now on. Nothing is ever taken away but a line
whose transaction was refused.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from io import FileIO
from pathlib import Path
from typing import Any

import msgspec

Row = dict[str, Any]
Key = tuple[Any, ...]
"""A table's name and the values of its primary key."""
Named = tuple[str, Row]

SUM_DIGITS = 16


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """The schema that the rows are of: its number, and each (type, name, sql) it was made by."""

    schema: int
    made: list[tuple[str, str, str]]


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What the copy holds: rows by table and columns as last written, and how many lines are damaged.

    `last` are those of the last line: its transaction may have been under way when all ended. `head` is None
    when the schema's line is damaged.
    """

    head: Head | None
    rows: list[Named]
    last: list[Named]
    damaged: int


class LedgerCopy:
    """The copy beside the ledger at `ledger`; OSError when the disk refuses."""

    def __init__(self, ledger: Path) -> None:
        self.path = ledger.with_suffix(".rows")
        self._ledger = ledger

    def read(self) -> Kept | None:
        """All that it holds, in the order written; None when there is none."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return None
        head: Head | None = None
        rows: list[Named] = []
        last: list[Named] = []
        first, *lines = data.split(b"\n")[:-1] or [b""]  # what follows the last end was never whole
        with suppress(ValueError):
            head = msgspec.json.decode(_checked(first), type=Head)
        damaged = int(head is None)
        for line in lines:
            try:
                last = msgspec.json.decode(_checked(line), type=list[Named])
            except ValueError:
                damaged += 1
            else:
                rows += last
        return Kept(head=head, rows=rows, last=last, damaged=damaged)

    def schema(self) -> Head | None:
        """The schema alone; None when there is no copy, or its first line is damaged."""
        with suppress(OSError, ValueError), self.path.open("rb") as file:
            return msgspec.json.decode(_checked(file.readline()[:-1]), type=Head)
        return None

    def add(self, rows: list[Named]) -> int:
        """Write a transaction's rows; when this returns they are on the disk. Returns the size before."""
        with self.path.open("r+b", buffering=0) as file:
            size = _end_of_lines(file)
            try:
                file.truncate(size)
                file.seek(size)
                file.write(_line(rows))
                os.fdatasync(file.fileno())
            except OSError:
                self.cut(size)
                raise
        return size

    def cut(self, size: int) -> None:
        """Take back what was written last, since SQLite refused it; when the disk refuses, it stays."""
        with suppress(OSError):
            os.truncate(self.path, size)

    def begin(self, head: Head, rows: Iterable[Named]) -> None:
        """Write it anew, whole or not at all."""
        fresh = self.path.with_name(f".tmp-{self.path.name}")
        with open(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640), "wb") as file:
            file.write(_line(head))
            file.writelines(_line([row]) for row in rows)
            file.flush()
            os.fdatasync(file.fileno())
        with suppress(OSError):  # made by root for a service that is not root: it must write on
            owner = self._ledger.stat()
            if os.geteuid() == 0:
                os.chown(fresh, owner.st_uid, owner.st_gid)
        fresh.replace(self.path)

    def set_aside(self, quarantine: Path) -> Path:
        """Keep the copy in `quarantine` and return its name there."""
        quarantine.mkdir(exist_ok=True, mode=0o750)
        aside = quarantine / f"ledger-{self.path.stat().st_mtime_ns}.rows"
        return self.path.rename(aside)


def head_of(db: sqlite3.Connection) -> Head:
    """The schema of a database."""
    made = db.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql NOT NULL ORDER BY type, name")
    return Head(schema=int(db.execute("PRAGMA user_version").fetchone()[0]), made=made.fetchall())


def tables_of(db: sqlite3.Connection) -> dict[str, tuple[str, ...]]:
    """The tables of a database, each with the columns of its primary key."""
    names = [name for kind, name, _ in head_of(db).made if kind == "table"]
    keys = {}
    for name in names:
        columns = db.execute(f'PRAGMA table_info("{name}")').fetchall()
        keys[name] = tuple(c[1] for c in sorted(columns, key=lambda c: int(c[5])) if c[5])
    return keys


def rows_of(db: sqlite3.Connection) -> list[Named]:
    """All rows of a database."""
    return [(table, row) for table in tables_of(db) for row in select(db, f'SELECT * FROM "{table}"')]


def select(db: sqlite3.Connection, query: str, values: tuple[Any, ...] = ()) -> list[Row]:
    """The rows that a query gives, by column."""
    found = db.execute(query, values)
    columns = [column[0] for column in found.description]
    return [dict(zip(columns, row, strict=True)) for row in found]


def by_key(rows: Iterable[Named], keys: Mapping[str, tuple[str, ...]]) -> dict[Key, Named]:
    """The last of each row, by table and primary key; those of tables that are not in `keys` are left out."""
    return {
        (table, *(row.get(column) for column in keys[table])): (table, row)
        for table, row in rows
        if table in keys
    }


def _line(what: object) -> bytes:
    text = msgspec.json.encode(what)
    return _digits(text) + b" " + text + b"\n"


def _checked(line: bytes) -> bytes:
    """The JSON of a line; ValueError when it is not as it was written."""
    text = line[SUM_DIGITS + 1 :]
    if line[: SUM_DIGITS + 1] != _digits(text) + b" ":
        raise ValueError("damaged")
    return text


def _digits(text: bytes) -> bytes:
    return sha256(text).hexdigest()[:SUM_DIGITS].encode()


def _end_of_lines(file: FileIO) -> int:
    """Where the last whole line ends: behind it may stand one that was cut short."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(size - 1, 0))
    if size == 0 or file.read() == b"\n":
        return size
    file.seek(0)
    return file.read().rfind(b"\n") + 1
