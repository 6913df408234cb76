"""A damaged ledger mended: what is damaged is set aside whole, and all that is known goes into a new one.

Known is what the copy of the rows beside it says (`ledger_copy.py`), else what can still be read of the
database.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from logger.weighin.comparing import compare, put
from logger.weighin.ledger_copy import Head, Kept, LedgerCopy, Row, by_key, head_of, rows_of, tables_of
from logger.weighin.migrating import newer_file
from logger.weighin.refusal import refused_for_now

OnTrouble = Callable[[str, str], None]


def mend_ledger(path: Path, quarantine: Path, tell: OnTrouble) -> bool:
    """Mend the ledger at `path` if it needs it; True when it did. What was there is kept in `quarantine`.

    While the disk refuses, nothing is touched, and a newer program's ledger never is.
    """
    copy = LedgerCopy(path)
    if not (path.exists() or copy.path.exists()) or newer_file(path):
        return False
    fresh = path.with_name(f".tmp-{path.name}")
    was = "was damaged" if path.exists() else "was gone"
    try:
        kept = copy.read()
        if not _damage(path, copy, kept, quarantine, tell):
            return False
        _remove(fresh)
        told = _save(path, fresh, kept)
        aside = _set_aside(path, quarantine)
        if told and (kept is None or kept.damaged):
            _copy_anew(copy, fresh, quarantine)
    except (sqlite3.Error, OSError) as why:
        with contextlib.suppress(OSError):
            _remove(fresh)
        if isinstance(why, sqlite3.Error) and refused_for_now(why) and not _spoilt_header(path):
            return False
        tell("ledger_not_mended", f"{path}: is damaged and cannot be mended now ({why}); it is left as it is")
        return False
    kept_as = f" and is kept as {aside}" if aside else ""
    if not told:
        _remove(fresh)
        path.unlink(missing_ok=True)
        tell("ledger_lost", f"{path}: is no database any more{kept_as}; a new one begins")
        return True
    fresh.rename(path)
    tell("ledger_mended", f"{path}: {was}{kept_as}; saved were {told}")
    return True


# -- what is wrong ------------------------------------------------------------------------------------------


def _damage(path: Path, copy: LedgerCopy, kept: Kept | None, quarantine: Path, tell: OnTrouble) -> str:
    """What is wrong with the database; empty when it is whole, and then the copy is, too, afterwards.

    sqlite3.Error when the disk, memory or another program refuse for now.
    """
    if not path.exists() or _spoilt_header(path):
        return "is no database any more"
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            verdict = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
            if verdict != "ok":
                return verdict
            db.execute("BEGIN IMMEDIATE")
            with db:
                return _hold_against(db, copy, kept, quarantine, tell)
    except sqlite3.Error as error:
        if refused_for_now(error):
            raise
        return str(error)


def _hold_against(
    db: sqlite3.Connection, copy: LedgerCopy, kept: Kept | None, quarantine: Path, tell: OnTrouble
) -> str:
    """What the copy says against a database that SQLite finds whole; else bring the two together."""
    head = head_of(db)
    if kept is None:
        if head.made:
            copy.begin(head, rows_of(db))
        return ""
    found = compare(db, kept)
    if found.wrong and not found.foreign and (found.schema_differs or not kept.damaged):
        return found.wrong
    if found.foreign or kept.damaged:
        if not found.foreign:
            have = by_key(rows_of(db), keys := tables_of(db))
            put(db, (row for key, row in by_key(found.lacking, keys).items() if key not in have))
        why = "belongs to another ledger" if found.foreign else f"had {kept.damaged} damaged lines"
        aside = _copy_anew(copy, db, quarantine)
        tell(
            "ledger_copy_mended", f"{copy.path}: {why} and is kept as {aside}; written anew from the database"
        )
        return ""
    if found.unfinished:
        put(db, found.unfinished)
        tell("ledger_finished", f"{copy.path}: {len(found.unfinished)} rows were being written; they are now")
    if found.beyond:
        copy.add(list(found.beyond))
        tell("ledger_copy_mended", f"{copy.path}: lacked {len(found.beyond)} of the ledger's rows; added")
    return ""


def _spoilt_header(path: Path) -> bool:
    """Whether the first bytes are none of SQLite's; it would take some of these for a refusing disk."""
    with contextlib.suppress(OSError):
        with path.open("rb") as file:
            head = file.read(24)
        formats = {b"\1", b"\2"}
        ours = head[:16] == b"SQLite format 3\0" and {head[18:19], head[19:20]} <= formats
        return bool(head) and not (ours and head[21:24] == b"\x40\x20\x20")
    return False


