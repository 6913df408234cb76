"""What root does to a bay's folder, the service user goes on with."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import ROOT
from support.small_bay import CONFIG, LiveBay, stream

from logger import owner
from logger.journal_folder import find_runs
from logger.store.sealed import mark_paths

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can leave anything to another user")
NOBODY = 65534


@pytest.fixture
def bay() -> Iterator[Path]:
    """A bay's folder of nobody's, killed in the midst of writing, with its configuration beside it."""
    place = Path(tempfile.mkdtemp())  # pytest's own folders are root's alone
    place.chmod(0o755)
    (place / "bay.toml").write_bytes(CONFIG.replace(b'name = "barn"', b'name = "barn"\nfolder = "bay"'))
    folder = place / "bay"
    folder.mkdir(mode=0o750)
    live = LiveBay(folder)
    for entry in stream(30.0):
        live.feed(entry)
    live.close()
    last = find_runs(folder)[0].segments[-1]
    last.write_bytes(last.read_bytes()[:-20])
    for mark in mark_paths(folder / "dataset"):
        mark.unlink()
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    yield folder
    shutil.rmtree(place)


def restpoint(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "logger.cli", *map(str, words)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def owners(folder: Path) -> set[int]:
    return {path.stat().st_uid for path in (folder, *folder.rglob("*"))}


def test_what_root_mends_rebuilds_and_restores_belongs_to_the_service_user(bay: Path) -> None:
    done = restpoint("doctor", "-c", bay.with_name("bay.toml"), "--repair")
    assert "segments made from the journal" in done.stderr
    assert "Traceback" not in done.stderr
    assert (bay / "journal/quarantine").is_dir()
    assert owners(bay) == {NOBODY}
    assert {oct(path.stat().st_mode & 0o007) for path in bay.rglob("quarantine/*")} == {"0o0"}
    shutil.rmtree(bay / "dataset")
    assert restpoint("export", bay, "--rebuild").returncode == 0
    assert owners(bay) == {NOBODY}
    archive = bay.with_name("backup.tar.gz")
    assert restpoint("export", bay, "--all", "--out", archive).returncode == 0
    (bay / "shop").mkdir()
    os.chown(bay / "shop", NOBODY, NOBODY)
    assert restpoint("export", bay / "shop" / "again", "--restore", archive).returncode == 0
    assert owners(bay / "shop") == {NOBODY}


def test_a_ledger_that_root_begins_belongs_to_the_service_user(bay: Path) -> None:
    old, car = bay.with_name("old.csv"), bay.with_name("car.toml")
    shutil.copy(ROOT / "deploy/examples/wagtail.csv", old)
    shutil.copy(ROOT / "deploy/examples/wagtail.toml", car)
    done = restpoint("ledger", "import", bay, old, "--car", car)
    assert done.returncode == 0, done.stderr
    assert (bay / "ledger.db").exists()
    assert owners(bay) == {NOBODY}


def test_files_of_another_user_than_the_folders_are_found(bay: Path) -> None:
    (bay / "ledger.db").touch(mode=0o640)
    told = restpoint("doctor", "-c", bay.with_name("bay.toml")).stdout
    assert "ledger.db belong to another user than the folder" in told
    assert f"chown -R --reference={bay}" in told


@pytest.mark.parametrize("may_read", [True, False])
def test_root_is_the_owner_where_that_can_be_and_root_again_afterwards(
    bay: Path, monkeypatch: pytest.MonkeyPatch, *, may_read: bool
) -> None:
    hidden = bay.with_name("hidden")
    hidden.mkdir(mode=0o700)
    monkeypatch.setattr(owner, "CODE", (Path("/usr/bin") if may_read else hidden,))
    before = os.geteuid(), os.getegid(), os.getgroups()
    with owner.as_owner(bay):
        assert os.geteuid() == (NOBODY if may_read else 0)
        (bay / "made").write_bytes(b"x")
        (bay / "link").symlink_to(bay.with_name("bay.toml"))
    assert (os.geteuid(), os.getegid(), os.getgroups()) == before
    assert (bay / "made").stat().st_uid == (bay / "link").lstat().st_uid == NOBODY
    assert (bay / "made").stat().st_mode & 0o007 == 0
    assert bay.with_name("bay.toml").stat().st_uid == 0, "no link is followed"
    with owner.as_owner(Path("/")):
        assert os.geteuid() == 0
