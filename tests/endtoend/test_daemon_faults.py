"""What goes wrong around a running daemon: one pad's trouble stays its own, and nothing ends the program."""

from __future__ import annotations

import os
import socket
import sqlite3
import subprocess
import time
from contextlib import closing, suppress
from pathlib import Path

from support import absent
from support.running import PADS, Talker, bytes_by_port, config, running

from drivers.sim.player import Line


def test_absent_unplugged_and_flooding_ports_leave_the_others_alone(tmp_path: Path) -> None:
    lines = {pad: Line() for pad in PADS[:3]}
    devices = {pad: line.device for pad, line in lines.items()} | {"P4": "/dev/not-there"}
    with running(config(tmp_path, devices)) as daemon, Talker({"P1": lines["P1"], "P2": lines["P2"]}) as talk:
        daemon.wait_for("port", port="P4", event_name="refused")
        daemon.wait_for("port", port="P1", event_name="opened")
        noise = os.urandom(1 << 16)
        end = time.monotonic() + 3.0
        while time.monotonic() < end:
            lines["P3"].write(noise)
            time.sleep(0.01)
        del talk.lines["P2"]
        lines["P2"].unplug()
        daemon.wait_for("port", port="P2", event_name="lost")
        daemon.wait_for("pad", pad="P2", condition="silent")
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


def test_a_full_disk_is_said_once_and_once_when_it_is_over(tmp_path: Path) -> None:
    small = tmp_path / "data"
    small.mkdir()
    if os.geteuid() != 0:
        absent("mounting a small tmpfs needs root")
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", small], check=False)
    if mounted.returncode != 0:
        absent("tmpfs cannot be mounted here")
    try:
        with Line() as line:
            file = config(tmp_path, {"P1": line.device})
            file.write_text(file.read_text().replace('spot = "S1"\n', ""))
            with running(file) as daemon, Talker({"P1": line}):
                daemon.wait_for("pad", pad="P1", condition="empty")
                ballast = small / "ballast"
                fill(ballast)
                daemon.wait_for("journal_blocked")
                said = daemon.wait_for("said")["text"]
                assert "No space left" in said
                time.sleep(1.0)
                ballast.unlink()
                daemon.wait_for("journal_restored")
                stopped = daemon.stop()
            assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
            assert sum(row["event"] == "journal_blocked" for row in daemon.log()) == 1
    finally:
        subprocess.run(["umount", small], check=True)


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
