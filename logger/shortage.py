"""Does a fault tell of nothing but a computer without memory? Python says so in several ways."""

from __future__ import annotations

import time
from collections.abc import Callable
from errno import ENOMEM

SHORT_PAUSE_S = 0.05
"""Pause of a thread that had no memory for its next step."""


def why_refused(fault: BaseException) -> str:
    """What the disk says, or that there is no memory, in words."""
    return (fault.strerror if isinstance(fault, OSError) else None) or "the computer has no memory left"


def no_memory(fault: BaseException) -> bool:
    """Whether lack of memory explains this fault, so that the same may go through later.

    What is imported late fails with an ImportError where the loader gets no memory, and with a SystemError
    where the compiler gets none; a thread that gets no stack is a RuntimeError.
    """
    if isinstance(fault, BaseExceptionGroup):
        return all(map(no_memory, fault.exceptions))
    if isinstance(fault, OSError):
        return fault.errno == ENOMEM
    if isinstance(fault, RuntimeError):
        return str(fault) in ("can't start new thread", "can't allocate lock")
    return isinstance(fault, MemoryError | SystemError | ImportError)


def go_round(step: Callable[[], bool]) -> None:
    """Call `step` until it gives True, whatever it meets for want of memory: a thread must not end by that.

    Even to wait, or to tell of a shortage, takes some memory.
    """
    while True:
        try:
            if step():
                return
        except Exception as fault:
            if not no_memory(fault):
                raise
            time.sleep(SHORT_PAUSE_S)
