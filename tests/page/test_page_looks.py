"""How the page looks in a real Chromium: which way the nose points, how large and how clear things are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from support.seat import PHONE, STANDING, WIDE, Seat, at_rest, condition, samples, say

from logger.model import Condition


def test_wide_screen_has_the_nose_to_the_left_and_follows_a_turned_phone(
    serve: Any, sit: Callable[..., Seat]
) -> None:
    served = serve()
    served.put(STANDING, *at_rest())
    seat = sit(served.await_address(), WIDE)
    seat.wait("document.querySelector('#plan svg[aria-label*=\"nose left\"]')")
    places = "[...document.querySelectorAll('#plan .disc')].map(d => d.getBoundingClientRect().x)"
    lf, _, lr, _ = seat.page.evaluate(places)  # in one go: the drawing may be changed at any time
    assert lf < lr
    seat.page.set_viewport_size(PHONE)
    seat.wait("document.querySelector('#plan svg[aria-label*=\"nose up\"]')")


def test_numbers_can_be_read_from_a_metre_and_nothing_overflows(serve: Any, sit: Callable[..., Seat]) -> None:
    """Letters of 20/40 vision subtend 10′, 2.9 mm at 1 m; a phone's px is about 0.16 mm (from memory)."""
    served = serve()
    served.put(STANDING, *at_rest(), say("Rock the car: push down on a front corner, let go, and step back."))
    seat = sit(served.await_address())
    seat.wait("document.querySelector('#plan svg')")
    sizes = seat.page.evaluate(
        """() => {
          const scale = document.querySelector('#plan svg').getScreenCTM().a;
          const number = document.querySelector('[data-corner=LF] text');
          return { digit: 0.7 * scale * Number(number.getAttribute('font-size')),
                   sentence: 0.7 * parseFloat(getComputedStyle(document.getElementById('said')).fontSize),
                   over: document.documentElement.scrollWidth - innerWidth,
                   buttons: [...document.querySelectorAll('button')].filter(b => b.offsetHeight)
                     .map(b => Math.min(b.offsetHeight, b.offsetWidth)) };
        }"""
    )
    assert sizes["digit"] * 0.16 > 2.9
    assert sizes["sentence"] * 0.16 > 2.9
    assert sizes["over"] <= 0
    assert min(sizes["buttons"]) >= 44


@pytest.mark.parametrize("worst", [Condition.CREEPING, Condition.OVERLOADED])
def test_labels_side_by_side_do_not_touch_on_a_phone(
    serve: Any, sit: Callable[..., Seat], worst: Condition
) -> None:
    served = serve()
    served.put(STANDING, *at_rest(0.05), *(condition(pad, worst) for pad in ("P1", "P2", "P3", "P4")))
    seat = sit(served.await_address(), PHONE)
    seat.wait(f"document.querySelector('#plan svg').textContent.split('{worst}').length > 4")
    gaps = seat.page.evaluate(
        """() => {
          const box = corner => [...document.querySelectorAll(`#plan [data-corner=${corner}] text`)]
            .map(text => text.getBoundingClientRect());
          return [['LF', 'RF'], ['LR', 'RR']].map(([left, right]) =>
            Math.min(...box(right).map(b => b.left)) - Math.max(...box(left).map(b => b.right)));
        }"""
    )
    assert min(gaps) >= 4, gaps


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_the_paper(serve: Any, sit: Callable[..., Seat], scheme: str) -> None:
    """Contrast of at least 4.5 : 1 (WCAG 2.2, 1.4.3), computed as that text says."""
    served = serve()
    served.put(
        STANDING,
        *samples(),
        condition("P1", Condition.RESTING),
        condition("P4", Condition.SILENT, "no radio"),
    )
    seat = sit(served.await_address(), scheme=scheme)
    seat.wait("document.querySelector('#plan .bad')")
    colours = seat.page.evaluate(
        """() => {
          const looks = (where) => getComputedStyle(document.querySelector(where));
          return [looks('body').backgroundColor,
            ...['body', 'header', '#pads li', '#small'].map((where) => looks(where).color),
            ...['tspan.ok', 'tspan.bad'].map((where) => looks('#plan ' + where).fill)];
        }"""
    )
    paper, *inks = (_luminance(colour) for colour in colours)
    ratios = [(max(paper, ink) + 0.05) / (min(paper, ink) + 0.05) for ink in inks]
    assert min(ratios) >= 4.5, ratios


def _luminance(colour: str) -> float:
    parts = [int(part) / 255 for part in colour.removeprefix("rgb(").removesuffix(")").split(",")]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
