"""Fixtures: pages that are served, and Debian's Chromium to look at them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from support.browser import chromium
from support.seat import LAMP, MOUTH, PHONE, WATCH, Seat
from support.served_page import Served


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
    with chromium() as made:
        yield made


@pytest.fixture
def sit(browser: Any) -> Iterator[Callable[..., Seat]]:
    """Open pages, each in a fresh context; in the end nothing but a lost connection was complained of."""
    contexts, seats = [], []

    def open_at(
        address: str, viewport: dict[str, int] = PHONE, scripts: str = MOUTH + LAMP, scheme: str = "light"
    ) -> Seat:
        context = browser.new_context(viewport=viewport, color_scheme=scheme)
        contexts.append(context)
        context.add_init_script(WATCH + scripts)
        seat = Seat(context.new_page())
        seats.append(seat)
        seat.page.goto(address)
        seat.wait("!document.body.classList.contains('lost')")
        return seat

    yield open_at
    for seat in seats:
        assert seat.page.evaluate("violations") == []
        assert [c for c in seat.complaints if "ERR_CONNECTION" not in c and "ERR_INCOMPLETE" not in c] == []
    for context in contexts:
        context.close()
