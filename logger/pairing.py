"""Who may watch or command from the network: devices paired once by a code that only the PC shows.

One file, `paired.json` in the bay's folder, readable by the service user alone; it holds hashes, never a
token or a code. The program on the PC (`restpoint pair`) and the daemon both write it, under a lock.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import msgspec
from msgspec.structs import replace

from logger.clock import NS
from logger.owner import give_to_owner
from logger.whole import durable, put_in_place

FILE = "paired.json"
Right = Literal["watch", "command"]

OFFER_NS = 300 * NS
"""A code is good for five minutes: time to find the phone, and too short to come back to."""
TRIES = 5
"""Wrong codes after which an offer is void: of a million codes, five are 1 in 200,000."""
MOST_DEVICES = 32
"""Twice the viewers there is room for; more is somebody who should revoke first."""
NAME_LIMIT = 40
"""Characters of a device's name: what a list on a terminal has room for."""


class PairingRefused(Exception):
    """No device was paired; the text says why and what to do."""


class Device(msgspec.Struct, frozen=True, kw_only=True):
    """A paired device; `token_sha256` is of 256 random bits, so that a plain hash suffices."""

    id: int
    name: str
    right: Right
    paired_wall_ns: int
    token_sha256: str


class Offer(msgspec.Struct, frozen=True, kw_only=True):
    """A code that waits for its device; six digits are few, so their hash is a slow one."""

    salt: str
    code_scrypt: str
    right: Right
    name: str
    t_mono_ns: int
    tries_left: int = TRIES


class Book(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the file holds."""

    schema: Literal[1] = 1
    next_id: int = 1
    devices: tuple[Device, ...] = ()
    offer: Offer | None = None


class Pairing:
    """The pairings of one bay; each call looks whether another program has changed them."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / FILE
        self._seen: tuple[int, int, int] | None = None
        self._book = Book()
        self.trouble = ""
        """Why nobody can be let in, empty when all is well."""

    @property
    def devices(self) -> tuple[Device, ...]:
        """The devices paired, oldest first."""
        return self._read().devices

    def offer(self, right: Right, name: str, t_mono_ns: int) -> str:
        """Make a code of six digits for one device; an earlier one is void. PairingRefused when full."""
        code, salt = f"{secrets.randbelow(1_000_000):06d}", secrets.token_hex(16)
        with self._locked() as book:
            if len(book.devices) >= MOST_DEVICES:
                raise PairingRefused(
                    f"{MOST_DEVICES} devices are paired; revoke one: restpoint pair --revoke N"
                )
            made = Offer(
                salt=salt, code_scrypt=_slow(code, salt), right=right, name=_plain(name), t_mono_ns=t_mono_ns
            )
            self._write(replace(book, offer=made))
        return code

    def redeem(self, code: str, t_mono_ns: int, t_wall_ns: int) -> tuple[str, Device]:
        """Pair the device that tells this code: its token, to be told once, and itself; or PairingRefused."""
        with self._locked() as book:
            offer = book.offer
            if offer is None or not 0 <= t_mono_ns - offer.t_mono_ns <= OFFER_NS:
                raise PairingRefused("no code is waiting; run `restpoint pair` on the PC")
            if not hmac.compare_digest(_slow(code, offer.salt), offer.code_scrypt):
                left = offer.tries_left - 1
                self._write(replace(book, offer=replace(offer, tries_left=left) if left else None))
                raise PairingRefused(
                    "that is not the code on the PC" if left else "too many wrong codes; run it anew"
                )
            token = secrets.token_urlsafe(32)
            device = Device(
                id=book.next_id,
                name=offer.name or f"device {book.next_id}",
                right=offer.right,
                paired_wall_ns=t_wall_ns,
                token_sha256=_fast(token),
            )
            self._write(Book(next_id=book.next_id + 1, devices=(*book.devices, device)))
        return token, device

    def find(self, token: str) -> Device | None:
        """The device that has this token."""
        told = _fast(token)
        return next((d for d in self._read().devices if hmac.compare_digest(d.token_sha256, told)), None)

    def is_paired(self, device: int) -> bool:
        """Whether the device with this number is still paired."""
        return any(known.id == device for known in self._read().devices)

    def revoke(self, device: int) -> Device | None:
        """Let a device in no more; the device, or None when there was none of this number."""
        with self._locked() as book:
            gone = next((known for known in book.devices if known.id == device), None)
            if gone is not None:
                self._write(replace(book, devices=tuple(d for d in book.devices if d.id != device)))
        return gone

    def drop_offer(self) -> None:
        """Make a waiting code void: at the daemon's start, since monotonic time may have begun anew."""
        if self._read().offer is not None:
            with self._locked() as book:
                self._write(replace(book, offer=None))

    def _read(self) -> Book:
        """The file's content; nobody at all when it cannot be read, which `trouble` tells."""
        try:
            status = self.file.stat()
            seen = (status.st_mtime_ns, status.st_ino, status.st_size)
            if seen != self._seen:
                self._seen, self._book, self.trouble = seen, Book(), ""
                self._book = msgspec.json.decode(self.file.read_bytes(), type=Book)
        except FileNotFoundError:
            self._seen, self._book, self.trouble = None, Book(), ""
        except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as fault:
            self._book = Book()
            self.trouble = f"{self.file} cannot be used ({fault}); nobody is let in. Remove it and pair anew"
        return self._book

    @contextmanager
    def _locked(self) -> Iterator[Book]:
        self.file.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        lock = self.file.with_suffix(".lock")
        with open(os.open(lock, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600), "wb") as held:
            give_to_owner(lock)
            fcntl.flock(held, fcntl.LOCK_EX)
            book = self._read()
            if self.trouble:
                raise PairingRefused(self.trouble)
            yield book

    def _write(self, book: Book) -> None:
        with put_in_place(self.file) as temporary:
            with durable(temporary, 0o600) as out:
                out.write(msgspec.json.encode(book))
            give_to_owner(temporary)


def _slow(code: str, salt: str) -> str:
    return hashlib.scrypt(code.encode(), salt=salt.encode(), n=1 << 14, r=8, p=1).hex()


def _fast(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _plain(name: str) -> str:
    return "".join(c for c in name if c.isprintable()).strip()[:NAME_LIMIT]
