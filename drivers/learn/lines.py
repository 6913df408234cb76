"""Line settings: which ones make structure of what comes, and parity bits seen where none were expected."""

from __future__ import annotations

from collections import Counter

from drivers.api import SerialSettings
from drivers.learn.guess import TEXTUAL

BAUDS = (9600, 19200, 115200, 57600, 38400, 4800, 2400, 1200, 230400, 460800)
"""Speeds tried, the common ones first."""
ENOUGH = 40
"""Bytes from which a stretch can be scored."""
SURE = 0.85
"""Score from which nothing else is tried."""
LONGEST_PERIOD = 80


def score(data: bytes, errors: int = 0) -> float:
    """Score bytes from 0 to 1 by text in lines, or by bytes that repeat; damaged characters count against."""
    if len(data) < ENOUGH:
        return 0.0
    found = max(_text(data), _repeating(data))
    return max(found - 3.0 * errors / len(data), 0.0)


def _text(data: bytes) -> float:
    """Share of text, when it comes in messages that look alike."""
    plain = sum(byte in TEXTUAL for byte in data) / len(data)
    ends = max((data.count(end) for end in b"\r\n\x03\x04"), default=0)
    digits = sum(48 <= byte < 58 for byte in data) / len(data)
    return plain if ends > len(data) / 200 and digits > 0.05 else 0.5 * plain


def _repeating(data: bytes) -> float:
    """How well bytes repeat at their best distance, when they are of several kinds."""
    probe = data[:2000]
    kinds = len(set(probe))
    if kinds < 4:
        return 0.0
    best = max(
        sum(map(int.__eq__, probe, probe[period:])) / (len(probe) - period)
        for period in range(3, min(LONGEST_PERIOD, len(probe) // 3))
    )
    common = max(Counter(probe).values()) / len(probe)
    return best * (1 - common) / (1 - common**2) if common < 1 else 0.0


def hidden_parity(data: bytes) -> str:
    """Tell whether the eighth bit of text is a parity bit: "E", "O", or "" for no."""
    plain = bytes(byte & 0x7F for byte in data)
    if len(data) < ENOUGH or _text(plain) < 0.9 or not any(byte & 0x80 for byte in data):
        return ""
    odd = sum(byte.bit_count() & 1 for byte in data) / len(data)
    return "O" if odd > 0.98 else "E" if odd < 0.02 else ""


def seven_bits(settings: SerialSettings, parity: str) -> SerialSettings:
    """The settings for text of seven bits with a parity."""
    return SerialSettings(baud=settings.baud, bytesize=7, parity=parity, stopbits=settings.stopbits)


def told(settings: SerialSettings) -> str:
    """Write settings the short way: 9600 8N1."""
    return f"{settings.baud} {settings.bytesize}{settings.parity}{settings.stopbits:g}"


def unmarked(data: bytes) -> tuple[bytes, int]:
    """Take out the marks of damaged characters (FF 00 x, as the kernel's PARMRK writes) and count them."""
    out = bytearray()
    errors = at = 0
    while at < len(data):
        if data[at] != 0xFF or at + 1 >= len(data):
            out.append(data[at])
            at += 1
        elif data[at + 1] == 0xFF:
            out.append(0xFF)
            at += 2
        elif data[at + 1] == 0 and at + 2 < len(data):
            errors += 1
            out.append(data[at + 2])
            at += 3
        else:
            out.append(0xFF)
            at += 1
    return bytes(out), errors
