"""Log lines as JSON on standard error, one a change: quiet when well, a fault once, its end once."""

from __future__ import annotations

import sys

if "rich" not in sys.modules:  # structlog would load it where it is installed: 0.2 s, 4 MB, and no use here
    sys.modules["rich"] = None  # type: ignore[assignment]  # the documented way to make an import fail

import structlog  # noqa: E402  after the line above

if sys.modules["rich"] is None:
    del sys.modules["rich"]


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
