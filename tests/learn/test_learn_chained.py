"""Messages that tell their length and have no start: each must lead to the next one, all through."""

from __future__ import annotations

import random

import pytest
from bench_learn import score
from stream_prefixed import PREFIXED, make_prefixed

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.learn.chained import chained
from drivers.learn.cuts import Cut
from drivers.learn.recording import Recording, parse_known
from drivers.learn.roles import address_places
from drivers.learn.shapes import Row, Shape, by_marks


@pytest.mark.parametrize("seed", range(4 * len(PREFIXED)))
def test_an_indicator_that_tells_its_lengths_is_learnt_wholly_right(seed: int) -> None:
    got = score(make_prefixed(seed))
    assert got.verdict == "right", got.why
    assert got.seconds < 10


def _recorded(messages: list[bytes], *, apart: bool = True) -> Recording:
    """Each message as a chunk of its own, or all in chunks of one size that keep to nothing."""
    if apart:
        return Recording([(n / 10, message) for n, message in enumerate(messages)])
    data = b"".join(messages)
    return Recording([(at / 100, data[at : at + 7]) for at in range(0, len(data), 7)])


def _two_kinds(head: bytes = b"") -> list[bytes]:
    rng = random.Random(4)
    bodies = [
        bytes([0x31, *rng.randbytes(4)]) if n % 3 else bytes([0x32, *rng.randbytes(7)]) for n in range(200)
    ]
    return [head + len(body).to_bytes(2, "little") + body for body in bodies]


def test_a_chain_tells_the_length_its_order_and_what_it_does_not_count() -> None:
    sure, _ = chained(_recorded(_two_kinds()))
    assert any(cut.length == (0, 2, "little", 2) and cut.sizes == (7, 10) for cut in sure)
    assert all(set(cut.sizes) == {7, 10} for cut in sure)


def test_where_a_chain_begins_is_not_told_by_chunks_of_one_size() -> None:
    sure, others = chained(_recorded(_two_kinds(), apart=False))
    assert not sure
    assert others


def test_what_begins_with_the_same_byte_has_a_start_and_is_no_mere_chain() -> None:
    sure, _ = chained(_recorded(_two_kinds(b"\xaa")))
    assert all(cut.length is None or cut.length[0] == 0 for cut in sure)


def test_numbers_that_lead_anywhere_are_no_chain() -> None:
    rng = random.Random(5)
    assert chained(_recorded([rng.randbytes(9) for _ in range(300)])) == ([], [])


def test_a_digit_that_wavers_is_no_name_of_a_pad_and_one_that_takes_turns_is() -> None:
    """0 and 251 came in no order, as the last byte of an empty pad's number does; 1 and 2 in turn."""
    rng = random.Random(6)
    rows = [Row(t_s=n / 10, message=bytes([1 + n % 2, rng.choice((0, 0, 0, 251)), 7])) for n in range(200)]
    shape = Shape(kind="positions", cut=Cut(kind="fixed", size=3), check=None, rows=rows, size=3)
    assert address_places(shape, set()) == [(0, 1)]


def test_a_mark_may_stand_for_a_word_but_another_kind_of_message_is_left_out() -> None:
    """-- and ok are the claim; a peak that comes one by one is not a third state of it."""
    messages = []
    for n in range(200):
        word = b"PEAK" if n % 10 == 5 else b"--" if 60 < n < 90 else b"ok"
        messages.append((n / 10, word + b" %d.5 kg\r\n" % (n % 7)))
    cut = Cut(kind="line", end=b"\r\n")
    knowns = [parse_known("0@0:5"), parse_known("9@12:20")]
    shapes = list(by_marks(cut, None, messages, knowns))
    assert shapes
    assert all({row.cells[0] for row in shape.rows} == {b"ok", b"--"} for shape in shapes)


UNCHECKED = """
limits_kg = [-50, 900]
[frame]
kind = "length"
length = { at = 0, size = 1, plus = 1 }
max = 8
[body]
constants = [{ at = 1, text = "<31>" }]
[fields]
unit = "kg"
value = { at = 2, size = 2, coding = "binary", decimals = 1 }
"""


def test_a_layout_of_told_lengths_needs_no_start_where_constants_hold_it() -> None:
    """A lost byte costs the message it was in and the next one; what follows reads as before."""
    message = bytes.fromhex("0331034a")
    data = message * 5 + message[:2] + message[3:] + message * 6
    frames = [item for item in load_layout(UNCHECKED, "u").driver().feed(data, 0) if isinstance(item, Frame)]
    assert {frame.mass_kg for frame in frames} == {84.2}
    assert len(frames) >= 9
