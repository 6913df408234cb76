"""Whether a ledger's database gives back what was written into it, by the copy of its rows beside it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from logger.weighin.ledger_copy import Kept, Named, by_key, head_of, rows_of, tables_of
from logger.weighin.refusal import refused_for_now


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What a database and the copy of its rows have, and what they differ in.

    `lacking` are rows of the copy that the database has not or has otherwise, `unfinished` those of them that
    the last transaction wrote (it may have been under way when all ended), `beyond` rows of the database that
    are not in the copy. `foreign`: the two are of different ledgers.
    """

    schema_differs: bool = False
    lacking: tuple[Named, ...] = ()
    unfinished: tuple[Named, ...] = ()
    beyond: tuple[Named, ...] = ()
    foreign: bool = False

    @property
    def wrong(self) -> str:
        """What is wrong with the database, in words; empty when it has all that the copy has."""
        if self.foreign:
            return "its copy, ledger.rows, belongs to another ledger"
        if self.schema_differs:
            return "its tables are not as they were made"
        lost = len(self.lacking) - len(self.unfinished)
        return f"{lost} of its rows are not as they were written" if lost else ""


def compare(db: sqlite3.Connection, kept: Kept) -> Comparison:
    """Hold a database against the copy of its rows; sqlite3.Error when it cannot be read."""
    keys = tables_of(db)
    have, want = by_key(rows_of(db), keys), by_key(kept.rows, keys)
    last = by_key(kept.last, keys)
    lacking = {key: row for key, row in want.items() if have.get(key) != row}
    return Comparison(
        schema_differs=kept.head is not None and kept.head != head_of(db),
        lacking=tuple(lacking.values()),
        unfinished=tuple(row for key, row in lacking.items() if last.get(key) == row),
        beyond=tuple(row for key, row in have.items() if key not in want),
        foreign=any(key[0] == "weigh_in" and _another(row[1], have.get(key)) for key, row in want.items()),
    )


def put(db: sqlite3.Connection, rows: Iterable[Named]) -> dict[str, int]:
    """Write rows, each over the one of its key, and count them by table; what is refused is left out."""
    counts: dict[str, int] = {}
    for table, row in rows:
        columns, marks = ", ".join(f'"{column}"' for column in row), ", ".join("?" * len(row))
        try:
            db.execute(f'INSERT OR REPLACE INTO "{table}" ({columns}) VALUES ({marks})', tuple(row.values()))
        except sqlite3.Error as error:
            if refused_for_now(error):
                raise
            continue
        counts[table] = counts.get(table, 0) + 1
    return counts


def _another(kept: dict[str, object], have: Named | None) -> bool:
    """Whether a weigh-in is not the one that was kept: one damaged place does not change both of these."""
    return have is not None and all(kept.get(c) != have[1].get(c) for c in ("boot_id", "begun_wall_ns"))
