"""Conformance cases of binary streams: integers, BCD and bits in frames that are not escaped."""

from __future__ import annotations

import random
import struct
from typing import Any

from case_kit import (
    LOW_BATTERY,
    MOVING,
    OVERLOAD,
    STEADY,
    Stream,
    case,
    counted,
    crc,
    decimal,
    frame,
    loads,
    xor,
)  # fmt: skip


@case
def fixed_int24(rng: random.Random) -> Stream:
    """Counts of 24 bits behind two sync bytes, with a sum that makes all bytes zero."""
    layout = """\
[frame]
kind = "fixed"
start = "<AA><55>"
size = 8
[check]
kind = "sum-twos"
from = 0
[fields]
unit = "counts"
seq = { at = 2, coding = "binary", wraps = 256 }
status = { at = 3, bits = { 0 = "moving/steady", 7 = "low_battery" } }
value = { at = 4, size = 3, coding = "binary", form = "twos" }
"""
    stream = Stream("port opened in the middle; bytes lost once", layout=layout, integrity="sum-twos")
    stream.says(b"\x00\x12\x34")
    for n, (value, flags) in enumerate(loads(rng, 60)):
        counts = 13 * value - 2000
        body = (
            b"\xaa\x55" + bytes([n & 255, (flags == MOVING) | 0x80]) + (counts & 0xFFFFFF).to_bytes(3, "big")
        )
        told = counted(counts, seq=n, flags=flags | LOW_BATTERY, integrity="sum-twos")
        data = body + bytes([-sum(body) & 0xFF])
        if n == 25:
            stream.says(data[:5])
        stream.says(data, told)
    return stream


@case
def fixed_fletcher(rng: random.Random) -> Stream:
    """Counts of 24 bits with both of Fletcher's sums in characters, the first of them first."""
    layout = """\
[frame]
kind = "fixed"
start = "<AA><55>"
size = 9
[check]
kind = "fletcher"
coding = "hex"
order = "swapped"
from = 2
[fields]
unit = "counts"
value = { at = 2, size = 3, coding = "binary", form = "twos" }
"""
    stream = Stream("port opened in the middle", layout=layout, integrity="fletcher")
    stream.says(b"\x00\x12\x34")
    for value, _ in loads(rng, 40):
        counts = 13 * value - 2000
        body = (counts & 0xFFFFFF).to_bytes(3, "big")
        low = sum(body) % 255
        high = (3 * body[0] + 2 * body[1] + body[2]) % 255
        told = counted(counts, flags=0, integrity="fletcher")
        stream.says(b"\xaa\x55" + body + b"%02X%02X" % (low, high), told)
    return stream


@case
def fixed_no_start(rng: random.Random) -> Stream:
    """Little-endian 16 bits, sign and magnitude, nothing to begin with but a CRC-8 to keep step by."""
    layout = """\
[frame]
kind = "fixed"
size = 4
[check]
kind = "crc"
crc = "CRC8-SMBUS"
[fields]
unit = "kg"
resolution = 0.05
value = { at = 1, size = 2, coding = "binary", form = "magnitude", order = "little", scale = 0.05 }
address = { at = 0, coding = "binary", map = { 16 = "P1", 32 = "P2" } }
"""
    stream = Stream("two pads take turns; noise of three bytes once", layout=layout, integrity="CRC8-SMBUS")
    for n, (value, _) in enumerate(loads(rng, 50)):
        steps = value // 5
        pad = n % 2 + 1
        body = bytes([16 * pad]) + (abs(steps) | (steps < 0) << 15).to_bytes(2, "little")
        if n == 30:
            stream.says(b"\xff\xff\xff")
        told = _half_tenths(steps, address=f"P{pad}", integrity="CRC8-SMBUS")
        stream.says(body + bytes([crc(body, 8, 0x07, 0, reflect=False)]), told)
    return stream


def _half_tenths(steps: int, **more: Any) -> dict[str, Any]:
    return frame(decimal(steps * 5), **more) | {"resolution_kg": 0.05}


