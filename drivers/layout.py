"""A layout: one TOML file that says how a stream's bytes become frames. `load_layout` reads one.

The schema, wholly (everything not marked "needed" may be left out; an unknown key is an error).

Bytes are written as text with control characters and other bytes in brackets: "<STX>", "<CR><LF>", "<AA>".
A *message* is what stands on the wire from its start to its end, both included (for slip, cobs, hdlc and dle:
what they carry, without escapes). The *body* is the message less its start, end and trail, and less a check
that is the last thing in it. Positions (`at`, `from`, `to`) count bytes of the message from 0; negative ones
count from its end, -1 being the last byte.

    about = "text"                  what it is (tables follow the single keys)
    limits_kg = [low, high]         plausible values; needed when there is no check (limits_counts for counts)

    [serial]  baud = 9600  bytesize = 5…8  parity = "N E O M S"  stopbits = 1, 1.5, 2
              rs485, rtscts, xonxoff = true

    [frame]                         how messages are cut from the stream
    kind = …                        needed:
      "line"    ends with `end` ("<CR><LF>")
      "marked"  `start` … `end` (both needed), then `trail` more bytes (check bytes after an ETX)
      "fixed"   `size` bytes, after `start` if there is one; without start a check is needed
      "length"  the message tells its length: `length = {at, size, coding, order, mask, plus}`,
                the number read plus `plus` is the length of the whole message; without `start` a check
                or body constants are needed (or text that a body of another kind takes apart)
      "slip" (RFC 1055)  "cobs"  "hdlc" (7E flags, 7D escapes XOR 20)
      "dle" (DLE STX … DLE ETX, DLE doubled inside)
    size = n                        the message's exact length; needed for body "positions" unless "length"
    max = n                         longest message, 256 unless given
    hex = true                      line and marked: the message is binary, sent as hexadecimal characters
                                    between start and end; it is what they say, without start and end

    [check]                         at most one
    kind = …                        needed: "xor" "sum" "sum-ones" "sum-twos" "fletcher" "crc"
    crc = "CRC16-MODBUS"            the catalogue name, for kind "crc"
    coding = "binary"               or "hex" or "decimal" characters
    size = n                        bytes it takes on the wire: 1, or the CRC's, 2 or 4 (fletcher); twice
                                    that for hex
    order = "big"                   or "little" (hex: digits reversed), "swapped" (hex: the low byte first)
    at = n                          where it stands: the trail, or the last bytes before the end
    from, to = n                    first byte covered, first not covered: from the start's end to the check
    init, mask = n                  added or XORed in (not crc); bits kept

    [body]                          how the body is taken apart into parts
    kind = "positions"              fields have `at` and `size`; `constants = [{at, text}]` must stand there
           "pattern"                `pattern = 'regex'` matches the whole body; fields are its named groups,
                                    by their own name or by `group`
           "columns"                `count` (needed) of them between `separator`s (","); fields have `column`
           "keyed"                  `separator` between pairs (";"), `assign` between key and value ("=");
                                    fields have `key`
           "json"                   an object; fields have `key`, a path like "pads.0.kg"
    from, to = n                    where the body begins and stops, when not as said above

    [fields]                        name = { where it stands, how it reads }, or a constant
    value = {…}                     needed (here or for each pad)
    unit = "kg"                     needed: kg g mg t lb oz N kN counts (also ton gr dwt ozt ct, of USB
                                    scales); or { where, map }
    status = {…}                    or a list of several; also `sign = {…}`
    address = "1"                   or { where, map, coding }
    decimals = { where … }          decimal places sent beside the value, -9…9
    resolution = 0.05               d in the unit; otherwise one unit in the last place sent
    battery, signal, temperature, seq = {…}    V, dBm, °C, a counter (`wraps = n` after n-1 comes 0)

    how a number reads:
      coding = "text"               decimal text: blanks around, a sign before or after; point = "." or ",";
                                    decimals = n (a point that is not sent); ignore = " " (characters left
                                    out inside); reversed = true (last digit first); exponent = true
                                    (8.42E+01)
      coding = "hex" | "binary"     an integer in hexadecimal characters or bytes: form = "unsigned" "twos"
                                    "ones" "magnitude" "offset"; order = "big" "little" "swapped" (16-bit
                                    words); mask = 0x3FFF; bits = n (width for the sign); decimals = n
      coding = "bcd"                form = "unsigned" "sign-first" "sign-last"; order; decimals;
                                    reversed = true (the low digit of each byte first)
      coding = "float"              IEEE 754 of 2, 4 or 8 bytes; order
      scale = 0.02  offset = -1.5   what was read times scale plus offset, in the unit; both exact as written
    how a code reads (status, sign, unit):
      map = {ST = "steady", "-" = "minus"}         bytes → words; "*" is all that is not listed
                                                   (a star itself is "<2A>")
      bits = {0 = "moving/steady", 7 = "1"}        bit → words when set / words when clear; "1" or "0" alone:
                                                   the bit always is so; coding = "binary" or "hex", order
      words: steady moving overload underload low_battery at_zero net plus minus absent void, the units

    pads = [{address = "1", value = {…}}, …]       several pads in one message, each with any of the fields;
                                                   what a pad does not say it takes from [fields]; one whose
                                                   number is blank (null in JSON) is absent from the message

    [poll]                          for indicators that answer only when asked
    requests = ["<ENQ>01<CR>", …]   needed: sent in turn
    addresses = ["1", …]            of the answers, in the order of requests, when answers do not say
    period_s = 0.1                  from one request to the next, 0.001 to 3600
    timeout_s = 0.2                 an answer may take, the request's own way included, to 60; without one the
                                    request is counted as unanswered, and the next is asked
    pause_s = 0                     of quiet after an answer before the next request (half duplex)
    echo = true                     the line returns what is sent, before the answer

    [modbus]                        instead of frame, check, body and poll
    mode = "rtu"                    or "ascii", or "tcp" for gateways that speak Modbus TCP
    units = [1, 2]                  needed: unit identifiers, asked in turn; an answer's address is its unit,
    addresses = ["P1", "P2"]        or these
    function = 3                    holding registers, or 4 input registers
    first = 0  count = n            needed: registers asked for, from 0 as on the wire; fields then have
                                    `register` and `registers` (1, or 2 for 32 bits …) in place of at and size
    period_s, timeout_s, pause_s, echo     as in [poll]
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

from drivers.api import Driver, SerialSettings
from drivers.body import Body, Made, read_body
from drivers.checks import Check
from drivers.decode import Pad, Plan, decoder, gister
from drivers.fields import read_pads
from drivers.framing import Framing, read_check, read_framing
from drivers.modbus import read_modbus
from drivers.poll import Poll, in_time, read_poll
from drivers.schema import LayoutError, Table, with_lines
from drivers.stream import StreamDriver
from drivers.stretch import Memory


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A layout that was read without fault; `driver` makes a decoder for one port."""

    name: str
    about: str
    serial: SerialSettings
    framing: Framing
    check: Check | None
    body: Body
    pads: tuple[Pad, ...]
    limits: tuple[float, float] | None
    poll: Poll | None

    @property
    def integrity(self) -> str:
        """Name of the check, or "none"."""
        return self.check.name if self.check else "none"

    def plan(self) -> Plan:
        """What a message is made of."""
        edges = [self.framing.head + self.framing.tail, *(self.check.reach() if self.check else ())]
        return Plan(
            take=self.body.take(),
            pads=self.pads,
            check=self.check,
            limits=self.limits,
            shortest=max(edges) + 1,
            empty=self.framing.head + self.framing.tail,
            unwrap=self.framing.unwrap,
        )

    def driver(self) -> Driver:
        """Make a decoder for one port, beginning anew."""
        plan = self.plan()
        decode = decoder(plan)
        cut_alike = self.check is None and self.framing.unwrap is None
        memory = Memory(decode, gister(plan), self.body.alike() if cut_alike else None)
        splitter = self.framing.splitter(decode, memory, tail_safe=self._tail_safe(), sure=self._sure())
        wraps = next((pad.seq_wraps for pad in self.pads if pad.seq_wraps), None)
        return StreamDriver(
            name=self.name, serial=self.serial, splitter=splitter, poll=self.poll, seq_wraps=wraps
        )

    def _sure(self) -> bool:
        return self.poll is not None and self.check is not None and self.check.mask > 0xFF

    def _tail_safe(self) -> bool:
        """True when the tail of a message can never pass for a whole one."""
        return self.check is not None or self.framing.size is not None or self.body.tail_safe


