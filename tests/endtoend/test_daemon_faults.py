"""What goes wrong around a running daemon: one pad's trouble stays its own, and nothing ends the program."""

from __future__ import annotations

import json
import os
import re
import resource
import signal
import socket
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from support import absent
from support.mosquitto import MOSQUITTO, Ear, Mosquitto
from support.running import PADS, Running, Talker, bytes_by_port, config, running

from drivers.sim.player import Line
from logger.config import load
from logger.doctor import examine
from logger.journal_folder import find_runs, read_run
from logger.model import Gap, GapCause
from logger.rebuild import verify
from logger.store.sealed import marks
from logger.weighin.ledger import Ledger

FAULTY = [str(Path(__file__).parents[1] / "support" / "faulty.py")]


def test_absent_unplugged_and_flooding_ports_leave_the_others_alone(tmp_path: Path) -> None:
    lines = {pad: Line() for pad in PADS[:3]}
    plug = tmp_path / "plug"  # a number of a pseudo-terminal that is free is soon somebody else's
    plug.symlink_to(lines["P2"].device)
    devices = {pad: line.device for pad, line in lines.items()} | {"P2": str(plug), "P4": "/dev/not-there"}
    with running(config(tmp_path, devices)) as daemon, Talker({"P1": lines["P1"], "P2": lines["P2"]}) as talk:
        daemon.wait_for("port", port="P4", event_name="refused")
        daemon.wait_for("port", port="P1", event_name="opened")
        noise = os.urandom(1 << 16)
        end = time.monotonic() + 3.0
        while time.monotonic() < end:
            lines["P3"].write(noise)
            time.sleep(0.01)
        del talk.lines["P2"]
        plug.unlink()
        lines["P2"].unplug()
        daemon.wait_for("port", port="P2", event_name="lost", level="warning")
        daemon.wait_for("pad", pad="P2", condition="silent", level="warning")
        sent_after = lines["P1"].written
        time.sleep(1.0)
        assert lines["P1"].written > sent_after
        stopped = daemon.stop()
    streams = stopped["streams"]
    assert streams["P1"]["rejects"].keys() <= {"truncated"}
    assert streams["P1"]["frames"] > 60
    assert sum(streams["P3"]["rejects"].values()) > 0
    assert streams["P4"]["bytes"] == 0
    journalled = bytes_by_port(daemon.data)
    assert {port: stream["bytes"] for port, stream in streams.items() if stream["bytes"]} == journalled
    for line in lines.values():
        line.unplug()


def test_noise_of_a_megabyte_a_second_costs_the_other_pads_nothing(tmp_path: Path) -> None:
    lines = {pad: Line() for pad in PADS}
    noisy, noise = lines["P3"], os.urandom(4096)
    file = config(tmp_path, {pad: line.device for pad, line in lines.items()}, "[journal]\nsegment_s = 2\n")
    file.write_text(file.read_text().replace('name = "P3"\n', 'name = "P3"\nflood_s = 1.0\n'))
    with running(file) as daemon:
        for pad in PADS:
            daemon.wait_for("port", port=pad, event_name="opened")
        with Talker({pad: line for pad, line in lines.items() if pad != "P3"}):
            flood(noisy, noise, 2.0)
            daemon.wait_for("port", port="P3", event_name="flooded")
            while len(list(marks(daemon.data / "dataset"))) < 2:  # its first loads libraries
                flood(noisy, noise, 0.5)
            before, began_s, held = noisy.written, time.monotonic(), resident_bytes(daemon)
            flood(noisy, noise, 5.0)
            rate = (noisy.written - before) / (time.monotonic() - began_s)
            assert resident_bytes(daemon) - held < 10 << 20
            ports = next(part for part in examine(load(file)).parts if part.name == "ports")
            steps = {part.name: part.step for part in ports.parts}
            told = daemon.wait_for("port", port="P3", event_name="restored")
        time.sleep(0.5)
        stopped = daemon.stop()
    assert rate > 1_000_000, "bytes a second that the daemon read"
    assert "only noise comes this fast" in steps["P3"]
    assert "bytes of noise were dropped" in told["detail"]
    for pad in ("P1", "P2", "P4"):
        sent, stream = lines[pad].written // 25, stopped["streams"][pad]
        assert sent > 120
        assert stream["frames"] >= sent - 1, "the first may be refused"
        assert sum(stream["rejects"].values()) <= 1
    kept = bytes_by_port(daemon.data)
    assert kept == {pad: stream["bytes"] for pad, stream in stopped["streams"].items()}
    assert kept["P3"] < 500_000 < noisy.written - 5_000_000
    for line in lines.values():
        line.unplug()


