"""Modbus frames against published ones, answers in every mode, exceptions and echoes."""

from __future__ import annotations

import pytest

from drivers.api import Frame, Reject
from drivers.checks import crc, summing
from drivers.layout import load_layout
from drivers.modbus import ascii_, read_request, rtu, tcp

LAYOUT = """
limits_kg = [-100, 2500]
[modbus]
mode = "MODE"
units = [17, 18]
first = 107
count = 3
echo = ECHO
[fields]
unit = "kg"
value = { register = 107, registers = 2, coding = "binary", form = "twos", decimals = 1 }
status = { register = 109, bits = { 0 = "steady", 8 = "overload" } }
"""


def layout(mode: str, *, echo: bool = False) -> str:
    return LAYOUT.replace("MODE", mode).replace("ECHO", str(echo).lower())


def test_crc_of_the_specification() -> None:
    # MODBUS over Serial Line V1.02, Appendix B, from memory: 02 07 gives 0x1241, sent 41 12
    assert crc("CRC-16/MODBUS")[0](b"\x02\x07") == 0x1241
    assert rtu(b"\x02\x07") == bytes.fromhex("02 07 41 12")


def test_read_request() -> None:
    # common documentation example, from memory
    message = read_request(0x11, 3, 0x6B, 3)
    assert rtu(message) == bytes.fromhex("11 03 00 6B 00 03 76 87")
    assert ascii_(message) == b":1103006B00037E\r\n"
    # the same to unit 1, read in the documentation of another implementation
    assert crc("CRC-16/MODBUS")[0](read_request(1, 3, 0x6B, 3)) == 0x1774


@pytest.mark.parametrize(("frame", "lrc"), [("01 06 04 05 12 34", 0xAA), ("01 03 00 00 00 01", 0xFB)])
def test_lrc(frame: str, lrc: int) -> None:
    # LRC is the two's complement of the byte sum (MODBUS over Serial Line V1.02, 2.5.2.2)
    assert summing("sum-twos")(bytes.fromhex(frame)) & 0xFF == lrc


def wrapped(mode: str, answer: bytes) -> bytes:
    return {"rtu": rtu, "ascii": ascii_, "tcp": lambda m: tcp(m, m[0])}[mode](answer)


def answer(unit: int, tenths: int, status: int) -> bytes:
    return bytes([unit, 3, 6]) + tenths.to_bytes(4, "big", signed=True) + status.to_bytes(2, "big")


@pytest.mark.parametrize("mode", ["rtu", "ascii", "tcp"])
def test_units_in_turn(mode: str) -> None:
    driver = load_layout(layout(mode)).driver()
    assert driver.request(0) == wrapped(mode, read_request(17, 3, 107, 3))
    (first,) = driver.feed(wrapped(mode, answer(17, -35, 1)), 10**6)
    assert driver.request(10**9) == wrapped(mode, read_request(18, 3, 107, 3))
    (second,) = driver.feed(wrapped(mode, answer(18, 23150, 0x100)), 10**9 + 10**6)
    assert isinstance(first, Frame)
    assert isinstance(second, Frame)
    assert (first.address, first.mass_kg, first.flags) == ("17", -3.5, 1)
    assert (second.address, second.mass_kg, second.flags) == ("18", None, 4)


@pytest.mark.parametrize("mode", ["rtu", "ascii", "tcp"])
def test_exception_answer_is_refused_and_the_next_is_read(mode: str) -> None:
    driver = load_layout(layout(mode)).driver()
    driver.request(0)
    items = driver.feed(wrapped(mode, b"\x11\x83\x02"), 10**6)
    driver.request(10**9)
    items += driver.feed(wrapped(mode, answer(18, 5, 0)), 10**9)
    assert sum(isinstance(item, Reject) for item in items) >= 1
    assert [item.mass_kg for item in items if isinstance(item, Frame)] == [0.5]


@pytest.mark.parametrize("mode", ["rtu", "ascii"])
def test_damaged_answers_never_raise_and_the_next_is_read(mode: str) -> None:
    good = wrapped(mode, answer(17, 23150, 1))
    for at in range(len(good)):
        for change in (1, 0x20, 0x80):
            driver = load_layout(layout(mode)).driver()
            driver.request(0)
            bad = good[:at] + bytes([good[at] ^ change]) + good[at + 1 :]
            items = driver.feed(bad, 10**6)
            assert all(isinstance(item, Reject) or item.mass_kg == 2315.0 for item in items)
            driver.request(10**9)
            items = driver.feed(good, 10**9)
            assert [item.mass_kg for item in items if isinstance(item, Frame)] == [2315.0]


def test_two_wire_adapter_returns_the_request() -> None:
    driver = load_layout(layout("rtu", echo=True)).driver()
    request = driver.request(0)
    assert request is not None
    items = driver.feed(request + rtu(answer(17, 10, 1)), 10**6)
    assert [item.mass_kg for item in items if isinstance(item, Frame)] == [1.0]


def test_unit_that_was_not_asked() -> None:
    driver = load_layout(layout("rtu")).driver()
    driver.request(0)
    assert not any(isinstance(item, Frame) for item in driver.feed(rtu(answer(19, 10, 1)), 10**6))
