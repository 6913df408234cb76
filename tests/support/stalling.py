"""`restpoint` with one part that stops coming round at SIGUSR1, and short patience; a program for a test.

`STALL` names the part: reader, journal or loop, which hang, or store, whose thread ends by a fault.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

from logger import daemon
from logger.cli import main
from logger.clock import NS
from logger.journal import Journal
from logger.ports import PortReader
from logger.store import Store

STALLED = threading.Event()


def stalls(owner: type, name: str) -> None:
    """Let a method never return once the signal came."""
    real: Callable[..., Any] = getattr(owner, name)

    def method(*args: Any, **named: Any) -> Any:
        while STALLED.is_set():
            if owner is Store:
                raise RuntimeError("a fault made by a test")
            time.sleep(1)
        return real(*args, **named)

    setattr(owner, name, method)


stalls(
    *{
        "reader": (PortReader, "_step"),
        "journal": (Journal, "_write"),
        "loop": (daemon.Daemon, "_look"),
        "store": (Store, "_gather"),
    }[os.environ["STALL"]]
)
daemon.WATCHDOG_NS, daemon.HANG_NS = NS // 10, 1 * NS
signal.signal(signal.SIGUSR1, lambda *_: STALLED.set())
sys.exit(main())
