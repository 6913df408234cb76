"""How a line is opened and read: adapters and pseudo-terminals, HID reports, raw TCP, RFC 2217.

Three small classes of four methods each; another library for serial ports replaces one and nothing else.
"""

from __future__ import annotations

import fcntl
import os
import select
import socket
import termios
from contextlib import suppress
from typing import Any, Protocol
from urllib.parse import urlsplit

from drivers.api import SerialSettings
from logger import devices


class PortRefused(Exception):
    """The port cannot be opened now; the text says why and what helps."""


class PortLost(Exception):
    """The port was open and is gone."""


class Transport(Protocol):
    """A way to a serial line."""

    def open(self) -> str:
        """Open the line and return where it was found; raises PortRefused."""
        ...

    def read(self, most: int, timeout_s: float) -> bytes:
        """Return what came, b"" when nothing did in time; raises PortLost when the line is gone."""
        ...

    def write(self, data: bytes) -> int:
        """Send without waiting and return how many bytes were taken; raises PortLost."""
        ...

    def close(self) -> None:
        """Close, also after an open that failed; never raises."""
        ...


class FileTransport:
    """A line whose descriptor can be polled: adapter, UART, pseudo-terminal, or a scale's HID reports."""

    def __init__(self, device: str, line: SerialSettings, wake: int) -> None:
        self._device, self._line, self._wake = device, line, wake
        self._port: Any = None
        self._fd = -1
        self._poll = select.poll()

    def open(self) -> str:
        try:
            path = devices.resolve(self._device)
        except devices.DeviceUnknown as why:
            raise PortRefused(str(why)) from None
        _openable(path)
        self._port = _open_reports(path) if devices.is_hid(path) else _open_serial(path, self._line)
        self._listen(self._port.fileno())
        real = os.path.realpath(path)
        where = self._device if real == self._device else f"{self._device} at {real}"
        hint = devices.latency_hint(devices.latency_ms(real))
        return f"{where}; it {hint}" if hint else where

    def _listen(self, fd: int) -> None:
        self._fd = fd
        self._poll.register(fd, select.POLLIN)
        self._poll.register(self._wake, select.POLLIN)

    def read(self, most: int, timeout_s: float) -> bytes:
        ready = dict(self._poll.poll(timeout_s * 1000))
        if self._fd not in ready:
            return b""
        try:
            data = os.read(self._fd, most)
        except BlockingIOError:
            return b""
        except OSError as why:
            raise PortLost(f"{self._device}: {why.strerror}") from None
        if not data:
            raise PortLost(f"{self._device}: unplugged, or the other end closed")
        return data

    def write(self, data: bytes) -> int:
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0
        except OSError as why:
            raise PortLost(f"{self._device}: {why.strerror}") from None

    def close(self) -> None:
        # a line that is gone, or never opened, fails in many ways; it is closed all the same
        with suppress(Exception):
            fcntl.ioctl(self._fd, termios.TIOCNXCL)
        with suppress(Exception):
            self._port.close()


class SocketTransport(FileTransport):
    """`socket://host:port`: raw bytes over TCP.

    pyserial has this too, but its close() leaves the socket open when the other end has gone.
    """

    def open(self) -> str:
        try:
            address = urlsplit(self._device)
            self._port = socket.create_connection((address.hostname, address.port), timeout=5)
        except (OSError, ValueError) as why:
            raise PortRefused(f"{self._device}: {why}; is the server running, the address right?") from None
        self._port.setblocking(False)
        self._port.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._listen(self._port.fileno())
        return self._device


class TelnetTransport:
    """`rfc2217://host:port`: pyserial reads it in a thread of its own, so there is nothing to poll."""

    def __init__(self, device: str, line: SerialSettings, wake: int) -> None:
        self._device, self._line, self._wake = device, line, wake
        self._port: Any = None

    def open(self) -> str:
        import serial  # noqa: PLC0415  not at the daemon's start for ports that do not need it
        from serial import rfc2217  # noqa: PLC0415

        self._port = rfc2217.Serial(**_keywords(self._line), timeout=0.1)
        self._port.port = self._device
        try:
            self._port.open()
        except (serial.SerialException, ValueError, OSError) as why:
            raise PortRefused(f"{self._device}: {why}") from None
        return self._device

    def read(self, most: int, timeout_s: float) -> bytes:
        del timeout_s  # the port's own, short enough for a prompt stop
        try:
            first: bytes = self._port.read(1)
            rest: bytes = self._port.read(min(self._port.in_waiting, most - 1)) if first else b""
        except OSError:  # SerialException is one; its text speaks of threads
            raise PortLost(f"{self._device}: the server closed the connection") from None
        return first + rest

    def write(self, data: bytes) -> int:
        try:
            self._port.write(data)
        except OSError as why:
            raise PortLost(f"{self._device}: {why}") from None
        return len(data)

    def close(self) -> None:
        link: socket.socket | None = getattr(self._port, "_socket", None)
        with suppress(Exception):
            self._port.close()
        if link is not None:  # pyserial leaves it open when the other end has gone
            link.close()


def transport_for(device: str, line: SerialSettings, wake: int) -> Transport:
    """Choose the transport by the device's prefix; `wake` is a descriptor that ends a wait when readable."""
    if device.startswith("socket://"):
        return SocketTransport(device, line, wake)
    if device.startswith("rfc2217://"):
        return TelnetTransport(device, line, wake)
    return FileTransport(device, line, wake)


def _keywords(line: SerialSettings) -> dict[str, Any]:
    return {
        "baudrate": line.baud,
        "bytesize": line.bytesize,
        "parity": line.parity,
        "stopbits": line.stopbits,
        "rtscts": line.rtscts,
        "xonxoff": line.xonxoff,
    }


def _openable(path: str) -> None:
    """Raise PortRefused where opening would fail, or would steal another program's bytes."""
    if not os.path.exists(path):
        raise PortRefused(f"{path} is not there: is it plugged in? `restpoint ports` lists what is")
    if reason := devices.forbidden(path):
        raise PortRefused(reason)
    if others := devices.holders(path):
        raise PortRefused(f"{path} is held by {', '.join(map(str, others))}: end that program first")


_BUSY = (
    "{path} is held by another port of this configuration or by another user's program, which "
    "`restpoint ports` names to root; a pseudo-terminal may keep that mark after its holder has gone"
)


def _open_reports(path: str) -> Any:
    """Open a hidraw device: each read gives one report, whole."""
    try:
        return open(os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC), "r+b", buffering=0)
    except OSError as why:
        raise PortRefused(f"{path}: {why.strerror}") from None


def _open_serial(path: str, line: SerialSettings) -> Any:
    import serial  # noqa: PLC0415  pyserial is needed where a port is opened, not to list or to configure

    try:
        port = serial.Serial(path, **_keywords(line), timeout=0, exclusive=True)
    except (serial.SerialException, ValueError, OSError, termios.error) as why:
        busy = "exclusively lock" in str(why) or "busy" in str(why)
        raise PortRefused(_BUSY.format(path=path) if busy else f"{path}: {why}") from None
    if line.rs485:
        _half_duplex(port, path)
    if not os.path.realpath(path).startswith("/dev/pts/"):  # there the mark outlives us
        with suppress(OSError):
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
    return port


def _half_duplex(port: Any, path: str) -> None:
    from serial.rs485 import RS485Settings  # noqa: PLC0415  as above

    try:
        port.rs485_mode = RS485Settings()
    except (OSError, ValueError) as why:
        port.close()
        raise PortRefused(f"{path}: its driver has no RS-485 mode ({why}); leave rs485 out") from None
