"""How much work learning may take, counted in cells read and not in seconds: all machines decide alike."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

TRYING, ONE_CUT, SETTLING = 6_000_000, 2_500_000, 4_000_000
"""Cells that may be read to try ways to cut, to try one of them, and to prove what was found: one core of a
PC reads a million in about a second."""
CALL, CHECK = 100, 100_000
"""What trying a reading costs beside its cells, and looking for a check, in cells."""


class TooMuchError(Exception):
    """What is being tried took all the work that it may take."""


class Effort:
    """What is left of the work that may be done: to try ways to cut, and to prove what they gave."""

    def __init__(self, trying: int = TRYING, settling: int = SETTLING) -> None:
        self._trying, self._settling, self._now = trying, settling, trying

    @contextmanager
    def trying(self) -> Iterator[None]:
        """Count what is spent meanwhile as trying one way to cut."""
        self._now = given = min(self._trying, ONE_CUT)
        try:
            yield
        finally:
            self._trying -= given - max(self._now, 0)

    @contextmanager
    def settling(self) -> Iterator[None]:
        """Count what is spent meanwhile as proving."""
        self._now = given = self._settling
        try:
            yield
        finally:
            self._settling -= given - max(self._now, 0)

    @property
    def tried_all(self) -> bool:
        """True when nothing is left to try ways to cut."""
        return self._trying <= 0

    def spend(self, cells: int) -> None:
        """Count work; TooMuchError when all was taken."""
        self._now -= cells
        if self._now < 0:
            raise TooMuchError