# -- setting aside and saving -------------------------------------------------------------------------------


def _remove(path: Path) -> None:
    """A file of SQLite's, and what it may have left beside it to undo a write."""
    for suffix in ("", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _set_aside(path: Path, quarantine: Path) -> Path | None:
    """Keep a second name of the damaged file, and its log with it; None if none is there."""
    if not path.exists():
        return None
    quarantine.mkdir(exist_ok=True, mode=0o750)
    aside = quarantine / f"ledger-{path.stat().st_mtime_ns}.db"
    aside.hardlink_to(path)
    for suffix in ("-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
    return aside


def _copy_anew(copy: LedgerCopy, whole: Path | sqlite3.Connection, quarantine: Path) -> Path:
    """Write the copy anew from a whole database; what it was is set aside under the name returned."""
    aside = copy.set_aside(quarantine) if copy.path.exists() else copy.path
    if isinstance(whole, Path):
        with closing(sqlite3.connect(whole)) as db:
            copy.begin(head_of(db), rows_of(db))
    else:
        copy.begin(head_of(whole), rows_of(whole))
    return aside


def _save(damaged: Path, fresh: Path, kept: Kept | None) -> str:
    """Make a new database of the copy's rows and of what can be read; what was saved, "" if nothing is known.

    Rows that stand in the database alone are taken where the copy itself is damaged or missing.
    """
    head = kept.head if kept is not None else None
    with closing(sqlite3.connect(damaged if damaged.exists() else ":memory:")) as old:
        head = head or _read_head(old)
        if head is None:
            return ""
        with closing(sqlite3.connect(fresh, isolation_level=None)) as new:
            new.execute("BEGIN")
            for _, _, sql in sorted(head.made, key=lambda made: made[0] != "table"):
                with contextlib.suppress(sqlite3.Error):  # an index that no longer holds is better gone
                    new.execute(sql)
            keys = tables_of(new)
            read = by_key(((table, row) for table in keys for row in _read_rows(old, table)), keys)
            known = by_key(kept.rows, keys) if kept is not None else {}
            beyond = {key: row for key, row in read.items() if key not in known}
            if kept is None or kept.damaged:
                known, beyond = known | beyond, {}
            counts = dict.fromkeys(keys, 0) | put(new, known.values())
            new.execute(f"PRAGMA user_version = {head.schema}")
            new.execute("COMMIT")
    left = f" (left in it are {len(beyond)} rows that its copy does not know)" if beyond else ""
    return ", ".join(f"{count} of {table}" for table, count in counts.items()) + left


def _read_head(old: sqlite3.Connection) -> Head | None:
    try:
        return head_of(old)
    except sqlite3.Error as error:
        if refused_for_now(error):
            raise
        return None


def _read_rows(old: sqlite3.Connection, table: str) -> Iterator[Row]:
    """The rows from the front, then from the back: what is damaged lies between."""
    seen = set()
    for order in ("ASC", "DESC"):
        with contextlib.suppress(sqlite3.Error):
            cursor = old.execute(f'SELECT rowid, * FROM "{table}" ORDER BY rowid {order}')
            names = [column[0] for column in cursor.description[1:]]
            for rowid, *row in cursor:
                if rowid not in seen:
                    seen.add(rowid)
                    yield dict(zip(names, row, strict=True))
