"""Readings as bytes: the shipped layouts written instead of read, and what a poor line does to them.

The pictures of the bytes stand in drivers/layouts/*.toml; a test decodes what is written here by them.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from drivers.sim.pads import Reading
from drivers.sim.scenario import Tick
from drivers.wire import KG_PER

Encoder = Callable[[Reading, str], bytes]
"""One reading and its unit → the bytes of one message."""


def line_plain(reading: Reading, unit: str) -> bytes:
    """`P3 still      312.45 kg` and CR LF."""
    if reading.mass_kg is None:
        return f"{reading.pad} over      ------- {unit}\r\n".encode()
    state = "still" if reading.steady else "moving"
    return f"{reading.pad} {state} {_in(reading.mass_kg, unit):>11.2f} {unit}\r\n".encode()


def fixed_width(reading: Reading, unit: str) -> bytes:
    """`A2S  +0031245 kg` and CR: hundredths with the point implied."""
    hundredths = round(100 * _in(reading.mass_kg or 0.0, unit))
    return f"A{reading.pad[1]}{_letter(reading)}  {hundredths:+08d} {unit}\r".encode()


def stx_etx_xor(reading: Reading, unit: str) -> bytes:
    """STX, `2 S +00312.45 kg 37 -061 0418`, ETX and the XOR of all after STX in two hexadecimal digits."""
    value = _in(reading.mass_kg or 0.0, unit)
    body = (
        f"{reading.pad[1]} {_letter(reading)} {value:+09.2f} {unit} {round(10 * reading.battery_V):02d} "
        f"{round(reading.signal_dBm):+04d} {reading.seq % 10_000:04d}\x03"
    ).encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"\x02" + body + b"%02X" % check


def four_in_one(readings: list[Reading | None], seq: int) -> bytes:
    """`#0418;S +02315;S +02288;M +01907;. ......;C7` and CR LF: tenths of a kg, None a pad not heard."""
    parts = [
        ". ......" if r is None else f"{_letter(r)} {round(10 * (r.mass_kg or 0.0)):+06d}" for r in readings
    ]
    body = f"#{seq % 10_000:04d};{';'.join(parts)};".encode()
    return body + b"%02X\r\n" % (sum(body) % 256)


ENCODERS: dict[str, Encoder] = {
    "line-plain": line_plain,
    "fixed-width": fixed_width,
    "stx-etx-xor": stx_etx_xor,
}
"""Layouts with one pad in a message."""


class PadLine:
    """A line of its own for one pad: call it with a tick for the bytes to send.

    What the radio lost is not sent, what it damaged comes damaged; `noise` is the chance of a few stray
    bytes before a message, as from a loose plug.
    """

    def __init__(self, layout: str, pad: str, *, unit: str = "kg", seed: int = 1, noise: float = 0.0) -> None:
        self._encode, self._pad, self._unit, self._noise = ENCODERS[layout], pad, unit, noise
        self._random = Random(f"{layout} {pad} {seed}")

    def __call__(self, tick: Tick) -> bytes:
        reading = tick.readings[self._pad]
        stray = (
            self._random.randbytes(self._random.randint(1, 6)) if self._random.random() < self._noise else b""
        )
        if reading.lost:
            return stray
        message = self._encode(reading, self._unit)
        return stray + (damaged(message, self._random) if reading.damaged else message)


class SharedLine:
    """One line for all pads by `four-in-one`: a pad is heard or not, and `noise` is the chance of damage."""

    def __init__(self, pads: tuple[str, ...], *, seed: int = 1, noise: float = 0.0) -> None:
        self._pads, self._noise, self._seq = pads, noise, 0
        self._random = Random(f"four-in-one {seed}")

    def __call__(self, tick: Tick) -> bytes:
        heard = [tick.readings[p] for p in self._pads]
        self._seq += 1
        message = four_in_one([None if r.lost or r.damaged else r for r in heard], self._seq)
        return damaged(message, self._random) if self._random.random() < self._noise else message


def damaged(message: bytes, random: Random) -> bytes:
    """Do what a poor line does, one thing of three: a bit turned, the end cut off, a byte lost."""
    at = random.randrange(len(message))
    return random.choice(
        (
            message[:at] + bytes([message[at] ^ 1 << random.randrange(8)]) + message[at + 1 :],
            message[:at],
            message[:at] + message[at + 1 :],
        )
    )


def _in(mass_kg: float, unit: str) -> float:
    return mass_kg / float(KG_PER[unit])


def _letter(reading: Reading) -> str:
    """Status letter: overload, steady, moving."""
    return "O" if reading.mass_kg is None else "S" if reading.steady else "M"
