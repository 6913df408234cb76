"""The journal's writer: never waits for the disk, loses nothing it need not, and says what it had to lose."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support import absent
from support.small_bay import T_WALL_NS

from logger import journal as journal_module
from logger.journal import ROW_BYTES, Journal, JournalSettings
from logger.journal_folder import (
    find_runs,
    is_live,
    read_journal,
    read_run,
    recover,
    run_folders,
    segment_hash,
)
from logger.journal_segment import END, Entry, Tick, head
from logger.model import Chunk, Gap, GapCause, PortEvent

Troubles = tuple[list[str], Callable[[str, str], None]]
MS = 1_000_000


def chunk(i: int, size: int = 20) -> Chunk:
    return Chunk(
        port=f"p{i % 2}", t_mono_ns=i * MS, t_wall_ns=T_WALL_NS + i * MS, data=b"%06d" % i + bytes(size)
    )


def wait_for(what: Callable[[], bool], timeout_s: float = 5.0) -> None:
    end = time.monotonic() + timeout_s
    while not what():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.005)


def quick(**settings: float) -> JournalSettings:
    return JournalSettings(**({"fsync_ms": 5} | settings))  # type: ignore[arg-type]  # ints and floats by name


def test_entries_come_back_in_order_with_the_config_they_ran_under(
    tmp_path: Path, troubles: Troubles
) -> None:
    closed: list[tuple[int, Path, str]] = []
    journal = Journal(
        tmp_path,
        quick(segment_s=0.5),
        troubles[1],
        snapshot={"config.toml": b"[bay]\n", "layouts/own.toml": b"about = 1\n"},
        on_closed=lambda segment, path, sha256: closed.append((segment, path, sha256)),
    )
    entries: list[Entry] = [PortEvent(port="p0", t_mono_ns=0, t_wall_ns=T_WALL_NS, event="opened")]
    entries += [chunk(i) for i in range(2000)]
    entries += [Tick(t_mono_ns=2001 * MS)]
    numbers = [journal.put(entry) for entry in entries]
    journal.close()
    assert list(read_journal(tmp_path)) == entries
    (run,) = find_runs(tmp_path)
    assert [number for number, _ in read_run(run)] == numbers
    assert sorted(set(numbers)) == [1, 2, 3, 4] == [segment for segment, _, _ in closed]
    assert [segment_hash(path) for path in run.segments] == [sha256 for _, _, sha256 in closed]
    assert (run.folder / "config.toml").read_bytes() == b"[bay]\n"
    assert (run.folder / "layouts" / "own.toml").exists()
    assert troubles[0] == []


def test_segments_end_by_size_too(tmp_path: Path, troubles: Troubles) -> None:
    journal = Journal(tmp_path, quick(segment_bytes=10 * (ROW_BYTES + 26)), troubles[1])
    numbers = [journal.put(chunk(i)) for i in range(35)]
    journal.close()
    assert numbers == [i // 10 + 1 for i in range(35)]


def test_every_start_has_its_own_run_and_the_live_one_is_known(tmp_path: Path, troubles: Troubles) -> None:
    for count in (1, 2, 3):
        journal = Journal(tmp_path, quick(), troubles[1])
        journal.put(chunk(count))
        wait_for(lambda journal=journal: journal.waiting_bytes == 0)  # type: ignore[misc]  # bound to this one
        assert [is_live(run) for run in run_folders(tmp_path)] == [False] * (count - 1) + [True]
        journal.close()
    assert [run.number for run in run_folders(tmp_path)] == [1, 2, 3]
    assert list(read_journal(tmp_path)) == [chunk(1), chunk(2), chunk(3)]


def test_what_is_put_is_durable_within_the_period(tmp_path: Path, troubles: Troubles) -> None:
    journal = Journal(tmp_path, quick(fsync_ms=50), troubles[1])
    journal.put(chunk(1))
    wait_for(lambda: journal.waiting_bytes == 0, 0.5)
    assert list(read_journal(tmp_path)) == [chunk(1)]
    journal.close()


def test_a_disk_that_refuses_costs_only_what_memory_cannot_hold(tmp_path: Path, troubles: Troubles) -> None:
    """A file stands where the folder should be: nothing can be written until it goes."""
    obstacle = tmp_path / "journal"
    obstacle.write_bytes(b"")
    gaps: list[tuple[int, Gap]] = []
    journal = Journal(
        obstacle,
        quick(memory_bytes=100 * (ROW_BYTES + 26)),
        troubles[1],
        on_gap=lambda *gap: gaps.append(gap),
    )
    for i in range(130):
        journal.put(chunk(i))
    wait_for(lambda: troubles[0] == ["journal_losing", "journal_blocked"] or len(troubles[0]) > 1)
    assert sorted(troubles[0]) == ["journal_blocked", "journal_losing"]
    obstacle.unlink()
    wait_for(lambda: journal.waiting_bytes == 0)
    journal.put(chunk(200))
    journal.close()
    gap = Gap(pad="*", t_from_mono_ns=100 * MS, t_to_mono_ns=129 * MS, cause=GapCause.JOURNAL, count=30)
    assert list(read_journal(obstacle)) == [*(chunk(i) for i in range(100)), gap, chunk(200)]
    assert gaps == [(1, gap)]
    assert sorted(troubles[0]) == ["journal_blocked", "journal_keeping", "journal_losing", "journal_restored"]


def test_without_memory_entries_wait_and_none_is_lost(
    tmp_path: Path, troubles: Troubles, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, short = journal_module.encode, threading.Event()

    def encode(*args: Any) -> bytes:
        if short.is_set():
            raise MemoryError
        return real(*args)

    monkeypatch.setattr(journal_module, "encode", encode)
    journal = Journal(tmp_path, quick(), troubles[1])
    short.set()
    for i in range(50):
        journal.put(chunk(i))
    wait_for(lambda: troubles[0] == ["journal_blocked"])
    assert journal.alive
    short.clear()
    wait_for(lambda: journal.waiting_bytes == 0)
    journal.close()
    assert list(read_journal(tmp_path)) == [chunk(i) for i in range(50)]
    assert troubles[0] == ["journal_blocked", "journal_restored"]


def test_what_cannot_be_written_by_the_stop_is_said(tmp_path: Path, troubles: Troubles) -> None:
    (tmp_path / "journal").write_bytes(b"")
    journal = Journal(tmp_path / "journal", quick(), troubles[1])
    journal.put(chunk(1))
    journal.close()
    assert troubles[0] == ["journal_blocked", "journal_lost"]


def test_a_slow_disk_never_holds_up_put(
    tmp_path: Path, troubles: Troubles, monkeypatch: pytest.MonkeyPatch
) -> None:
    sync = os.fdatasync

    def slow(fd: int) -> None:
        time.sleep(0.2)
        sync(fd)

    monkeypatch.setattr("os.fdatasync", slow)
    journal = Journal(tmp_path, quick(), troubles[1])
    longest = 0.0
    for i in range(300):
        begin = time.perf_counter()
        journal.put(chunk(i))
        longest = max(longest, time.perf_counter() - begin)
        time.sleep(0.001)
    journal.close()
    assert longest < 0.1  # half of one sync; a put takes microseconds
    assert list(read_journal(tmp_path)) == [chunk(i) for i in range(300)]
    assert troubles[0] == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte."""
    folder = tmp_path / "small"
    folder.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, check=False
        ).returncode
    ):
        absent("a small file system can be mounted by root only")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def test_a_full_disk_loses_nothing_that_memory_can_hold(small_disk: Path, troubles: Troubles) -> None:
    filler = small_disk / "filler"
    filler.write_bytes(bytes(900_000))
    journal = Journal(small_disk / "journal", quick(), troubles[1])
    for i in range(400):
        journal.put(chunk(i, 1000))
    wait_for(lambda: "journal_blocked" in troubles[0])
    for i in range(400, 500):
        journal.put(chunk(i, 1000))
    time.sleep(0.05)
    assert troubles[0] == ["journal_blocked"]
    filler.unlink()
    wait_for(lambda: journal.waiting_bytes == 0)
    journal.close()
    assert troubles[0] == ["journal_blocked", "journal_restored"]
    assert list(read_journal(small_disk)) == [chunk(i, 1000) for i in range(500)]