@case
def length_text(rng: random.Random) -> Stream:
    """A length in two decimal characters, then text of that length."""
    layout = """\
limits_kg = [-100, 2500]
[frame]
kind = "length"
start = "L"
length = { at = 1, size = 2, coding = "text", plus = 3 }
max = 40
[body]
kind = "pattern"
from = 3
pattern = 'p(?P<address>\\d)=(?P<value>[+-]\\d+\\.\\d\\d)(?P<unit>kg|lb);'
[fields]
address = {}
value = {}
unit = {}
"""
    stream = Stream("port opened in the middle", layout=layout)
    stream.says(b"31.20kg;")
    for n, (value, _) in enumerate(loads(rng)):
        text = decimal(value)
        body = f"p{n % 4 + 1}={text if value < 0 else '+' + text}kg;"
        stream.says(f"L{len(body):02d}{body}".encode(), frame(text, address=str(n % 4 + 1)))
    return stream


@case
def length_crc(rng: random.Random) -> Stream:
    """A length byte that counts what follows it, a 32-bit number, CRC-16/ARC; two kinds of message."""
    layout = """\
[frame]
kind = "length"
start = "<5A>"
length = { at = 1, size = 1, plus = 2 }
max = 32
[check]
kind = "crc"
crc = "CRC16-ARC"
order = "little"
from = 0
[body]
constants = [{ at = 2, text = "W" }]
[fields]
unit = "g"
value = { at = 3, size = 4, coding = "binary", form = "twos", order = "little" }
"""
    stream = Stream("a second kind of message without a reading comes now and then", layout=layout)
    stream.integrity = "CRC16-ARC"

    def message(payload: bytes) -> bytes:
        body = b"\x5a" + bytes([len(payload) + 2]) + payload
        return body + crc(body, 16, 0x8005, 0, reflect=True).to_bytes(2, "little")

    for n, (value, _) in enumerate(loads(rng)):
        stream.says(message(b"W" + struct.pack("<i", value)), frame(str(value), "g", integrity="CRC16-ARC"))
        if n % 16 == 15:
            stream.says(message(b"Hello, all is well"))
    return stream


@case
def bcd_bits(rng: random.Random) -> Stream:
    """Packed BCD with a status byte for sign, unit and overload, an XOR over all."""
    layout = """\
[frame]
kind = "fixed"
start = "<FE>"
size = 7
[check]
kind = "xor"
init = 0x0F
[fields]
value = { at = 1, size = 3, coding = "bcd", decimals = 2 }
battery = { at = 5, coding = "bcd", decimals = 1 }
[fields.status]
at = 4
bits = { 0 = "moving/steady", 1 = "minus", 2 = "lb/kg", 3 = "overload", 7 = "1" }
"""
    stream = Stream("an overload sends full digits; unit changed by hand", layout=layout, integrity="xor")
    for n, (value, flags) in enumerate(loads(rng, 50)):
        pounds, over = n > 35, n == 20
        digits = f"{999999 if over else abs(value):06d}"
        status = 0x80 | (flags == MOVING) | (value < 0) << 1 | pounds << 2 | over << 3
        body = bytes.fromhex(digits) + bytes([status, 0x37])
        told = frame(
            None if over else decimal(value), "lb" if pounds else "kg", battery_V=3.7, integrity="xor",
            flags=flags | (OVERLOAD if over else 0),
        )  # fmt: skip
        stream.says(b"\xfe" + body + bytes([xor(body) ^ 0x0F]), told)
    return stream


@case
def bcd_signed(rng: random.Random) -> Stream:
    """Packed decimal with a sign nibble behind, low byte first; the sum in two bytes, one's complement."""
    layout = """\
[frame]
kind = "fixed"
start = "<01><FE>"
size = 8
[check]
kind = "sum-ones"
size = 2
[fields]
unit = "kg"
value = { at = 2, size = 4, coding = "bcd", form = "sign-last", order = "little", decimals = 2 }
"""
    stream = Stream("loads around zero", layout=layout, integrity="sum-ones")
    for value, _ in loads(rng):
        body = bytes.fromhex(f"{abs(value):07d}{'d' if value < 0 else 'c'}")[::-1]
        data = b"\x01\xfe" + body + (~sum(body) & 0xFFFF).to_bytes(2, "big")
        stream.says(data, frame(decimal(value), integrity="sum-ones"))
    return stream


