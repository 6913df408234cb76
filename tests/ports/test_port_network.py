"""Port threads on lines over TCP: raw sockets and RFC 2217."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import suppress

import pytest
import serial
from serial import rfc2217
from support.ptys import MakePty, Pty, port, until


def serve() -> tuple[socket.socket, str]:
    server = socket.create_server(("127.0.0.1", 0))
    return server, f"socket://127.0.0.1:{server.getsockname()[1]}"


def test_a_line_over_tcp_that_breaks_is_taken_up_again() -> None:
    server, url = serve()
    with server, port(url) as at:
        with server.accept()[0] as sender:
            sender.sendall(b"one")
            until(lambda: at.data == b"one")
        until(lambda: "lost" in at.told)
        with server.accept()[0] as sender:
            sender.sendall(b"two")
            until(lambda: at.data == b"onetwo")
        assert at.told[:3] == ["opened", "lost", "restored"]


def test_a_line_over_tcp_that_went_dead_is_connected_anew() -> None:
    server, url = serve()
    with server, port(url, idle_s=0.15) as at:
        dead = server.accept()[0]
        until(lambda: at.told == ["opened", "idle"])
        with server.accept()[0] as sender:  # a second connection, without being told that the first is gone
            sender.sendall(b"alive")
            until(lambda: at.data == b"alive")
        dead.close()
        assert at.told[:3] == ["opened", "idle", "restored"]


def test_no_server_is_refused_in_words() -> None:
    server, url = serve()
    server.close()
    with port(url) as at:
        until(lambda: at.told == ["refused"])
        assert "is the server running" in at.events[0].detail
    with port("socket://nonsense") as at:
        until(lambda: at.told == ["refused"])


class _Manager(rfc2217.PortManager):
    def check_modem_lines(self, force_notification: bool = False) -> None:
        """A pseudo-terminal has no modem lines to ask for."""


class _Line(serial.Serial):
    def _update_dtr_state(self) -> None:
        """Nor any to set."""

    _update_rts_state = _update_dtr_state


class Rfc2217Server:
    """A small RFC 2217 server over a pseudo-terminal, with pyserial's own negotiation."""

    def __init__(self, line: Pty) -> None:
        self.server, address = serve()
        self.url = "rfc2217://" + address.removeprefix("socket://") + "?ign_set_control&timeout=1"
        self._line = _Line(line.name, timeout=0)
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                self._client = self.server.accept()[0]
                self._client.settimeout(0.02)
                with self._client, suppress(OSError):
                    self._carry(self._client)

    def _carry(self, client: socket.socket) -> None:
        connection = type("Connection", (), {"write": staticmethod(client.sendall)})()
        manager = _Manager(self._line, connection)
        while True:
            with suppress(TimeoutError):
                said = client.recv(1024)
                if not said:
                    return
                self._line.write(b"".join(manager.filter(said)))
            client.sendall(b"".join(manager.escape(self._line.read(1024))))

    def drop(self) -> None:
        assert self._client is not None
        self._client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()
        if self._client is not None:
            with suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)
        self._thread.join(3)
        self._line.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name)")  # pyserial 3.5 predates the warning
def test_a_line_over_rfc2217_is_read_lost_and_taken_up_again(pty: MakePty) -> None:
    line = pty()
    server = Rfc2217Server(line)
    try:
        with port(server.url) as at:
            until(lambda: at.told == ["opened"])
            time.sleep(0.2)  # the client's opening purge is still under way to the server
            sent = bytes(range(256))
            line.write(sent)
            until(lambda: at.data == sent)
            server.drop()
            until(lambda: "lost" in at.told)
            until(lambda: at.told[-1] == "restored")
            time.sleep(0.2)
            line.write(b"again")
            until(lambda: at.data.endswith(b"again"))
    finally:
        server.close()
