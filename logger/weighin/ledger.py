"""The ledger: cars, weigh-ins, captures and changes in SQLite, with every revision kept.

The file is opened with synchronous=FULL: what a call has returned from survives the wall switch. The schema
grows by the numbered files in `migrations/`; `user_version` says how far a file has come.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from logger.model import Capture, Change

R = TypeVar("R")


class LedgerError(RuntimeError):
    """The ledger cannot be used; says which file, why and what to do."""


@dataclass(frozen=True, kw_only=True)
class WeighInRow:
    """One weigh-in as the ledger lists it; `ended_wall_ns` is None while it is open."""

    id: int
    car: str
    bay: str
    boot_id: str
    config_id: str
    begun_wall_ns: int
    ended_wall_ns: int | None
    conditions: Mapping[str, Any]


class Ledger:
    """One ledger file, made when it is not there; use from one thread."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            _migrate(self._db, path)
        except sqlite3.Error as error:
            raise LedgerError(
                f"{path}: cannot be opened as a ledger ({error}); move it aside or restore a copy"
            ) from error

    def close(self) -> None:
        """Close the file; the ledger cannot be used afterwards."""
        self._db.close()

    def car(
        self, name: str, wheelbase_m: float | None, track_front_m: float | None, track_rear_m: float | None
    ) -> int:
        """Find or add a car by name, bring its lengths (m, None: not known) up to date, and return its id."""
        self._db.execute(
            "INSERT INTO car (name, wheelbase_m, track_front_m, track_rear_m) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (name) DO UPDATE SET wheelbase_m = excluded.wheelbase_m, "
            "track_front_m = excluded.track_front_m, track_rear_m = excluded.track_rear_m",
            (name, wheelbase_m, track_front_m, track_rear_m),
        )
        return int(self._db.execute("SELECT id FROM car WHERE name = ?", (name,)).fetchone()[0])

    def begin(
        self, car: int, bay: str, boot_id: str, config_id: str, t_wall_ns: int, conditions: Mapping[str, Any]
    ) -> int:
        """Open a weigh-in and return its id."""
        row = self._db.execute(
            "INSERT INTO weigh_in (car, bay, boot_id, config_id, begun_wall_ns, conditions) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (car, bay, boot_id, config_id, t_wall_ns, msgspec.json.encode(conditions).decode()),
        )
        return int(row.lastrowid or 0)

    def end(self, weigh_in: int, t_wall_ns: int) -> None:
        """Note when a weigh-in ended."""
        self._db.execute("UPDATE weigh_in SET ended_wall_ns = ? WHERE id = ?", (t_wall_ns, weigh_in))

    def put_capture(self, weigh_in: int, capture: Capture, t_wall_ns: int) -> None:
        """Write a capture as the next revision of its number."""
        self._db.execute(
            "INSERT INTO capture SELECT ?1, ?2, 1 + coalesce(max(revision), -1), "
            "?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11 FROM capture WHERE weigh_in = ?1 AND number = ?2",
            (
                weigh_in,
                capture.number,
                t_wall_ns,
                capture.build,
                capture.facing,
                capture.placement,
                capture.run,
                capture.mass_kg,
                capture.u_kg,
                int(capture.discarded),
                msgspec.json.encode(capture).decode(),
            ),
        )

    def put_change(self, weigh_in: int, change: Change, t_wall_ns: int) -> None:
        """Write a change as the next revision of its number."""
        self._db.execute(
            "INSERT INTO change SELECT ?1, ?2, 1 + coalesce(max(revision), -1), ?3, ?4, ?5 "
            "FROM change WHERE weigh_in = ?1 AND number = ?2",
            (weigh_in, change.number, t_wall_ns, change.name, msgspec.json.encode(change).decode()),
        )

    def weigh_ins(self) -> list[WeighInRow]:
        """List all weigh-ins, oldest first."""
        rows = self._db.execute(
            "SELECT weigh_in.id, car.name, bay, boot_id, config_id, begun_wall_ns, ended_wall_ns, conditions "
            "FROM weigh_in JOIN car ON car.id = weigh_in.car ORDER BY weigh_in.id"
        )
        names = ("id", "car", "bay", "boot_id", "config_id", "begun_wall_ns", "ended_wall_ns")
        return [
            WeighInRow(**dict(zip(names, row, strict=False)), conditions=msgspec.json.decode(row[7]))
            for row in rows
        ]

    def captures(self, weigh_in: int) -> list[Capture]:
        """The captures of a weigh-in in their latest revision, discarded ones included."""
        return list(self._records("capture_now", weigh_in, Capture))

    def changes(self, weigh_in: int) -> list[Change]:
        """The changes of a weigh-in in their latest revision."""
        return list(self._records("change_now", weigh_in, Change))

    def _records(self, view: str, weigh_in: int, kind: type[R]) -> Iterator[R]:
        rows = self._db.execute(f"SELECT record FROM {view} WHERE weigh_in = ? ORDER BY number", (weigh_in,))
        for (text,) in rows:
            yield msgspec.json.decode(text, type=kind)


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    have = int(db.execute("PRAGMA user_version").fetchone()[0])
    steps = sorted(
        (f for f in files("logger.weighin").joinpath("migrations").iterdir()), key=lambda f: f.name
    )
    numbered = {int(step.name[:4]): step for step in steps if step.name.endswith(".sql")}
    if have > max(numbered):
        raise LedgerError(f"{path}: was written by a newer restpoint (schema {have}); update this one")
    for number, step in numbered.items():
        if number > have:
            script = step.read_text(encoding="utf-8")
            db.executescript(f"BEGIN; {script}; PRAGMA user_version = {number}; COMMIT;")
