"""Port threads on real pseudo-terminals and sockets: unplugged, swapped, held, silent, flooded."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
import serial
from serial import rfc2217

from drivers.api import SerialSettings
from logger.model import Chunk, PortEvent
from logger.ports import PortReader, PortSettings


def until(true: Callable[[], object], within_s: float = 5.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.005)


class Pty:
    """A pseudo-terminal: `master` is the sender's end, `name` the device a port opens."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self._slave = slave

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    def let_go(self) -> None:
        """Close our own hold on the device; from now on only the port has it."""
        os.close(self._slave)
        self._slave = -1

    def unplug(self) -> None:
        for fd in (self.master, self._slave):
            with suppress(OSError):
                os.close(fd)
        self.master = self._slave = -1


@dataclass
class Port:
    """A reader at work and all it told."""

    reader: PortReader
    chunks: list[Chunk]
    events: list[PortEvent]

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def told(self) -> list[str]:
        return [event.event for event in self.events]


@contextmanager
def port(
    device: str,
    request: Callable[[int], bytes | None] | None = None,
    full: bool = False,
    **settings: object,
) -> Iterator[Port]:
    quick = {"retry_first_s": 0.02, "retry_most_s": 0.1, **settings}
    made = PortSettings(name="barn", device=device, **quick)  # type: ignore[arg-type]  # test settings by name

    chunks: list[Chunk] = []
    events: list[PortEvent] = []

    def take(chunk: Chunk) -> bool:
        chunks.append(chunk)
        return not full

    at = Port(PortReader(made, request, take, events.append), chunks, events)
    at.reader.start()
    try:
        yield at
    finally:
        at.reader.stop()
        assert not at.reader.alive()


@pytest.fixture
def pty() -> Iterator[Callable[[], Pty]]:
    made: list[Pty] = []

    def make() -> Pty:
        made.append(Pty())
        return made[-1]

    yield make
    for one in made:
        one.unplug()


MakePty = Callable[[], Pty]


def test_every_byte_comes_in_order_with_times_that_go_forward(pty: MakePty) -> None:
    line = pty()
    with port(line.name) as at:
        until(lambda: at.told == ["opened"])
        sent = bytes(range(256)) * 40
        for start in range(0, len(sent), 97):
            line.write(sent[start : start + 97])
        until(lambda: len(at.data) == len(sent))
        assert at.data == sent, "nothing may be translated, XON and XOFF bytes included"
        times = [chunk.t_mono_ns for chunk in at.chunks]
        assert times == sorted(times)
        assert abs(at.chunks[-1].t_wall_ns - time.time_ns()) < 5_000_000_000
        assert at.reader.counts.bytes_read == len(sent)


def test_a_chunk_is_stamped_when_it_comes(pty: MakePty) -> None:
    line = pty()
    late_ns = []
    with port(line.name) as at:
        until(lambda: at.told == ["opened"])
        for number in range(100):
            before_ns = time.monotonic_ns()
            line.write(b"%03d\n" % number)
            until(lambda number=number: len(at.chunks) == number + 1)
            late_ns.append(at.chunks[-1].t_mono_ns - before_ns)
    assert sorted(late_ns)[50] < 5_000_000


def test_unplugged_and_back_under_another_name(pty: MakePty, tmp_path: Path) -> None:
    link = tmp_path / "by-id-of-the-adapter"
    first, second = pty(), pty()
    link.symlink_to(first.name)
    with port(str(link)) as at:
        until(lambda: at.told == ["opened"])
        first.write(b"before")
        until(lambda: at.data == b"before")
        link.unlink()
        first.unplug()
        until(lambda: "lost" in at.told)
        until(lambda: at.told[-1] == "refused")
        assert "is it plugged in?" in at.events[-1].detail
        link.symlink_to(second.name)
        until(lambda: at.told[-1] == "restored")
        assert second.name in at.events[-1].detail
        second.write(b"after")
        until(lambda: at.data == b"beforeafter")
        assert at.told == ["opened", "lost", "refused", "restored"]
        assert at.reader.counts.losses == 1


def test_a_port_that_is_not_there_is_told_once_and_taken_up_later(pty: MakePty, tmp_path: Path) -> None:
    link, line = tmp_path / "later", pty()
    with port(str(link)) as at:
        until(lambda: at.told == ["refused"])
        time.sleep(0.3)  # several attempts
        assert at.told == ["refused"], "the same again is no news"
        link.symlink_to(line.name)
        until(lambda: at.told == ["refused", "opened"])


def test_an_unknown_identity_is_refused_with_the_next_step() -> None:
    with port("usb:NOT-THERE") as at:
        until(lambda: at.told == ["refused"])
        assert "restpoint ports" in at.events[0].detail


OTHER = "import serial, sys; p = serial.Serial(sys.argv[1]{}); print(flush=True); sys.stdin.read()"


@pytest.mark.parametrize("how", ["", ", exclusive=True"])
def test_another_program_on_the_port_is_named_and_waited_for(pty: MakePty, how: str) -> None:
    line = pty()
    command = [sys.executable, "-c", OTHER.format(how), line.name]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with port(line.name) as at:
            until(lambda: at.told == ["refused"])
            assert f"(pid {other.pid})" in at.events[0].detail
            line.write(b"for the other")
            time.sleep(0.15)
            assert at.chunks == [], "not one byte may be stolen"
            other.kill()
            until(lambda: at.told == ["refused", "opened"])


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


