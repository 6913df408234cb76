"""Conformance cases of polled indicators: the answers as they came, without the requests."""

from __future__ import annotations

import random
import struct

from case_kit import MOVING, STEADY, Stream, case, crc, decimal, frame, loads

MODBUS = """\
[modbus]
mode = "{mode}"
units = [1, 2]
addresses = ["P1", "P2"]
first = 100
count = 4
period_s = 0.05
[fields]
unit = "kg"
value = {{ register = 100, registers = 2, coding = "binary", form = "twos", order = "swapped", decimals = 2 }}
status = {{ register = 102, bits = {{ 0 = "moving/steady" }} }}
battery = {{ register = 103, coding = "binary", scale = 0.001 }}
"""


def _answers(rng: random.Random, integrity: str) -> list[tuple[bytes, dict[str, object], int]]:
    found = []
    for n, (value, flags) in enumerate(loads(rng)):
        unit, word = n % 2 + 1, struct.pack(">i", value)
        data = bytes([unit, 3, 8]) + word[2:] + word[:2] + struct.pack(">HH", flags == MOVING, 3700 - n)
        told = frame(
            decimal(value), address=f"P{unit}", flags=flags, battery_V=(3700 - n) / 1000, integrity=integrity
        )
        found.append((data, told, n))
    return found


@case
def modbus_rtu(rng: random.Random) -> Stream:
    """Two units; one answers an exception once."""
    stream = Stream(
        "two units in turn; one exception", layout=MODBUS.format(mode="rtu"), integrity="CRC16-MODBUS"
    )

    def sealed(data: bytes) -> bytes:
        return data + crc(data, 16, 0x8005, 0xFFFF, reflect=True).to_bytes(2, "little")

    for data, told, n in _answers(rng, stream.integrity):
        stream.says(sealed(data), told)
        if n == 14:
            stream.says(sealed(b"\x01\x83\x02"))
    return stream


@case
def modbus_ascii(rng: random.Random) -> Stream:
    """The same in hexadecimal characters."""
    stream = Stream("two units in turn; one exception", layout=MODBUS.format(mode="ascii"), integrity="LRC")

    def sealed(data: bytes) -> bytes:
        return b":" + (data + bytes([-sum(data) & 255])).hex().upper().encode() + b"\r\n"

    for data, told, n in _answers(rng, stream.integrity):
        stream.says(sealed(data), told)
        if n == 14:
            stream.says(sealed(b"\x01\x83\x02"))
    return stream


@case
def modbus_tcp(rng: random.Random) -> Stream:
    """The same through a gateway; TCP guards the bytes, the frame itself has no check."""
    stream = Stream("two units in turn", layout="limits_kg = [-100, 2500]\n" + MODBUS.format(mode="tcp"))
    for data, told, _ in _answers(rng, "none"):
        del told["integrity"]
        stream.says(struct.pack(">HHH", data[0], 0, len(data)) + data, told)
    return stream


@case
def polled_answers(rng: random.Random) -> Stream:
    """An answer says its address; asked by ENQ and address in turn, with a pause for the half-duplex line."""
    layout = """\
limits_kg = [-100, 2500]
[serial]
baud = 19200
rs485 = true
[frame]
kind = "marked"
start = "<ACK>"
end = "<CR>"
size = 14
[fields]
address = { at = 1, size = 2 }
status = { at = 3, map = { S = "steady", M = "moving" } }
value = { at = 4, size = 9 }
unit = "kg"
[poll]
requests = ["<ENQ>01<CR>", "<ENQ>02<CR>", "<ENQ>03<CR>"]
period_s = 0.04
timeout_s = 0.03
pause_s = 0.002
"""
    stream = Stream("three pads answer in turn", layout=layout)
    for n, (value, flags) in enumerate(loads(rng)):
        address = f"{n % 3 + 1:02d}"
        data = f"\x06{address}{'S' if flags == STEADY else 'M'}{decimal(value):>9}\r".encode()
        stream.says(data, frame(decimal(value), address=address, flags=flags))
    return stream
