"""Log lines as JSON on standard error: quiet when well, each fault at most once a minute, with counts.

Under systemd each line begins with its priority (sd-daemon(3)), which journald takes off and keeps.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, MutableMapping
from typing import Any

_modules: dict[str, Any] = sys.modules
_modules.setdefault("rich", None)
# structlog would load rich where it is installed: 0.2 s and 4 MB for a console that this program never draws.

import structlog  # noqa: E402  only now, for the reason above

if _modules["rich"] is None:
    del _modules["rich"]

AGAIN_S = 60.0
"""The same line comes at most so often (s); in between it is counted."""
MOST_KEPT = 1000
"""Different lines remembered at most; beyond that the oldest are forgotten and may come again."""
LOOSE = ("detail", "reason", "time", "level")
"""Fields in which two lines may differ and still be the same fault: figures move, faults stay."""
PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
"""syslog(3) numbers."""

Line = MutableMapping[str, Any]


class Quiet:
    """A structlog processor that lets the same line through once in AGAIN_S.

    What was held back comes with `more`, the count of further lines that it stands for: when the line comes
    again, or by `held`, so that the last word on a fault is never lost.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._told: dict[tuple[Any, ...], float] = {}
        self._held: dict[tuple[Any, ...], tuple[Line, int]] = {}

    def __call__(self, _logger: Any, method: str, line: Line) -> Line:
        """Let a line through, or hold it back and count."""
        if "more" in line:  # from `held`, and due
            return line
        key = (method, *((name, str(value)) for name, value in sorted(line.items()) if name not in LOOSE))
        now_s = self._clock()
        if now_s - self._told.get(key, -AGAIN_S) < AGAIN_S:
            _, count = self._held.pop(key, (line, 0))
            self._held[key] = line, count + 1  # behind what was held before: the last word stays last
            raise structlog.DropEvent
        if len(self._told) >= MOST_KEPT:
            self._told.pop(next(iter(self._told)))
        self._told.pop(key, None)
        self._told[key] = now_s
        _, count = self._held.pop(key, (line, 0))
        return {**line, "more": count} if count else line

    def held(self) -> list[tuple[str, Line]]:
        """What was held back for AGAIN_S, oldest first, as (method, line); it is told now and forgotten."""
        now_s = self._clock()
        due = [key for key in self._held if now_s - self._told.get(key, -AGAIN_S) >= AGAIN_S]
        out: list[tuple[str, Line]] = []
        for key in due:
            line, count = self._held.pop(key)
            self._told[key] = now_s
            out.append((key[0], {**line, "more": count - 1}))
        return out


def configure(bay: str, quiet: Quiet | None = None) -> structlog.typing.FilteringBoundLogger:
    """Set up structlog for this process and return the logger of a bay."""
    journald = bool(os.environ.get("JOURNAL_STREAM"))
    structlog.configure(
        processors=[
            *([quiet] if quiet else []),
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
            *([_with_priority] if journald else []),
        ],
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger(bay=bay)
    return log


def _with_priority(_logger: Any, method: str, line: Any) -> str:
    return f"<{PRIORITY.get(method, 5)}>{line}"
