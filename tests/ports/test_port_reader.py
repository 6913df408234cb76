"""Port threads on real pseudo-terminals: unplugged, swapped, silent, flooded."""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest
from support.ptys import MakePty, Pty, port, until

from drivers.api import SerialSettings
from logger.model import Chunk, PortEvent
from logger.ports import PortReader, PortSettings


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


def test_two_ports_that_swap_names_keep_their_pads(pty: MakePty, tmp_path: Path) -> None:
    """Identities stay with their adapters, whatever the kernel calls these after they were replugged."""
    places = {name: tmp_path / name for name in ("adapter-a", "adapter-b")}
    before, after = (pty(), pty()), (pty(), pty())
    for place, line in zip(places.values(), before, strict=True):
        place.symlink_to(line.name)
    with port(str(places["adapter-a"])) as a, port(str(places["adapter-b"])) as b:
        until(lambda: a.told == b.told == ["opened"])
        before[0].write(b"a1")
        before[1].write(b"b1")
        until(lambda: (a.data, b.data) == (b"a1", b"b1"))
        for place, line in zip(places.values(), before, strict=True):
            place.unlink()
            line.unplug()
        until(lambda: "refused" in a.told and "refused" in b.told)
        for place, line in zip(places.values(), reversed(after), strict=True):
            place.symlink_to(line.name)
        until(lambda: a.told[-1] == b.told[-1] == "restored")
        after[1].write(b"a2")
        after[0].write(b"b2")
        until(lambda: (a.data, b.data) == (b"a1a2", b"b1b2"))


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

    def flood() -> None:  # as fast as the line takes it: it is made to wait at first
        nonlocal sent
        os.set_blocking(noisy.master, False)
        while not over.is_set():
            with suppress(BlockingIOError):
                sent += os.write(noisy.master, noise)
            over.wait(0.004)

    with port(noisy.name) as loud, port(quiet.name) as at:
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


def flood(line: Pty, seconds: float, bytes_per_s: int) -> int:
    """Send noise at this rate, as far as the line takes it; return how many bytes it took."""
    os.set_blocking(line.master, False)
    noise, began_s, sent = os.urandom(4096), time.monotonic(), 0
    while (now_s := time.monotonic() - began_s) < seconds:
        while sent < now_s * bytes_per_s:
            try:
                sent += os.write(line.master, noise)
            except BlockingIOError:
                break
        time.sleep(0.001)
    return sent


def test_noise_of_more_than_a_megabyte_a_second_is_dropped_and_counted_until_it_ends(pty: MakePty) -> None:
    line = pty()
    with port(line.name, flood_s=0.3) as at:
        until(lambda: at.told == ["opened"])
        sent = flood(line, 1.0, 1_100_000)
        until(lambda: at.told == ["opened", "flooded"])
        taken = at.reader.counts.bytes_read - at.reader.counts.bytes_dropped
        more = flood(line, 3.0, 1_100_000)
        assert more > 3_000_000, "the line took what was sent"
        until(lambda: at.told == ["opened", "flooded", "restored"])
        line.write(b"P1 again\n")
        until(lambda: at.data.endswith(b"P1 again\n"))
        counts = at.reader.counts
    assert counts.bytes_read == sent + more + 9, "every byte was read"
    assert counts.bytes_read - counts.bytes_dropped == taken + 9 == len(at.data)
    assert taken < 250_000 * 0.3 + 60_000
    assert f"{counts.bytes_dropped} bytes of noise were dropped" in at.events[-1].detail


def test_what_a_network_held_back_for_long_comes_at_once_and_none_is_lost(pty: MakePty) -> None:
    line = pty()
    with port(line.name, most_bytes_per_s=1_000_000) as at:
        until(lambda: at.told == ["opened"])
        sent = flood(line, 2.0, 4_000_000)
        until(lambda: len(at.data) == sent)
        assert at.told == ["opened"]
        assert at.reader.counts.bytes_dropped == 0


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