def test_silence_is_told_once_and_its_end_too(pty: MakePty) -> None:
    line = pty()
    with port(line.name, idle_s=0.1) as at:
        until(lambda: at.told == ["opened", "idle"])
        time.sleep(0.3)
        assert at.told == ["opened", "idle"]
        line.write(b"again")
        until(lambda: at.told == ["opened", "idle", "restored"])
        assert at.events[-1].t_mono_ns <= at.chunks[0].t_mono_ns, "the journal's order is the true one"


def test_a_flood_on_one_port_does_not_delay_another(pty: MakePty) -> None:
    noisy, quiet = pty(), pty()
    over = threading.Event()
    noise = os.urandom(4096)
    sent = 0

    def flood() -> None:  # as fast as the line takes it, 1 MB/s wanted
        nonlocal sent
        os.set_blocking(noisy.master, False)
        while not over.is_set():
            with suppress(BlockingIOError):
                sent += os.write(noisy.master, noise)
            over.wait(0.004)

    with port(noisy.name, most_bytes_per_s=250_000) as loud, port(quiet.name) as at:
        until(lambda: at.told == ["opened"] and loud.told == ["opened"])
        sender = threading.Thread(target=flood)
        sender.start()
        try:
            began_s, late_ns = time.monotonic(), []
            for number in range(80):  # a pad at 80 Hz for a second
                before_ns = time.monotonic_ns()
                quiet.write(b"%04d\n" % number)
                until(lambda number=number: len(at.data) == 5 * (number + 1))
                late_ns.append(at.chunks[-1].t_mono_ns - before_ns)
                time.sleep(1 / 80)
            took_s = time.monotonic() - began_s
        finally:
            over.set()
            sender.join()
    assert at.data == b"".join(b"%04d\n" % number for number in range(80))
    late_ns.sort()
    assert late_ns[40] < 20_000_000, "starved would be a matter of seconds"
    assert late_ns[75] < 200_000_000
    read = loud.reader.counts.bytes_read
    assert read > 100_000 * took_s, "the noise was a flood"
    assert read < 300_000 * took_s + 30_000, "and it got its share, no more"
    assert max(len(chunk.data) for chunk in loud.chunks) <= 4096


def test_what_nobody_takes_is_counted_and_never_waited_for(pty: MakePty) -> None:
    line = pty()
    with port(line.name, full=True) as at:
        until(lambda: at.told == ["opened"])
        line.write(b"12345")
        until(lambda: at.reader.counts.bytes_dropped == 5)
        assert at.reader.counts.bytes_read == 5


def test_a_fault_behind_the_port_is_told_and_does_not_end_it(pty: MakePty) -> None:
    line = pty()
    events: list[PortEvent] = []
    got: list[bytes] = []

    def take(chunk: Chunk) -> bool:
        got.append(chunk.data)
        if len(got) == 1:
            raise RuntimeError("a fault further on")
        return True

    reader = PortReader(
        PortSettings(name="barn", device=line.name, retry_first_s=0.02), None, take, events.append
    )
    reader.start()
    try:
        until(lambda: events)
        line.write(b"one")
        until(lambda: [e.event for e in events] == ["opened", "lost", "restored"])
        assert "a fault further on" in events[1].detail
        line.write(b"two")
        until(lambda: got == [b"one", b"two"])
    finally:
        reader.stop()


def test_polled_indicators_are_asked_when_the_driver_says(pty: MakePty) -> None:
    line = pty()
    asked_ns: list[int] = []

    def request(t_mono_ns: int) -> bytes | None:
        if asked_ns and t_mono_ns - asked_ns[-1] < 50_000_000:
            return None
        asked_ns.append(t_mono_ns)
        return b"W\r"

    with port(line.name, request) as at:
        until(lambda: at.told == ["opened"])
        until(lambda: at.reader.counts.requests >= 5)
        assert os.read(line.master, 100).startswith(b"W\rW\r")
        gaps = [b - a for a, b in pairwise(asked_ns)]
        assert min(gaps) >= 50_000_000
        assert at.reader.counts.requests_unsent == 0


def test_a_request_nobody_takes_does_not_block_the_port(pty: MakePty) -> None:
    line = pty()
    with port(line.name, lambda _: b"W" * 1000) as at:
        until(lambda: at.told == ["opened"])
        until(lambda: at.reader.counts.requests_unsent > 0)
        line.write(b"still here")
        until(lambda: at.data == b"still here")


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


def test_own_line_settings_go_before_the_layouts() -> None:
    own = PortSettings(name="barn", device="x", baud=19200, rtscts=True)
    line = own.line(SerialSettings(baud=4800, parity="E", bytesize=7, stopbits=2))
    assert line == SerialSettings(baud=19200, parity="E", bytesize=7, stopbits=2, rtscts=True)


def test_stop_bits_that_no_line_has_are_refused() -> None:
    with pytest.raises(ValueError, match="stopbits is 3"):
        PortSettings(name="barn", device="x", stopbits=3)


def test_stopping_twice_or_before_the_start_is_no_fault(pty: MakePty) -> None:
    reader = PortReader(PortSettings(name="barn", device=pty().name), None, lambda _: True, print)
    reader.stop()
    reader.stop()
    assert not reader.alive()


def test_threads_files_and_pipes_are_gone_after_stop(pty: MakePty) -> None:
    files, threads = len(os.listdir("/proc/self/fd")), threading.active_count()
    line = pty()
    for _ in range(5):
        with port(line.name) as at:
            until(lambda: at.told == ["opened"])
    assert len(os.listdir("/proc/self/fd")) <= files + 2
    assert threading.active_count() <= threads
