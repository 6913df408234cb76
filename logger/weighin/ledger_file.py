"""The ledger's file: SQLite opened so that what was committed stays, and a second copy of every row written.

The file is opened with synchronous=FULL. The schema grows by the numbered files in `migrations/`;
`user_version` says how far a file has come. Each transaction's rows are in `ledger.rows` before they are
committed (`ledger_copy.py`), so that a database which does not give them back can be told and mended
(`mending.py`).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path

from logger.owner import give_to_owner
from logger.weighin.comparing import Comparison, compare, put
from logger.weighin.ledger_copy import LedgerCopy, Named, head_of, rows_of, select, tables_of
from logger.weighin.migrating import migrate, newer_file, schema_of
from logger.weighin.refusal import LedgerError, refused_for_now


class LedgerFile:
    """One ledger's connection, opened when it is first asked for; what is refused raises sqlite3.Error.

    It waits `wait_s` for another program that is writing. `mend` is called before it is opened, by who has
    the file for himself; without it, LedgerError when the file is not what was written.
    """

    def __init__(self, path: Path, wait_s: float, mend: Callable[[], object] | None) -> None:
        self._path, self._wait_s, self._mend = path, wait_s, mend
        self._copy = LedgerCopy(path)

    @cached_property
    def db(self) -> sqlite3.Connection:
        """The connection, of the latest schema."""
        if self._mend is not None:
            self._mend()
        if why := newer_file(self._path):
            raise LedgerError(f"{self._path}: {why}")
        if not self._path.exists():
            self._begin_file()
        db = sqlite3.connect(self._path, isolation_level=None, timeout=self._wait_s)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA foreign_keys = ON")
            if self._mend is None:
                self._refuse_damaged(db)
            before = schema_of(db)
            migrate(db)
            if schema_of(db) != before:
                self._begin_copy(db)
            _note_touched(db)
        except BaseException:
            db.close()
            raise
        return db

    def close(self) -> None:
        """Close the file; it cannot be used afterwards."""
        if "db" in self.__dict__:
            self.db.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Let a transaction be written, whole or not at all; within one, it is part of that."""
        db = self.db
        if db.in_transaction:
            yield db
            return
        db.execute("BEGIN IMMEDIATE")
        size: int | None = None
        try:
            yield db
            size = self._keep(db)
            db.execute("COMMIT")
        except BaseException:
            db.rollback()
            if size is not None:
                self._copy.cut(size)
            raise

    def _keep(self, db: sqlite3.Connection) -> int | None:
        """Write the rows of this transaction into the copy; the copy's size before, None when it is new."""
        touched = _touched(db)
        with _as_sqlite_tells(self._copy.path):
            if self._copy.path.exists():
                return self._copy.add(touched) if touched else None
            self._copy.begin(head_of(db), rows_of(db))
        return None

    def _begin_file(self) -> None:
        """Make it empty, for whom the folder belongs to: SQLite gives what it puts beside it to its owner."""
        with suppress(OSError):  # SQLite says it better
            os.close(os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o640))
            give_to_owner(self._path)

    def _begin_copy(self, db: sqlite3.Connection) -> None:
        db.execute("BEGIN IMMEDIATE")
        try:
            with _as_sqlite_tells(self._copy.path):
                self._copy.begin(head_of(db), rows_of(db))
        finally:
            db.execute("ROLLBACK")

    def _refuse_damaged(self, db: sqlite3.Connection) -> None:
        """Look whether the database gives back what was written, where the disk lets us look."""
        try:
            db.execute("BEGIN IMMEDIATE")  # nobody is between copy and commit
        except sqlite3.Error as why:
            if refused_for_now(why):
                return
            raise
        try:
            kept = self._copy.read()
            found = compare(db, kept) if kept is not None else Comparison()
            put(db, found.unfinished)
        except BaseException:
            db.execute("ROLLBACK")
            raise
        db.execute("ROLLBACK" if found.wrong else "COMMIT")
        if found.wrong:
            raise LedgerError(
                f"{self._path}: {found.wrong}; start the bay's daemon, or use `restpoint doctor --repair`"
            )


def _note_touched(db: sqlite3.Connection) -> None:
    """Let this connection remember which rows a transaction writes."""
    db.execute("PRAGMA temp_store = MEMORY")
    db.execute("CREATE TEMP TABLE touched (of_table TEXT, row INTEGER)")
    for table in tables_of(db):
        for what in ("INSERT", "UPDATE"):
            db.execute(
                f'CREATE TEMP TRIGGER "{table}_{what}" AFTER {what} ON main."{table}" '
                f"BEGIN INSERT INTO touched VALUES ('{table}', new.rowid); END"
            )


def _touched(db: sqlite3.Connection) -> list[Named]:
    """The rows written in this transaction, as they are now."""
    touched = db.execute("SELECT DISTINCT of_table, row FROM temp.touched").fetchall()
    db.execute("DELETE FROM temp.touched")
    return [
        (table, row)
        for table, number in touched
        for row in select(db, f'SELECT * FROM main."{table}" WHERE rowid = ?', (number,))
    ]


@contextmanager
def _as_sqlite_tells(path: Path) -> Iterator[None]:
    """Raise the disk's refusal as SQLite would, so that one way of waiting serves both files."""
    try:
        yield
    except OSError as why:
        error = sqlite3.OperationalError(f"{path}: {why.strerror}")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR
        raise error from why
