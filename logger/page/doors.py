"""What a request may do: nothing, watch, or command; told from where it comes and from the token it brings.

This computer is trusted unless `[page] pairing` says otherwise, all others bring the token of their pairing.
A request that was passed on by a proxy counts as from elsewhere, wherever the proxy runs.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Literal

from logger.clock import now_ns
from logger.pace import Pace, commands
from logger.pairing import Pairing, PairingRefused, Right

May = Literal["nothing", "watch", "command"]
Mode = Literal["network", "always", "off"]
FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")
TOKEN_LIMIT = 100
"""Characters of a token that are looked at; ours have 43."""


@dataclass(frozen=True)
class Visitor:
    """Who asks: what they may, and the number of their pairing (None: none was needed, or none is there)."""

    may: May
    device: int | None = None
    name: str = ""


class Doors:
    """The page's doors; `folder` holds the pairings, None where nobody can be paired."""

    def __init__(self, mode: Mode, folder: Path | None) -> None:
        self._mode = mode
        self._pairing = None if folder is None else Pairing(folder)
        self._tries = Pace(burst=5, every_s=10.0)
        self._commands = commands()

    @property
    def trouble(self) -> str:
        """Why no pairing can be looked up, empty when all is well."""
        return "" if self._pairing is None else self._pairing.trouble

    def open(self) -> None:
        """Begin: a code offered before this start is void."""
        if self._pairing is not None:
            with suppress(OSError):  # a disk that refuses this refuses a pairing, too
                self._pairing.drop_offer()

    def who(self, address: str | None, headers: dict[str, str], token: str) -> Visitor:
        """Tell who asks from this address with these headers (lower case) and this token ("" is none)."""
        here = is_loopback(address) and not any(name in headers for name in FORWARDED)
        if self._mode == "off" or (self._mode == "network" and here):
            return Visitor("command")
        if self._pairing is None or not 0 < len(token) <= TOKEN_LIMIT or not token.isascii():
            return Visitor("nothing")
        device = self._pairing.find(token)
        return Visitor("nothing") if device is None else Visitor(device.right, device.id, device.name)

    def still(self, visitor: Visitor) -> bool:
        """Whether a visitor that was let in may stay: their pairing may have been revoked meanwhile."""
        return visitor.device is None or (
            self._pairing is not None and self._pairing.is_paired(visitor.device)
        )

    def pair(self, code: str) -> tuple[str, Right]:
        """Pair who tells this code: the token and what it is good for. PairingRefused says why not."""
        if self._pairing is None:
            raise PairingRefused("nobody can be paired here")
        if not self._tries.allows(time.monotonic()):
            raise PairingRefused("too many tries; wait ten seconds")
        token, device = self._pairing.redeem(code, *now_ns())
        return token, device.right

    def may_command_now(self) -> bool:
        """Whether one more command fits."""
        return self._commands.allows(time.monotonic())


def is_loopback(address: str | None) -> bool:
    """Whether an address is this computer's own inside; a name is only `localhost`."""
    try:
        number = ip_address(address or "")
    except ValueError:
        return address == "localhost"
    return (getattr(number, "ipv4_mapped", None) or number).is_loopback
