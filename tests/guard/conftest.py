"""Fixtures: a page behind doors, as the network meets it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.served_page import Served


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Serve pages that want a pairing from everybody, so that a test on loopback is a stranger too."""
    made: list[Served] = []

    def make(**settings: object) -> Served:
        made.append(Served(folder=tmp_path, **{"pairing": "always", **settings}))
        return made[-1]

    yield make
    for served in made:
        served.stop()
