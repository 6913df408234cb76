"""`restpoint` whose event loop meets a fault of our own at SIGUSR1; a program for a test."""

from __future__ import annotations

import signal
import sys
import threading
from typing import Any

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
signal.signal(signal.SIGUSR1, lambda *_: FAULT.set())
sys.exit(main())
