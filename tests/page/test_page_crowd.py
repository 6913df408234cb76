"""Crowds at the page's door: senders that never finish are let go, and however many come, few are held."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from support.knock import knock
from support.served_page import Served, until

from logger.page import connection, web

VIEWERS = 4
MOST = 4 * VIEWERS
"""Connections held at once, as the server is set up."""


@pytest.fixture
def door(monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    monkeypatch.setattr(connection, "REQUEST_S", 0.3)
    monkeypatch.setattr(web, "BODY_S", 0.3)
    served = Served(viewers=VIEWERS)
    served.await_address()
    yield served
    served.stop()


def sender(stack: ExitStack, door: Served, begin: bytes) -> socket.socket:
    """A connection on which so much was sent, and no more."""
    port = int(door.await_address().rpartition(":")[2])
    sock = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=5))
    sock.sendall(begin)
    return sock


def is_let_go(sock: socket.socket) -> bool:
    """Whether the other end has closed, without an answer."""
    try:
        return sock.recv(1) == b""
    except ConnectionResetError:
        return True


@pytest.mark.parametrize("begin", [b"", b"GET / HTTP/1.1\r\nHost: localhost\r\nX-More: "])
def test_who_does_not_ask_in_time_is_let_go(door: Served, begin: bytes) -> None:
    with ExitStack() as stack:
        assert is_let_go(sender(stack, door, begin))
    assert knock(door.await_address(), "GET", "/")[0] == 200


def test_a_second_request_on_a_connection_has_no_more_time(door: Served) -> None:
    with ExitStack() as stack:
        sock = sender(stack, door, b"GET /me HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert sock.recv(4096).startswith(b"HTTP/1.1 200")
        sock.sendall(b"GET / HTTP/1.1\r\nHo")
        while more := sock.recv(4096):
            assert b"HTTP/1.1" not in more


def test_a_body_that_does_not_come_is_refused_in_words(door: Served) -> None:
    address = door.await_address()
    head = f"POST /do/take HTTP/1.1\r\nHost: {address[7:]}\r\nOrigin: {address}\r\n"
    head += "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"
    with ExitStack() as stack:
        said = sender(stack, door, head.encode()).recv(4096)
    assert said.startswith(b"HTTP/1.1 400")
    assert door.commands == []


def test_however_many_come_few_are_held_and_afterwards_all_is_as_before(door: Served) -> None:
    before, mine = files(), 10 * MOST
    with ExitStack() as stack:
        for _ in range(mine):
            sender(stack, door, b"")
        until(lambda: files() > before + mine)
        end, most = time.monotonic() + 0.2, 0
        while time.monotonic() < end:
            most = max(most, files() - before - mine)
    assert most <= MOST + 2 * web.BACKLOG, "besides those held: some on their way in, some on their way out"
    until(lambda: files() <= before)
    assert knock(door.await_address(), "GET", "/")[0] == 200


def files() -> int:
    """Open files of this process, in which the server runs too."""
    return len(os.listdir("/proc/self/fd"))


def test_a_stream_that_is_watched_is_not_hurried(door: Served) -> None:
    with ExitStack() as stack:
        watching = sender(stack, door, b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        got = b""
        while got.count(b"data:") < 4:  # the sign of life comes each second
            more = watching.recv(65536)
            assert more, "let go in the midst of it"
            got += more
