"""Escapes against published vectors and both ways; bytes as text both ways."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.escapes import UNWRAP, WRAP, from_cobs, from_hdlc, from_hex, from_slip, to_cobs
from drivers.wire import to_bytes, to_text

# Cheshire & Baker 1999, from memory
COBS = {
    "00": "0101", "0000": "010101", "001100": "01021101", "11220033": "0311220233", "11223344": "0511223344",
    "11000000": "0211010101",
}  # fmt: skip


@pytest.mark.parametrize("plain", COBS)
def test_cobs_vectors(plain: str) -> None:
    assert to_cobs(bytes.fromhex(plain)) == bytes.fromhex(COBS[plain] + "00")
    assert from_cobs(bytes.fromhex(COBS[plain] + "00")) == bytes.fromhex(plain)


def test_slip_vector() -> None:
    # RFC 1055, from memory
    assert from_slip(bytes.fromhex("01 DB DC 02 DB DD 03 C0")) == bytes.fromhex("01 C0 02 DB 03")


@pytest.mark.parametrize("kind", sorted(WRAP))
@given(data=st.binary(min_size=1, max_size=600))
@settings(deadline=None, max_examples=100)
def test_there_and_back(kind: str, data: bytes) -> None:
    wire = WRAP[kind](data)
    assert UNWRAP[kind](wire) == data
    if kind == "dle":  # its end is two bytes, and is none behind a doubled DLE
        assert (wire[:2], wire[-2:]) == (b"\x10\x02", b"\x10\x03")
        assert b"\x10" not in wire[2:-2].replace(b"\x10\x10", b"")
    else:
        assert wire.count(wire[-1]) == 1  # the end stands nowhere inside


@pytest.mark.parametrize("size", [253, 254, 255, 508, 509])
def test_cobs_blocks_at_their_limit(size: int) -> None:
    data = bytes(1 + n % 255 for n in range(size))
    assert from_cobs(to_cobs(data)) == data


@pytest.mark.parametrize(
    ("unwrap", "wire"),
    [
        (from_slip, b"\x01\xdb\x01\xc0"),
        (from_slip, b"\x01\xdb\xc0"),
        (from_cobs, b"\x05\x01\x00"),
        (from_hdlc, b"\x01\x7d\x7e"),
        (from_hex(1, 1), b"(0 )"),
        (from_hex(1, 1), b"(012)"),
        (from_hex(1, 1), b"()"),
    ],
)
def test_damaged_escapes(unwrap: object, wire: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        unwrap(wire)  # type: ignore[operator]  # one of the functions above


@given(st.binary(max_size=40))
@settings(deadline=None, max_examples=100)
def test_bytes_as_text(data: bytes) -> None:
    assert to_bytes(to_text(data)) == data


@pytest.mark.parametrize("text", ["<STXX>", "<", "a<b", "<G0>", "\u20ac"])
def test_text_that_is_no_bytes(text: str) -> None:
    with pytest.raises(ValueError, match=r"<|byte"):
        to_bytes(text)


def test_hdlc_escapes_of_any_byte() -> None:
    # RFC 1662, 4.2: any byte may be escaped, control characters for one
    assert from_hdlc(b"\x7d\x31\x7d\x5e\x01\x7d\x5d\x7e") == b"\x11\x7e\x01\x7d"
