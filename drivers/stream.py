"""The driver that a layout makes: a splitter, and turns of polling where the indicator wants to be asked."""

from __future__ import annotations

from collections import deque

from msgspec.structs import replace

from drivers.api import Frame, Reason, Reject, SerialSettings
from drivers.poll import Poll, Turn
from drivers.split import Hunter, Stepper
from drivers.stretch import Stretch


class StreamDriver:
    """Decodes one port's stream by a layout.

    `request` may be called on another thread than `feed`: it only takes turns and notes what was sent, and
    the decoder learns of it with the next bytes. `seq_wraps` is how many values the sequence number of frames
    has before it is 0 again, None when the layout does not say.
    """

    def __init__(
        self,
        *,
        name: str,
        serial: SerialSettings,
        splitter: Stepper | Hunter,
        poll: Poll | None = None,
        seq_wraps: int | None = None,
    ) -> None:
        self.name, self.serial, self.seq_wraps = name, serial, seq_wraps
        self._splitter = splitter
        self._turn = Turn(poll) if poll else None
        self._sent: deque[bytes] = deque()
        self._address: str | None = None
        self._given_up: list[Frame | Reject] = []
        self._echo = _Echo()

    def feed(self, data: bytes, t_mono_ns: int) -> list[Frame | Reject]:
        """Take bytes; return the frames and rejects they complete."""
        if self._turn is None:
            return self._splitter.feed(data)
        return self._polled(self._turn, data, t_mono_ns)

    def stretch(self, data: bytes) -> Stretch | None:
        """Say, without taking them, what the next bytes give as far as they are good messages; None where
        they have to be fed."""
        return self._splitter.stretch(data) if self._turn is None else None

    def hold(self, rest: bytes) -> None:
        """Take part of the last stretch as fed, with `rest` of its next message held back."""
        self._splitter.hold(rest)

    def pending(self) -> int:
        """Count the bytes held back."""
        return self._splitter.held() + len(self._echo.held) + sum(len(item.raw) for item in self._given_up)

    @property
    def unanswered(self) -> int:
        """How many requests were given up without an answer."""
        return self._turn.unanswered if self._turn else 0

    def request(self, t_mono_ns: int) -> bytes | None:
        """Return the request that is due."""
        if self._turn is None:
            return None
        request = self._turn.due(t_mono_ns)
        if request is not None:
            self.sent(request, t_mono_ns)
        return request

    def sent(self, request: bytes, t_mono_ns: int) -> None:
        """Note a request that went out; a replay tells it from the journal. The answer begins a message."""
        if self._turn is not None:
            self._turn.sent(request, t_mono_ns)
            self._sent.append(request)

    def _polled(self, turn: Turn, data: bytes, t_mono_ns: int) -> list[Frame | Reject]:
        while self._sent:
            self._begin(turn.poll, self._sent.popleft())
        out, self._given_up = self._given_up, []
        if not data:
            return out
        turn.heard(t_mono_ns)
        echoed, data = self._echo.strip(data)
        out += echoed
        items, address = self._splitter.feed(data), self._address
        if any(isinstance(item, Frame) for item in items):
            turn.answered()
        return out + (items if address is None else [_named(item, address) for item in items])

    def _begin(self, poll: Poll, request: bytes) -> None:
        self._given_up += self._splitter.begin()
        self._given_up += self._echo.begin(request if poll.echo else b"")
        self._address = poll.address_of(request)


class _Echo:
    """Takes a request that the line returns out of what comes in."""

    def __init__(self) -> None:
        self.held = b""
        self._awaited = b""

    def begin(self, request: bytes) -> list[Reject]:
        """Await the echo of a request (b"" for none); what was held of the last one is refused."""
        held, self.held, self._awaited = self.held, b"", request
        return [Reject(reason=Reason.NOISE, raw=held)] if held else []

    def strip(self, data: bytes) -> tuple[list[Reject], bytes]:
        """Return the whole echo as noise, and the bytes that are none."""
        if not self._awaited or not data:
            return [], data
        seen, awaited = self.held + data, self._awaited
        if not seen.startswith(awaited[: len(seen)]):
            self.held = self._awaited = b""
            return [], seen
        if len(seen) < len(awaited):
            self.held = seen
            return [], b""
        self.held = self._awaited = b""
        return [Reject(reason=Reason.NOISE, raw=awaited)], seen[len(awaited) :]


def _named(item: Frame | Reject, address: str) -> Frame | Reject:
    if isinstance(item, Frame) and item.address is None:
        return replace(item, address=address)
    return item
