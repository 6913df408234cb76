"""The tables [fields] and pads of a layout: what each field means and how it reads."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

from drivers import codes, numbers
from drivers.api import Reason
from drivers.body import Ask
from drivers.codes import Look, Meaning
from drivers.decode import Number, Pad
from drivers.schema import Table, is_number, nearest
from drivers.wire import UNITS, to_bytes

OTHERS = {"battery": "battery_V", "signal": "signal_dBm", "temperature": "temperature_C", "seq": "seq"}
"""Number fields beside the value, and where a frame holds them."""
NAMES = ("value", "unit", "status", "sign", "address", "decimals", "resolution", *OTHERS)


def read_pads(top: Table, ask: Ask) -> tuple[Pad, ...]:
    """Read [fields] and pads: a pad for each entry of pads, one pad when there is none."""
    shared = top.table("fields")
    given = top.tables("pads")
    for table in (shared, *given):
        for key in table.given():
            if key not in NAMES:
                table.fault(f"{table.name(key)} is unknown; {nearest(key, NAMES)}")
    sets = [_Fields(table, shared) for table in (given or [shared])]
    _ask_in_order(sets, ask)
    pads = tuple(_pad(fields, ask) for fields in sets)
    addresses = [pad.address for pad in pads]
    if given and (None in addresses or len(set(addresses)) < len(addresses)) and len(pads) > 1:
        top.fault('pads: each needs an address of its own, a text like address = "1"')
    return pads


def _ask_in_order(sets: list[_Fields], ask: Ask) -> None:
    """Ask for fields that stand by position from left to right: so they are cut by one struct as they are."""
    placed = []
    for fields in sets:
        for name in NAMES:
            value, full = fields.find(name)
            for item in value if isinstance(value, list) else [value]:
                if isinstance(item, dict) and isinstance(item.get("at"), int):
                    placed.append((item["at"], name, Table(item, full, fields.faults)))  # noqa: PERF401 - clearer
    for _, name, table in sorted(placed, key=lambda entry: entry[0]):
        ask(table, name)


class _Fields:
    """A pad's fields: its own first, key by key, then the shared ones."""

    def __init__(self, own: Table, shared: Table) -> None:
        self._own, self._shared = own, shared
        self.where, self.faults = own.where, own.faults

    def fault(self, sentence: str) -> None:
        self._own.fault(sentence)

    def find(self, name: str) -> tuple[Any, str]:
        """The field as it stands (None: not given) and its full name."""
        own, shared = self._own.raw(name), self._shared.raw(name)
        if isinstance(own, dict) and isinstance(shared, dict):
            return {**shared, **own}, self._own.name(name)
        return (own, self._own.name(name)) if own is not None else (shared, self._shared.name(name))

    def table(self, name: str) -> Table | None:
        """The field as a table, None when it is not given."""
        value, full = self.find(name)
        return None if value is None else Table(value, full, self._own.faults)


def _pad(fields: _Fields, ask: Ask) -> Pad:
    value = fields.table("value")
    if value is None:
        fields.fault(f"{fields.where}.value is needed")
    unit, unit_code = _unit(fields, ask)
    address, part, read = _address(fields, ask)
    decimals = fields.table("decimals")
    others = {OTHERS[name]: table for name in OTHERS if (table := fields.table(name)) is not None}
    wraps = others["seq"].whole("wraps", 0, 2, 1 << 64) if "seq" in others else 0
    return Pad(
        value=_number(value, "value", ask, counts=unit == "counts")
        if value
        else Number(part=0, read=numbers.text()),
        unit=unit,
        address=address,
        address_part=part,
        address_read=read,
        codes=(*unit_code, *_codes(fields, ask)),
        decimals=_number(decimals, "decimals", ask) if decimals else None,
        resolution=_resolution(fields),
        seq_wraps=wraps or None,
        **{name: _number(table, _short(table), ask) for name, table in others.items()},
    )


def _short(table: Table) -> str:
    return table.where.rpartition(".")[2]


def _number(table: Table, name: str, ask: Ask, *, counts: bool = False) -> Number:
    coding = table.choice("coding", numbers.CODINGS, "text")
    scale, offset = table.number("scale", Fraction(1)), table.number("offset", Fraction(0))
    if scale == 0:
        table.fault(f"{table.name('scale')} must not be 0")
    if counts and (scale != 1 or offset):
        table.fault(f"{table.where}: counts have neither scale nor offset; a calibration does that")
    number = Number(part=ask(table, name), read=_reader(table, coding), factor=scale, offset=offset)
    table.close()
    return number


def _reader(table: Table, coding: str) -> numbers.Reader:
    decimals = table.whole("decimals", 0, 0, 12)
    if coding == "text":
        return numbers.text(
            point=table.choice("point", (".", ","), "."),
            decimals=decimals if table.has("decimals") else None,
            ignore=table.octets("ignore"),
            backwards=table.truth("reversed"),
            exponent=table.truth("exponent"),
        )
    order = table.choice("order", numbers.ORDERS, "big")
    if coding == "float":
        if table.has("at") and table.raw("size") not in (2, 4, 8):
            table.fault(f"{table.name('size')} of a float must be 2, 4 or 8")
        return numbers.ieee(order=order)
    if coding == "bcd":
        form = table.choice("form", ("unsigned", "sign-first", "sign-last"), "unsigned")
        return numbers.bcd(form=form, order=order, decimals=decimals, backwards=table.truth("reversed"))
    return numbers.integer(
        coding=coding,
        form=table.choice("form", numbers.INTEGER_FORMS, "unsigned"),
        order=order,
        mask=table.whole("mask", 0, 1, (1 << 62) - 1),
        bits=table.whole("bits", 0, 2, 64),
        decimals=decimals,
    )