def test_a_killed_program_on_a_full_disk_leaves_whole_batches(small_disk: Path, troubles: Troubles) -> None:
    """A batch that went half on to the disk is overwritten or cut, never read."""
    (small_disk / "filler").write_bytes(bytes(900_000))
    journal = Journal(small_disk / "journal", quick(), troubles[1])
    for i in range(400):
        journal.put(chunk(i, 1000))
    wait_for(lambda: "journal_blocked" in troubles[0])
    entries = list(read_journal(small_disk))
    assert entries == [chunk(i, 1000) for i in range(len(entries))]
    (small_disk / "filler").unlink()
    journal.close()


def test_a_read_only_disk_is_waited_for(small_disk: Path, troubles: Troubles) -> None:
    journal = Journal(small_disk, quick(segment_s=0.01), troubles[1])
    journal.put(chunk(0))
    wait_for(lambda: journal.waiting_bytes == 0)
    wait_for(lambda: _remount(small_disk, "ro") or _end_open_file(journal))
    for i in range(100, 200):
        journal.put(chunk(i))
    wait_for(lambda: "journal_blocked" in troubles[0])
    assert _remount(small_disk, "rw")
    journal.close()
    assert troubles[0] == ["journal_blocked", "journal_restored"]
    assert list(read_journal(small_disk)) == [chunk(0), *(chunk(i) for i in range(100, 200))]


