"""How bytes are written in layouts and drawings, and the units that streams send.

Bytes are text with control characters and other bytes in angle brackets: `<STX>`, `<CR><LF>`, `<AA><55>`;
a literal `<` is `<3C>`. <FF> is the byte 255; a form feed is <0C>.
"""

from __future__ import annotations

import re
from fractions import Fraction

_CONTROLS = (
    *("NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI"),
    *(
        "DLE",
        "DC1",
        "DC2",
        "DC3",
        "DC4",
        "NAK",
        "SYN",
        "ETB",
        "CAN",
        "EM",
        "SUB",
        "ESC",
        "FS",
        "GS",
        "RS",
        "US",
    ),
)
_CODES = {name: code for code, name in enumerate(_CONTROLS) if name != "FF"} | {"DEL": 127}
_NAMES = {code: name for name, code in _CODES.items()}
_PIECE = re.compile(r"<([A-Z0-9]{2,3})>|([^<])", re.DOTALL)

KG_PER: dict[str, Fraction] = {
    "kg": Fraction(1),
    "g": Fraction(1, 1000),
    "mg": Fraction(1, 1_000_000),
    "t": Fraction(1000),
    "lb": Fraction(45359237, 100_000_000),
    "oz": Fraction(45359237, 1_600_000_000),
    "ton": Fraction(45359237, 50_000),
    "gr": Fraction(6479891, 100_000_000_000),
    "dwt": Fraction(155517384, 100_000_000_000),
    "ozt": Fraction(311034768, 10_000_000_000),
    "ct": Fraction(1, 5_000),
    "N": Fraction(100_000, 980_665),
    "kN": Fraction(100_000_000, 980_665),
}
"""Mass in kg that one of the unit shows, exact; forces are divided by standard gravity 9.80665 m/s².

The ton is the short one of 2000 lb; gr, dwt and ozt are grain, pennyweight and troy ounce, ct the carat.
"""

COUNTS = "counts"
"""The unit of raw converter counts, which no factor turns into kg."""

UNITS = (*KG_PER, COUNTS)


def to_bytes(text: str) -> bytes:
    """Read bytes written as text; ValueError says which part is no byte."""
    out = bytearray()
    at = 0
    while at < len(text):
        piece = _PIECE.match(text, at)
        if piece is None:
            raise ValueError(f"{text[at : at + 5]!r} is no <NAME> or <hex> byte; a plain < is written <3C>")
        out.append(_code(piece.group(1)) if piece.group(1) else _plain(piece.group(2)))
        at = piece.end()
    return bytes(out)


def to_text(data: bytes) -> str:
    """Write bytes as text that `to_bytes` reads back."""
    return "".join(
        chr(byte) if 32 <= byte < 127 and byte != 0x3C else f"<{_NAMES.get(byte, f'{byte:02X}')}>"
        for byte in data
    )


def _code(name: str) -> int:
    if name in _CODES:
        return _CODES[name]
    if re.fullmatch(r"[0-9A-F]{2}", name):
        return int(name, 16)
    raise ValueError(f"<{name}> is neither a control character's name nor two hexadecimal digits")


def _plain(character: str) -> int:
    if ord(character) > 255:
        raise ValueError(f"{character!r} is not one byte; write its bytes as <hex>")
    return ord(character)
