"""`restpoint` whose wall clock begins at 1970 and is stepped by signals; a program for a test.

With AHEAD_S in the environment it begins so many seconds ahead of the time (behind it when negative).

SIGUSR1 sets it right, SIGUSR2 forward by an hour, SIGHUP back by an hour; monotonic time is left alone.
SIGWINCH is an hour's sleep: the wall clock and the clock that counts it go on, CLOCK_MONOTONIC does not.
"""

from __future__ import annotations

import os
import signal
import sys
import time

HOUR_NS = 3600 * 1_000_000_000
real_ns = time.time_ns
real_clock_ns = time.clock_gettime_ns
offset_ns = int(os.environ["AHEAD_S"]) * 1_000_000_000 if "AHEAD_S" in os.environ else -real_ns()
slept_ns = 0


def stepped_ns() -> int:
    """The wall clock as it stands after the steps so far."""
    return real_ns() + offset_ns + slept_ns


def sleeping_ns(clock: int) -> int:
    """All clocks, of which CLOCK_BOOTTIME counts the sleep."""
    return real_clock_ns(clock) + (slept_ns if clock == time.CLOCK_BOOTTIME else 0)


def sleep(_: int, __: object) -> None:
    """Sleep for an hour that is over at once."""
    global slept_ns  # noqa: PLW0603  the clock is one for the whole process
    slept_ns += HOUR_NS


def step(number: int, _: object) -> None:
    """Step the clock as the signal says."""
    global offset_ns  # noqa: PLW0603  the clock is one for the whole process
    to = {signal.SIGUSR1: 0, signal.SIGUSR2: offset_ns + HOUR_NS, signal.SIGHUP: offset_ns - HOUR_NS}
    offset_ns = to[signal.Signals(number)]


time.time_ns = stepped_ns
time.clock_gettime_ns = sleeping_ns
signal.signal(signal.SIGWINCH, sleep)
for known in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGHUP):
    signal.signal(known, step)

from logger.cli import main  # noqa: E402  after the clock was put in place

sys.exit(main())
