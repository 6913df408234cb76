"""Conformance cases of messages whose bytes are escaped on the line: SLIP, COBS, HDLC-like and DLE."""

from __future__ import annotations

import random
import struct
from typing import Any

from case_kit import MOVING, Stream, case, crc, decimal, frame, loads

KERMIT = "CRC-16/KERMIT"


def _pads_and_state(kind: str, value: str) -> Stream:
    """A case whose messages `_message` makes: pad, state, a value of four bytes and a CRC."""
    layout = f"""\
[frame]
kind = "{kind}"
size = 8
[check]
kind = "crc"
crc = "{KERMIT}"
order = "little"
[fields]
address = {{ at = 0, coding = "binary" }}
status = {{ at = 1, bits = {{ 0 = "moving/steady" }} }}
value = {{ at = 2, size = 4, {value} }}
unit = "kg"
"""
    return Stream("port opened in the middle", layout=layout, integrity=KERMIT)


def _message(address: int, flags: int, value: bytes) -> bytes:
    body = bytes([address, flags == MOVING]) + value
    return body + crc(body, 16, 0x1021, 0, reflect=True).to_bytes(2, "little")


@case
def slip_float(rng: random.Random) -> Stream:
    """SLIP with ends before and behind, a little-endian float, CRC-16/KERMIT; escapes occur."""
    stream = _pads_and_state("slip", 'coding = "float", order = "little"')
    stream.says(b"\x12\x34\xdb\xdc\x01\xc0")
    for n, (value, flags) in enumerate(loads(rng, 60)):
        address = (1, 0xC0, 0xDB)[n % 3]
        kg = struct.unpack("<f", struct.pack("<f", value / 100))[0]
        body = _message(address, flags, struct.pack("<f", kg))
        wire = b"\xc0" + body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"
        stream.says(wire, _floating(kg, address=str(address), flags=flags, integrity=KERMIT))
    return stream


def _floating(kg: float, **more: Any) -> dict[str, Any]:
    told = frame("0", **more) | {"mass_kg": kg, "wire_value": kg}
    del told["resolution_kg"]
    return told


@case
def cobs_two_pads(rng: random.Random) -> Stream:
    """COBS, two pads of 32 bits each, CRC-32."""
    layout = """\
pads = [{ address = "front", value = { at = 0 } }, { address = "rear", value = { at = 4 } }]
[frame]
kind = "cobs"
size = 12
[check]
kind = "crc"
crc = "CRC32-ISO-HDLC"
[fields]
unit = "kg"
value = { size = 4, coding = "binary", form = "twos", decimals = 2 }
"""
    stream = Stream("many zero bytes inside", layout=layout, integrity="CRC32-ISO-HDLC")
    stream.says(b"\x03\x11\x22\x00")
    for value, _ in loads(rng):
        pair = (value, -(value % 256))
        body = b"".join(struct.pack(">i", item) for item in pair)
        check = crc(body, 32, 0x04C11DB7, 0xFFFFFFFF, reflect=True, out=0xFFFFFFFF)
        told = [
            frame(decimal(item), address=name, integrity="CRC32-ISO-HDLC")
            for item, name in zip(pair, ("front", "rear"), strict=True)
        ]
        stream.says(_cobs(body + check.to_bytes(4, "big")), *told)
    return stream


def _cobs(body: bytes) -> bytes:
    out = b""
    for block in body.split(b"\0"):
        out += bytes([len(block) + 1]) + block
    return out + b"\0"


@case
def hdlc_ones(rng: random.Random) -> Stream:
    """HDLC-like flags and escapes, one's complement in 32 bits of swapped words, CRC-16/IBM-SDLC."""
    layout = """\
[frame]
kind = "hdlc"
size = 8
[check]
kind = "crc"
crc = "CRC-16/IBM-SDLC"
order = "little"
[body]
constants = [{ at = 0, text = "<7E><7D>" }]
[fields]
unit = "kg"
value = { at = 2, size = 4, coding = "binary", form = "ones", order = "swapped", decimals = 2 }
"""
    stream = Stream("every message holds bytes to escape", layout=layout, integrity="CRC-16/IBM-SDLC")
    stream.says(b"\x01\x02\x7e")
    for value, _ in loads(rng):
        word = struct.pack(">I", value if value >= 0 else 0xFFFFFFFF + value)
        body = b"\x7e\x7d" + word[2:] + word[:2]
        check = crc(body, 16, 0x1021, 0xFFFF, reflect=True, out=0xFFFF)
        body += check.to_bytes(2, "little")
        wire = body.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e") + b"\x7e"
        stream.says(wire, frame(decimal(value), integrity="CRC-16/IBM-SDLC"))
    return stream


@case
def dle_int32(rng: random.Random) -> Stream:
    """DLE STX to DLE ETX, 32 bits, CRC-16/KERMIT; an address that is DLE is doubled in the message."""
    stream = _pads_and_state("dle", 'coding = "binary", form = "twos", decimals = 2')
    stream.says(b"\x12\x34\x10\x10\x01\x10\x03")
    for n, (value, flags) in enumerate(loads(rng, 60)):
        address = (1, 0x10, 3)[n % 3]
        body = _message(address, flags, struct.pack(">i", value))
        wire = b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03"
        stream.says(wire, frame(decimal(value), address=str(address), flags=flags, integrity=KERMIT))
    return stream
