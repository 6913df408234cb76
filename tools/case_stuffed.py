"""Conformance cases of messages between DLE STX and DLE ETX, in which every other DLE is doubled."""

from __future__ import annotations

import random
import struct

from case_kit import MOVING, Stream, case, crc, decimal, frame, loads


@case
def dle_int32(rng: random.Random) -> Stream:
    """DLE STX to DLE ETX, 32 bits, CRC-16/KERMIT; an address that is DLE is doubled in the message."""
    layout = """\
[frame]
kind = "dle"
size = 8
[check]
kind = "crc"
crc = "CRC-16/KERMIT"
order = "little"
[fields]
address = { at = 0, coding = "binary" }
status = { at = 1, bits = { 0 = "moving/steady" } }
unit = "kg"
value = { at = 2, size = 4, coding = "binary", form = "twos", decimals = 2 }
"""
    stream = Stream("port opened in the middle", layout=layout, integrity="CRC-16/KERMIT")
    stream.says(b"\x12\x34\x10\x10\x01\x10\x03")
    for n, (value, flags) in enumerate(loads(rng, 60)):
        address = (1, 0x10, 3)[n % 3]
        body = bytes([address, flags == MOVING]) + struct.pack(">i", value)
        body += crc(body, 16, 0x1021, 0, reflect=True).to_bytes(2, "little")
        wire = b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03"
        stream.says(wire, frame(decimal(value), address=str(address), flags=flags, integrity="CRC-16/KERMIT"))
    return stream
