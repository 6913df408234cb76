"""A ledger as an old program left it, and what tests do with one."""

from __future__ import annotations

import shlex
import sqlite3
from pathlib import Path

import pytest
from msgspec.structs import replace
from weighin.afternoons import (
    BEGAN_NS,
    SECOND_NS,
)

from logger.bookkeeping.source import one_history, opened
from logger.cli import main
from logger.model import Capture, Change
from logger.weighin.ledger import Ledger
from logger.weighin.states import History

CAR = """name = "Wagtail"
wheelbase_m = 2.430
track_front_m = 1.405
track_rear_m = 1.395
"""


def keep(folder: Path, captures: list[Capture], changes: list[Change], begun_ns: int = BEGAN_NS) -> None:
    ledger = Ledger(folder / "ledger.db")
    weigh_in = ledger.begin(ledger.car("Wagtail", 2.43, 1.405, 1.395), "barn", "b", "c", begun_ns, {})
    for c in captures:
        ledger.put_capture(weigh_in, replace(c, t_wall_ns=begun_ns + c.t_mono_ns), begun_ns)
    for step in changes:
        ledger.put_change(weigh_in, step, begun_ns)
    ledger.end(weigh_in, begun_ns + 1000 * SECOND_NS)
    ledger.close()


def told(folder: Path) -> History:
    with opened(folder) as ledger:
        return one_history(ledger, None)


def rows(folder: Path) -> int:
    db = sqlite3.connect(folder / "ledger.db")
    count = sum(db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("capture", "change", "fact"))
    db.close()
    return count


def do(folder: Path, line: str, capsys: pytest.CaptureFixture[str], code: int = 0) -> str:
    """Run `restpoint ledger ACTION FOLDER …` and return what it printed (or complained)."""
    action, *more = shlex.split(line)
    assert main(["ledger", action, str(folder), *more]) == code
    out, err = capsys.readouterr()
    return out if code == 0 else err


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A bay's folder with a ledger as schema 1 left it."""
    with sqlite3.connect(tmp_path / "ledger.db") as db:
        db.executescript((Path(__file__).parent / "ledger_schema_1.sql").read_text(encoding="utf-8"))
    db.close()
    return tmp_path
