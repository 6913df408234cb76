"""A backup restored elsewhere is the same bay: made while it runs, whole or not at all, no secrets."""

from __future__ import annotations

import gzip
import io
import sqlite3
import tarfile
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.small_bay import LiveBay, stream

from logger.backup import BackupError, back_up, restore
from logger.cli import main
from logger.pairing import FILE, Pairing
from logger.rebuild import make_again, make_missing, verify
from logger.replay import make_bay
from logger.weighin.ledger import Ledger


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bay's folder as it stands beside a daemon in full swing: open segment, hot ledger."""
    folder = tmp_path_factory.mktemp("live") / "barn"
    folder.mkdir()
    bay = LiveBay(folder, segment_s=3.0)
    for entry in stream(10.0):
        bay.feed(entry)
    ledger = Ledger(folder / "ledger.db")
    ledger.begin(ledger.car("Wagtail", 2.43, None, None), "barn", "boot", "config", 1, {})
    assert (folder / "ledger.db-wal").stat().st_size > 0, "what was written is still in the log beside it"
    pairing = Pairing(folder)
    pairing.redeem(pairing.offer("command", "phone", 0), 1, 1)
    (folder / "page.key").write_text("secret")
    while bay.journal.waiting_bytes:
        pass
    back_up(folder, folder.with_name("backup.tar.gz"))
    bay.close()
    ledger.close()
    return folder


def test_restored_on_another_machine_it_goes_on_where_it_was(live: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "barn"
    assert restore(live.with_name("backup.tar.gz"), folder) > 5
    troubles: list[str] = []
    make_missing(folder, "barn", make_bay, lambda event, detail: troubles.append(event))
    assert list(verify(folder)) == []
    assert {"store_rebuilt"} >= set(troubles)
    rows = [pq.ParquetFile(path).metadata.num_rows for path in folder.glob("dataset/samples/**/*.parquet")]
    make_again(folder, "barn", make_bay, lambda event, detail: None)
    again = [pq.ParquetFile(path).metadata.num_rows for path in folder.glob("dataset/samples/**/*.parquet")]
    assert sum(rows) == sum(again) > 300
    ledger = Ledger(folder / "ledger.db")
    assert [row.car for row in ledger.weigh_ins()] == ["Wagtail"]
    ledger.close()
    assert (folder / "config" / "config.toml").exists()
    assert not (folder / FILE).exists()
    assert not (folder / "page.key").exists()
    with sqlite3.connect(folder / "ledger.db") as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_a_folder_that_holds_something_is_never_overwritten(live: Path, tmp_path: Path) -> None:
    (tmp_path / "x").write_text("mine")
    with pytest.raises(BackupError, match="something in it"):
        restore(live.with_name("backup.tar.gz"), tmp_path)
    assert (tmp_path / "x").read_text() == "mine"


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_cut_short_or_changed_it_is_refused_and_leaves_nothing(live: Path, data: st.DataObject) -> None:
    plain = gzip.decompress(live.with_name("backup.tar.gz").read_bytes())
    end = plain.rstrip(b"\0").__len__()
    place = data.draw(st.integers(0, end - 1))
    damaged = bytearray(plain)
    if data.draw(st.booleans()):
        damaged = damaged[:place]
    else:
        damaged[place] ^= data.draw(st.integers(1, 255))
    archive = live.with_name("damaged.tar.gz")
    archive.write_bytes(gzip.compress(bytes(damaged), 1))
    folder = live.with_name("restored")
    try:
        restore(archive, folder)
    except BackupError:
        assert not folder.exists()
    else:  # the byte was in a header's padding, owner or time: nothing of ours
        import shutil

        assert {p.name for p in folder.iterdir()} == {"journal", "dataset", "config", "ledger.db"}
        shutil.rmtree(folder)


@pytest.mark.parametrize("name", ["../out", "/etc/out", "journal/../../out"])
def test_names_that_lead_out_of_the_folder_are_refused(name: str, tmp_path: Path) -> None:
    archive = tmp_path / "evil.tar.gz"
    with tarfile.open(archive, "w:gz") as tar:
        entry = tarfile.TarInfo(name)
        entry.size = 1
        tar.addfile(entry, io.BytesIO(b"x"))
    with pytest.raises(BackupError):
        restore(archive, tmp_path / "bay")
    assert not (tmp_path / "out").exists()
    assert not Path("/etc/out").exists()


def test_links_are_refused(tmp_path: Path) -> None:
    archive = tmp_path / "evil.tar.gz"
    with tarfile.open(archive, "w:gz") as tar:
        entry = tarfile.TarInfo("journal")
        entry.type, entry.linkname = tarfile.SYMTYPE, "/etc"
        tar.addfile(entry)
    with pytest.raises(BackupError, match="no file of a backup"):
        restore(archive, tmp_path / "bay")


def test_the_verb_backs_up_and_restores(
    live: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "b.tar.gz"
    assert main(["export", str(live), "--all", "--out", str(archive)]) == 0
    assert main(["export", str(tmp_path / "again"), "--restore", str(archive)]) == 0
    assert capsys.readouterr().out.count("files; ") == 2
    assert main(["export", str(live), "--restore", str(archive)]) == 2
    assert "something in it" in capsys.readouterr().err


def test_restoring_keeps_times_and_needs_no_filter(
    live: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Debian 12's Python 3.11.2 has no `filter` in tarfile."""
    archive = tmp_path / "b.tar.gz"
    back_up(live, archive)

    def extract(self: tarfile.TarFile, member: object, path: object = "", set_attrs: bool = True) -> None:
        raise AssertionError("not in every Python")

    monkeypatch.setattr(tarfile.TarFile, "extract", extract)
    again = tmp_path / "again"
    restore(archive, again)
    old = sorted(path for path in (live / "journal").rglob("*") if path.is_file())
    assert old
    for path in old:
        new = again / path.relative_to(live)
        assert new.stat().st_mtime == pytest.approx(path.stat().st_mtime, abs=1e-3)
        assert new.stat().st_mode & 0o777 == 0o640