def load_layout(source: Path | str, name: str | None = None) -> Layout:
    """Read a layout from a file, or from TOML text (anything with a line break).

    Raises LayoutError with all faults at once; OSError when the file cannot be read.
    """
    if isinstance(source, str) and "\n" in source:
        return _read(source, name or "layout", "layout")
    path = Path(source)
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as fault:
        raise LayoutError(str(path), [f"is not UTF-8 text: {fault}"]) from None
    return _read(text, name or path.stem, str(path))


def _read(text: str, name: str, source: str) -> Layout:
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError, ArithmeticError) as fault:  # numbers and brackets without end, too
        raise LayoutError(source, [f"is not TOML: {fault}"]) from None
    faults: list[str] = []
    layout = _layout(Table(data, "", faults), name)
    if faults:
        raise LayoutError(source, with_lines(text, list(dict.fromkeys(faults))))
    return layout


def _layout(top: Table, name: str) -> Layout:
    about, serial = top.text("about"), _serial(top.table("serial"))
    modbus = top.optional("modbus")
    made = read_modbus(modbus, top) if modbus else _made(top)
    if made.poll and not modbus:
        in_time(made.poll, serial, top)
    pads = made.name_pads(read_pads(top, made.ask))
    limits = _limits(top, pads, made.check)
    top.close()
    return Layout(
        name=name,
        about=about,
        serial=serial,
        framing=made.framing,
        check=made.check,
        body=made.body,
        pads=pads,
        limits=limits,
        poll=made.poll,
    )


