"""Fixtures of the storage tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support.small_bay import LiveBay, stream

from logger.journal_segment import Entry
from logger.model import Record


@pytest.fixture(scope="session")
def a_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Entry], list[Record]]:
    """A bay's folder after a minute of running and an orderly stop: (folder, entries put, records given)."""
    folder = tmp_path_factory.mktemp("bay")
    entries = list(stream(60.0))
    live = LiveBay(folder)
    for entry in entries:
        live.feed(entry)
    live.close()
    assert live.troubles == []
    return folder, entries, live.records


@pytest.fixture
def troubles() -> tuple[list[str], Callable[[str, str], None]]:
    """A list of events and the callback that fills it, safe from any thread."""
    events: list[str] = []

    def tell(event: str, detail: str) -> None:
        assert detail
        events.append(event)

    return events, tell