def _unit(fields: _Fields, ask: Ask) -> tuple[str, list[tuple[int, Look, Reason]]]:
    value, full = fields.find("unit")
    if isinstance(value, str):
        if value not in UNITS:
            fields.fault(f"{full} = {value!r} is unknown; {nearest(value, UNITS)}")
        return value, []
    if value is None:
        if not _says_unit(fields):
            fields.fault(
                f'unit is needed: unit = "kg" (or {", ".join(UNITS)}), a field, or words in a status'
            )
        return "", []
    table = Table(value, full, fields.faults)
    if not table.has("map") and not table.has("bits"):
        table.raw("map")
        look = codes.by_map({unit.encode(): Meaning(unit=unit) for unit in UNITS}, None)
        part = ask(table, "unit")
        table.close()
        return "", [(part, look, Reason.UNIT)]
    return "", [_code(table, "unit", ask, Reason.UNIT)]


def _says_unit(fields: _Fields) -> bool:
    status, _ = fields.find("status")
    text = str(status)
    return any(f"'{unit}'" in text or f" {unit}" in text or f"/{unit}" in text for unit in UNITS)


def _codes(fields: _Fields, ask: Ask) -> list[tuple[int, Look, Reason]]:
    found = []
    for name in ("sign", "status"):
        value, full = fields.find(name)
        if value is None:
            continue
        several = value if isinstance(value, list) else [value]
        for n, item in enumerate(several):
            where = f"{full}[{n}]" if isinstance(value, list) else full
            found.append(_code(Table(item, where, fields.faults), name, ask, Reason.PATTERN))
    return found


def _code(table: Table, name: str, ask: Ask, reason: Reason) -> tuple[int, Look, Reason]:
    part = ask(table, name)
    look = _bits(table) if table.has("bits") else _map(table)
    table.close()
    return part, look, reason


def _map(table: Table) -> Look:
    entries = table.table("map")
    if not table.has("map"):
        table.fault(f'{table.where}: a map or bits are needed, for example map = {{ST = "steady"}}')
    known: dict[bytes, Meaning] = {}
    other = None
    for key in entries.given():
        said = _meaning(entries, key)
        if key == "*":
            other = said
        else:
            known[_bytes(entries, key)] = said
    return codes.by_map(known, other)


def _bits(table: Table) -> Look:
    entries = table.table("bits")
    coding = table.choice("coding", ("binary", "hex"), "binary")
    order = table.choice("order", numbers.ORDERS, "big")
    read = numbers.integer(coding=coding, order=order)
    meanings: dict[int, tuple[Meaning, Meaning]] = {}
    must: dict[int, bool] = {}
    for key in entries.given():
        if not key.isdecimal() or int(key) > 63:
            entries.fault(f"{entries.name(key)}: bits are numbered from 0, the lowest")
        elif entries.text(key) in ("0", "1"):
            must[int(key)] = entries.text(key) == "1"
        else:
            on, _, off = entries.text(key).partition("/")
            meanings[int(key)] = (_words(entries, key, on), _words(entries, key, off))
    return codes.by_bits(meanings, must, lambda part: int(read(part)[0]))


def _meaning(entries: Table, key: str) -> Meaning:
    return _words(entries, key, entries.text(key))


def _words(entries: Table, key: str, words: str) -> Meaning:
    try:
        return codes.meaning(words)
    except ValueError as fault:
        word = str(fault)
        entries.fault(f"{entries.name(key)}: {word!r} is unknown; {nearest(word, codes.WORDS)}")
        return Meaning()


def _bytes(entries: Table, key: str) -> bytes:
    try:
        return to_bytes(key)
    except ValueError as fault:
        entries.fault(f"{entries.name(key)}: {fault}")
        return b""


def _address(fields: _Fields, ask: Ask) -> tuple[str | None, int, Callable[[bytes], str] | None]:
    value, full = fields.find("address")
    if value is None or isinstance(value, str):
        return value, -1, None
    table = Table(value, full, fields.faults)
    coding = table.choice("coding", ("text", "binary", "hex"), "text")
    names = table.table("map")
    known = {_bytes(names, key): names.text(key) for key in names.given()}
    if coding == "text":
        plain = _plain
    else:
        order, mask = table.choice("order", numbers.ORDERS, "big"), table.whole("mask", 0, 1, 1 << 62)
        number = numbers.integer(coding=coding, order=order, mask=mask)
        plain = lambda part: str(number(part)[0])  # noqa: E731 - one of two ways to read the same field
    part = ask(table, "address")
    table.close()
    return None, part, _named(known, plain, numbered=coding != "text") if known else plain


def _plain(part: bytes) -> str:
    text = part.strip(b" ").decode("ascii")
    if not text.isprintable() or not text:
        raise ValueError(f"{part!r} is no address")
    return text


def _named(
    known: dict[bytes, str], plain: Callable[[bytes], str], *, numbered: bool
) -> Callable[[bytes], str]:
    """Look names up by bytes as sent, or by number where the map lists numbers: never 1 for the byte 31."""
    by_number = numbered and all(key.isdigit() for key in known)

    def read(part: bytes) -> str:
        name = None if by_number else known.get(part)
        if name is None:
            name = known.get(plain(part).encode())
        if name is None:
            raise ValueError(f"address {part!r} is not in the map")
        return name

    return read


def _resolution(fields: _Fields) -> Fraction | None:
    value, full = fields.find("resolution")
    if value is None:
        return None
    if not is_number(value) or value <= 0:
        fields.fault(f"{full} must be a number above 0, the step of the value in its unit")
        return None
    return Fraction(value)