@case
def four_masked(rng: random.Random) -> Stream:
    """Four pads, 14 bits each beside two flag bits, offset binary, CRC-8/MAXIM."""
    names = ("LF", "RF", "LR", "RR")
    pads = ",\n".join(
        f'  {{ address = "{name}", value = {{ at = {2 + 2 * n} }}, status = {{ at = {2 + 2 * n} }} }}'
        for n, name in enumerate(names)
    )
    layout = f"""\
pads = [
{pads},
]
[frame]
kind = "fixed"
start = "<A5>"
size = 11
[check]
kind = "crc"
crc = "CRC8-MAXIM-DOW"
from = 0
[fields]
unit = "kg"
signal = {{ at = 1, coding = "binary", scale = -1 }}
value = {{ size = 2, coding = "binary", mask = 0x3FFF, form = "offset", scale = 0.1 }}
status = {{ size = 1, bits = {{ 7 = "moving/steady", 6 = "low_battery" }} }}
resolution = 0.1
"""
    stream = Stream("one pad's battery is low", layout=layout, integrity="CRC8-MAXIM-DOW")
    stream.says(b"\x01\x02\x03")
    for value, flags in loads(rng, 40, step=10):
        body, told = b"\xa5" + bytes([62]), []
        for n, name in enumerate(names):
            tenths = value // 20 + n
            low = n == 2
            word = (tenths + 0x2000) | (flags == MOVING) << 15 | low << 14
            body += word.to_bytes(2, "big")
            bits = flags | (LOW_BATTERY if low else 0)
            told.append(
                frame(
                    decimal(tenths, 1), address=name, flags=bits, signal_dBm=-62.0, integrity="CRC8-MAXIM-DOW"
                )
            )
        stream.says(body + bytes([crc(body, 8, 0x31, 0, reflect=True)]), *told)
    return stream


@case
def hex_wrapped(rng: random.Random) -> Stream:
    """A binary message sent as hexadecimal characters between brackets."""
    layout = """\
[frame]
kind = "marked"
start = "("
end = ")"
hex = true
size = 6
[check]
kind = "sum"
[fields]
status = { at = 0, bits = { 0 = "moving/steady" } }
value = { at = 1, size = 4, coding = "binary", form = "twos", decimals = 2 }
unit = "kg"
"""
    stream = Stream("one message damaged", layout=layout, integrity="sum")
    stream.says(b"01FF)")
    for n, (value, flags) in enumerate(loads(rng)):
        body = bytes([flags == MOVING]) + struct.pack(">i", value)
        data = b"(" + (body + bytes([sum(body) & 255])).hex().encode() + b")"
        stream.says(data, frame(decimal(value), flags=flags, integrity="sum"))
        if n == 8:
            stream.says(data[:5] + b"x" + data[6:])
    return stream


@case
def usb_hid_scale(rng: random.Random) -> Stream:
    """USB HID data reports of several units, exponents and states, with another report between."""
    stream = Stream("reports as read from hidraw; a status report between", driver="usb-hid-scale")
    kinds = ((3, -2, "kg"), (3, -1, "kg"), (12, -1, "lb"), (2, 1, "g"))
    for n, (value, flags) in enumerate(loads(rng)):
        unit, exponent, name = kinds[n // 10]
        size = abs(value) % 20000
        status = 4 if flags == STEADY else 3
        number = size * 10**exponent if exponent > 0 else None
        text = str(number) if number is not None else decimal(size, -exponent)
        data = bytes([3, status, unit, exponent & 0xFF]) + size.to_bytes(2, "little")
        told = frame(text, name, flags=flags)
        if exponent > 0:
            told["resolution_kg"] = 0.01
        stream.says(data, told)
    stream.says(b"\x03\x05\x03\xfe\x05\x00", frame(None, flags=8))
    stream.says(b"\x03\x06\x03\xfe\xff\xff", frame(None, flags=OVERLOAD))
    stream.says(b"\x03\x02\x03\xfe\x00\x00", frame("0.00", flags=STEADY | 32))
    return stream
