"""systemd's watchdog is fed only while readers, journal and loop come round, by sd_notify(3)."""

from __future__ import annotations

import signal
import socket
import time
from contextlib import ExitStack
from pathlib import Path

import pytest
from support.running import Talker, bytes_by_port, config, running

from drivers.sim.player import Line
from logger.notify import notify

STALLING = [str(Path(__file__).parents[1] / "support" / "stalling.py")]
HANGING: dict[str, list[str]] = {
    "reader": ["port P1"],
    "journal": ["journal"],
    "loop": [],
    "store": [],
}
"""What the log then names; a loop that hangs writes none, and a thread that ended ends the daemon."""
PARTS = tuple(HANGING)


class Systemd:
    """The end of NOTIFY_SOCKET that systemd listens at."""

    def __init__(self, path: Path) -> None:
        self.path = str(path)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.path)
        self.heard: list[str] = []

    def listen(self, until_heard: str, within_s: float) -> bool:
        """Note datagrams until one is heard; False when it is not in time."""
        end = time.monotonic() + within_s
        while (left := end - time.monotonic()) > 0:
            self.socket.settimeout(left)
            try:
                self.heard.append(self.socket.recv(4096).decode())
            except TimeoutError:
                return False
            if self.heard[-1] == until_heard:
                return True
        return False

    def drain(self) -> int:
        """Take what waits; how many times the watchdog was fed."""
        fed = 0
        self.socket.setblocking(False)
        try:
            while True:
                fed += self.socket.recv(4096) == b"WATCHDOG=1"
        except BlockingIOError:
            return fed


def test_a_stalled_reader_journal_store_or_loop_starves_the_watchdog(tmp_path: Path) -> None:
    with ExitStack() as stack:
        started = []
        for part in PARTS:
            folder = tmp_path / part
            folder.mkdir()
            line = stack.enter_context(Line())
            stack.enter_context(Talker({"P1": line}))
            file = config(folder, {"P1": line.device}, "[page]\nenabled = false\n")
            file.write_text(file.read_text().replace('spot = "S1"\n', ""))
            systemd = Systemd(folder / "notify")
            environment = {"STALL": part, "NOTIFY_SOCKET": systemd.path}
            started.append((part, systemd, stack.enter_context(running(file, STALLING, **environment))))
        for part, systemd, daemon in started:
            assert systemd.listen("READY=1", 15), (part, daemon.log_file.read_text())
            assert systemd.listen("WATCHDOG=1", 3)
            assert systemd.listen("WATCHDOG=1", 3), "fed again and again"
            daemon.process.send_signal(signal.SIGUSR1)
        time.sleep(1.6)  # patience and what was under way
        for _ in range(10):  # a machine that is late may have one feed under way still
            for _, systemd, _ in started:
                systemd.drain()
            time.sleep(0.8)
            fed = {part: systemd.drain() for part, systemd, _ in started}
            if not any(fed.values()):
                break
        assert fed == dict.fromkeys(PARTS, 0)
        for part, systemd, daemon in started:
            hanging = [row["part"] for row in daemon.log() if row["event"] == "hangs"]
            assert hanging == HANGING[part]
            if part == "store":
                assert daemon.process.wait(20) == 1, "started again, watchdog or not"
                (fault,) = (row for row in daemon.log() if row["event"] == "fault")
                assert "the thread of store has ended" in fault["exception"]
                assert bytes_by_port(daemon.data)["P1"] > 0
            systemd.socket.close()


def test_notify_sends_one_datagram_and_is_silent_where_nobody_listens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify("READY=1")
    for address in (str(tmp_path / "notify"), "@restpoint-test-of-notify"):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
            heard.bind(address.replace("@", "\0"))
            monkeypatch.setenv("NOTIFY_SOCKET", address)
            assert notify("WATCHDOG=1")
            assert heard.recv(100) == b"WATCHDOG=1"
