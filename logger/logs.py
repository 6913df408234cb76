"""Log lines as JSON on standard error, one a change: quiet when well, a fault once, its end once."""

from __future__ import annotations

import sys
from typing import Any

_modules: dict[str, Any] = sys.modules
_modules.setdefault("rich", None)
# structlog would load rich where it is installed: 0.2 s and 4 MB for a console that this program never draws.

import structlog  # noqa: E402  only now, for the reason above

if _modules["rich"] is None:
    del _modules["rich"]


def configure(bay: str) -> structlog.typing.FilteringBoundLogger:
    """Set up structlog for this process and return the logger of a bay."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger(bay=bay)
    return log
