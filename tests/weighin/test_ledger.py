"""The ledger keeps every revision, survives a kill, and says what is wrong with a file that is none."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from logger.mechanics.statics import Geometry
from logger.model import Capture, Change, CornerLoad, Waiting
from logger.weighin.ledger import Ledger
from logger.weighin.mending import mend_ledger
from logger.weighin.migrating import newer_file
from logger.weighin.refusal import LedgerError
from logger.weighin.session import Session

CAPTURE = Capture(
    number=1,
    t_mono_ns=5,
    t_wall_ns=6,
    t_rest_from_mono_ns=4,
    build="build 1",
    aboard=("driver",),
    facing="out",
    placement=1,
    run=1,
    loads=tuple(
        CornerLoad(corner=corner, spot=spot, pad=f"P{spot[1]}", mass_kg=240.0, u_kg=0.1)
        for corner, spot in (("LF", "S1"), ("RF", "S2"), ("LR", "S3"), ("RR", "S4"))
    ),
    covariance_kg2=(0.01,) * 16,
    mass_kg=960.0,
    u_kg=0.2,
)
CHANGE = Change(
    number=1, t_mono_ns=9, build_before="build 1", build_after="build 2", capture_before=1, capture_after=2
)


def session(ledger: Ledger) -> Session:
    geometry = Geometry(wheelbase_m=2.43, track_front_m=1.405, track_rear_m=1.395)
    return Session(
        ledger,
        bay="barn",
        boot_id="b",
        config_id="c",
        car_name="Wagtail",
        geometry=geometry,
        conditions={"fuel_L": 20},
    )


def test_every_revision_is_kept_and_the_latest_is_read(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.db")
    keep = session(ledger)
    keep.put(CAPTURE, 100)
    keep.put(replace(CAPTURE, mass_kg=960.3), 200)
    keep.put(CHANGE, 300)
    keep.put(replace(CHANGE, name="spare wheel"), 400)
    assert keep.put(Waiting(t_mono_ns=1, stage="stopped", text=""), 500) == 1
    (row,) = ledger.weigh_ins()
    assert (row.car, row.begun_wall_ns, row.ended_wall_ns, row.conditions) == (
        "Wagtail",
        100,
        500,
        {"fuel_L": 20},
    )
    assert ledger.captures(1) == [replace(CAPTURE, mass_kg=960.3)]
    assert ledger.changes(1) == [replace(CHANGE, name="spare wheel")]
    ledger.close()
    with sqlite3.connect(tmp_path / "ledger.db") as plain:
        rows = plain.execute("SELECT number, revision, mass_kg FROM capture ORDER BY revision").fetchall()
    plain.close()
    assert rows == [(1, 0, 960.0), (1, 1, 960.3)]


def test_a_second_weigh_in_starts_after_the_first_has_ended(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.db")
    keep = session(ledger)
    keep.put(CAPTURE, 1)
    keep.put(Waiting(t_mono_ns=1, stage="stopped", text=""), 2)
    keep.put(replace(CAPTURE, t_rest_from_mono_ns=CAPTURE.t_rest_from_mono_ns + 1), 3)
    assert [row.ended_wall_ns for row in ledger.weigh_ins()] == [2, None]
    ledger.close()


def test_what_was_written_survives_a_kill(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys\nfrom pathlib import Path\nfrom logger.weighin.ledger import Ledger\n"
        "ledger = Ledger(Path(sys.argv[1]))\n"
        "ledger.begin(ledger.car('Wagtail', 2.43, None, None), 'barn', 'b', 'c', 7, {})\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "ledger.db")], check=False)
    ledger = Ledger(tmp_path / "ledger.db")
    assert [row.begun_wall_ns for row in ledger.weigh_ins()] == [7]
    ledger.close()


@pytest.mark.parametrize("spoil", ["cut", "flipped"])
def test_a_hot_log_that_is_torn_gives_what_was_whole_and_no_more(tmp_path: Path, spoil: str) -> None:
    """Killed with all of it still in SQLite's write-ahead log, which ends anywhere or has a wrong bit."""
    code = (
        "import os, signal, sys\nfrom pathlib import Path\nfrom logger.weighin.ledger import Ledger\n"
        "ledger = Ledger(Path(sys.argv[1]))\n"
        "for n in (1, 2, 3):\n"
        "    ledger.begin(ledger.car('Wagtail', 2.43, None, None), 'barn', 'b', 'c', n, {})\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "ledger.db")], check=False)
    base, log = ((tmp_path / f"ledger.db{end}").read_bytes() for end in ("", "-wal"))
    assert len(log) > 10_000, "the log is hot"
    found = []
    for n, at in enumerate([*range(0, len(log), len(log) // 40), len(log)]):
        torn = (
            log[:at] if spoil == "cut" else log[:at] + bytes(b ^ 16 for b in log[at : at + 1]) + log[at + 1 :]
        )
        folder = tmp_path / str(n)
        folder.mkdir()
        (folder / "ledger.db").write_bytes(base)
        (folder / "ledger.db-wal").write_bytes(torn)
        ledger = Ledger(folder / "ledger.db")
        found.append([row.begun_wall_ns for row in ledger.weigh_ins()])
        ledger.begin(ledger.car("Wagtail", 2.43, None, None), "barn", "b", "c", 9, {})
        ledger.close()
    assert all(rows == [1, 2, 3][: len(rows)] for rows in found)
    assert found[-1] == [1, 2, 3]
    assert [len(rows) for rows in found] == sorted(len(rows) for rows in found)


def test_a_file_that_is_no_ledger_or_a_newer_one_is_named(tmp_path: Path) -> None:
    bad = tmp_path / "bad.db"
    bad.write_bytes(b"not a database, but long enough to look like one" * 30)
    with pytest.raises(LedgerError, match=r"bad\.db: cannot be opened as a ledger"):
        Ledger(bad)
    newer = tmp_path / "newer.db"
    with sqlite3.connect(newer) as plain:
        plain.execute("PRAGMA user_version = 99")
    plain.close()
    with pytest.raises(LedgerError, match=r"newer restpoint \(schema 99\)"):
        Ledger(newer)


def test_a_damaged_newer_ledger_is_left_alone_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    ledger = Ledger(path)
    for number in range(200):
        ledger.car(f"car {number} {'x' * 200}", None, None, None)
    ledger.close()
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA user_version = 99")
    plain.close()
    whole = path.read_bytes()
    for spoilt in (
        slice(100, 3000),
        slice(8192, 20000),
    ):  # the schema, or pages of rows
        damaged = bytearray(whole)
        damaged[spoilt] = bytes(len(damaged[spoilt]))
        path.write_bytes(damaged)
        assert not mend_ledger(path, tmp_path / "quarantine", lambda *_: pytest.fail("nothing to tell"))
        with pytest.raises(LedgerError, match=r"newer .* \(schema 99\); this one knows schemas up to \d"):
            Ledger(path)
        assert path.read_bytes() == damaged
    assert not (tmp_path / "quarantine").exists()


def test_the_header_of_a_newer_ledger_counts_when_sqlite_reads_nothing(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    path.write_bytes(b"SQLite format 3\0" + bytes(44) + (99).to_bytes(4, "big") + b"no database" * 100)
    assert not mend_ledger(path, tmp_path / "quarantine", lambda *_: pytest.fail("nothing to tell"))
    assert newer_file(path).startswith("was written by a newer restpoint (schema 99)")
    assert newer_file(tmp_path / "none yet") == ""
