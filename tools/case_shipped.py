"""Conformance cases of the shipped layouts."""

from __future__ import annotations

import random

from case_kit import OVERLOAD, STEADY, Stream, case, decimal, frame, loads, xor


@case
def line_plain(rng: random.Random) -> Stream:
    """Words and a pattern."""
    stream = Stream("port opened in the middle of a line; an overload; chatter", driver="line-plain")
    stream.says(b"12.45 kg\r\n")
    for n, (value, flags) in enumerate(loads(rng)):
        word = "still" if flags == STEADY else "moving"
        unit = "lb" if n % 13 == 12 else "kg"
        text = decimal(value)
        stream.says(f"P3 {word} {text:>11} {unit}\r\n".encode(), frame(text, unit, address="P3", flags=flags))
        if n == 20:
            stream.says(b"P3 over      ------- kg\r\n", frame(None, address="P3", flags=OVERLOAD))
            stream.says(b"battery good, all well\r\n")
            stream.says(b"\r\n")
    return stream


@case
def fixed_width(rng: random.Random) -> Stream:
    """Every field in its place."""
    stream = Stream("two pads take turns; a short line", driver="fixed-width")
    stream.says(b"5 kg\r")
    for n, (value, flags) in enumerate(loads(rng)):
        pad = n % 2 + 1
        text = f"A{pad}{'S' if flags == STEADY else 'M'}  {value:+08d} kg\r"
        stream.says(text.encode(), frame(decimal(value), address=f"P{pad}", flags=flags))
        if n == 7:
            stream.says(b"A1S  +00312 kg\r")
    stream.says(b"A2O           kg\r", frame(None, address="P2", flags=OVERLOAD))
    return stream


@case
def stx_etx_xor(rng: random.Random) -> Stream:
    """Check characters after ETX."""
    stream = Stream(
        "four pads on one receiver; one message damaged, one cut short", driver="stx-etx-xor", integrity="xor"
    )
    stream.says(b"2.45 kg 37 -061 0417\x0300")
    for n, (value, flags) in enumerate(loads(rng, 48)):
        pad, status = n % 4 + 1, "S" if flags == STEADY else "M"
        battery, signal, seq = 37 - n // 30, -61 - pad, (9980 + n) % 10000
        sign, size = "-" if value < 0 else "+", f"{decimal(abs(value)):0>8}"
        body = f"{pad} {status} {sign}{size} kg {battery} {signal:04d} {seq:04d}\x03".encode()
        data = b"\x02" + body + f"{xor(body):02X}".encode()
        told = frame(
            decimal(value), address=f"P{pad}", flags=flags, integrity="xor", battery_V=battery / 10,
            signal_dBm=float(signal), seq=seq,
        )  # fmt: skip
        stream.says(data, told)
        if n == 11:
            stream.says(data.replace(b"kg", b"kh"))
            stream.says(data[:14])
    return stream


@case
def four_in_one(rng: random.Random) -> Stream:
    """Four pads a message."""
    stream = Stream("one pad is not heard for a while", driver="four-in-one", integrity="sum")
    stream.says(b"99;S +02315;3A\r\n")
    for n, (value, flags) in enumerate(loads(rng, 30)):
        cells, frames = [], []
        for pad in range(1, 5):
            tenths = value // 10 + 3 * pad
            if pad == 4 and 10 <= n < 20:
                cells.append(". ......")
                continue
            cells.append(f"{'S' if flags == STEADY else 'M'} {tenths:+06d}")
            frames.append(frame(decimal(tenths, 1), address=f"P{pad}", flags=flags, integrity="sum", seq=n))
        body = f"#{n:04d};{';'.join(cells)};".encode()
        stream.says(body + f"{sum(body) & 255:02X}\r\n".encode(), *frames)
    return stream
