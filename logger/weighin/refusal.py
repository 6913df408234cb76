"""What SQLite's errors mean: damage, or a refusal for now by disk, memory or programs; and our own."""

from __future__ import annotations

import sqlite3

FOR_NOW = frozenset(
    {
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
    }
)
"""SQLite's primary result codes that tell of disk, memory or other programs, and nothing of the file."""


class LedgerError(RuntimeError):
    """The ledger cannot be used; says which file, why and what to do."""


def refused_for_now(error: sqlite3.Error) -> bool:
    """Whether disk, memory or another program refused, so that the same may go through later."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in FOR_NOW
