"""A demo that is cut short: it says why, and none of its programs outlives it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from support import absent
from support.mosquitto import MOSQUITTO


def children(pid: int) -> dict[int, str]:
    """Command lines of a program's children, by pid."""
    found = {}
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        with suppress(OSError):
            found[int(child)] = Path(f"/proc/{child}/cmdline").read_text().replace("\0", " ")
    return found


def gone(pid: int) -> bool:
    """Whether a program has ended, be it that nobody has asked for its exit code yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A demo whose bays are up."""
    if MOSQUITTO is None:
        absent("mosquitto (apt install mosquitto)")
    command = [sys.executable, "-m", "logger.cli", "demo", "--out", str(tmp_path / "out")]
    with subprocess.Popen(command, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as process:
        assert process.stdout is not None
        up = 0
        while up < 2:
            line = process.stdout.readline()
            assert line, "the demo ended before its bays were up"
            up += " is up, its page at " in line
        yield process
        process.kill()


def test_a_broker_that_goes_ends_the_demo_in_words_and_both_bays_with_it(
    demo: subprocess.Popen[str],
) -> None:
    started = children(demo.pid)
    broker = next(pid for pid, command in started.items() if "mosquitto" in command)
    os.kill(broker, signal.SIGKILL)
    printed = demo.communicate(timeout=40)[0]
    assert demo.returncode == 1
    assert "the demo stopped: the bus went away" in printed
    assert "never retrieved" not in printed
    assert "Traceback" not in printed
    assert len(started) == 3
    assert all(map(gone, started))


def test_a_demo_that_is_killed_takes_its_bays_and_its_broker_along(demo: subprocess.Popen[str]) -> None:
    started = children(demo.pid)
    assert len(started) == 3
    demo.kill()
    end = time.monotonic() + 20
    while not all(map(gone, started)):
        assert time.monotonic() < end, {pid: command for pid, command in started.items() if not gone(pid)}
        time.sleep(0.05)
