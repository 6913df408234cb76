"""Debian's Chromium, driven by playwright."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from support import absent

CHROMIUM = Path("/usr/bin/chromium")
QUIET = (
    "--no-sandbox --disable-gpu --disable-background-networking --disable-component-update "
    "--disable-sync --no-first-run"
)


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser for as long as the block lasts."""
    try:
        playwright = import_module("playwright.sync_api")
    except ImportError:
        absent("playwright (development requirements)")
    if not CHROMIUM.exists():
        absent(f"{CHROMIUM} (Debian package chromium)")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=QUIET.split())
        yield browser
        browser.close()
