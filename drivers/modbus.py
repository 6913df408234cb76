"""Modbus masters over serial and TCP: requests, and how their answers are cut, checked and taken apart.

A [modbus] table of a layout stands for the tables frame, check, body and poll: a read of registers is a
polled indicator like any other. Frames follow the Modbus Application Protocol V1.1b3 and Modbus over Serial
Line V1.02. No kept library is used: those at hand own the port, and a framer that raises on damaged input
loses the good frame behind it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from drivers import checks
from drivers.body import Body, Made
from drivers.checks import Check
from drivers.decode import Pad
from drivers.escapes import from_hex
from drivers.framing import Framing
from drivers.poll import read_times
from drivers.schema import Table

MODES = ("rtu", "ascii", "tcp")
LONGEST = 260
"""A Modbus TCP frame has 260 bytes at most, an RTU frame 256."""
MOST_REGISTERS = 125
"""Registers that one read may ask for (V1.1b3, 6.3)."""


@cache
def _crc() -> checks.Sum:
    """The catalogue's function, loaded when the first Modbus line asks for it (10 ms)."""
    return checks.crc("CRC16-MODBUS")[0]


def read_request(unit: int, function: int, first: int, count: int) -> bytes:
    """Build a read of registers, unit identifier first, without check."""
    return bytes([unit, function]) + first.to_bytes(2, "big") + count.to_bytes(2, "big")


def rtu(message: bytes) -> bytes:
    """Add the CRC, low byte first."""
    return message + _crc()(message).to_bytes(2, "little")


def ascii_(message: bytes) -> bytes:
    """Write a message as hexadecimal characters with its LRC, between a colon and CR LF."""
    lrc = -sum(message) & 0xFF
    return b":" + (message + bytes([lrc])).hex().upper().encode() + b"\r\n"


def tcp(message: bytes, transaction: int) -> bytes:
    """Put the Modbus TCP header before a message."""
    return transaction.to_bytes(2, "big") + b"\0\0" + len(message).to_bytes(2, "big") + message


def _wrap(mode: str, message: bytes) -> bytes:
    if mode == "tcp":
        return tcp(message, transaction=message[0])
    return rtu(message) if mode == "rtu" else ascii_(message)


def read_modbus(table: Table, top: Table) -> Made:
    """Read [modbus]; frame, check, body and poll of `top` must then not be given."""
    for key in ("frame", "check", "body", "poll"):
        if top.raw(key) is not None:
            top.fault(f"{key} does not go with [modbus], which says it already")
    mode = table.choice("mode", MODES, "rtu")
    units = _units(table)
    function = table.whole("function", 3, 3, 4)
    first, count = table.whole("first", 0, 0, 0xFFFF), table.whole("count", 1, 1, MOST_REGISTERS)
    for key in ("first", "count"):
        if not table.has(key):
            table.fault(f"modbus.{key} is needed")
    names = _names(table, units)
    requests = tuple(_wrap(mode, read_request(unit, function, first, count)) for unit in units)
    poll = read_times(table, requests, ())
    table.close()
    head = 6 if mode == "tcp" else 0
    check = _check(mode)
    size = head + 3 + 2 * count + (check.size if check else 0)
    answer = bytes([function, 2 * count])
    constants = [(head + 1, answer)] + ([(2, b"\0\0")] if mode == "tcp" else [])
    body = Body(kind="positions", size=size, constants=constants)
    base = head + 3 - 2 * first
    return Made(
        framing=_framing(mode, answer, size),
        check=check,
        body=body,
        ask=lambda source, _: _ask(body, source, base, (first, count)),
        poll=poll,
        name_pads=lambda pads: _name_pads(pads, body, head, names),
    )


def _units(table: Table) -> list[int]:
    value = table.raw("units")
    good = isinstance(value, list) and value and all(type(unit) is int and 0 < unit < 248 for unit in value)
    if not good or len(set(value)) < len(value):
        table.fault("modbus.units is needed: a list of different unit identifiers 1 to 247, for example [1]")
        return [1]
    return list(value)


def _names(table: Table, units: list[int]) -> dict[int, str]:
    value = table.raw("addresses")
    if value is None:
        return {unit: str(unit) for unit in units}
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        table.fault("modbus.addresses must be a list of texts")
    elif len(value) != len(units):
        table.fault(f"modbus.addresses: {len(value)} for {len(units)} units; one for each is needed")
    else:
        return dict(zip(units, value, strict=True))
    return {}


def _check(mode: str) -> Check | None:
    if mode == "rtu":
        return Check(
            name="CRC16-MODBUS", compute=_crc(), at=-2, size=2, first=0, stop=-2, order="little", mask=0xFFFF
        )
    if mode == "ascii":
        return Check(name="LRC", compute=checks.summing("sum-twos"), at=-1, size=1, first=0, stop=-1)
    return None


def _framing(mode: str, answer: bytes, size: int) -> Framing:
    if mode == "ascii":
        longest = 3 + 2 * size
        unwrap = from_hex(1, 2)
        return Framing(kind="marked", start=b":", end=b"\r\n", size=size, longest=longest, unwrap=unwrap)
    if mode == "tcp":
        return Framing(kind="length", longest=LONGEST, length=_tcp_length, head_size=6)
    return Framing(kind="length", longest=LONGEST, length=_rtu_length(answer, size), head_size=3)


def _tcp_length(buffer: bytes, at: int) -> int:
    if buffer[at + 2 : at + 4] != b"\0\0":
        raise ValueError("not the Modbus protocol")
    return 6 + int.from_bytes(buffer[at + 4 : at + 6], "big")


def _rtu_length(answer: bytes, size: int) -> Callable[[bytes, int], int]:
    """RTU answers do not tell where they end: it follows from what was asked; an exception has 5 bytes."""

    def length(buffer: bytes, at: int) -> int:
        if buffer.startswith(answer, at + 1):
            return size
        if buffer[at + 1] == answer[0] | 0x80:
            return 5
        raise ValueError("no answer to what was asked")

    return length


def _ask(body: Body, table: Table, base: int, asked: tuple[int, int]) -> int:
    first, count = asked
    register, registers = table.whole("register", first, 0, 0xFFFF), table.whole("registers", 1, 1, 4)
    if not table.has("register"):
        table.fault(f"{table.name('register')} is needed")
    elif not first <= register <= register + registers <= first + count:
        table.fault(f"{table.where}: register {register} is not among the {count} asked for from {first}")
    return body.place((base + 2 * register, 2 * registers), table.where)


def _name_pads(pads: tuple[Pad, ...], body: Body, head: int, names: dict[int, str]) -> tuple[Pad, ...]:
    """Let answers name their unit where a pad has no address of its own."""
    part = body.place((head, 1), "unit")

    def read(unit: bytes) -> str:
        if unit[0] not in names:
            raise ValueError(f"unit {unit[0]} was not asked")
        return names[unit[0]]

    return tuple(
        replace(pad, address_part=part, address_read=read)
        if pad.address is None and pad.address_read is None
        else pad
        for pad in pads
    )
