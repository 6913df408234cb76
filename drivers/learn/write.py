"""Writing a layout from what was found, with its evidence as comments."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence

from drivers.api import SerialSettings
from drivers.learn.cuts import quoted
from drivers.learn.readings import Source
from drivers.learn.roles import Role
from drivers.learn.shapes import Shape
from drivers.learn.value import Value
from drivers.wire import COUNTS

PLAIN_LIMITS = (-500.0, 5000.0)
"""Limits (kg) written when nothing narrower is known: no wheel carries more."""


def layout_text(
    shape: Shape,
    value: Value,
    roles: Sequence[Role],
    *,
    about: str,
    limits: tuple[float, float],
    line: SerialSettings | None = None,
) -> str:
    """Write the layout, without comments."""
    top = [f'about = "{about}"']
    key = "limits_counts" if value.verdict.unit == COUNTS else "limits_kg"
    top.append(f"{key} = [{_number(limits[0])}, {_number(limits[1])}]")
    top += _pads(shape, value, roles)
    longest = max(len(row.message) for row in shape.rows)
    parts = [top, _serial(line), shape.cut.lines(shape.size, 2 * longest + 2)]
    if shape.check is not None:
        parts.append(shape.check.lines())
    parts += [_body(shape, value, roles), _fields(shape, value, roles)]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _serial(line: SerialSettings | None) -> list[str]:
    if line is None:
        return []
    out = ["[serial]", f"baud = {line.baud}"]
    out += [f"bytesize = {line.bytesize}"] if line.bytesize != 8 else []
    out += [f'parity = "{line.parity}"'] if line.parity != "N" else []
    return out + ([f"stopbits = {line.stopbits:g}"] if line.stopbits != 1 else [])


def _number(limit: float) -> str:
    return f"{limit:.9g}" if "e" not in f"{limit:.9g}" else f"{limit:.0f}"


def _pads(shape: Shape, value: Value, roles: Sequence[Role]) -> list[str]:
    if len(value.sources) < 2:
        return []
    lines = [
        f'  {{ address = "{name}", value = {{ {_where(shape, source, name)} }}{_own(shape, roles, name)} }},'
        for name, source in value.sources.items()
    ]
    return ["pads = [", *lines, "]"]


def _own(shape: Shape, roles: Sequence[Role], pad: str) -> str:
    """What stands beside one pad's number: its sign, its codes."""
    own = [(number, role) for number, role in enumerate(roles) if role.pad == pad]
    tables = [(role.kind, _table([_place(shape, role, number), _map(role)])) for number, role in own]
    signs = [f", sign = {table}" for kind, table in tables if kind == "sign"]
    codes = [table for kind, table in tables if kind != "sign"]
    listed = f"[{', '.join(codes)}]" if len(codes) > 1 else "".join(codes)
    return "".join(signs) + (f", status = {listed}" if listed else "")


def group_name(name: str) -> str:
    """A pad's name as part of a pattern's group."""
    return "value" + re.sub(r"\W", "_", name)


def _where(shape: Shape, source: Source, name: str) -> str:
    """Write where a field stands."""
    if isinstance(source, tuple):
        return f"at = {source[0]}" + (f", size = {source[1]}" if source[1] != 1 else "")
    if shape.kind == "pattern":
        return f'group = "{group_name(name)}"' if name else ""
    if shape.kind == "columns":
        return f"column = {source}"
    return f'key = "{shape.keys[source]}"'


def _body(shape: Shape, value: Value, roles: Sequence[Role]) -> list[str]:
    if shape.kind == "positions":
        fixed = constants(roles)
        if not fixed:
            return []
        items = ", ".join(f'{{ at = {at}, text = "{quoted(text)}" }}' for at, text in fixed)
        return ["[body]", f"constants = [{items}]"]
    out = ["[body]", f'kind = "{shape.kind}"']
    if shape.body[0] != shape.cut.head:
        out.append(f"from = {shape.body[0]}")
    if shape.kind == "pattern":
        return [*out, f"pattern = '{pattern(shape, value, roles)}'"]
    if shape.kind == "columns":
        out += [f'separator = "{quoted(shape.separator)}"', f"count = {len(shape.rows[0].cells)}"]
    if shape.kind == "keyed":
        out += [f'separator = "{quoted(shape.separator)}"', f'assign = "{quoted(shape.assign)}"']
    return out


