"""The ledger: cars, weigh-ins, captures, changes and facts in SQLite, with every revision kept.

What a call has returned from survives the wall switch (`ledger_file.py`). What a person does is a deed: its
revisions are written together or not at all, and any deed can be undone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec.structs import replace

from logger.model import Capture, Change
from logger.weighin.facts import CarFact, Fact, WeighInFact, kind_of, withdrawn
from logger.weighin.ledger_file import LedgerFile
from logger.weighin.refusal import LedgerError, refused_for_now

R = TypeVar("R")

BUSY_S = 0.2
"""For so long a bay that is weighing waits for another program's writing, which takes some milliseconds."""


class NoWeighIn(LookupError):
    """There is nothing weighed to show; says where was looked and what to do."""


@dataclass(frozen=True, kw_only=True)
class WeighInRow:
    """One weigh-in as the ledger lists it; `ended_wall_ns` is None while it is open.

    `car` is the car's present name. `source` is empty for a bay's own, else the hash of the file read.
    """

    id: int
    car: str
    bay: str
    boot_id: str
    config_id: str
    begun_wall_ns: int
    ended_wall_ns: int | None
    conditions: Mapping[str, Any]
    source: str = ""
    withdrawn: bool = False


@dataclass(frozen=True, kw_only=True)
class CarRow:
    """A car as the bay noted it: its number, first name and lengths (m, None: not known)."""

    row: int
    name: str
    wheelbase_m: float | None
    track_front_m: float | None
    track_rear_m: float | None


@dataclass(frozen=True, kw_only=True)
class Deed:
    """Something a person did to the ledger; `undone` tells whether a later deed took it back."""

    id: int
    written_wall_ns: int
    text: str
    undoes: int | None
    undone: bool


