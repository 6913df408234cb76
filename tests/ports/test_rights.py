"""What a user without rights is told of a line, by such a user: root makes the line and becomes nobody."""

from __future__ import annotations

import grp
import os
import pwd
import tty
from collections.abc import Callable, Iterator

import pytest

from drivers.api import SerialSettings
from logger import devices
from logger.transports import PortRefused, transport_for

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
NOBODY = "nobody"


def as_nobody(ask: Callable[[], str], groups: list[int]) -> str:
    """What a child of this process says that has become nobody, with some more groups."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            entry = pwd.getpwnam(NOBODY)
            os.setgroups(groups)
            os.setgid(entry.pw_gid)
            os.setuid(entry.pw_uid)
            os.write(writing, ask().encode())
        except BaseException as fault:
            os.write(writing, f"fault: {fault!r}".encode())
        finally:
            os._exit(0)
    os.close(writing)
    with open(reading, encoding="utf-8") as told:
        said = told.read()
    os.waitpid(child, 0)
    return said


@pytest.fixture
def line() -> Iterator[str]:
    far, near = os.openpty()
    tty.setraw(near)
    name = os.ttyname(near)
    os.close(near)
    yield name
    os.close(far)


def opened(path: str) -> str:
    """Open the port as the daemon does; what it is told, or "opened"."""
    waking, wake = os.pipe()
    transport = transport_for(path, SerialSettings(), waking)
    try:
        transport.open()
    except PortRefused as why:
        return str(why)
    finally:
        transport.close()
        os.close(waking)
        os.close(wake)
    return "opened"


@pytest.fixture
def dialout(line: str) -> int:
    """The line belongs to root and to group dialout, as serial lines do."""
    try:
        gid = grp.getgrnam("dialout").gr_gid
    except KeyError:
        pytest.skip("this system has no group dialout")
    os.chown(line, 0, gid)
    os.chmod(line, 0o660)
    return gid


def test_the_group_that_helps_is_named_and_helps(line: str, dialout: int) -> None:
    told = as_nobody(lambda: devices.forbidden(line), [])
    assert told == f"user nobody may not open {line}: `sudo usermod -aG dialout nobody`, and log in again"
    assert as_nobody(lambda: opened(line), []) == told
    assert as_nobody(lambda: devices.forbidden(line), [dialout]) == ""
    assert as_nobody(lambda: opened(line), [dialout]) == "opened"


def test_where_no_group_may_open_it_none_is_named(line: str, dialout: int) -> None:
    """A group that may not open it either is no help, and nobody is ever sent into root's."""
    os.chmod(line, 0o600)
    told = as_nobody(lambda: devices.forbidden(line), [dialout])
    assert "usermod" not in told
    assert "let a udev rule give it to one" in told
    assert as_nobody(lambda: opened(line), [dialout]) == told
    os.chown(line, 0, 0)
    os.chmod(line, 0o660)
    assert "usermod" not in as_nobody(lambda: devices.forbidden(line), [])


def test_who_locked_it_is_named_to_a_user_who_cannot_see_files_of_others(line: str, dialout: int) -> None:
    waking, wake = os.pipe()
    held = transport_for(line, SerialSettings(), waking)
    held.open()  # by root, and locked
    try:
        told = as_nobody(lambda: opened(line), [dialout])
    finally:
        held.close()
        os.close(waking)
        os.close(wake)
    assert f"(pid {os.getpid()})" in told
    assert "end that program first" in told