def _made(top: Table) -> Made:
    framing = read_framing(top.table("frame"))
    checked, polled = top.optional("check"), top.optional("poll")
    check = read_check(checked, framing) if checked else None
    body, ask = read_body(top.table("body"), framing, check)
    told = framing.kind == "length" and (body.constants or body.kind != "positions")
    if check is None and framing.kind in ("fixed", "length") and not framing.start and not told:
        top.fault("frame.start: without a start a [check] is needed, or nothing tells where a message begins")
    return Made(framing=framing, check=check, body=body, ask=ask, poll=read_poll(polled) if polled else None)


def _serial(table: Table) -> SerialSettings:
    stopbits = table.number("stopbits", Fraction(1))
    if stopbits not in (1, Fraction(3, 2), 2):
        table.fault("serial.stopbits must be 1, 1.5 or 2")
    settings = SerialSettings(
        baud=table.whole("baud", 9600, 50, 4_000_000),
        bytesize=table.whole("bytesize", 8, 5, 8),
        parity=table.choice("parity", ("N", "E", "O", "M", "S"), "N"),
        stopbits=float(stopbits),
        rs485=table.truth("rs485"),
        rtscts=table.truth("rtscts"),
        xonxoff=table.truth("xonxoff"),
    )
    table.close()
    return settings


def _limits(top: Table, pads: tuple[Pad, ...], check: Check | None) -> tuple[float, float] | None:
    in_kg, in_counts = top.limits("limits_kg"), top.limits("limits_counts")
    counts = any(pad.unit == "counts" for pad in pads)
    wrong, limits = ("limits_kg", in_counts) if counts else ("limits_counts", in_kg)
    if top.has(wrong):
        top.fault(f"{wrong} does not go with the unit; give {'limits_counts' if counts else 'limits_kg'}")
    if limits is None and check is None:
        key = "limits_counts = [-8000000, 8000000]" if counts else "limits_kg = [-50, 1500]"
        top.fault(f"without a [check] plausible limits are needed, for example {key}")
    return (float(limits[0]), float(limits[1])) if limits else None
