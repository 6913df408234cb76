"""What a driver is: bytes and time in, frames and rejects out.

A driver never sees a port, a clock or a file, so it cannot block and behaves in replay as it does live.
Everything a plug-in needs is in this module; it imports nothing else of the project.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol, runtime_checkable

from msgspec import Struct

FLAG_STEADY = 1
"""The stream claims that the load stands still (a claim, stored and never trusted alone)."""
FLAG_MOVING = 2
"""The stream claims that the load moves; neither this nor FLAG_STEADY means the stream does not say."""
FLAG_OVERLOAD = 4
FLAG_UNDERLOAD = 8
FLAG_LOW_BATTERY = 16
FLAG_AT_ZERO = 32
FLAG_NET = 64
"""The value has a tare taken off by the indicator."""


class Reason(StrEnum):
    """Why bytes were refused."""

    NOISE = "noise"
    """Bytes outside any frame."""
    TRUNCATED = "truncated"
    """A frame began and another began, or the line ended, before it was whole."""
    OVERLONG = "overlong"
    """More bytes than a frame can have without its end."""
    PATTERN = "pattern"
    """Whole, but its fields do not read as the layout says."""
    CHECK = "check"
    """Its check bytes are wrong."""
    UNIT = "unit"
    """A unit that the layout does not know."""
    RANGE = "range"
    """A value outside the plausible limits."""


UNANSWERED = "unanswered"
"""Under this name requests that nobody answered in time are counted, beside the reasons of refused bytes."""


class Frame(Struct, frozen=True, kw_only=True, gc=False):
    """One reading of one pad, decoded from a message.

    Exactly one of `mass_kg` (kg) and `counts` (converter counts) is set, unless an overload or underload
    flag says why there is no number. None elsewhere means the stream does not carry it. A message that
    carries several pads gives several frames in order; the first holds the message's bytes in `raw`, the
    others hold b"", so that raw bytes add up. `integrity` names the check that passed, or "none".
    `wire_value` is the number as sent, in `wire_unit`; `mass_kg` is the same converted.
    """

    address: str | None = None
    mass_kg: float | None = None
    counts: int | None = None
    resolution_kg: float | None = None
    flags: int = 0
    battery_V: float | None = None
    signal_dBm: float | None = None
    temperature_C: float | None = None
    seq: int | None = None
    integrity: str = "none"
    raw: bytes = b""
    wire_value: float | None = None
    wire_unit: str = ""


class Reject(Struct, frozen=True, kw_only=True, gc=False):
    """Bytes refused, with the reason."""

    reason: Reason
    raw: bytes


class SerialSettings(Struct, frozen=True, kw_only=True):
    """Line settings a layout suggests; a port's own configuration overrides them.

    `parity` is one of N E O M S, `bytesize` 5–8, `stopbits` 1, 1.5 or 2. `rs485` asks for the driver's
    half-duplex mode, the other two for flow control.
    """

    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    rs485: bool = False
    rtscts: bool = False
    xonxoff: bool = False


@runtime_checkable
class Driver(Protocol):
    """One stream's decoder; an instance serves one port and keeps only a bounded buffer.

    For any way of cutting the bytes into chunks, the frames and rejects are the same, and every byte fed is
    in exactly one frame's or reject's `raw`, or pending. No input raises.
    """

    name: str
    serial: SerialSettings

    def feed(self, data: bytes, t_mono_ns: int) -> list[Frame | Reject]:
        """Take the next bytes and return what they complete, in stream order.

        `t_mono_ns` is the monotonic time of arrival (ns), never going back; only drivers that ask use it.
        """
        ...

    def pending(self) -> int:
        """Count the bytes held back for a frame that is not yet whole."""
        ...

    def request(self, t_mono_ns: int) -> bytes | None:
        """Return the bytes to send now for a polled indicator, or None when there is nothing to send."""
        ...