def constants(roles: Sequence[Role]) -> list[tuple[int, bytes]]:
    """Bytes that must stand where they stood, in runs."""
    runs: list[tuple[int, bytes]] = []
    places = [(role.source, next(iter(role.map))) for role in roles if role.kind == "constant"]
    for source, text in sorted(places, key=lambda item: item[0]):
        assert isinstance(source, tuple)
        if runs and runs[-1][0] + len(runs[-1][1]) == source[0]:
            runs[-1] = (runs[-1][0], runs[-1][1] + text)
        else:
            runs.append((source[0], text))
    return runs


def _table(pairs: Iterable[str]) -> str:
    inside = ", ".join(pair for pair in pairs if pair)
    return f"{{ {inside} }}" if inside else "{}"


def _fields(shape: Shape, value: Value, roles: Sequence[Role]) -> list[str]:
    out = ["[fields]"] + ([f'unit = "{value.verdict.unit}"'] if shape.units is None else [])
    together = len(value.sources) > 1
    where = _where(shape, value.source, "") if not together else _size(value.source)
    out.append(f"value = {_table([where, *value.reading.pairs()])}")
    codes = []
    for number, role in enumerate(roles):
        if role.pad:
            continue
        place = _place(shape, role, number)
        if role.kind == "address":
            out.append(f"address = {_table([place, *_address(shape, role)])}")
        elif role.kind == "counter" and role is _longest_counter(roles):
            out.append(f"seq = {_table([place, *_counter(role)])}")
        elif role.kind == "unit":
            out.append(f"unit = {_table([place, _map(role)])}")
        elif role.kind == "sign":
            out.append(f"sign = {_table([place, _map(role)])}")
        elif _is_code(shape, role):
            codes.append(_table([place, _map(role)]))
    if len(codes) == 1:
        out.append(f"status = {codes[0]}")
    elif codes:
        out += ["status = [", *(f"  {code}," for code in codes), "]"]
    return out


def _longest_counter(roles: Sequence[Role]) -> Role | None:
    """A layout has one counter: the one that goes farthest before it begins again."""
    return max((role for role in roles if role.kind == "counter"), key=_reach, default=None)


def _reach(role: Role) -> int:
    return role.source[1] if isinstance(role.source, tuple) else 1


def _size(source: Source) -> str:
    return f"size = {source[1]}" if isinstance(source, tuple) else ""


def _is_code(shape: Shape, role: Role) -> bool:
    """Codes with a meaning are read; without one they are only held to what was seen."""
    if role.bits or role.kind == "steady":
        return True
    if shape.kind == "pattern":
        return False
    return role.kind == "code" or (role.kind == "constant" and shape.kind in ("keyed", "json", "columns"))


def _place(shape: Shape, role: Role, number: int) -> str:
    if shape.kind == "pattern":
        return f'group = "code{number}"' if role.kind == "steady" or role.pad else ""
    return _where(shape, role.source, "")


def _map(role: Role) -> str:
    if role.bits:
        pairs = (f'{bit} = "{words}"' for bit, words in sorted(role.bits.items()))
        return f"bits = {_table(pairs)}"
    return f"map = {_table(_entries(role))}"


