"""Conformance cases of text streams: every way to write sign, point, unit, status and check that we know."""

from __future__ import annotations

import json
import random

from case_kit import (
    AT_ZERO,
    LOW_BATTERY,
    MOVING,
    NET,
    OVERLOAD,
    STEADY,
    Stream,
    case,
    counted,
    crc,
    decimal,
    frame,
    loads,
    xor,
)  # fmt: skip


@case
def text_sign_after(rng: random.Random) -> Stream:
    """Sign behind the digits, carriage return only."""
    layout = """\
limits_kg = [-100, 2500]
[serial]
baud = 4800
bytesize = 7
parity = "O"
[frame]
kind = "line"
end = "<CR>"
[body]
kind = "pattern"
pattern = '(?P<status>[SM])(?P<value>[ \\d]{4}\\d\\.\\d\\d[-+])'
[fields]
unit = "kg"
status = { map = { S = "steady", M = "moving" } }
value = {}
"""
    stream = Stream("port opened in the middle of a line", layout=layout)
    stream.says(b"12.45+\r")
    for value, flags in loads(rng):
        sign = "-" if value < 0 else "+"
        text = f"{'S' if flags == STEADY else 'M'}{decimal(abs(value)):>8}{sign}\r"
        stream.says(text.encode(), frame(decimal(value), flags=flags))
    return stream


@case
def text_blanks_comma(rng: random.Random) -> Stream:
    """Sign apart, blanks among the digits, a decimal comma, gross or net by word."""
    layout = """\
limits_kg = [-100, 2500]
[frame]
kind = "line"
size = 22
[body]
constants = [{ at = 17, text = " kg" }]
[fields]
status = { at = 0, size = 5, map = { GROSS = "", "NET  " = "net" } }
sign = { at = 6, map = { "-" = "minus", " " = "plus" } }
value = { at = 7, size = 9, point = ",", ignore = " " }
unit = "kg"
"""
    stream = Stream("a tare is taken after a while", layout=layout)
    for n, (value, _) in enumerate(loads(rng)):
        net = n > 20
        digits = decimal(abs(value)).replace(".", ",")
        spaced = digits if len(digits) < 7 else digits[:-6] + " " + digits[-6:]
        text = f"{'NET  ' if net else 'GROSS'} {'-' if value < 0 else ' '}{spaced:>9}  kg\r\n"
        stream.says(text.encode(), frame(decimal(value), flags=NET if net else 0))
    return stream


@case
def text_reversed(rng: random.Random) -> Stream:
    """Digits reversed, after an equals sign, unit code as a digit, nothing else."""
    layout = """\
limits_kg = [-100, 2500]
[frame]
kind = "marked"
start = "="
end = "/"
size = 11
[fields]
value = { at = 1, size = 8, reversed = true }
unit = { at = 9, map = { 1 = "kg", 2 = "lb" } }
"""
    stream = Stream("port opened in the middle; unit changed by hand", layout=layout)
    stream.says(b"45.2130")
    for n, (value, _) in enumerate(loads(rng)):
        pounds = n > 30
        text = f"{decimal(abs(value)):0>7}"
        body = ("-" if value < 0 else "0") + text
        stream.says(
            f"={body[::-1]}{2 if pounds else 1}/".encode(), frame(decimal(value), "lb" if pounds else "kg")
        )
    return stream


@case
def text_bit_status(rng: random.Random) -> Stream:
    """A status character whose bits speak, decimal places told by a digit, no unit: pounds by agreement."""
    layout = """\
limits_kg = [-50, 1200]
[frame]
kind = "line"
end = "<LF>"
size = 10
[fields]
unit = "lb"
resolution = 0.1
decimals = { at = 1, decimals = 0 }
value = { at = 2, size = 7, decimals = 0 }
[fields.status]
at = 0
bits = { 0 = "moving/steady", 1 = "minus", 2 = "overload", 3 = "at_zero", 4 = "low_battery", 6 = "1" }
"""
    stream = Stream("battery runs low; an overload", layout=layout)
    for n, (value, flags) in enumerate(loads(rng, step=10)):
        low, zero = n > 30, abs(value) < 30
        bits = 0x40 | (flags == MOVING) | (value < 0) << 1 | zero << 3 | low << 4
        told = flags | (LOW_BATTERY if low else 0) | (AT_ZERO if zero else 0)
        data = bytes([bits]) + f"2{abs(value):07d}\n".encode()
        stream.says(data, frame(decimal(value), "lb", flags=told) | {"resolution_kg": 0.045359237})
    stream.says(b"\x44" + b"2-------\n", frame(None, "lb", flags=OVERLOAD | STEADY))
    return stream