class Ledger:
    """One ledger file, made when it is not there; use from one thread.

    LedgerError when it cannot be used. `patient` is for who can wait: a file that the disk does not give for
    now is opened by the first call that can, each before it raises sqlite3.Error; and none waits longer than
    BUSY_S for another program that is writing. `mend` is for who has the file for himself: called before it
    is opened; without it, a ledger that is not what was written is refused.
    """

    def __init__(
        self, path: Path, *, patient: bool = False, mend: Callable[[], object] | None = None
    ) -> None:
        self.path = path
        self._file = LedgerFile(path, BUSY_S if patient else 5.0, mend)
        try:
            self.open()
        except sqlite3.Error as error:
            if not (patient and refused_for_now(error)):
                raise LedgerError(
                    f"{path}: cannot be opened as a ledger ({error}); move it aside or restore a copy"
                ) from error

    def open(self) -> None:
        """Open the file if that has not been possible yet; sqlite3.Error when it still is not."""
        self._db  # noqa: B018  opened where it is first asked for

    @property
    def _db(self) -> sqlite3.Connection:
        return self._file.db

    def close(self) -> None:
        """Close the file; the ledger cannot be used afterwards."""
        self._file.close()

    def _write(self, statement: str, values: tuple[Any, ...]) -> int:
        """Write one statement's rows, and return the last one's number."""
        with self._file.writing() as db:
            return int(db.execute(statement, values).lastrowid or 0)

    # -- what the bay writes ------------------------------------------------------------------------------

    def car(
        self, name: str, wheelbase_m: float | None, track_front_m: float | None, track_rear_m: float | None
    ) -> int:
        """Find or add a car by name, bring its lengths (m, None: not known) up to date, and return its id.

        A car that was renamed is still found by every name it had, so that a bay's config need not follow.
        """
        renamed = self._renamed(name)
        if renamed is not None:
            return renamed
        self._write(
            "INSERT INTO car (name, wheelbase_m, track_front_m, track_rear_m) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (name) DO UPDATE SET wheelbase_m = excluded.wheelbase_m, "
            "track_front_m = excluded.track_front_m, track_rear_m = excluded.track_rear_m",
            (name, wheelbase_m, track_front_m, track_rear_m),
        )
        return int(self._db.execute("SELECT id FROM car WHERE name = ?", (name,)).fetchone()[0])

    def present_name(self, name: str) -> str:
        """What a car of this name is called now; the name itself unless it was renamed."""
        row = self._renamed(name) or next((car.row for car in self.cars() if car.name == name), None)
        fact = None if row is None else self.car_facts().get(row)
        return fact.name if fact is not None else name

    def _renamed(self, name: str) -> int | None:
        """The id of a car that had this name once and has another now."""
        found = self._db.execute(
            "SELECT json_extract(record, '$.row') FROM fact WHERE kind = 'car' "
            "AND json_extract(record, '$.name') = ? AND NOT EXISTS (SELECT 1 FROM car WHERE name = ?)",
            (name, name),
        ).fetchone()
        return int(found[0]) if found else None

    def begin(
        self,
        car: int,
        bay: str,
        boot_id: str,
        config_id: str,
        t_wall_ns: int,
        conditions: Mapping[str, Any],
        *,
        source: str = "",
    ) -> int:
        """Open a weigh-in and return its id."""
        return self._write(
            "INSERT INTO weigh_in (car, bay, boot_id, config_id, begun_wall_ns, conditions, source) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (car, bay, boot_id, config_id, t_wall_ns, msgspec.json.encode(conditions).decode(), source),
        )

    def move_begin(self, weigh_in: int, step_ns: int) -> None:
        """Move the wall time at which a weigh-in began: the clock was set after that."""
        self._write("UPDATE weigh_in SET begun_wall_ns = begun_wall_ns + ? WHERE id = ?", (step_ns, weigh_in))

    def end(self, weigh_in: int, t_wall_ns: int) -> None:
        """Note when a weigh-in ended."""
        self._write("UPDATE weigh_in SET ended_wall_ns = ? WHERE id = ?", (t_wall_ns, weigh_in))

    def put_capture(
        self, weigh_in: int, capture: Capture, t_wall_ns: int, *, deed: int | None = None
    ) -> None:
        """Write a capture as the next revision of its number."""
        self._write(
            "INSERT INTO capture SELECT ?1, ?2, 1 + coalesce(max(revision), -1), "
            "?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12 FROM capture WHERE weigh_in = ?1 AND number = ?2",
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
                deed,
            ),
        )

    def put_change(self, weigh_in: int, change: Change, t_wall_ns: int, *, deed: int | None = None) -> None:
        """Write a change as the next revision of its number.

        One whose two captures are the same is none any more (merged away or undone).
        """
        self._write(
            "INSERT INTO change SELECT ?1, ?2, 1 + coalesce(max(revision), -1), ?3, ?4, ?5, ?6 "
            "FROM change WHERE weigh_in = ?1 AND number = ?2",
            (weigh_in, change.number, t_wall_ns, change.name, msgspec.json.encode(change).decode(), deed),
        )

    # -- what a person writes -----------------------------------------------------------------------------

    @contextmanager
    def doing(self, text: str, t_wall_ns: int, undoes: int | None = None) -> Iterator[int]:
        """Begin a deed and give its id; everything written inside is kept together, or not at all."""
        with self._file.writing():
            yield self._write(
                "INSERT INTO deed (written_wall_ns, text, undoes) VALUES (?, ?, ?)", (t_wall_ns, text, undoes)
            )

    def put_fact(self, fact: Fact, deed: int) -> Fact:
        """Write a fact as the next revision of its id, or as a new one for id 0; return it with its id."""
        if fact.id == 0:
            (most,) = self._db.execute("SELECT coalesce(max(id), 0) FROM fact").fetchone()
            fact = replace(fact, id=most + 1)
        self._write(
            "INSERT INTO fact SELECT ?1, 1 + coalesce(max(revision), -1), ?2, ?3, ?4 FROM fact WHERE id = ?1",
            (fact.id, deed, kind_of(fact), msgspec.json.encode(fact).decode()),
        )
        return fact

    def undo(self, deed: int, t_wall_ns: int) -> None:
        """Take a deed back: all it wrote gets its content of before as the next revision.

        LedgerError when there is no such deed, it is undone already, or something was written on top of it.
        """
        done = next((d for d in self.deeds() if d.id == deed), None)
        if done is None or done.undone:
            why = f"deed {deed} is undone already" if done else f"there is no deed {deed}"
            raise LedgerError(f"{self.path}: {why}; `restpoint ledger history` lists them")
        with self.doing(f"undo: {done.text}", t_wall_ns, deed) as undoing:
            self._undo_facts(deed, undoing)
            self._undo_rows("capture", deed, undoing, t_wall_ns)
            self._undo_rows("change", deed, undoing, t_wall_ns)

    def _undo_facts(self, deed: int, undoing: int) -> None:
        rows = self._db.execute("SELECT id, revision FROM fact WHERE deed = ?", (deed,)).fetchall()
        for id_, revision in rows:
            self._refuse_later("fact", "id = ?", (id_,), revision, f"e{id_}")
            history = self.fact_revisions(id_)
            self.put_fact(history[revision - 1] if revision else withdrawn(history[0]), undoing)

    def _undo_rows(self, table: str, deed: int, undoing: int, t_wall_ns: int) -> None:
        rows = self._db.execute(
            f"SELECT weigh_in, number, revision FROM {table} WHERE deed = ?", (deed,)
        ).fetchall()
        for weigh_in, number, revision in rows:
            where, key = "weigh_in = ? AND number = ?", (weigh_in, number)
            self._refuse_later(table, where, key, revision, f"{table} {number} of w{weigh_in}")
            (before,) = self._db.execute(
                f"SELECT record FROM {table} WHERE {where} AND revision = ?", (*key, max(revision - 1, 0))
            ).fetchone()
            if table == "capture":
                capture = msgspec.json.decode(before, type=Capture)
                capture = capture if revision else replace(capture, discarded=True)
                self.put_capture(weigh_in, capture, t_wall_ns, deed=undoing)
            else:
                change = msgspec.json.decode(before, type=Change)
                self.put_change(weigh_in, change if revision else _none(change), t_wall_ns, deed=undoing)

    def _refuse_later(self, table: str, where: str, key: tuple[int, ...], revision: int, what: str) -> None:
        """Refuse to undo what was written over since, unless that is undone as well."""
        undone = {d.id for d in self.deeds() if d.undone}
        undone |= {d.id for d in self.deeds() if d.undoes in undone}
        rows = self._db.execute(f"SELECT deed FROM {table} WHERE {where} AND revision > ?", (*key, revision))
        if any(deed not in undone for (deed,) in rows.fetchall()):
            raise LedgerError(f"{self.path}: {what} was changed again since; undo the later deed first")

    # -- reading ------------------------------------------------------------------------------------------

    def cars(self) -> list[CarRow]:
        """The cars as the bays noted them, oldest first."""
        rows = self._db.execute(
            "SELECT id, name, wheelbase_m, track_front_m, track_rear_m FROM car ORDER BY id"
        )
        return [
            CarRow(row=row, name=name, wheelbase_m=length, track_front_m=front, track_rear_m=rear)
            for row, name, length, front, rear in rows
        ]

    def car_facts(self) -> dict[int, CarFact]:
        """What is corrected about cars, by their number; merged ones point on to the car they are."""
        return {f.row: f for f in self.facts() if isinstance(f, CarFact)}

    def weigh_ins(self) -> list[WeighInRow]:
        """List all weigh-ins, oldest first, with corrections; withdrawn ones are marked, not left out."""
        cars = {row.row: row.name for row in self.cars()}
        facts = self.car_facts()
        corrected = {f.weigh_in: f for f in self.facts() if isinstance(f, WeighInFact)}
        rows = self._db.execute(
            "SELECT id, car, bay, boot_id, config_id, begun_wall_ns, ended_wall_ns, conditions, source "
            "FROM weigh_in ORDER BY begun_wall_ns, id"
        )
        found = []
        for id_, car, bay, boot_id, config_id, begun, ended, conditions, source in rows:
            fact = corrected.get(id_)
            noted = msgspec.json.decode(conditions) | dict(fact.conditions if fact else {})
            found.append(
                WeighInRow(
                    id=id_,
                    car=_name(car, cars, facts),
                    bay=bay,
                    boot_id=boot_id,
                    config_id=config_id,
                    begun_wall_ns=begun,
                    ended_wall_ns=ended,
                    conditions={k: v for k, v in noted.items() if v is not None},
                    source=source,
                    withdrawn=fact is not None and not fact.counts,
                )
            )
        return found

    def captures(self, weigh_in: int) -> list[Capture]:
        """The captures of a weigh-in in their latest revision, discarded ones included."""
        return list(self._records("capture_now", weigh_in, Capture))

    def newest_captures(self, bay: str, most: int = 200) -> list[tuple[str, Capture]]:
        """(boot, capture) of the last revisions that a bay itself wrote, in the order written."""
        rows = self._db.execute(
            "SELECT w.boot_id, c.record FROM capture c JOIN weigh_in w ON w.id = c.weigh_in "
            "WHERE w.bay = ? AND w.source = '' AND c.deed IS NULL ORDER BY c.rowid DESC LIMIT ?",
            (bay, most),
        ).fetchall()
        return [(boot, msgspec.json.decode(record, type=Capture)) for boot, record in reversed(rows)]

    def changes(self, weigh_in: int) -> list[Change]:
        """The changes of a weigh-in in their latest revision."""
        return list(self._records("change_now", weigh_in, Change))

    def facts(self) -> list[Fact]:
        """The facts that count, in their latest revision, oldest first."""
        rows = self._db.execute("SELECT record FROM fact_now ORDER BY id")
        found: list[Fact] = [msgspec.json.decode(text, type=Fact) for (text,) in rows]
        return [fact for fact in found if not fact.withdrawn]

    def fact_revisions(self, id_: int) -> list[Fact]:
        """Every revision of a fact, the first one first; empty when there is none of this id."""
        rows = self._db.execute("SELECT record FROM fact WHERE id = ? ORDER BY revision", (id_,))
        return [msgspec.json.decode(text, type=Fact) for (text,) in rows]

    def deeds(self) -> list[Deed]:
        """What people did, oldest first; an undoing that was undone itself counts no more."""
        rows = self._db.execute("SELECT id, written_wall_ns, text, undoes FROM deed ORDER BY id").fetchall()
        undone: set[int] = set()
        for id_, _, _, undoes in reversed(rows):
            if undoes is not None and id_ not in undone:
                undone.add(undoes)
        return [
            Deed(id=id_, written_wall_ns=at, text=text, undoes=undoes, undone=id_ in undone)
            for id_, at, text, undoes in rows
        ]

    def _records(self, view: str, weigh_in: int, kind: type[R]) -> Iterator[R]:
        rows = self._db.execute(f"SELECT record FROM {view} WHERE weigh_in = ? ORDER BY number", (weigh_in,))
        for (text,) in rows:
            yield msgspec.json.decode(text, type=kind)


def _none(change: Change) -> Change:
    return replace(change, capture_after=change.capture_before, build_after=change.build_before)


def _name(car: int, cars: Mapping[int, str], facts: Mapping[int, CarFact]) -> str:
    """The present name of a car, followed through merges."""
    seen = {car}
    while car in facts and (onto := facts[car].merged_into) is not None and onto not in seen:
        car = onto
        seen.add(car)
    return facts[car].name if car in facts else cars[car]
