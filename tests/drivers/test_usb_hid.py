"""USB HID weighing reports by the shipped layout: every status and unit code of page 0x8D."""

from __future__ import annotations

from fractions import Fraction

import pytest

from drivers.api import FLAG_AT_ZERO, FLAG_MOVING, FLAG_OVERLOAD, FLAG_STEADY, FLAG_UNDERLOAD, Frame
from drivers.registry import find
from drivers.wire import KG_PER

# USB-IF HID Point of Sale Usage Tables 1.02, page 0x8D, usages 0x50-0x5C and 0x70-0x78
UNITS = {
    1: "mg",
    2: "g",
    3: "kg",
    4: "ct",
    6: "gr",
    7: "dwt",
    8: "t",
    9: "ton",
    10: "ozt",
    11: "oz",
    12: "lb",
}
STATUS = {
    2: FLAG_STEADY | FLAG_AT_ZERO,
    3: FLAG_MOVING,
    4: FLAG_STEADY,
    5: FLAG_UNDERLOAD,
    6: FLAG_OVERLOAD,
    7: 0,
    8: 0,
}


def report(status: int, unit: int, exponent: int, number: int) -> bytes:
    return bytes([3, status, unit, exponent & 0xFF]) + number.to_bytes(2, "little")


def read(data: bytes) -> list[Frame]:
    return [item for item in find("usb-hid-scale")().feed(data * 2, 0) if isinstance(item, Frame)]


def test_report_of_the_table() -> None:
    # constructed: 03 04 03 FF 88 13 is report 3, weight stable, kg, exponent -1, 5000
    frame = read(bytes.fromhex("03 04 03 FF 88 13"))[0]
    assert (frame.mass_kg, frame.wire_value, frame.wire_unit, frame.flags) == (
        500.0,
        500.0,
        "kg",
        FLAG_STEADY,
    )


@pytest.mark.parametrize("unit", UNITS)
def test_units(unit: int) -> None:
    frame = read(report(4, unit, -2, 123))[0]
    assert frame.wire_unit == UNITS[unit]
    assert frame.mass_kg == float(Fraction(123, 100) * KG_PER[UNITS[unit]])


@pytest.mark.parametrize("unit", [0, 5, 13, 255])
def test_units_that_mean_nothing_certain(unit: int) -> None:
    assert read(report(4, unit, 0, 100)) == []


@pytest.mark.parametrize("status", STATUS)
def test_status(status: int) -> None:
    frame = read(report(status, 3, -1, 500))[0]
    assert frame.flags == STATUS[status]
    assert (frame.mass_kg is None) == (status in (5, 6))


@pytest.mark.parametrize("status", [0, 1, 9])
def test_fault_is_no_reading(status: int) -> None:
    assert read(report(status, 3, 0, 100)) == []


@pytest.mark.parametrize("exponent", range(-9, 4))
def test_exponent(exponent: int) -> None:
    frame = read(report(4, 2, exponent, 345))[0]
    assert frame.wire_value == float(Fraction(345) * Fraction(10) ** exponent)
