"""Plays a scenario into serial lines: pseudo-terminals that a program opens like any port.

A real line keeps nothing back for a reader that sleeps, so bytes that find the line full are dropped and
counted, never waited for.
"""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers.sim.scenario import Play, Scenario, Tick
from drivers.sim.wire import PadLine, SharedLine


class Line:
    """One pseudo-terminal in raw mode: `device` is the path to open, `write` sends bytes out of it.

    The far end is left for the reader: a program may well refuse a device that another holds open.
    """

    def __init__(self) -> None:
        self._near, far = os.openpty()
        tty.setraw(far)
        self.device = os.ttyname(far)
        os.close(far)
        os.set_blocking(self._near, False)
        self.written = self.dropped = 0

    def write(self, data: bytes) -> None:
        """Send what the line takes; count the rest as dropped."""
        try:
            done = os.write(self._near, data) if data else 0
        except BlockingIOError:
            done = 0
        self.written += done
        self.dropped += len(data) - done

    def write_all(self, data: bytes, within_s: float = 60.0) -> None:
        """Send everything, waiting while the line is full: for who asks what becomes of every byte.

        TimeoutError when nobody reads for so long; what was not sent then counts as dropped.
        """
        end = time.monotonic() + within_s
        while data:
            try:
                done = os.write(self._near, data)
            except BlockingIOError:
                done = 0
            self.written += done
            data = data[done:]
            if data and not done:
                if time.monotonic() > end:
                    self.dropped += len(data)
                    raise TimeoutError(f"nobody reads {self.device}")
                time.sleep(0.002)

    def unplug(self) -> None:
        """Take the device away, as pulling a plug does; whoever reads it sees the end. Twice does no harm."""
        if self._near >= 0:
            os.close(self._near)
        self._near = -1

    def __enter__(self) -> Line:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()


@dataclass(frozen=True, kw_only=True)
class Channel:
    """Who sends what: bytes for a tick, where they go, and how late in the tick (share of its length)."""

    encode: Callable[[Tick], bytes]
    write: Callable[[bytes], None]
    phase: float = 0.0


def line_for_each(
    scenario: Scenario, layout: str = "stx-etx-xor", *, noise: float = 0.0
) -> tuple[dict[str, Line], list[Channel]]:
    """Open a line for each pad, sending one after the other within a tick; lines by pad."""
    lines = {pad: Line() for pad in scenario.pads}
    channels = [
        Channel(
            encode=PadLine(layout, pad, seed=scenario.seed, noise=noise),
            write=line.write,
            phase=n / len(lines),
        )
        for n, (pad, line) in enumerate(lines.items())
    ]
    return lines, channels


def line_for_all(scenario: Scenario, *, noise: float = 0.0) -> tuple[Line, list[Channel]]:
    """Open one line on which a receiver sends all pads in one message (`four-in-one`)."""
    line = Line()
    encode = SharedLine(tuple(scenario.pads), seed=scenario.seed, noise=noise)
    return line, [Channel(encode=encode, write=line.write)]


class Player:
    """Plays a scenario in a thread of its own, each tick when its time has come; `start` again plays anew.

    `clock` gives seconds that never go back; `speed` 2 plays twice as fast (the car then seems to swing
    twice as fast: for a shorter afternoon shorten its rests instead). `report` gets a line for every act.
    """

    def __init__(
        self,
        scenario: Scenario,
        channels: Sequence[Channel],
        *,
        clock: Callable[[], float] = time.monotonic,
        speed: float = 1.0,
        report: Callable[[str], None] | None = None,
    ) -> None:
        self.scenario, self._channels = scenario, sorted(channels, key=lambda c: c.phase)
        self._clock, self._speed, self._report = clock, speed, report
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.play: Play | None = None
        """The run being played, with its truths so far; None before the first start."""

    def start(self) -> None:
        """Begin at the beginning; a run still going is stopped first."""
        self.stop()
        self._stop.clear()
        self.play = self.scenario.play()
        self._thread = threading.Thread(target=self._run, args=(self.play,), name="player", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop within a tick."""
        self._stop.set()
        self.join()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of the run; False when it goes on after the timeout."""
        if self._thread is not None:
            self._thread.join(timeout_s)
        return not self.running()

    def running(self) -> bool:
        """Whether a run is going on."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self, play: Play) -> None:
        began, act = self._clock(), ""
        for tick in play:
            if tick.act != act:
                act = tick.act
                self._say(tick)
            for channel in self._channels:
                due = tick.t_s + channel.phase / self.scenario.rate_Hz
                if not self._wait_until(began + due / self._speed):
                    return
                channel.write(channel.encode(tick))

    def _wait_until(self, due: float) -> bool:
        while not self._stop.is_set():
            left = due - self._clock()
            if left <= 0:
                return True
            self._stop.wait(min(left, 0.1))
        return False

    def _say(self, tick: Tick) -> None:
        if self._report is not None:
            self._report(f"{tick.t_s:5.1f} s of {self.scenario.lasts_s():.0f} s: {tick.act}")
