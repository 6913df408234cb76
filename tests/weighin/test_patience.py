"""A ledger that another program or the disk holds: what is taken waits in order, and it is said once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from msgspec.structs import replace
from weighin.test_ledger import CAPTURE, session

from logger.clock import NS
from logger.weighin import patience as patience_module
from logger.weighin.ledger import Ledger
from logger.weighin.mending import mend_ledger
from logger.weighin.patience import Patience


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    one = Ledger(path, patient=True)
    yield one
    one.close()


def test_what_is_taken_while_another_program_writes_is_kept_and_written_in_order(
    path: Path, ledger: Ledger
) -> None:
    told: list[str] = []
    patience, keeps = Patience(path, lambda event, _: told.append(event)), session(ledger)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for number in (1, 2, 3):
            patience.do(partial(keeps.put, replace(CAPTURE, number=number), number))
        patience.look(10 * NS)
        assert told == ["ledger_blocked"]
        other.execute("ROLLBACK")
    patience.look(11 * NS)
    assert told == ["ledger_blocked"], "not before it is time"
    patience.look(13 * NS)
    assert told == ["ledger_blocked", "ledger_restored"]
    assert [c.number for c in ledger.captures(1)] == [1, 2, 3]
    assert len(ledger.weigh_ins()) == 1
    patience.end()
    assert len(told) == 2


def test_what_cannot_be_written_by_the_end_or_be_kept_is_counted(
    path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience_module, "MOST", 5)
    told: list[str] = []
    patience = Patience(path, lambda event, detail: told.append(f"{event} {detail}"))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for _ in range(7):
            patience.do(lambda: ledger.begin(1, "b", "b", "c", 1, {}))
        patience.end()
    assert told[-1] == f"ledger_lost {path}: 7 entries could not be written before the stop"


def test_a_ledger_that_another_program_holds_is_neither_mended_nor_set_aside(
    path: Path, ledger: Ledger, tmp_path: Path
) -> None:
    ledger.close()
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        assert not mend_ledger(path, tmp_path / "quarantine", lambda *_: pytest.fail("nothing to tell"))
    assert not (tmp_path / "quarantine").exists()
