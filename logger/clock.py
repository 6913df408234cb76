"""The two clocks of the program: monotonic time orders and measures, wall time labels."""

from __future__ import annotations

import time
from datetime import UTC, datetime

NS = 1_000_000_000


def now_ns() -> tuple[int, int]:
    """Return (t_mono_ns, t_wall_ns): monotonic and wall time, both int nanoseconds, read back to back."""
    return time.monotonic_ns(), time.time_ns()


def wall_text(t_wall_ns: int) -> str:
    """Write a wall time as ISO 8601 in UTC to the millisecond."""
    moment = datetime.fromtimestamp(t_wall_ns // NS, UTC).replace(microsecond=t_wall_ns % NS // 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