@case
def text_columns(rng: random.Random) -> Stream:
    """Two pads a line in columns with other figures between, tenths implied; a blank one is absent."""
    layout = """\
limits_kg = [-100, 2500]
pads = [{ address = "L", value = { column = 1 } }, { address = "R", value = { column = 2 } }]
[frame]
kind = "line"
end = "<LF>"
[body]
kind = "columns"
separator = "<HT>"
count = 5
[fields]
unit = "kg"
value = { decimals = 1 }
temperature = { column = 3 }
"""
    stream = Stream("chatter between; a line with a column missing; a pad out of reach", layout=layout)
    for n, (value, _) in enumerate(loads(rng, step=10)):
        left, right = value // 10, value // 10 + 17
        more = {"temperature_C": -3.5}
        stream.says(
            f"{n * 100}\t{left}\t{right}\t-3.5\tok\n".encode(),
            frame(decimal(left, 1), address="L", **more),
            frame(decimal(right, 1), address="R", **more),
        )
        if n == 9:
            stream.says(b"# a line of words\n")
            stream.says(b"900\t12\t-3.5\tok\n")
        if n == 20:
            stream.says(b"905\t \t31\t-3.5\tok\n", frame(decimal(31, 1), address="R", **more))
    return stream


@case
def text_counts(rng: random.Random) -> Stream:
    """Raw converter counts of one pad, one number a line."""
    layout = """\
limits_counts = [-8300000, 8300000]
[frame]
kind = "line"
[body]
kind = "pattern"
pattern = 'adc (?P<value>-?\\d+)'
[fields]
unit = "counts"
value = { decimals = 0 }
"""
    stream = Stream("a glitch to full scale is refused", layout=layout)
    stream.says(b"c 120\r\n")
    for n, (value, _) in enumerate(loads(rng)):
        counts = 7 * value - 33000
        stream.says(f"adc {counts}\r\n".encode(), counted(counts))
        if n == 12:
            stream.says(b"adc -8388608\r\n")
    return stream


@case
def text_keyed(rng: random.Random) -> Stream:
    """Key and value pairs in any order, with a battery in millivolts."""
    layout = """\
limits_kg = [-100, 2500]
[frame]
kind = "line"
[body]
kind = "keyed"
separator = " "
[fields]
address = { key = "id", map = { a = "P1", b = "P2" } }
value = { key = "w" }
unit = { key = "u" }
status = { key = "st", map = { ok = "steady", mv = "moving" } }
battery = { key = "bat", decimals = 0, scale = 0.001 }
signal = { key = "rf" }
"""
    stream = Stream("pairs change places", layout=layout)
    for n, (value, flags) in enumerate(loads(rng)):
        pairs = [
            f"id={'ab'[n % 2]}", f"w={decimal(value)}", "u=kg", f"st={'ok' if flags == STEADY else 'mv'}",
            f"bat={3700 - n}", "rf=-71", f"n={n}",
        ]  # fmt: skip
        rng.shuffle(pairs)
        told = frame(
            decimal(value),
            address=f"P{n % 2 + 1}",
            flags=flags,
            battery_V=(3700 - n) / 1000,
            signal_dBm=-71.0,
        )
        stream.says(" ".join(pairs).encode() + b"\r\n", told)
    return stream


@case
def text_json(rng: random.Random) -> Stream:
    """JSON lines with two pads in a list."""
    layout = """\
limits_kg = [-100, 2500]
pads = [
  { address = "A", value = { key = "pads.0.g" }, status = { key = "pads.0.still" } },
  { address = "B", value = { key = "pads.1.g" }, status = { key = "pads.1.still" } },
]
[frame]
kind = "line"
end = "<LF>"
[body]
kind = "json"
[fields]
unit = "g"
seq = { key = "n", decimals = 0 }
status = { map = { true = "steady", false = "moving" } }
"""
    stream = Stream("some lines are not whole", layout=layout)
    for n, (value, flags) in enumerate(loads(rng)):
        still = flags == STEADY
        grams = [decimal(10 * value + k, 1) for k in (0, 3)]
        pads = ",".join(f'{{"g":{g},"still":{json.dumps(still)}}}' for g in grams)
        stream.says(
            f'{{"n":{n},"pads":[{pads}]}}\n'.encode(),
            *(frame(g, "g", address=a, flags=flags, seq=n) for g, a in zip(grams, "AB", strict=True)),
        )
        if n == 5:
            stream.says(b'{"n":5,"pads":[{"g":1.0,"still":tr\n')
            stream.says(b'{"boot":"v1"}\n')
    return stream


