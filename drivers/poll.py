"""Polling: which request is sent when, and whose answer is awaited."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from drivers.api import SerialSettings
from drivers.schema import Table
from drivers.wire import to_bytes

LEAST_S, MOST_TIMEOUT_S, MOST_PERIOD_S = Fraction(1, 1000), Fraction(60), Fraction(3600)
"""Shortest period and time for an answer; longest time for an answer or pause; longest period."""


@dataclass(frozen=True, kw_only=True)
class Poll:
    """Requests sent in turn; `addresses` name the answers where they do not say it themselves."""

    requests: tuple[bytes, ...]
    addresses: tuple[str, ...] = ()
    period_ns: int = 100_000_000
    timeout_ns: int = 200_000_000
    pause_ns: int = 0
    echo: bool = False
    """The line returns what is sent (two-wire adapters), before the answer."""

    def address_of(self, request: bytes) -> str | None:
        """Address of the answer to a request, None when answers say it themselves."""
        return dict(zip(self.requests, self.addresses, strict=False)).get(request)


class Turn:
    """Whose turn it is: pure bookkeeping over the times that are handed in."""

    def __init__(self, poll: Poll) -> None:
        self.poll = poll
        self._next = 0
        self._sent_ns: int | None = None
        self._quiet_ns: int | None = None
        self.awaited: int | None = None
        self.unanswered = 0
        """Requests after which the next went out without an answer."""

    def due(self, t_mono_ns: int) -> bytes | None:
        """Return the request to send now, None while an answer is awaited or the period or pause runs."""
        poll = self.poll
        if self._sent_ns is not None:
            since = t_mono_ns - self._sent_ns
            if self.awaited is not None and since < poll.timeout_ns:
                return None
            if since < poll.period_ns:
                return None
            if self._quiet_ns is not None and t_mono_ns - self._quiet_ns < poll.pause_ns:
                return None
        return poll.requests[self._next]

    def sent(self, request: bytes, t_mono_ns: int) -> None:
        """Note that a request went out (live, or as the journal tells in a replay)."""
        if self.awaited is not None:
            self.unanswered += 1
        if request in self.poll.requests:
            self.awaited = self.poll.requests.index(request)
            self._next = (self.awaited + 1) % len(self.poll.requests)
        self._sent_ns = t_mono_ns

    def heard(self, t_mono_ns: int) -> None:
        """Note that bytes came in."""
        self._quiet_ns = t_mono_ns

    def answered(self) -> None:
        """Note that the answer was whole."""
        self.awaited = None


def read_poll(table: Table) -> Poll:
    """Read [poll]."""
    requests = [_octets(table, item) for item in _texts(table, "requests")]
    addresses = _texts(table, "addresses")
    if not requests or not all(requests):
        table.fault('poll.requests is needed: the bytes to send, for example ["<ENQ>01<CR>"]')
    if len(set(requests)) < len(requests):
        table.fault("poll.requests: the same request stands there twice")
    if addresses and len(addresses) != len(requests):
        table.fault(f"poll.addresses: {len(addresses)} for {len(requests)} requests; one for each is needed")
    poll = read_times(table, tuple(requests), tuple(addresses))
    table.close()
    return poll


def read_times(table: Table, requests: tuple[bytes, ...], addresses: tuple[str, ...]) -> Poll:
    """Read the times of polling; `requests` are what is sent in turn."""
    return Poll(
        requests=requests or (b"?",),
        addresses=addresses,
        period_ns=_ns(table, "period_s", "0.1", LEAST_S, MOST_PERIOD_S),
        timeout_ns=_ns(table, "timeout_s", "0.2", LEAST_S, MOST_TIMEOUT_S),
        pause_ns=_ns(table, "pause_s", "0", Fraction(0), MOST_TIMEOUT_S),
        echo=table.truth("echo"),
    )


def in_time(poll: Poll, serial: SerialSettings, table: Table) -> None:
    """Refuse a time for the answer in which not even the longest request has left the line."""
    bits = 2 + serial.bytesize + (serial.parity != "N")
    needed_s = max(map(len, poll.requests)) * bits / serial.baud
    if poll.timeout_ns < needed_s * 1_000_000_000:
        table.fault(
            f"timeout_s = {poll.timeout_ns / 1e9:g} ends before the request is sent, which takes "
            f"{needed_s:.3g} s at {serial.baud} baud; the answer comes after it"
        )


def _ns(table: Table, key: str, default: str, low_s: Fraction, high_s: Fraction) -> int:
    seconds = table.number(key, Fraction(default))
    if not low_s <= seconds <= high_s:
        table.fault(f"{table.name(key)} = {float(seconds):g} must be {float(low_s):g} to {float(high_s):g} s")
        return int(Fraction(default) * 1_000_000_000)
    return int(seconds * 1_000_000_000)


def _texts(table: Table, key: str) -> list[str]:
    value = table.raw(key) or []
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        table.fault(f"{table.name(key)} must be a list of texts")
        return []
    return value


def _octets(table: Table, text: str) -> bytes:
    try:
        return to_bytes(text)
    except ValueError as fault:
        table.fault(f"poll.requests: {fault}")
        return b""
