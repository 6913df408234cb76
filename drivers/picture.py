"""The byte picture: a message drawn byte by byte, in hexadecimal and text, its fields named beneath.

  at  00  01  02  03  04  05  06  07  08
 hex  02  32  20  53  20  2B  31  32  03
text STX   2       S       +   1   2 ETX
     |-- |--     |--     |---------- |--
     |   |       |       value       end
     |   |       status
     |   address
     start
"""

from __future__ import annotations

import re

from drivers.layout import Layout
from drivers.wire import to_text

ROW = 16
"""Bytes in a row: 16 of four characters and the margin make 70 columns."""
CELL = 4
MARGIN = 6

Span = tuple[int, int, str]


def picture(layout: Layout, raw: bytes) -> str:
    """Draw one message as it stood on the wire, or as what it carries when it was escaped."""
    message, note = raw, ""
    if layout.framing.unwrap is not None:
        try:
            message, note = layout.framing.unwrap(raw), f"on the wire: {to_text(raw)}\n"
        except ValueError:
            return draw(raw, [])
    return note + draw(message, spans(layout, message))


def spans(layout: Layout, message: bytes) -> list[Span]:
    """Name every part of a message that the layout names: start, fields, check, end."""
    framing, check = layout.framing, layout.check
    found = [(begin, stop, _named(layout, name)) for begin, stop, name in layout.body.spans(message)]
    if framing.unwrap is None:
        edge = len(message) - framing.trail
        found += [(0, len(framing.start), "start"), (edge - len(framing.end), edge, "end")]
    if check is not None:
        at = check.at if check.at >= 0 else len(message) + check.at
        found.append((at, at + check.size, f"check {check.name}"))
    found += [(at, at + len(text), "constant") for at, text in layout.body.constants]
    names: dict[tuple[int, int], list[str]] = {}
    for begin, stop, name in found:
        if 0 <= begin < stop <= len(message):
            names.setdefault((begin, stop), []).append(name)
    return sorted((*place, " + ".join(said)) for place, said in names.items())


def draw(message: bytes, named: list[Span]) -> str:
    """Draw bytes in rows with the spans named beneath."""
    rows = []
    for at in range(0, len(message), ROW):
        row = message[at : at + ROW]
        here = [
            (max(begin - at, 0), min(stop - at, len(row)), name if begin >= at else "…")
            for begin, stop, name in named
            if begin < at + len(row) and stop > at
        ]
        rows.append("\n".join([*_bytes(row, at), *_names(here)]))
    return "\n".join(rows)


def _bytes(row: bytes, at: int) -> list[str]:
    texts = (to_text(bytes([byte])).strip("<>") if byte != 0x3C else "<" for byte in row)
    cells = {
        "at": (f"{at + n:02d}" for n in range(len(row))),
        "hex": (f"{byte:02X}" for byte in row),
        "text": (
            "" if len(text) == 2 and byte >= 0x7F else text for text, byte in zip(texts, row, strict=True)
        ),
    }
    return [
        f"{label:>{MARGIN}}" + "".join(f"{cell:>{CELL}}" for cell in line) for label, line in cells.items()
    ]


def _names(here: list[Span]) -> list[str]:
    """Draw a bar under each span, then the names, right ones first, so that no bar crosses a name."""
    if not here:
        return []
    lines = [_bars(here)]
    left = sorted(here, reverse=True)
    while left:
        line, rest, edge = [" "] * 200, [], 200
        for begin, stop, name in left:
            column = MARGIN + CELL * begin + 1
            if column + len(name) < edge:
                line[column : column + len(name)] = name
                edge = column
                continue
            rest.append((begin, stop, name))
            if column < edge:
                line[column], edge = "|", column
        lines.append("".join(line).rstrip())
        left = rest
    return lines


def _bars(here: list[Span]) -> str:
    line = [" "] * (MARGIN + CELL * ROW)
    for begin, stop, _ in here:
        for column in range(MARGIN + CELL * begin + 1, MARGIN + CELL * stop):
            line[column] = "-"
        line[MARGIN + CELL * begin + 1] = "|"
    return "".join(line).rstrip()


def _named(layout: Layout, name: str) -> str:
    def pad(found: re.Match[str]) -> str:
        return f"{layout.pads[int(found[1])].address} "

    return re.sub(r"pads\[(\d+)\]\.", pad, name)
