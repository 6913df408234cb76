"""The ledger's schema: the numbered steps in `migrations/`, and how far a file has come."""

from __future__ import annotations

import sqlite3
from importlib.resources import files
from importlib.resources.abc import Traversable


def schema_of(db: sqlite3.Connection) -> int:
    """How far a file has come: the number of its last step, 0 for a new one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def newer(have: int) -> str:
    """Why a file of schema `have` cannot be used by this program; empty when it can."""
    if have <= max(_steps()):
        return ""
    return f"was written by a newer restpoint (schema {have}); update this one"


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