def flood(line: Line, noise: bytes, seconds: float) -> None:
    """Send 1.1 MB a second, as far as the line takes it."""
    began_s, before = time.monotonic(), line.written
    while (now_s := time.monotonic() - began_s) < seconds:
        while line.written - before < now_s * 1_100_000:
            taken = line.written
            line.write(noise)
            if line.written == taken:
                break
        time.sleep(0.001)


def resident_bytes(daemon: Running) -> int:
    """Memory that the daemon's process holds."""
    pages = Path(f"/proc/{daemon.process.pid}/statm").read_text().split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


def test_the_page_s_port_taken_and_no_broker_are_said_and_weighing_goes_on(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other, Line() as line:
        port = other.getsockname()[1]
        file = config(tmp_path, {"P1": line.device}, f"[page]\nport = {port}\n")
        file.write_text(file.read_text().replace('spot = "S1"\n', ""))
        with running(file) as daemon, Talker({"P1": line}):
            assert "Address already in use" in daemon.wait_for("page")["detail"]
            assert "no broker" in daemon.wait_for("broker")["detail"]
            daemon.wait_for("pad", pad="P1", condition="empty")
            assert daemon.stop()["streams"]["P1"]["frames"] > 0


def fill(path: Path) -> None:
    """Write until the disk takes no more."""
    with path.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"\0" * 4096)


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A disk of 1 MB where the bay keeps its data."""
    folder = tmp_path / "data"
    folder.mkdir()
    if os.geteuid() != 0:
        absent("mounting a small tmpfs needs root")
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], check=False)
    if mounted.returncode != 0:
        absent("tmpfs cannot be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def one_pad(folder: Path, line: Line, more: str = "", broker_port: int = 1) -> Path:
    file = config(folder, {"P1": line.device}, more, broker_port)
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    return file


def troubles(daemon: Running, part: str) -> list[str]:
    """What the log says of a part's troubles, in order."""
    return [row["event"] for row in daemon.log() if row["event"].startswith(f"{part}_")]


def shown(daemon: Running) -> str:
    """What the page shows somebody who comes now."""
    address = re.search(r"http://\S+/", daemon.wait_for("page")["detail"])
    assert address
    with urlopen(f"{address[0]}events", timeout=5) as stream:
        return next(line for line in stream if line.startswith(b"data:")).decode()


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[Ear]:
    """Somebody who hears what is said on a mosquitto."""
    if MOSQUITTO is None:
        absent("mosquitto (apt install mosquitto)")
    broker = Mosquitto(tmp_path, "allow_anonymous true")
    broker.start()
    with Ear(broker.port) as one:
        yield one
    broker.kill()


def heard_troubles(ear: Ear) -> list[str]:
    """The states of troubles as they came over the bus."""
    return [json.loads(said)["state"] for _, topic, said in ear.heard if topic.endswith("/event/trouble")]


def test_a_full_disk_is_said_once_on_bus_page_and_log_and_once_when_it_is_over(
    tmp_path: Path, small: Path, ear: Ear
) -> None:
    with Line() as line, running(one_pad(tmp_path, line, "[page]\nport = 0\n", ear.port)) as daemon:
        with Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            fill(small / "ballast")
            daemon.wait_for("journal_blocked")
            assert "No space left" in daemon.wait_for("said")["text"]
            assert "No space left" in shown(daemon)
            sent = line.written
            time.sleep(1.0)
            assert line.written > sent, "it goes on reading"
            (small / "ballast").unlink()
            daemon.wait_for("journal_restored")
            assert "takes entries again" in shown(daemon)
        stopped = daemon.stop()
    assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
    assert troubles(daemon, "journal") == ["journal_blocked", "journal_restored"]
    assert heard_troubles(ear) == ["failed", "restored"]


def test_a_disk_that_is_full_for_long_costs_what_memory_cannot_hold_and_the_gap_says_exactly_that(
    tmp_path: Path, small: Path
) -> None:
    more = "[page]\nport = 0\n[journal]\nmemory_bytes = 12000\n"  # a second or two of one pad
    with Line() as line, running(one_pad(tmp_path, line, more)) as daemon, Talker({"P1": line}):
        daemon.wait_for("pad", pad="P1", condition="empty")
        fill(small / "ballast")
        daemon.wait_for("journal_losing")
        time.sleep(1.0)
        (small / "ballast").unlink()
        lost = int(re.search(r"(\d+) entries were lost", daemon.wait_for("journal_keeping")["detail"])[1])
        daemon.wait_for("journal_restored")
        daemon.stop()
    entries = [entry for _, entry in read_run(find_runs(daemon.data)[-1])]
    (n,) = [n for n, entry in enumerate(entries) if isinstance(entry, Gap)]
    gap = entries[n]
    assert gap.count == lost > 10
    assert gap.cause is GapCause.JOURNAL
    assert entries[n - 1].t_mono_ns <= gap.t_from_mono_ns <= gap.t_to_mono_ns <= entries[n + 1].t_mono_ns
    assert entries[n + 1].t_mono_ns - entries[n - 1].t_mono_ns > 1e9, "what is missing is where it says"


