"""Telling systemd how the daemon is, by datagrams to NOTIFY_SOCKET (sd_notify(3)); nothing without one."""

from __future__ import annotations

import os
import socket


def notify(state: str) -> bool:
    """Send "READY=1", "WATCHDOG=1", "STOPPING=1" or "STATUS=…"; False where nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(state.encode(), address)
    return True
