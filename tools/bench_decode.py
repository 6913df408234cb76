"""Frames per second through split, check and layout: bytes in the driver's `feed`, frames out, one core."""

from __future__ import annotations

import time
from pathlib import Path

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.sim.wagtail import wagtail
from drivers.sim.wire import PadLine, SharedLine

FOLDER = Path(__file__).parents[1] / "drivers" / "layouts"
LAYOUTS = ("line-plain", "fixed-width", "stx-etx-xor", "four-in-one")
CHUNK = 512
"""Bytes at a time: what a busy line gives at one read."""


def stream(name: str) -> bytes:
    """An afternoon of one pad (of all four in `four-in-one`), as a quiet line brings it."""
    encode = SharedLine(("P1", "P2", "P3", "P4")) if name == "four-in-one" else PadLine(name, "P1")
    return b"".join(encode(tick) for tick in wagtail().play())


def frames_per_s(name: str, time_s: float = 2.0) -> float:
    """Frames per second of CPU time; the best of the passes that fit into the time."""
    data, layout = stream(name), load_layout(FOLDER / f"{name}.toml")
    chunks = [data[n : n + CHUNK] for n in range(0, len(data), CHUNK)]
    best, end = 0.0, time.perf_counter() + time_s
    while time.perf_counter() < end:
        feed, frames, began = layout.driver().feed, 0, time.process_time()
        for chunk in chunks:
            for item in feed(chunk, 0):
                frames += isinstance(item, Frame)
        best = max(best, frames / (time.process_time() - began))
    return best
