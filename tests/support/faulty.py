"""`restpoint` that meets a fault of our own; a program for a test.

Its event loop does at SIGUSR1; with FAULT=tidy the sealing of what earlier starts left does, once.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from typing import Any

from logger import daemon
from logger.cli import main
from logger.daemon import Daemon

FAULT = threading.Event()
real = Daemon._look


def look(self: Daemon, *args: Any) -> None:
    """As ever, until the fault."""
    if FAULT.is_set():
        raise MemoryError
    real(self, *args)


Daemon._look = look  # type: ignore[method-assign]  # that is the fault


def fails(*_: Any, **__: Any) -> int:
    """A file that nobody thought of."""
    raise KeyError("files")


if os.environ.get("FAULT") == "tidy":
    daemon.make_missing = fails
    daemon.RETAIN_S = 1.0
signal.signal(signal.SIGUSR1, lambda *_: FAULT.set())
sys.exit(main())