def _remount(folder: Path, how: str) -> bool:
    return (
        subprocess.run(["mount", "-o", f"remount,{how}", folder], capture_output=True, check=False).returncode
        == 0
    )


def _end_open_file(journal: Journal) -> bool:
    """A file system with a file open for writing does not become read-only: end the segment."""
    journal._end_segment()
    return False


def torn(tmp_path: Path, troubles: Troubles, spoil: Callable[[bytes], bytes]) -> Path:
    journal = Journal(tmp_path, quick(), troubles[1])
    for i in range(3):
        journal.put(chunk(i))
        wait_for(lambda: journal.waiting_bytes == 0)
    journal.close()
    (path,) = find_runs(tmp_path)[0].segments
    path.write_bytes(spoil(path.read_bytes().removesuffix(END)))
    return path


@pytest.mark.parametrize(
    ("spoil", "left", "told"),
    [
        (lambda data: data, 3, []),
        (lambda data: data + END, 3, []),
        (lambda data: data[:-5], 2, ["journal_cut"]),
        (lambda data: data + bytes(4096), 3, ["journal_cut"]),
        (lambda data: data + b"\xff" * 4096, 3, ["journal_cut"]),
        (lambda data: b"", 0, ["journal_cut"]),
        (lambda data: data[:100], 0, ["journal_cut"]),
        (lambda data: bytes(len(data)), 0, ["journal_cut"]),
        (lambda data: data[:600] + b"!!!" + data[603:], 2, ["journal_damaged"]),
        (lambda data: b"!!!" + data[3:], 3, ["journal_damaged"]),
    ],
    ids=["not ended", "ended", "cut", "zeros", "ones", "empty", "head only", "all zeros", "middle", "head"],
)
def test_recovery_cuts_what_is_torn_and_says_so(
    tmp_path: Path, troubles: Troubles, spoil: Callable[[bytes], bytes], left: int, told: list[str]
) -> None:
    path = torn(tmp_path, troubles, spoil)
    before = path.read_bytes()
    recover(tmp_path, troubles[1])
    assert troubles[0] == told
    entries = [entry for entry in read_journal(tmp_path) if not isinstance(entry, Gap)]
    assert len(entries) == left
    assert all(entry in [chunk(i) for i in range(3)] for entry in entries)
    kept = list((tmp_path / "quarantine").glob("*.bytes"))
    assert bool(kept) == ("journal_cut" in told)
    assert all(file.read_bytes() == before[-len(file.read_bytes()) or len(before) :] for file in kept)
    recover(tmp_path, troubles[1])
    assert troubles[0] == told  # once
    assert path.read_bytes().endswith(END)
    assert path.read_bytes().startswith(head()) or told == ["journal_damaged"]


def test_damage_in_the_middle_is_a_counted_gap(tmp_path: Path, troubles: Troubles) -> None:
    torn(tmp_path, troubles, lambda data: data[: len(data) // 2] + b"!!!" + data[len(data) // 2 + 3 :] + END)
    told: list[str] = []
    entries = list(read_journal(tmp_path, lambda path, damage: told.append(damage.reason)))
    gap = Gap(pad="*", t_from_mono_ns=0, t_to_mono_ns=2 * MS, cause=GapCause.JOURNAL, count=1)
    assert entries == [chunk(0), gap, chunk(2)]
    assert len(told) == 1


def test_a_path_without_a_journal_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no journal here"):
        list(read_journal(tmp_path))
