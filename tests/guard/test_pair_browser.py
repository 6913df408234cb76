"""Pairing as a person sees it, in a real Chromium: the form, the picture's link, watching, being sent off."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.browser import chromium
from support.seat import MOUTH, STANDING, WATCH, Seat
from support.served_page import Served

from logger.pairing import Pairing


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as made:
        yield made


@pytest.fixture
def seat(browser: Any) -> Iterator[Seat]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    context.add_init_script(WATCH + MOUTH)
    made = Seat(context.new_page())
    yield made
    assert made.page.evaluate("violations") == []
    context.close()


def test_six_digits_let_a_phone_in_and_revoking_sends_it_off(
    guarded: Callable[..., Served], seat: Seat
) -> None:
    served = guarded()
    served.put(STANDING)
    seat.page.goto(served.await_address())
    seat.wait("!document.querySelector('#pair').hidden")
    assert seat.text("#link") == "not paired"
    assert not seat.page.is_visible("#plan")
    assert not seat.page.is_visible("#buttons")
    seat.page.fill("#code", "000000")
    seat.page.click("#pair button")
    seat.wait("document.querySelector('#pair-note').textContent")
    assert "restpoint pair" in seat.text("#pair-note")
    pairing = Pairing(served.folder or Path())
    seat.page.fill("#code", pairing.offer("command", "phone", time.monotonic_ns()))
    seat.page.press("#code", "Enter")
    seat.wait("!document.body.classList.contains('lost')")
    assert seat.page.is_visible("#plan")
    seat.page.click("[data-verb=take]")
    for _ in range(100):
        if served.commands:
            break
        time.sleep(0.02)
    assert [command.verb for command in served.commands] == ["take"]
    assert seat.page.evaluate("document.cookie") == "", "no script reads the token"
    pairing.revoke(1)
    seat.wait("!document.querySelector('#pair').hidden")
    assert not seat.page.is_visible("#plan")


def test_the_pictures_link_pairs_and_leaves_no_code_behind(
    guarded: Callable[..., Served], seat: Seat
) -> None:
    served = guarded()
    address = served.await_address()  # starting makes codes void that waited before
    code = Pairing(served.folder or Path()).offer("watch", "screen", time.monotonic_ns())
    seat.page.goto(f"{address}/#pair={code}")
    seat.wait("!document.body.classList.contains('lost')")
    assert "pair" not in seat.page.url
    assert not seat.page.is_visible("[data-verb=take]"), "who may only watch is shown no buttons"
    assert seat.page.is_visible("#start")
