"""The two clocks of the program: monotonic time orders and measures, wall time labels."""

from __future__ import annotations

import time
from datetime import UTC, datetime

NS = 1_000_000_000
CLOCK_SET_NS = 1_767_225_600 * NS
"""2026-01-01: wall time before this is that of a computer whose clock was not set since it started."""
_MONOTONIC = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Counts the time of a suspended computer too, which CLOCK_MONOTONIC does not (clock_gettime(2)): a car that
stood on the pads while the computer slept stood there for that long."""


def now_ns() -> tuple[int, int]:
    """Return (t_mono_ns, t_wall_ns): monotonic and wall time, both int nanoseconds, read back to back."""
    return time.clock_gettime_ns(_MONOTONIC), time.time_ns()


def slept_ns() -> int:
    """For how long (ns, to some microseconds) the computer was suspended since it was booted."""
    return time.clock_gettime_ns(_MONOTONIC) - time.monotonic_ns()


def wall_text(t_wall_ns: int) -> str:
    """Write a wall time as ISO 8601 in UTC to the millisecond."""
    moment = datetime.fromtimestamp(t_wall_ns // NS, UTC).replace(microsecond=t_wall_ns % NS // 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
