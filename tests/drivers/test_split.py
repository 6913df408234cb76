"""Splitting: what a byte changed, lost or doubled may do, and that chunking never matters."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.api import Frame, Reason, Reject
from drivers.conformance import cases, run, values
from drivers.layout import load_layout
from drivers.registry import find

ALL = cases(Path(__file__).parent / "cases")

LINE = """
limits_kg = [-100, 2500]
[frame]
kind = "line"
max = 20
[body]
kind = "pattern"
pattern = '(?P<value>[+-]?[0-9]+[.][0-9]) kg'
[fields]
unit = "kg"
value = {}
"""


def reasons(text: str, data: bytes) -> list[object]:
    items = load_layout(text).driver().feed(data, 0)
    return [item.reason if isinstance(item, Reject) else item.mass_kg for item in items]


def test_tail_of_a_line_is_no_line() -> None:
    assert reasons(LINE, b"12.5 kg\r\n112.5 kg\r\n") == [Reason.TRUNCATED, 112.5]


def test_overlong_line_is_refused_to_its_end() -> None:
    data = b"1.0 kg\r\n" + b"x" * 25 + b"12.5 kg\r\n" + b"1.5 kg\r\n"
    assert reasons(LINE, data) == [Reason.TRUNCATED, Reason.OVERLONG, Reason.OVERLONG, 1.5]


def test_empty_line_is_noise() -> None:
    assert reasons(LINE, b"\r\n\r\n1.0 kg\r\n") == [Reason.TRUNCATED, Reason.NOISE, 1.0]


def test_message_that_began_inside_another_is_refused() -> None:
    text = LINE.replace('kind = "line"', 'kind = "marked"\nstart = "="\nend = ";"', 1)
    assert reasons(text, b"=1=12.5 kg;=13.5 kg;") == [Reason.TRUNCATED, Reason.TRUNCATED, 13.5]
    assert reasons(text, b"xx=12.5 kg;") == [Reason.NOISE, 12.5]
    assert reasons(text, b"=12.5 kg" + b"9" * 30 + b";=13.5 kg;")[-1] == 13.5


def test_value_outside_the_limits() -> None:
    assert reasons(LINE, b"\r\n2500.1 kg\r\n2500.0 kg\r\n") == [Reason.TRUNCATED, Reason.RANGE, 2500.0]


FIXED = """
[frame]
kind = "fixed"
start = "<AA>"
size = 4
[check]
kind = "xor"
[fields]
unit = "kg"
value = { at = 1, size = 2, coding = "binary" }
"""


def message(value: int) -> bytes:
    data = value.to_bytes(2, "big")
    return b"\xaa" + data + bytes([data[0] ^ data[1]])


def test_start_inside_a_message_deceives_nobody() -> None:
    # AA AA AA 00 is a message, and so is the AA AA 00 AA that begins inside it
    good = [message(0xAAAA), message(0x00AA), message(0xAA00)]
    for drop in range(1, 4):
        data = message(1) + good[0][drop:] + b"".join(good) * 3
        found = [v for v in reasons(FIXED, data) if isinstance(v, float)]
        assert set(found) <= {1.0, float(0xAAAA), float(0x00AA), float(0xAA00)}


def test_one_bad_message_in_step_is_refused_whole() -> None:
    bad = bytearray(message(7))
    bad[2] ^= 1
    assert reasons(FIXED, message(1) + message(2) + bytes(bad) + message(3)) == [1.0, 2.0, Reason.CHECK, 3.0]


def test_a_lone_message_waits_for_another() -> None:
    driver = load_layout(FIXED).driver()
    assert driver.feed(message(5), 0) == []
    assert driver.pending() == 4
    assert [item.mass_kg for item in driver.feed(message(6), 0) if isinstance(item, Frame)] == [5.0, 6.0]


@pytest.mark.parametrize("case", ALL, ids=repr)
@given(data=st.data())
@settings(deadline=None, max_examples=8)
def test_chunking_of_damaged_streams(case: object, data: st.DataObject) -> None:
    seed = data.draw(st.integers(min_value=0, max_value=2**32))
    rng = random.Random(seed)
    stream = bytearray(case.recording[:600])  # type: ignore[attr-defined]  # a Case
    for _ in range(rng.randint(1, 12)):
        at = rng.randrange(len(stream))
        act = rng.choice(("change", "drop", "double", "noise"))
        if act == "change":
            stream[at] = rng.randrange(256)
        elif act == "drop":
            del stream[at : at + rng.randint(1, 9)]
        elif act == "double":
            stream[at:at] = stream[at : at + rng.randint(1, 9)]
        else:
            stream[at:at] = rng.randbytes(rng.randint(1, 40))
    make = find(case.about["driver"], [case.folder])  # type: ignore[attr-defined]  # a Case
    whole = run(make(), bytes(stream))
    sizes = [rng.randint(1, 13) for _ in range(len(stream))]
    assert run(make(), bytes(stream), sizes) == whole
    slow = make()
    slow._splitter._cutter.ends = lambda _buffer, _at: iter(())  # type: ignore[attr-defined]  # inside of it
    assert run(slow, bytes(stream)) == whole  # the short cut over good messages changes nothing
    assert len(values(whole)) <= len(stream)
