"""The ledger's schema: the numbered steps in `migrations/`, and how far a file has come."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from logger.weighin.ledger_copy import Head, LedgerCopy, head_of


def schema_of(db: sqlite3.Connection) -> int:
    """How far a file has come: the number of its last step, 0 for a new one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def newer_file(path: Path) -> str:
    """Why this program must not touch the file, whole or damaged; empty when it may, or nothing is there.

    What SQLite reads counts, else the file's own header: its schema stands big-endian in bytes 60 to 63
    (SQLite's file format, 1.3). One wrong bit there is damage where tables and copy are those we know.
    """
    copy, most = LedgerCopy(path), max(_steps())
    kept = copy.schema()
    made = None
    try:
        with path.open("rb") as file:
            header = file.read(64)
        have = int.from_bytes(header[60:64], "big") if header.startswith(b"SQLite format 3\0") else 0
        with suppress(sqlite3.Error), closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
            have = schema_of(db)
            made = head_of(db).made
    except FileNotFoundError:
        have = 0
    except OSError:  # told by who opens it
        return ""
    if kept is not None and kept.schema > most:
        return f"{_newer(kept.schema, most)}, or move {copy.path.name} aside if this is an older ledger"
    if have <= most or _flipped(have, made, kept):
        return ""
    return _newer(have, most)


def _newer(have: int, most: int) -> str:
    return f"was written by a newer restpoint (schema {have}); this one knows schemas up to {most}: update it"


def _flipped(have: int, made: object, kept: Head | None) -> bool:
    """Whether the number is the copy's with one wrong bit, and all tables are the copy's."""
    return kept is not None and (have ^ kept.schema).bit_count() == 1 and made == kept.made


def migrate(db: sqlite3.Connection) -> None:
    """Take the steps that a file lacks, each whole or not at all."""
    have = schema_of(db)
    for number, step in _steps().items():
        if number > have:
            script = step.read_text(encoding="utf-8")
            db.executescript(f"BEGIN; {script}; PRAGMA user_version = {number}; COMMIT;")


def _steps() -> dict[int, Traversable]:
    steps = sorted(files("logger.weighin").joinpath("migrations").iterdir(), key=lambda step: step.name)
    return {int(step.name[:4]): step for step in steps if step.name.endswith(".sql")}
