"""Numbers convert exactly: every decimal text to the nearest float, every integer form both ways."""

from __future__ import annotations

import struct
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.numbers import Scaler, bcd, ieee, integer, text
from drivers.wire import KG_PER
from logger.units import KG_PER as LOGGER_KG_PER

digits = st.integers(min_value=0, max_value=10**15)
places = st.integers(min_value=0, max_value=12)


def as_float(read: object, field: bytes) -> float:
    number, decimals = read(field)  # type: ignore[operator]  # a reader of drivers.numbers
    return Scaler(Fraction(1))(number, decimals)


@given(digits, places, st.booleans())
@settings(deadline=None, max_examples=300)
def test_decimal_text_is_rounded_as_float_rounds(number: int, decimals: int, minus: bool) -> None:
    padded = f"{number:0{decimals + 1}d}"
    sign = "-" if minus else ""
    written = sign + (f"{padded[:-decimals]}.{padded[-decimals:]}" if decimals else padded)
    assert as_float(text(), written.encode()) == float(written)
    assert as_float(text(decimals=decimals), (sign + padded).encode()) == float(written)
    assert as_float(text(point=","), written.replace(".", ",").encode()) == float(written)
    assert as_float(text(backwards=True), written[::-1].encode()) == float(written)


@given(digits, places, st.sampled_from(sorted(KG_PER)))
@settings(deadline=None, max_examples=300)
def test_units_are_converted_with_one_rounding(number: int, decimals: int, unit: str) -> None:
    assert Scaler(KG_PER[unit])(number, decimals) == float(Fraction(number, 10**decimals) * KG_PER[unit])


def test_units_are_those_of_the_logger() -> None:
    assert {unit: float(KG_PER[unit]) for unit in LOGGER_KG_PER} == pytest.approx(LOGGER_KG_PER, rel=1e-15)


def test_units_of_open_standards() -> None:
    # NIST SP 811, Appendix B.8: grain, pennyweight, troy ounce, carat, short ton; exact, from memory
    assert KG_PER["gr"] == KG_PER["lb"] / 7000
    assert KG_PER["dwt"] == 24 * KG_PER["gr"]
    assert KG_PER["ozt"] == 20 * KG_PER["dwt"]
    assert KG_PER["oz"] * 16 == KG_PER["lb"]
    assert KG_PER["ton"] == 2000 * KG_PER["lb"]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (b"  12.5", 12.5), (b"-  12.5", -12.5), (b"12.5-", -12.5), (b"12.5 -", -12.5), (b"+.5", 0.5),
        (b"12.", 12.0), (b"00012.50  ", 12.5), (b"-0.0", 0.0),
    ],
)  # fmt: skip
def test_text_as_it_comes(field: bytes, value: float) -> None:
    assert as_float(text(), field) == value
    assert str(as_float(text(), field)) == str(value)  # no minus zero


@pytest.mark.parametrize(
    "field",
    [
        b"", b" ", b"-", b".", b"+-1", b"1+2", b"1 2", b"1.2.3", b"1e3", b"1_0", b"inf", b"nan", b"0x1",
        b"12.5kg",
        b"\xb2", b"1. 5", b"--5", b"-5-",
    ],
)  # fmt: skip
def test_text_that_is_no_number(field: bytes) -> None:
    with pytest.raises(ValueError, match="decimal number"):
        text()(field)


def test_blanks_inside_only_when_said() -> None:
    assert as_float(text(ignore=b" "), b"- 1 234.5") == -1234.5
    with pytest.raises(ValueError, match="decimal number"):
        text()(b"1 234.5")


def test_implied_point_admits_no_other() -> None:
    with pytest.raises(ValueError, match="decimal number"):
        text(decimals=2)(b"312.45")


@given(st.integers(min_value=-(2**23) + 1, max_value=2**23 - 1))
@settings(deadline=None, max_examples=200)
def test_integer_forms(number: int) -> None:
    wide = 24
    forms = {
        "twos": number & 0xFFFFFF,
        "ones": number if number >= 0 else number + (1 << wide) - 1,
        "magnitude": number if number >= 0 else -number | 1 << (wide - 1),
        "offset": number + (1 << (wide - 1)),
    }
    for form, sent in forms.items():
        for order in ("big", "little"):
            data = sent.to_bytes(3, order)  # type: ignore[arg-type]  # one of the two literals
            assert integer(coding="binary", form=form, order=order)(data) == (number, 0), form
        assert integer(coding="hex", form=form, bits=24)(f"{sent:06X}".encode()) == (number, 0)


def test_masked_bits_have_their_own_sign() -> None:
    read = integer(coding="binary", form="twos", mask=0x3FFC)
    assert read((0xC000 | (-5 & 0xFFF) << 2 | 1).to_bytes(2, "big")) == (-5, 0)


def test_swapped_words() -> None:
    assert integer(coding="binary", order="swapped")(b"\x33\x44\x11\x22") == (0x11223344, 0)
    assert ieee(order="swapped")(struct.pack(">f", 312.25)[2:] + struct.pack(">f", 312.25)[:2]) == (312.25, 0)


@given(st.integers(min_value=-9_999_999, max_value=9_999_999))
@settings(deadline=None, max_examples=100)
def test_bcd(number: int) -> None:
    packed = bytes.fromhex(f"{abs(number):07d}{'d' if number < 0 else 'c'}")
    assert bcd(form="sign-last", decimals=2)(packed) == (number, 2)
    assert bcd(form="sign-last", order="little")(packed[::-1]) == (number, 0)
    low_first = bytes(byte >> 4 | (byte & 0xF) << 4 for byte in packed)
    assert bcd(form="sign-last", backwards=True)(low_first) == (number, 0)
    signed = bytes.fromhex(f"{'d' if number < 0 else '0'}{abs(number):07d}")
    assert bcd(form="sign-first")(signed) == (number, 0)
    with pytest.raises(ValueError, match="BCD"):
        bcd()(b"\x1a")


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
@settings(deadline=None, max_examples=100)
def test_floats(number: float) -> None:
    assert ieee(order="little")(struct.pack("<f", number)) == (number, 0)
    assert ieee()(struct.pack(">d", number)) == (number, 0)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_no_reading_that_is_not_finite(number: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        ieee()(struct.pack(">f", number))


def test_scale_and_offset_are_exact() -> None:
    assert Scaler(Fraction("0.02"), Fraction("-1.5"))(7, 0) == float(Fraction("-1.36"))
    assert Scaler(Fraction("0.1"))(0.5, 0) == 0.05


def test_a_binary_address_is_looked_up_by_number_never_as_a_character() -> None:
    """The byte 31 is 49, and not the pad that a map of numbers calls 1 although it is written like it."""
    text = (
        'limits_kg = [-50, 1500]\n[frame]\nkind = "marked"\nstart = "<STX>"\nend = "<CR>"\nsize = 6\n'
        '[fields]\nunit = "kg"\nvalue = { at = 2, size = 3, coding = "text" }\n'
        'address = { at = 1, coding = "binary", mask = 0xF0, map = { 1 = "one", 3 = "three" } }\n'
    )
    found = load_layout(text, "halves").driver().feed(b"\x02\x31842\r\x02\x11842\r", 0)
    assert [item.address for item in found if isinstance(item, Frame)] == ["three", "one"]