def _words(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _entries(role: Role) -> list[str]:
    return [f'"{_key(cell)}" = "{_words(words)}"' for cell, words in role.map.items()]


def _key(cell: bytes) -> str:
    """A code as the key of a map, in which a star alone stands for all others."""
    return "<2A>" if cell == b"*" else quoted(cell)


def _address(shape: Shape, role: Role) -> list[str]:
    if shape.kind == "pattern":
        return []
    if role.coding == "binary":
        names = [f'"{word}" = "{_words(word)}"' for word in role.map.values()]
        masked = [f"mask = 0x{role.mask:02X}"] if role.mask else []
        return ['coding = "binary"', *masked, f"map = {_table(names)}"]
    return [f"map = {_table(_entries(role))}"]


def _counter(role: Role) -> list[str]:
    out = ["decimals = 0"] if role.coding == "text" else [f'coding = "{role.coding}"']
    out += [f'order = "{role.order}"'] if role.order else []
    return out + ([f"wraps = {role.wraps}"] if role.wraps else [])


def pattern(shape: Shape, value: Value, roles: Sequence[Role]) -> str:
    """Write the pattern of text that is read by tokens."""
    by_cell = {role.source: (number, role) for number, role in enumerate(roles)}
    names = {source: name for name, source in value.sources.items()}
    out = []
    for cell in range(len(shape.rows[0].cells)):
        out.append(_gap({row.gaps[cell] for row in shape.rows}))
        if cell in names:
            inner = _number_pattern(shape.column(cell), value.reading.point or ".", value)
            out.append(f"(?P<{group_name(names[cell])}>{inner})")
        else:
            number, role = by_cell[cell]
            out.append(_cell_pattern(shape, role, number, _longest_counter(roles)))
    out.append(_gap({row.gaps[-1] for row in shape.rows}))
    return "".join(out)


def _gap(seen: set[bytes]) -> str:
    if len(seen) == 1:
        blanks = next(iter(seen)).decode()
        return blanks if len(blanks) < 3 else f" {{{len(blanks)}}}"
    return " *" if b"" in seen else " +"


def _number_pattern(column: Iterable[bytes], point: str, value: Value) -> str:
    cells = list(column)
    if value.reading.coding == "hex":
        width = {len(cell) for cell in cells}
        return "[0-9A-Fa-f]" + (f"{{{width.pop()}}}" if len(width) == 1 else "+")
    if value.reading.exponent:
        return r"[-+]?\d+(?:" + re.escape(point) + r"\d+)?[Ee][-+]?\d{1,2}"
    sent = Counter(len(cell.strip(b" +-").partition(point.encode())[2]) for cell in cells)
    places = {places for places, count in sent.items() if count > 1 + len(cells) // 50}  # others are damaged
    tail = ""
    if value.places:
        tail = re.escape(point) + (rf"\d{{{max(places)}}}" if len(places) == 1 else r"\d+")
    if value.places and 0 in places:
        tail = f"(?:{tail})?"
    if any(cell[-1:] in b"+-" for cell in cells):
        return rf"\d+{tail}[-+]?"
    if value.reading.ignore == b" ":
        return rf"(?:[-+] *)?\d{{1,3}}(?: \d{{3}})*{tail}"
    plus = "+" if any(cell[:1] == b"+" for cell in cells) else ""
    blanks = " *" if any(b" " in cell for cell in cells) else ""
    must = "" if plus and all(cell[:1] in b"+-" for cell in cells) else "?"
    return rf"[-{plus}]{must}{blanks}\d+{tail}"


def _cell_pattern(shape: Shape, role: Role, number: int, only: Role | None) -> str:
    names = {
        "address": "address",
        "counter": "seq",
        "sign": "sign",
        "unit": "unit",
        "steady": f"code{number}",
    }
    assert isinstance(role.source, int)
    if role.kind in ("constant", "code", "address", "steady", "sign", "unit"):
        inner = "|".join(_escaped(cell) for cell in sorted(role.map))
    else:
        inner = _free_pattern(shape.column(role.source))
    if role.pad:
        return f"(?P<code{number}>{inner})"
    if role.kind in names and (role.kind != "counter" or role is only):
        return f"(?P<{names[role.kind]}>{inner})"
    return f"(?:{inner})" if "|" in inner else inner


def _escaped(cell: bytes) -> str:
    text = re.escape(cell.decode("latin-1")).replace("'", r"\x27")
    return text.replace(r"\ ", " ").replace("\\\r", r"\r").replace("\\\n", r"\n")


def _free_pattern(column: Sequence[bytes]) -> str:
    """What a field may be that is not held to anything: digits, signed digits, letters and digits."""
    if all(cell.isdigit() for cell in column):
        return r"\d+"
    if all(re.fullmatch(rb"[+-]? *\d+(?:[.,]\d+)?", cell) for cell in column):
        return r"[-+]? *\d+(?:[.,]\d+)?"
    if all(re.fullmatch(rb"[+-]?\d+[.,]\d+[Ee][+-]?\d+", cell) for cell in column):
        return r"[-+]?\d+[.,]\d+[Ee][-+]?\d+"
    widths = Counter(map(len, column))
    many = "+" if len(widths) > 1 else f"{{{next(iter(widths))}}}"
    return rf"[0-9A-Za-z]{many}" if all(cell.isalnum() for cell in column) else rf"[!-~]{many}"
