"""Pseudo-terminals that are gone after the test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from support.ptys import MakePty, Pty


@pytest.fixture
def pty() -> Iterator[MakePty]:
    made: list[Pty] = []

    def make() -> Pty:
        made.append(Pty())
        return made[-1]

    yield make
    for one in made:
        one.unplug()
