"""A device that somebody else holds: who it is is told, and it is taken when it is free."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from support.ptys import MakePty, port, until

from logger import devices
from logger.ports import PortSettings

OTHER = """
import fcntl, os, serial, sys, termios
{}
print(flush=True)
sys.stdin.read()
"""
WAYS = {
    "open": "held = serial.Serial(sys.argv[1])",
    "locked": "held = serial.Serial(sys.argv[1], exclusive=True)",
    "marked": "held = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); fcntl.ioctl(held, termios.TIOCEXCL)",
}


@contextmanager
def holding(device: str, how: str) -> Iterator[subprocess.Popen[bytes]]:
    """Another program that has the device until it is killed."""
    command = [sys.executable, "-c", OTHER.format(WAYS[how]), device]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        try:
            yield other
        finally:
            other.kill()


@pytest.mark.parametrize("how", WAYS)
def test_another_program_on_the_port_is_named_once_and_waited_for(pty: MakePty, how: str) -> None:
    line = pty()
    with holding(line.name, how) as other, port(line.name) as at:
        until(lambda: at.told == ["refused"])
        assert f"(pid {other.pid})" in at.events[0].detail
        line.write(b"for the other")
        time.sleep(0.15)  # several attempts
        assert at.chunks == [], "not one byte may be stolen"
        assert at.told == ["refused"], "the same again is no news"
        other.kill()
        until(lambda: at.told == ["refused", "opened"])


def test_the_next_program_that_takes_the_port_is_named_too(pty: MakePty) -> None:
    line = pty()
    with holding(line.name, "open") as first, port(line.name) as at:
        until(lambda: at.told == ["refused"])
        with holding(line.name, "open") as second:
            first.kill()
            until(lambda: at.told[-1] == "refused" and f"(pid {second.pid})" in at.events[-1].detail)
        until(lambda: at.told[-1] == "opened")


def test_who_locked_it_is_named_even_where_another_user_s_files_cannot_be_seen(
    pty: MakePty, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = pty()
    monkeypatch.setattr(devices, "_has_open", lambda pid, real: False)
    with holding(line.name, "locked") as other:
        assert [holder.pid for holder in devices.holders(line.name)] == [other.pid]
    assert devices.holders(line.name) == []


def test_a_port_is_tried_every_few_seconds() -> None:
    settings = PortSettings(name="barn", device="/dev/not-there")
    assert settings.retry_first_s <= settings.retry_most_s <= 3.0


def test_two_ports_of_one_configuration_cannot_share_a_device(pty: MakePty) -> None:
    line = pty()
    with port(line.name) as first:
        until(lambda: first.told == ["opened"])
        with port(line.name) as second:
            until(lambda: second.told == ["refused"])
            assert "another port of this configuration" in second.events[0].detail
            line.write(b"mine")
            until(lambda: first.data == b"mine")
            assert second.data == b""