@pytest.mark.parametrize("how", ["full", "read-only"])
def test_it_starts_on_a_disk_that_refuses_and_the_ledger_is_still_there_afterwards(
    how: str, tmp_path: Path, small: Path
) -> None:
    made = Ledger(small / "ledger.db")
    made.begin(made.car("Wagtail", None, None, None), "barn", "boot", "config", 1, {})
    made.close()
    before = (small / "ledger.db").read_bytes()
    fill(small / "ballast") if how == "full" else remount(small, "ro")
    with Line() as line:
        file = config(tmp_path, {"P1": line.device, **{f"P{n}": "/dev/not-there" for n in (2, 3, 4)}})
        with running(file) as daemon, Talker({"P1": line}):
            daemon.wait_for("running")
            daemon.wait_for("journal_blocked")
            daemon.wait_for("ledger_blocked")
            daemon.wait_for("pad", pad="P1", condition="empty")
            assert (small / "ledger.db").read_bytes() == before
            (small / "ballast").unlink() if how == "full" else remount(small, "rw")
            daemon.wait_for("journal_restored")
            daemon.wait_for("ledger_restored")
            stopped = daemon.stop()
    assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
    assert troubles(daemon, "ledger") == ["ledger_blocked", "ledger_restored"]
    kept = Ledger(small / "ledger.db")
    assert [row.car for row in kept.weigh_ins()] == ["Wagtail"]
    kept.close()
    assert not (small / "quarantine").exists()


def test_what_a_full_disk_left_unsealed_is_sealed_as_soon_as_there_is_space(
    tmp_path: Path, small: Path
) -> None:
    with Line() as line:
        file = one_pad(tmp_path, line, "[page]\nenabled = false\n")
        with running(file) as daemon, Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            daemon.process.kill()
            daemon.process.wait()
        fill(small / "ballast")
        with running(file) as daemon, Talker({"P1": line}):
            daemon.wait_for("store_not_rebuilt")
            daemon.wait_for("journal_blocked")
            assert list(marks(small / "dataset")) == []
            (small / "ballast").unlink()
            assert "1 segments made" in daemon.wait_for("store_rebuilt")["detail"]
            assert [mark["segment"] for mark in marks(small / "dataset")] == [1]
            assert not list(small.glob("dataset/**/.tmp-*"))
            daemon.stop()


def test_without_memory_to_spare_it_reads_and_publishes_and_seals_when_there_is_some(
    tmp_path: Path, ear: Ear
) -> None:
    """The address space ends 1 MB above what a settled daemon has: nothing larger can be had."""
    more = "[page]\nport = 0\n[journal]\nsegment_s = 10\n"
    with Line() as line, running(one_pad(tmp_path, line, more, ear.port)) as daemon:
        with Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            assert "no memory left" not in shown(daemon)
            time.sleep(2.0)
            status = Path(f"/proc/{daemon.process.pid}/status").read_text()
            size = 1024 * int(re.search(r"VmSize:\s+(\d+)", status)[1])
            with reading_on_within(daemon, ear, size + 1_000_000):
                assert "no memory left" in shown(daemon)
        stopped = daemon.stop()
    assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
    assert troubles(daemon, "store") == ["store_blocked", "store_restored"]
    assert troubles(daemon, "journal") == []
    assert heard_troubles(ear) == ["failed", "restored"]
    assert list(verify(daemon.data)) == []


def test_where_no_page_of_memory_can_be_had_it_reads_on_and_all_comes_back(tmp_path: Path, ear: Ear) -> None:
    """The address space ends far below what the daemon has: what is loaded late fails half way."""
    more = "[page]\nport = 0\n[journal]\nsegment_s = 5\n"
    with Line() as line, running(one_pad(tmp_path, line, more, ear.port)) as daemon:
        with Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            time.sleep(1.0)
            with reading_on_within(daemon, ear, 1_000_000):
                answers = [first_answer(daemon) for _ in range(4)]
            assert "Store restored" in first_answer(daemon)[1]
        stopped = daemon.stop()
    for status, text in answers:
        assert status == 200 or (status == 503 and text.startswith("This PC has no memory left for the page"))
    assert [row["detail"] for row in daemon.log() if row["event"] == "hangs"] == []
    assert "Traceback" not in daemon.log_file.read_text()
    assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
    assert troubles(daemon, "store")[:2] == ["store_blocked", "store_restored"]
    assert troubles(daemon, "journal") == []
    assert list(verify(daemon.data)) == []


