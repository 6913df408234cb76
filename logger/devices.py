"""Which device a port's `device = "…"` line means: identities to paths, what is plugged in, who holds it.

Adapters change their names when they are replugged, so a port is named by what stays: `usb:SERIAL` (with
`:NN`, the interface number, where one adapter has several lines), `path:NAME` (the socket it is plugged
into, as under /dev/serial/by-path), or a plain path such as /dev/serial/by-id/…. Linux only.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

NETWORK = ("socket://", "rfc2217://")
"""Prefixes of serial lines that come over TCP."""
GOOD_LATENCY_MS = 1
"""The least an FTDI adapter can be set to; it starts with 16, more than any other delay here."""


class DeviceUnknown(Exception):
    """An identity fits no device, or more than one; the text says which and what to do."""


@dataclass(frozen=True, kw_only=True)
class Holder:
    """A process that has the device open."""

    pid: int
    program: str

    def __str__(self) -> str:
        return f"{self.program} (pid {self.pid})"


@dataclass(frozen=True, kw_only=True)
class Device:
    """A serial device that is plugged in; empty text where there is none of that kind."""

    path: str
    description: str = ""
    usb_serial: str = ""
    interface: str = ""
    by_path: str = ""
    latency_ms: int | None = None
    """Time after which the adapter hands on what it has (ms); None where it has no such timer."""
    holders: tuple[Holder, ...] = field(default=())
    forbidden: str = ""
    """Why this user may not open it and what to do; empty when allowed."""


def is_network(device: str) -> bool:
    """Tell whether this device is reached over TCP."""
    return device.startswith(NETWORK)


def is_hid(path: str) -> bool:
    """Tell whether a path is a hidraw device, which gives reports and has no line settings."""
    return os.path.basename(os.path.realpath(path)).startswith("hidraw")


def resolve(device: str, root: Path = Path("/")) -> str:
    """Find the path that an identity means now (network addresses and plain paths come back as they are).

    Raises DeviceUnknown when nothing plugged in fits, or more than one does. `root` holds sys/ and dev/.
    """
    if device.startswith("usb:"):
        return _by_usb(device.removeprefix("usb:"), root)
    if device.startswith("path:"):
        link = root / "dev/serial/by-path" / device.removeprefix("path:")
        if not link.exists():
            raise DeviceUnknown(f"nothing is plugged in at {device}; `restpoint ports` lists what is")
        return str(link)
    return device


def _by_usb(serial: str, root: Path) -> str:
    plugged = usb_devices(root)
    fits = [d for d in plugged if d.usb_serial == serial]
    if not fits and ":" in serial:
        number, interface = serial.rsplit(":", 1)
        fits = [d for d in plugged if (d.usb_serial, d.interface) == (number, interface)]
    if not fits:
        raise DeviceUnknown(
            f"no USB adapter with serial number {serial}; `restpoint ports` lists what is there"
        )
    if len(fits) > 1:
        lines = ", ".join(f"{d.path} ({identity(d, plugged)})" for d in fits)
        raise DeviceUnknown(f"serial number {serial} fits several lines: {lines}; name one of these")
    return fits[0].path


def identity(device: Device, plugged: list[Device]) -> str:
    """Name a device by what stays when it is replugged: USB serial number, else socket, else its path."""
    same = [d for d in plugged if d.usb_serial == device.usb_serial]
    if device.usb_serial and len(same) == 1:
        return f"usb:{device.usb_serial}"
    if device.usb_serial and len({d.interface for d in same}) == len(same):
        return f"usb:{device.usb_serial}:{device.interface}"
    return f"path:{device.by_path}" if device.by_path else device.path


def usb_devices(root: Path = Path("/")) -> list[Device]:
    """List the USB serial adapters that are plugged in."""
    return [d for d in all_devices(root, look_at_holders=False) if d.usb_serial or d.interface]


def all_devices(root: Path = Path("/"), look_at_holders: bool = True) -> list[Device]:
    """List every serial device that has hardware behind it, sorted by path."""
    by_path = _links(root / "dev/serial/by-path")
    found = []
    for tty in sorted((root / "sys/class/tty").glob("*/device")):
        name = tty.parent.name
        if _text(tty.parent / "type") == "0":  # a place for a UART where none is fitted
            continue
        path = str(root / "dev" / name)
        usb = _usb_facts(tty.resolve())
        found.append(
            Device(
                path=path,
                description=usb.get("description", "") or "built-in serial line",
                usb_serial=usb.get("serial", ""),
                interface=usb.get("interface", ""),
                by_path=by_path.get(os.path.realpath(path), ""),
                latency_ms=latency_ms(path, root),
                holders=tuple(holders(path)) if look_at_holders else (),
                forbidden=forbidden(path),
            )
        )
    return found


BRIDGES = {"0403": "ftdi_sio", "10c4": "cp210x", "067b": "pl2303", "1a86": "ch341"}
"""Kernel modules for the usual serial chips, by the chip maker's USB vendor (common practice, no source)."""


