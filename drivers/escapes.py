"""Undoing escapes: hexadecimal characters, SLIP (RFC 1055), COBS (Cheshire and Baker 1999) and the byte
stuffing of HDLC-like framing (RFC 1662); DLE STX … DLE ETX with DLE doubled inside (ISO 1745).

Each takes a message with the end (and leading ends) it had on the wire; ValueError says that its escapes
are damaged. The inverses serve simulation and tests.
"""

from __future__ import annotations

from collections.abc import Callable

SLIP_END, SLIP_ESC = b"\xc0", b"\xdb"
HDLC_FLAG = b"\x7e"

DLE, DLE_START, DLE_END = b"\x10", b"\x10\x02", b"\x10\x03"

ENDS: dict[str, bytes] = {"slip": SLIP_END, "cobs": b"\0", "hdlc": HDLC_FLAG}
"""The byte that ends a message of each kind and stands nowhere inside."""


def from_slip(raw: bytes) -> bytes:
    """Undo SLIP."""
    body = raw.strip(SLIP_END)
    escapes = body.count(SLIP_ESC)
    if not escapes:
        return body
    if escapes != body.count(b"\xdb\xdc") + body.count(b"\xdb\xdd"):
        raise ValueError("a SLIP escape is followed by neither DC nor DD")
    return body.replace(b"\xdb\xdc", SLIP_END).replace(b"\xdb\xdd", SLIP_ESC)


def to_slip(message: bytes) -> bytes:
    """Escape a message and end it."""
    return message.replace(SLIP_ESC, b"\xdb\xdd").replace(SLIP_END, b"\xdb\xdc") + SLIP_END


def from_cobs(raw: bytes) -> bytes:
    """Undo COBS."""
    body = raw.strip(b"\0")
    out = bytearray()
    at = 0
    while at < len(body):
        code = body[at]
        block = body[at + 1 : at + code]
        if len(block) != code - 1:
            raise ValueError("a COBS block is longer than the message")
        out += block
        at += code
        if code < 0xFF and at < len(body):
            out.append(0)
    return bytes(out)


def to_cobs(message: bytes) -> bytes:
    """Escape a message and end it."""
    out = bytearray()
    for block in message.split(b"\0"):
        full = len(block) // 254
        for at in range(0, 254 * full, 254):
            out += b"\xff" + block[at : at + 254]
        out += bytes([len(block) - 254 * full + 1]) + block[254 * full :]
    return bytes(out) + b"\0"


def from_hdlc(raw: bytes) -> bytes:
    """Undo HDLC-like byte stuffing: 7D escapes a byte XOR 20, whichever byte it is."""
    body = raw.strip(HDLC_FLAG)
    escapes = body.count(b"\x7d")
    if not escapes:
        return body
    if escapes == body.count(b"\x7d\x5e") + body.count(b"\x7d\x5d"):
        return body.replace(b"\x7d\x5e", HDLC_FLAG).replace(b"\x7d\x5d", b"\x7d")
    first, *rest = body.split(b"\x7d")
    if not all(rest):
        raise ValueError("an escape escapes nothing")
    return first + b"".join(bytes([part[0] ^ 0x20]) + part[1:] for part in rest)


def from_dle(raw: bytes) -> bytes:
    """Undo doubled DLE between DLE STX and DLE ETX."""
    body = raw[len(DLE_START) : -len(DLE_END)]
    if body.count(DLE) != 2 * body.count(DLE + DLE):
        raise ValueError("a DLE stands alone inside")
    return body.replace(DLE + DLE, DLE)


def to_dle(message: bytes) -> bytes:
    """Double DLE and put the message between its start and end."""
    return DLE_START + message.replace(DLE, DLE + DLE) + DLE_END


def to_hdlc(message: bytes) -> bytes:
    """Escape a message and end it."""
    return message.replace(b"\x7d", b"\x7d\x5d").replace(HDLC_FLAG, b"\x7d\x5e") + HDLC_FLAG


def from_hex(head: int, tail: int) -> Callable[[bytes], bytes]:
    """Make what undoes hexadecimal characters between a start and an end of these sizes."""

    def unwrap(raw: bytes) -> bytes:
        characters = raw[head : len(raw) - tail]
        if not characters.isalnum():
            raise ValueError("something stands between hexadecimal characters")
        return bytes.fromhex(characters.decode("ascii"))

    return unwrap


UNWRAP: dict[str, Callable[[bytes], bytes]] = {
    "slip": from_slip,
    "cobs": from_cobs,
    "hdlc": from_hdlc,
    "dle": from_dle,
}
WRAP: dict[str, Callable[[bytes], bytes]] = {"slip": to_slip, "cobs": to_cobs, "hdlc": to_hdlc, "dle": to_dle}
