"""Finding a port's line settings: opens it with one after another, listens, and scores what comes."""

from __future__ import annotations

import os
import termios
import time
from collections.abc import Callable
from contextlib import suppress

from drivers.api import SerialSettings
from drivers.learn import lines
from logger import devices
from logger.transports import FileTransport, transport_for

LISTEN_S = 0.8
"""How long each setting is listened to: eight messages at the usual ten a second."""


class _Marking(FileTransport):
    """A line whose driver marks characters that came damaged, so that they can be counted."""

    def open(self) -> str:
        where = super().open()
        with suppress(termios.error):
            mode = termios.tcgetattr(self._fd)
            mode[0] = (mode[0] | termios.PARMRK | termios.INPCK) & ~termios.IGNPAR
            termios.tcsetattr(self._fd, termios.TCSANOW, mode)
        return where


def find_line(
    device: str, say: Callable[[str], object], listen_s: float = LISTEN_S
) -> tuple[SerialSettings, float]:
    """Try speeds and parities; return the settings that scored best, and their score (0: nothing came).

    Raises logger.transports.PortRefused or PortLost.
    """
    best, top = SerialSettings(), 0.0
    if devices.is_network(device):
        return best, top  # its server knows the line
    for settings in _settings():
        if top >= lines.SURE:
            break
        data, errors = _heard(device, settings, listen_s)
        found = lines.score(data, errors)
        hidden = lines.hidden_parity(data)
        line, found = (lines.seven_bits(settings, hidden), 1.0) if hidden else (settings, found)
        say(f"{lines.told(line)}: {len(data)} bytes, {errors} damaged, score {found:.2f}")
        if found > top:
            best, top = line, found
    return best, top


def _settings() -> list[SerialSettings]:
    plain = [SerialSettings(baud=baud) for baud in lines.BAUDS]
    odd = [SerialSettings(baud=baud, parity=parity) for baud in lines.BAUDS[:6] for parity in ("E", "O")]
    return plain + odd


def _heard(device: str, settings: SerialSettings, listen_s: float) -> tuple[bytes, int]:
    waking, wake = os.pipe()
    pollable = type(transport_for(device, settings, waking)) is FileTransport
    transport = _Marking(device, settings, waking) if pollable else transport_for(device, settings, waking)
    heard = bytearray()
    try:
        transport.open()
        until = time.monotonic() + listen_s
        while (left := until - time.monotonic()) > 0:
            heard += transport.read(4096, left)
    finally:
        transport.close()
        os.close(waking)
        os.close(wake)
    return lines.unmarked(bytes(heard)) if pollable else (bytes(heard), 0)
