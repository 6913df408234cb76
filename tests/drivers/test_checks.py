"""Checks against published values, and against a plain bit-by-bit CRC for the rest of the catalogue."""

from __future__ import annotations

from functools import reduce
from operator import xor as xor_two

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.checks import Check, catalogue, crc, fletcher, summing, xor

# CRC RevEng catalogue, check values of b"123456789"; the first read in an open copy, the others from memory.
PUBLISHED = {
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/IBM-SDLC": 0x906E,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32/ISCSI": 0xE3069283,
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/MAXIM-DOW": 0xA1,
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_crc(name: str) -> None:
    compute, bits = crc(name)
    assert compute(b"123456789") == PUBLISHED[name]
    assert compute(b"123456789") < 1 << bits


def test_every_name_of_the_catalogue_can_be_had() -> None:
    assert len(catalogue()) > 100
    assert all(0 <= crc(name)[0](b"123456789") < 1 << crc(name)[1] for name in catalogue())


def test_unknown_crc() -> None:
    with pytest.raises(ValueError, match="CRC-17"):
        crc("CRC-17/NONE")


def test_block_check() -> None:
    # ISO 1155 style longitudinal parity of 123456789, from memory
    assert xor(b"123456789") == 0x31


@given(st.binary(max_size=300))
@settings(deadline=None, max_examples=200)
def test_xor_of_any_length(data: bytes) -> None:
    assert xor(data) == reduce(xor_two, data, 0)


@given(st.binary(min_size=1, max_size=40))
@settings(deadline=None, max_examples=100)
def test_sums(data: bytes) -> None:
    assert (sum(data) + summing("sum-twos")(data)) & 0xFF == 0
    assert (sum(data) + summing("sum-ones")(data)) & 0xFF == 0xFF
    assert summing("xor", 0x55)(data) == xor(data) ^ 0x55


@pytest.mark.parametrize("coding", ["binary", "hex", "decimal"])
@pytest.mark.parametrize("order", ["big", "little"])
def test_written_checks_pass_and_damaged_ones_do_not(coding: str, order: str) -> None:
    compute, bits = crc("CRC16-MODBUS")
    size = {"binary": 2, "hex": 4, "decimal": 5}[coding]
    check = Check(
        name="c",
        compute=compute,
        at=-size,
        size=size,
        first=0,
        stop=-size,
        coding=coding,
        order=order,
        mask=0xFFFF,
    )
    message = check.fill(b"any message" + bytes(size))
    assert check.passes(message)
    for at in range(len(message)):
        assert not check.passes(message[:at] + bytes([message[at] ^ 1]) + message[at + 1 :]), at
    assert bits == 16


def test_hex_check_in_small_letters_and_no_hex_at_all() -> None:
    check = Check(name="x", compute=xor, at=-2, size=2, first=0, stop=-2, coding="hex")
    good = check.fill(b"w\xcf__")
    assert check.passes(good)
    assert check.passes(good[:-2] + good[-2:].lower())
    assert not check.passes(good[:-2] + b"+8")
    assert not check.passes(good[:-2] + b" 8")


# Worked values that articles on Fletcher's checksum give, from memory.
@pytest.mark.parametrize(
    ("data", "sixteen", "thirty_two"),
    [(b"abcde", 0xC8F0, 0xF04FC729), (b"abcdef", 0x2057, 0x56502D2A), (b"abcdefgh", 0x0627, 0xEBE19591)],
)
def test_fletcher_sums_as_published(data: bytes, sixteen: int, thirty_two: int) -> None:
    assert (fletcher(data, 16), fletcher(data, 32)) == (sixteen, thirty_two)


def test_a_check_in_characters_may_have_its_low_byte_first() -> None:
    compute, bits = crc("CRC16-MODBUS")
    check = Check(
        name="x", compute=compute, at=-4, size=4, first=0, stop=-4, coding="hex", order="swapped", mask=0xFFFF
    )
    assert bits == 16
    assert check.fill(b"123456789????") == b"123456789374B"
    assert check.passes(b"123456789374b")
    assert not check.passes(b"1234567894B37")
