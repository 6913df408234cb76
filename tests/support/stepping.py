"""`restpoint` whose wall clock begins at 1970 and is stepped by signals; a program for a test.

SIGUSR1 sets it right, SIGUSR2 forward by an hour, SIGHUP back by an hour. Monotonic time is left alone.
"""

from __future__ import annotations

import signal
import sys
import time

HOUR_NS = 3600 * 1_000_000_000
real_ns = time.time_ns
offset_ns = -real_ns()


def stepped_ns() -> int:
    """The wall clock as it stands after the steps so far."""
    return real_ns() + offset_ns


def step(number: int, _: object) -> None:
    """Step the clock as the signal says."""
    global offset_ns  # noqa: PLW0603  the clock is one for the whole process
    to = {signal.SIGUSR1: 0, signal.SIGUSR2: offset_ns + HOUR_NS, signal.SIGHUP: offset_ns - HOUR_NS}
    offset_ns = to[signal.Signals(number)]


time.time_ns = stepped_ns
for known in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGHUP):
    signal.signal(known, step)

from logger.cli import main  # noqa: E402  after the clock was put in place

sys.exit(main())
