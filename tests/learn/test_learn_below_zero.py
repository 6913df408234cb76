"""A pad tared with a load that is taken off shows the load below zero: no code for it is passed over."""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable
from itertools import pairwise

import pytest

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.learn.learn import Outcome, learn
from drivers.learn.recording import Recording, parse_known

KNOWN = ("0@0:8", "84.2kg@12:20")
BELOW = "-84.2kg@27.5:31.5"
LOADS = [
    (0, 0),
    (9, 0),
    (11, 84.2),
    (21, 84.2),
    (21.05, 0),
    (25, 0),
    (27, -84.2),
    (32, -84.2),
    (34, 0),
    (40, 0),
]
Encode = Callable[[int, bool], bytes]


def summed(body: bytes) -> bytes:
    return body + bytes([sum(body) & 0xFF])


ENCODED: dict[str, Encode] = {
    "letter": lambda c, _: b"%s%06.1f kg\r\n" % (b"P" if c >= 0 else b"N", abs(c) / 10),
    "word": lambda c, _: b"%s %.1f kg\r\n" % (b"plus" if c >= 0 else b"minus", abs(c) / 10),
    "word behind": lambda c, _: b"%8.1f %s\r\n" % (abs(c) / 10, b"LO" if c < 0 else b"UP"),
    "brackets": lambda c, _: b"%7.1f  kg\r\n" % (c / 10) if c >= 0 else b"(%6.1f) kg\r\n" % (-c / 10),
    "key": lambda c, still: json.dumps({"w": abs(c) / 10, "neg": c < 0, "st": still}).encode() + b"\n",
    "bit": lambda c, still: summed(
        b"\xa5\x5a" + struct.pack(">H", abs(c)) + bytes([0x40 | (c < 0) << 3 | (not still)])
    ),
    "half byte": lambda c, _: summed(b"\xa5\x5a" + bytes([0x10 * (c < 0)]) + bytes.fromhex(f"{abs(c):06d}")),
}


def recorded(encode: Encode) -> Recording:
    """40 s at 10 messages a second in steps of 0.1 kg: empty, loaded, tared and empty, empty again."""
    rng, chunks = random.Random(1), []
    for n in range(400):
        t_s = n / 10
        (a, x), (b, y) = next(pair for pair in pairwise(LOADS) if t_s < pair[1][0])
        mass_kg = x + (y - x) * (t_s - a) / (b - a) + rng.gauss(0, 0.04)
        chunks.append((t_s, encode(round(10 * mass_kg), x == y)))
    return Recording(chunks)


def learnt(encode: Encode, *known: str) -> tuple[Recording, Outcome]:
    recording = recorded(encode)
    return recording, learn(recording, [parse_known(text) for text in known], name="made up")


@pytest.mark.parametrize("encode", ENCODED.values(), ids=ENCODED)
def test_a_code_that_stood_only_with_a_load_that_nobody_told_may_be_the_sign(encode: Encode) -> None:
    """Each was once learnt as a code without meaning: minus 84 kg read as 84 kg."""
    _, outcome = learnt(encode, *KNOWN)
    assert not outcome.proven
    assert any("it may be the sign" in text and "--known -" in text for text in outcome.missing)


@pytest.mark.parametrize("encode", ENCODED.values(), ids=ENCODED)
def test_told_the_load_below_zero_it_is_the_sign(encode: Encode) -> None:
    recording, outcome = learnt(encode, *KNOWN, BELOW)
    assert outcome.proven, outcome.missing
    driver = load_layout(outcome.layout, "learnt").driver()
    masses = [item.mass_kg for item in driver.feed(recording.data, 0) if isinstance(item, Frame)]
    assert len(masses) > 395
    assert min(m for m in masses if m is not None) == pytest.approx(-84.2, abs=0.3)


def test_a_letter_that_says_sign_and_claim_at_once_is_asked_about() -> None:
    _, outcome = learnt(
        lambda c, still: b"%s%06.1f kg\r\n" % (b"ABCD"[2 * (c < 0) + still :][:1], abs(c) / 10), *KNOWN
    )
    assert any("it may be the sign" in text for text in outcome.missing)


def test_a_claim_and_a_minus_of_its_own_leave_nothing_to_ask() -> None:
    _, outcome = learnt(lambda c, still: b"%s %+07.1f kg\r\n" % (b"S" if still else b"M", c / 10), *KNOWN)
    assert outcome.proven, outcome.missing


def test_a_claim_alone_is_no_sign() -> None:
    """It comes with every move, above zero too."""
    _, outcome = learnt(
        lambda c, still: b"%s %07.1f kg\r\n" % (b"S" if still else b"M", max(c, 0) / 10), *KNOWN
    )
    assert outcome.proven, outcome.missing