@contextmanager
def reading_on_within(daemon: Running, ear: Ear, most_bytes: int) -> Iterator[None]:
    """Let no more address space be had: sealing waits while readings are published and kept, then goes on."""
    pid = daemon.process.pid
    resource.prlimit(pid, resource.RLIMIT_AS, (most_bytes, resource.RLIM_INFINITY))
    daemon.wait_for("store_blocked", 40.0)
    yield
    live, kept = ear.live, bytes_by_port(daemon.data)["P1"]
    time.sleep(2.0)
    assert ear.live > live
    assert bytes_by_port(daemon.data)["P1"] > kept
    resource.prlimit(pid, resource.RLIMIT_AS, (resource.RLIM_INFINITY,) * 2)
    daemon.wait_for("store_restored", 40.0)


def first_answer(daemon: Running) -> tuple[int, str]:
    """Status and beginning of what the page answers to somebody who comes now."""
    try:
        return 200, shown(daemon)
    except HTTPError as refused:
        return refused.code, refused.read().decode()


def test_a_fault_of_our_own_ends_it_in_words_and_what_came_in_is_kept(tmp_path: Path) -> None:
    """What waits for the disk is written before the end: here nothing would be for a minute."""
    with Line() as line:
        file = one_pad(tmp_path, line, "[page]\nenabled = false\n[journal]\nfsync_ms = 60000\n")
        with running(file, FAULTY) as daemon, Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            assert not list(daemon.data.glob("journal/run-*/*"))
            daemon.process.send_signal(signal.SIGUSR1)
            assert daemon.process.wait(20) == 1, "the service is started again"
    assert "MemoryError" in next(row for row in daemon.log() if row["event"] == "fault")["exception"]
    assert bytes_by_port(daemon.data)["P1"] > 300


def test_a_fault_in_tidying_is_told_and_neither_ends_the_daemon_nor_the_tidying(tmp_path: Path) -> None:
    with Line() as line:
        file = one_pad(
            tmp_path, line, "[page]\nenabled = false\n[retention]\nfree_bytes = 1_000_000_000_000_000\n"
        )
        with running(file) as daemon, Talker({"P1": line}):
            daemon.wait_for("pad", pad="P1", condition="empty")
            daemon.stop()
        with running(file, FAULTY, FAULT="tidy") as daemon, Talker({"P1": line}):
            daemon.wait_for("store_not_tidied")
            assert "KeyError" in daemon.wait_for("fault")["exception"]
            sealed = daemon.data / "journal" / find_runs(daemon.data)[0].name / "segment-000001.arrows"
            end = time.monotonic() + 10
            while sealed.exists():  # it is short of space, and this was sealed
                assert time.monotonic() < end
                time.sleep(0.1)
            daemon.stop()


def remount(folder: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", folder], check=True)


def test_a_ledger_that_is_none_any_more_is_set_aside_and_a_newer_one_is_not_touched(tmp_path: Path) -> None:
    with Line() as line:
        file = config(tmp_path, {"P1": line.device}, "[page]\nenabled = false\n")
        file.write_text(file.read_text().replace('spot = "S1"\n', ""))
        ledger = tmp_path / "data" / "ledger.db"
        ledger.parent.mkdir()
        ledger.write_bytes(b"no database" * 1000)
        with running(file) as daemon:
            told = daemon.wait_for("ledger_lost")["detail"]
            daemon.wait_for("running")
            daemon.stop()
        (kept,) = (tmp_path / "data" / "quarantine").glob("ledger-*.db")
        assert str(kept) in told
        assert kept.read_bytes() == b"no database" * 1000
        with closing(sqlite3.connect(ledger)) as db:
            db.execute("PRAGMA user_version = 99")
        before = ledger.read_bytes()
        with running(file) as daemon:
            assert daemon.process.wait(20) == 2, "the service is not started again"
        assert "ledger.db: was written by a newer restpoint (schema 99)" in daemon.log_file.read_text()
        assert "Traceback" not in daemon.log_file.read_text()
        assert ledger.read_bytes() == before
