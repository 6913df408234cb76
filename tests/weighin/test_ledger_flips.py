"""One flipped bit, anywhere in a ledger's files, loses nothing: it is harmless, or mended and said."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace
from weighin.test_ledger import CAPTURE, CHANGE, session

from logger.mechanics.statics import Geometry
from logger.weighin.ledger import Ledger
from logger.weighin.ledger_copy import Head, LedgerCopy, head_of, rows_of
from logger.weighin.mending import mend_ledger
from logger.weighin.refusal import LedgerError, refused_for_now
from logger.weighin.session import Session

WRITE = (
    "import os, signal, sys\nfrom pathlib import Path\n"
    "from weighin.test_ledger_flips import write\n"
    "write(Path(sys.argv[1]), range(int(sys.argv[2]), int(sys.argv[3])))\n"
    "os.kill(os.getpid(), signal.SIGKILL)\n"
)
NAMES = ("ledger.db", "ledger.db-wal", "ledger.db-shm", "ledger.rows")
TABLES = ("car", "weigh_in", "capture", "change", "deed", "fact")
WAL_HEAD, FRAME_HEAD, PAGE = 32, 24, 4096


def write(path: Path, numbers: range) -> None:
    """Weigh and correct, and leave the file open."""
    ledger = Ledger(path)
    keeps = session(ledger)
    for number in numbers:
        keeps.put(replace(CAPTURE, number=number), number)
        keeps.put(replace(CHANGE, number=number), number)
        keeps.note({"fuel_L": number}, f"fuel {number} L", number)


def contents(path: Path) -> dict[str, list[Any]]:
    with closing(sqlite3.connect(path)) as db:
        return {t: db.execute(f"SELECT * FROM {t} ORDER BY rowid").fetchall() for t in TABLES}


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger left by kill -9 with its last entries in SQLite's log alone, and earlier ones in the file."""
    folder = tmp_path_factory.mktemp("killed")
    path = folder / "ledger.db"
    write_in = partial(subprocess.run, cwd=Path(__file__).parents[1], check=False)
    write_in([sys.executable, "-c", WRITE, str(path), "1", "9"])
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    write_in([sys.executable, "-c", WRITE, str(path), "9", "12"])
    assert (folder / "ledger.db-wal").stat().st_size > 10 * PAGE
    return folder


