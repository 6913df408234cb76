"""A USB scale's reports through a hidraw device: a named pipe stands in for the device.

The report is that of `check_values` hid.frame (USB-IF HID Point of Sale Usage Tables 1.02, page 0x8D;
constructed): report 3, status 4, unit 3 (kg), exponent -1, value 5000 is 500.0 kg.
"""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

from drivers import registry
from drivers.api import FLAG_STEADY, Frame
from logger.model import Chunk, PortEvent
from logger.ports import PortReader, PortSettings

REPORT = bytes([3, 4, 3, 0xFF, 0x88, 0x13])


def frames_from(device: str, send: object, want: int) -> list[Frame]:
    """Read frames from a device while `send()` sends reports, until there are enough."""
    driver = registry.find("usb-hid-scale")()
    chunks: list[Chunk] = []
    opened = threading.Event()

    def event(told: PortEvent) -> None:
        if told.event == "opened":
            opened.set()

    def chunk(one: Chunk) -> bool:
        chunks.append(one)
        return True

    reader = PortReader(PortSettings(name="scale", device=device), None, chunk, event)
    reader.start()
    try:
        assert opened.wait(5)
        end = time.monotonic() + 5
        found: list[Frame] = []
        while len(found) < want and time.monotonic() < end:
            send()  # type: ignore[operator]  # a function
            time.sleep(0.05)
            while chunks:
                one = chunks.pop(0)
                found += [f for f in driver.feed(one.data, one.t_mono_ns) if isinstance(f, Frame)]
        return found
    finally:
        reader.stop()


def test_reports_over_a_named_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "hidraw0"
    os.mkfifo(pipe)
    far = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    try:
        found = frames_from(str(pipe), lambda: os.write(far, REPORT), 3)
    finally:
        os.close(far)
    assert [frame.mass_kg for frame in found[:3]] == [500.0] * 3
    assert found[0].flags & FLAG_STEADY