@case
def line_star_xor(rng: random.Random) -> Stream:
    """A sentence of changing length with its XOR behind a star."""
    layout = """\
[frame]
kind = "marked"
start = "$"
end = "<CR><LF>"
[check]
kind = "xor"
coding = "hex"
to = -5
[body]
kind = "columns"
count = 4
to = -5
[fields]
address = { column = 0 }
value = { column = 1 }
unit = { column = 2, map = { K = "kg", P = "lb" } }
status = { column = 3, map = { A = "steady", V = "moving" } }
"""
    stream = Stream("one sentence cut short", layout=layout, integrity="xor")
    stream.says(b"2.45,K,A*11\r\n")
    for n, (value, flags) in enumerate(loads(rng)):
        body = f"W{n % 3 + 1},{decimal(value)},K,{'A' if flags == STEADY else 'V'}".encode()
        data = b"$" + body + f"*{xor(body):02X}\r\n".encode()
        stream.says(data, frame(decimal(value), address=f"W{n % 3 + 1}", flags=flags, integrity="xor"))
        if n == 20:
            stream.says(data[:9])
            stream.says(data)  # begins inside another: refused as well
    return stream


@case
def text_hex_twos(rng: random.Random) -> Stream:
    """Hexadecimal text of a two's complement number, and the two's complement of the sum."""
    layout = """\
[frame]
kind = "line"
size = 14
[check]
kind = "sum-twos"
coding = "hex"
[body]
constants = [{ at = 0, text = "H" }, { at = 9, text = "," }]
[fields]
unit = "kg"
value = { at = 1, size = 8, coding = "hex", form = "twos", decimals = 2 }
"""
    stream = Stream("negative values near zero", layout=layout, integrity="sum-twos")
    for value, _ in loads(rng):
        body = f"H{value & 0xFFFFFFFF:08X},".encode()
        data = body + f"{-sum(body) & 0xFF:02X}\r\n".encode()
        stream.says(data, frame(decimal(value), integrity="sum-twos"))
    return stream


@case
def text_sum_decimal(rng: random.Random) -> Stream:
    """A sum in three decimal digits over everything before it."""
    layout = """\
[frame]
kind = "line"
[check]
kind = "sum"
coding = "decimal"
[body]
kind = "pattern"
pattern = 'w(?P<value>[+-]\\d+\\.\\d) (?P<unit>kg|lb) '
[fields]
value = {}
unit = {}
"""
    stream = Stream("steady and moving loads", layout=layout, integrity="sum")
    for value, _ in loads(rng, step=10):
        text = decimal(value // 10, 1)
        body = f"w{text if value // 10 < 0 else '+' + text} kg ".encode()
        stream.says(body + f"{sum(body) & 255:03d}\r\n".encode(), frame(text, integrity="sum"))
    return stream


@case
def text_crc_hex(rng: random.Random) -> Stream:
    """CRC-16/XMODEM in hexadecimal, in a seven-bit marked message with a block check over start and end."""
    layout = """\
[frame]
kind = "marked"
start = "<SOH>"
end = "<EOT>"
[check]
kind = "crc"
crc = "CRC-16/XMODEM"
coding = "hex"
from = 0
[body]
kind = "columns"
separator = " "
count = 3
[fields]
value = { column = 1 }
unit = { column = 2 }
"""
    stream = Stream("values of changing length", layout=layout, integrity="CRC-16/XMODEM")
    for value, _ in loads(rng):
        body = b"\x01w " + f"{decimal(value)} kg".encode()
        check = crc(body, 16, 0x1021, 0, reflect=False)
        stream.says(body + f"{check:04X}\x04".encode(), frame(decimal(value), integrity="CRC-16/XMODEM"))
    return stream


@case
def marked_lrc7(rng: random.Random) -> Stream:
    """ETX followed by a seven-bit block check that may be any character, start and end included."""
    layout = """\
[frame]
kind = "marked"
start = "<STX>"
end = "<ETX>"
trail = 1
size = 13
[check]
kind = "xor"
mask = 0x7F
[fields]
status = { at = 1, map = { S = "steady", M = "moving" } }
value = { at = 2, size = 9 }
unit = "kg"
"""
    stream = Stream("the block check takes every value", layout=layout, integrity="xor")
    for value, flags in loads(rng, 60):
        body = f"{'S' if flags == STEADY else 'M'}{decimal(value):>9}\x03".encode()
        data = b"\x02" + body + bytes([xor(body) & 0x7F])
        stream.says(data, frame(decimal(value), flags=flags, integrity="xor"))
    return stream