@pytest.fixture
def quick() -> Iterator[Path]:
    """A folder in memory where there is one: waiting for a disk a thousand times tells nothing here."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        yield Path(folder)


def places(name: str, data: bytes) -> Iterator[tuple[int, int]]:
    """Bytes and bits to flip: every bit of the file's header, and others all over it."""
    size = len(data)
    if name == "ledger.db":
        yield from ((at, bit) for at in range(100) for bit in range(8))
        yield from ((at, at % 8) for at in range(100, size, 331))
    elif name == "ledger.db-wal":
        yield from ((at, bit) for at in range(WAL_HEAD) for bit in range(8))
        for frame in range(WAL_HEAD, size, FRAME_HEAD + PAGE):
            yield from ((frame + n, n % 8) for n in range(0, FRAME_HEAD, 3))
            yield from ((frame + FRAME_HEAD + n, n % 8) for n in range(5, PAGE, 1021))
    else:
        yield from ((at, at % 8) for at in range(0, size, size // 150))


@pytest.mark.parametrize("name", NAMES)
def test_one_flipped_bit_anywhere_loses_nothing(killed: Path, quick: Path, name: str) -> None:
    shutil.copytree(killed, quick / "whole")
    whole = contents(quick / "whole/ledger.db")
    assert [len(rows) for rows in whole.values()] == [1, 2, 11, 11, 11, 11]
    data = (killed / name).read_bytes()
    mended = 0
    for at, bit in places(name, data):
        folder = quick / "spoilt"
        shutil.copytree(killed, folder)
        spoilt = bytearray(data)
        spoilt[at] ^= 1 << bit
        (folder / name).write_bytes(spoilt)
        told: list[str] = []
        path, where = folder / "ledger.db", f"byte {at}, bit {bit}"
        mend = partial(mend_ledger, path, folder / "quarantine", lambda event, text: told.append(text))  # noqa: B023
        ledger = Ledger(path, mend=mend)
        ledger.car("Robin", None, None, None)
        ledger.close()
        after = contents(path)
        assert len(after["car"]) == 2, where
        after["car"].pop()
        assert after == whole, f"{where}: {told}"
        assert all(str(folder) in text for text in told), told
        mended += bool(told)
        told.clear()
        assert not mend(), where
        assert told == [], where
        shutil.rmtree(folder)
    assert mended > {"ledger.db-shm": -1}.get(name, 20), "most of these places matter"


def told_by_mending(path: Path) -> list[str]:
    told: list[str] = []
    mend_ledger(path, path.parent / "quarantine", lambda event, text: told.append(f"{event} {text}"))
    return told


@pytest.fixture
def path(killed: Path, quick: Path) -> Path:
    shutil.copytree(killed, quick / "bay")
    return quick / "bay/ledger.db"


def lose_the_log(path: Path) -> None:
    """One bit of the log's header, after which SQLite passes over all that is in it."""
    log = path.with_name("ledger.db-wal")
    log.write_bytes(bytes([log.read_bytes()[0] ^ 1]) + log.read_bytes()[1:])


def test_a_command_refuses_a_ledger_that_lost_entries_and_says_what_mends_it(path: Path) -> None:
    lose_the_log(path)
    with pytest.raises(LedgerError, match=r"ledger\.db: \d+ of its rows are not as they were written; start"):
        Ledger(path)
    (told,) = told_by_mending(path)
    assert told.startswith(
        f"ledger_mended {path}: was damaged and is kept as {path.parent}/quarantine/ledger-"
    )
    assert told.endswith("11 of capture, 1 of car, 11 of change, 11 of deed, 11 of fact, 2 of weigh_in")
    Ledger(path).close()


def test_a_ledger_that_is_gone_is_made_from_its_copy(path: Path) -> None:
    whole = contents(path)
    for name in NAMES[:3]:
        path.with_name(name).unlink(missing_ok=True)
    assert told_by_mending(path)[0].startswith(f"ledger_mended {path}: was gone; saved were 11 of capture, 1")
    assert contents(path) == whole


def test_an_entry_under_way_when_all_ended_is_there_or_is_written_now(path: Path) -> None:
    """The copy has a transaction that SQLite has not, as after a kill just before the commit."""
    whole, copy = contents(path), LedgerCopy(path)
    copy.add(
        [("car", {"id": 2, "name": "Robin", "wheelbase_m": 2.5, "track_front_m": None, "track_rear_m": None})]
    )
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copytree(path.parent, path.parent.with_name("by_command"))
    assert told_by_mending(path) == [f"ledger_finished {copy.path}: 1 rows were being written; they are now"]
    by_command = path.parent.with_name("by_command") / "ledger.db"
    Ledger(by_command).close()
    for file in (path, by_command):
        assert contents(file)["car"] == [*whole["car"], (2, "Robin", 2.5, None, None)]
        assert contents(file)["capture"] == whole["capture"]
        assert told_by_mending(file) == []


def test_what_sqlite_refuses_to_commit_is_not_in_the_copy_either(path: Path) -> None:
    ledger = Ledger(path)
    before = LedgerCopy(path).path.read_bytes()

    def half_way() -> None:
        with ledger.doing("a fault half way", 1):
            ledger.car("Robin", None, None, None)
            ledger.begin(99, "barn", "b", "c", 1, {})

    with pytest.raises(sqlite3.IntegrityError):
        half_way()
    assert LedgerCopy(path).path.read_bytes() == before
    with pytest.raises(LookupError), ledger.doing("a change of mind", 1):
        raise LookupError
    ledger.close()
    assert LedgerCopy(path).path.read_bytes() == before


def test_a_copy_whose_disk_refuses_is_waited_for_like_the_ledger(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, whole = Ledger(path), contents(path)
    before = LedgerCopy(path).path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("logger.weighin.ledger_copy.os.fdatasync", full)
        with pytest.raises(sqlite3.OperationalError, match=r"ledger\.rows: No space left") as refused:
            ledger.car("Robin", None, None, None)
    assert refused_for_now(refused.value)
    assert LedgerCopy(path).path.read_bytes() == before
    assert contents(path) == whole
    ledger.car("Robin", None, None, None)
    ledger.close()
    assert told_by_mending(path) == []
    assert len(contents(path)["car"]) == 2


def test_two_programs_write_in_turn_and_the_copy_has_it_all(path: Path) -> None:
    one, other = Ledger(path), Ledger(path)
    for number in range(20):
        (one, other)[number % 2].car(f"car {number}", float(number), None, None)
        (other, one)[number % 2].car("Wagtail", float(number), None, None)
    one.close()
    other.close()
    assert told_by_mending(path) == []
    kept = LedgerCopy(path).read()
    assert kept is not None
    assert [row for table, row in kept.rows if table == "car"][-1]["wheelbase_m"] == 19.0


@pytest.mark.parametrize("both", [False, True])
def test_a_damaged_copy_is_written_anew_and_what_it_still_has_is_used(path: Path, both: bool) -> None:
    whole, copy = contents(path), LedgerCopy(path)
    lines = copy.path.read_bytes().split(b"\n")
    lines[3] = lines[3].replace(b"m", b"n")
    copy.path.write_bytes(b"\n".join(lines))
    if both:
        with closing(sqlite3.connect(path)) as db:
            db.execute("DELETE FROM change WHERE number = 11")
            db.commit()
    (told,) = told_by_mending(path)
    assert told.startswith(
        f"ledger_copy_mended {copy.path}: had 1 damaged lines and is kept as {path.parent}/q"
    )
    assert contents(path) == whole
    assert told_by_mending(path) == []


def test_a_copy_of_another_ledger_is_set_aside(path: Path, quick: Path) -> None:
    other = quick / "other.db"
    ledger = Ledger(other)
    session_of(ledger).put(CAPTURE, 77)
    ledger.close()
    there = contents(other)
    path.write_bytes(other.read_bytes())
    for name in NAMES[1:3]:
        path.with_name(name).unlink(missing_ok=True)
    with pytest.raises(LedgerError, match="belongs to another ledger"):
        Ledger(path)
    (told,) = told_by_mending(path)
    assert "belongs to another ledger and is kept as" in told
    assert contents(path) == there
    assert told_by_mending(path) == []


def session_of(ledger: Ledger) -> Session:
    return Session(
        ledger,
        bay="yard",
        boot_id="other",
        config_id="c",
        car_name="Robin",
        geometry=Geometry(),
        conditions={},
    )


def test_an_earlier_programs_ledger_gets_its_copy_and_what_it_wrote_alone_is_added(path: Path) -> None:
    LedgerCopy(path).path.unlink()
    whole = contents(path)
    Ledger(path).close()
    assert not LedgerCopy(path).path.exists(), "looking writes nothing"
    assert told_by_mending(path) == []
    kept = LedgerCopy(path).read()
    assert kept is not None
    assert len(kept.rows) == sum(map(len, whole.values()))
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO car (name) VALUES ('Robin')")
        db.commit()
    assert told_by_mending(path) == [
        f"ledger_copy_mended {LedgerCopy(path).path}: lacked 1 of the ledger's rows; added"
    ]
    assert told_by_mending(path) == []


def test_a_copy_of_a_newer_program_is_left_alone(path: Path) -> None:
    copy = LedgerCopy(path)
    with closing(sqlite3.connect(path)) as db:
        head = head_of(db)
        copy.begin(Head(schema=99, made=head.made), rows_of(db))
    newer = copy.path.read_bytes()
    assert told_by_mending(path) == []
    with pytest.raises(LedgerError, match=r"newer restpoint \(schema 99\).* move ledger\.rows aside"):
        Ledger(path)
    assert copy.path.read_bytes() == newer