def without_driver(root: Path = Path("/")) -> list[str]:
    """Say which USB adapters are plugged in but got no serial line, for the kernel has no driver for them.

    Communication devices (class 02) and the usual serial chips are looked at; what else is plugged in is not.
    """
    found = []
    for interface in sorted((root / "sys/bus/usb/devices").glob("*:*")):
        device = interface.parent / interface.name.partition(":")[0]
        kind, vendor = _text(interface / "bInterfaceClass"), _text(device / "idVendor")
        module = "cdc_acm" if kind == "02" else BRIDGES.get(vendor, "") if kind == "ff" else ""
        if module and not (interface / "driver").exists():
            name = _text(device / "product") or "USB serial adapter"
            found.append(
                f"{name} ({vendor}:{_text(device / 'idProduct')}) is plugged in but has no driver: "
                f"modprobe {module}; a kernel without it needs its package of further modules"
            )
    return found


def latency_ms(path: str, root: Path = Path("/")) -> int | None:
    """Time (ms) after which an adapter hands on what it has; None where it has no such timer."""
    name = os.path.basename(os.path.realpath(path))
    text = _text(root / f"sys/bus/usb-serial/devices/{name}/latency_timer")
    return int(text) if text.isdecimal() else None


def latency_hint(wait_ms: int | None) -> str:
    """Say what to do about an adapter that hands readings on in bunches; empty when all is well."""
    if wait_ms is None or wait_ms <= GOOD_LATENCY_MS:
        return ""
    return f"hands readings on every {wait_ms} ms; a udev rule can set its latency_timer to {GOOD_LATENCY_MS}"


def _usb_facts(device: Path) -> dict[str, str]:
    """Climb from a tty's device to the USB device and read what it says of itself."""
    interface = ""
    for folder in (device, *device.parents):
        interface = interface or _text(folder / "bInterfaceNumber")
        if (folder / "idVendor").exists():
            words = [_text(folder / "manufacturer"), _text(folder / "product")]
            return {
                "description": " ".join(w for w in words if w) or "USB serial adapter",
                "serial": _text(folder / "serial"),
                "interface": interface or "00",
            }
    return {}


def _links(folder: Path) -> dict[str, str]:
    if not folder.is_dir():
        return {}
    return {os.path.realpath(link): link.name for link in sorted(folder.iterdir())}


def _text(file: Path) -> str:
    try:
        return file.read_text(errors="replace").strip()
    except OSError:
        return ""


def forbidden(path: str) -> str:
    """Say why this user may not read and write the device and what helps; empty when allowed or absent."""
    if not os.path.exists(path) or os.access(path, os.R_OK | os.W_OK):
        return ""
    import grp  # noqa: PLC0415  only where the answer is no
    import pwd  # noqa: PLC0415

    try:
        told = os.stat(path)
    except OSError:
        return ""  # it has gone meanwhile
    user, group, members = str(os.geteuid()), str(told.st_gid), []
    with suppress(KeyError):
        user = pwd.getpwuid(os.geteuid()).pw_name
    with suppress(KeyError):
        entry = grp.getgrgid(told.st_gid)
        group, members = entry.gr_name, entry.gr_mem
    if told.st_mode & 0o060 != 0o060 or told.st_gid == 0:
        return (
            f"user {user} may not open {path}, and no group may but root's: let a udev rule give it to one "
            '(GROUP="dialout", MODE="0660"; deploy/70-restpoint.rules is such a rule), and plug it in again'
        )
    if user in members:
        return (
            f"user {user} may not open {path} yet: it is in group {group} since this login, so log in again"
        )
    return f"user {user} may not open {path}: `sudo usermod -aG {group} {user}`, and log in again"


def holders(path: str) -> list[Holder]:
    """Find other processes that have the device open, or have locked it.

    /proc shows a user what the own programs have open (root: what all have), and everybody who locked what.
    """
    real = os.path.realpath(path)
    locked = _lockers(real)
    pids = [pid for pid in os.listdir("/proc") if pid.isdecimal() and (pid in locked or _has_open(pid, real))]
    mine = str(os.getpid())
    return [
        Holder(pid=int(pid), program=_text(Path("/proc", pid, "comm")) or "a program")
        for pid in pids
        if pid != mine
    ]


def _lockers(real: str) -> set[str]:
    """Who locked the file, by the kernel's list: `1: FLOCK ADVISORY WRITE PID MAJOR:MINOR:INODE 0 EOF`."""
    try:
        is_at = os.stat(real)
    except OSError:
        return set()
    place = f"{os.major(is_at.st_dev):02x}:{os.minor(is_at.st_dev):02x}:{is_at.st_ino}"
    rows = [row.split() for row in _text(Path("/proc/locks")).splitlines()]
    return {row[4] for row in rows if len(row) > 5 and row[5] == place}


def _has_open(pid: str, real: str) -> bool:
    """Whether a process reads the device; who made a pseudo-terminal is its far end, not a second reader."""
    try:
        fds = os.listdir(f"/proc/{pid}/fd")
    except OSError:  # gone, or another user's
        return False
    opened = set()
    for fd in fds:
        with suppress(OSError):
            opened.add(os.readlink(f"/proc/{pid}/fd/{fd}"))
    far_end = real.startswith("/dev/pts/") and not opened.isdisjoint(("/dev/ptmx", "/dev/pts/ptmx"))
    return real in opened and not far_end
