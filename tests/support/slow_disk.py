"""`restpoint` on a disk whose every fsync takes 200 ms and that is read-only between SIGUSR1 and SIGUSR2.

A file system with files open for writing cannot be remounted read-only on demand, so the calls answer as on
one that an error has made so. A program for a test.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

READ_ONLY = threading.Event()


def behaves(name: str, wait_s: float = 0.0) -> None:
    """Let a function of `os` that writes take so long, and refuse while the disk is read-only."""
    real: Callable[..., Any] = getattr(os, name)

    def call(*args: Any, **named: Any) -> Any:
        writes = name != "open" or args[1] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if READ_ONLY.is_set() and writes and not str(args[0]).startswith("/dev"):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        time.sleep(wait_s)
        return real(*args, **named)

    setattr(os, name, call)


for slow in ("fsync", "fdatasync"):
    behaves(slow, 0.2)
for other in ("pwrite", "open", "rename"):
    behaves(other)
signal.signal(signal.SIGUSR1, lambda *_: READ_ONLY.set())
signal.signal(signal.SIGUSR2, lambda *_: READ_ONLY.clear())

from logger.cli import main  # noqa: E402  after the disk was put in place

sys.exit(main())
