"""Fixtures: pages that are served, and Debian's Chromium to look at them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from support import absent
from support.served_page import Served

CHROMIUM = Path("/usr/bin/chromium")
QUIET = (
    "--no-sandbox --disable-gpu --disable-background-networking --disable-component-update "
    "--disable-sync --no-first-run"
)


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Serve pages with these settings; all are stopped after the test."""
    made: list[Served] = []

    def make(**settings: Any) -> Served:
        made.append(Served(**settings))
        return made[-1]

    yield make
    for served in made:
        served.stop()


@pytest.fixture(scope="module")
def door() -> Iterator[Served]:
    """One page for all tests that only knock and change nothing."""
    served = Served()
    yield served
    served.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's Chromium, driven by playwright."""
    try:
        playwright = import_module("playwright.sync_api")
    except ImportError:
        absent("playwright (development requirements)")
    if not CHROMIUM.exists():
        absent(f"{CHROMIUM} (Debian package chromium)")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=str(CHROMIUM), args=QUIET.split())
        yield chromium
        chromium.close()
