"""Cutting a stream into messages: pure, bounded, and the same however the bytes were chunked.

A splitter's `feed` takes bytes and a function that decodes one whole message (frames, or the reason why
not) and returns frames and rejects in stream order; every byte is in exactly one of them or still held.
Nothing here depends on more of the buffer than a fixed look-ahead from where a piece begins: that is what
makes the result independent of chunking.

Two strategies. `Stepper` serves streams whose ends or starts cannot stand inside a message (lines, marked
messages, SLIP, COBS, DLE). `Hunter` serves binary messages of fixed or told length, where a start may stand
inside by chance: out of step it believes a message only when another good one follows at its end, because
an 8-bit check alone passes once in 256 wrong places. Answers to polling come one by one: there a CRC of 16
bits or more is believed by itself (`sure`).
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.api import Frame, Reason, Reject
from drivers.cutters import Cutter, next_start
from drivers.stretch import Memory, Stretch

Decode = Callable[[bytes], "list[Frame] | Reason"]
Out = list["Frame | Reject"]


class Splitter:
    """What both have in common: bytes held back, and good messages read many at once."""

    def __init__(self, cutter: Cutter, decode: Decode, memory: Memory) -> None:
        self._cutter, self._decode = cutter, decode
        self._rest = b""
        self._memory = memory

    def held(self) -> int:
        """Count the bytes held back."""
        return len(self._rest)

    def stretch(self, data: bytes) -> Stretch | None:
        """Read the good messages that follow one another in the next bytes, without taking them; None while
        it cannot be told which those are."""
        return self._memory.stretch(self._cutter, self._rest, data)

    def hold(self, rest: bytes) -> None:
        """Take part of a stretch as fed: `rest`, the beginning of its next good message, is held back."""
        self._rest = rest


class Stepper(Splitter):
    """Takes piece by piece; after a refused message goes on at the next start inside it."""

    def begin(self) -> Out:
        """Give up what is held (as a reject) and take the next byte for the first of a message."""
        self._cutter.begin(clean=True)
        rest, self._rest = self._rest, b""
        return [Reject(reason=Reason.TRUNCATED, raw=rest)] if rest else []

    def feed(self, data: bytes) -> Out:
        """Take bytes; return what they complete."""
        buffer = self._rest + data if self._rest else data
        decode, start, ends, cut = self._decode, self._cutter.start, self._cutter.ends, self._cutter.cut
        out: Out = []
        at = 0
        while at < len(buffer):
            for stop in ends(buffer, at):
                read = decode(buffer[at:stop])
                if not isinstance(read, list):
                    break
                out += read
                at = stop
            stop, fault = cut(buffer, at)
            if stop < 0:
                break
            raw = buffer[at:stop]
            if fault is None:
                read = decode(raw)
                if isinstance(read, list):
                    out += read
                    at = stop
                    continue
                fault = read
                if start:
                    raw = raw[: next_start(raw, start)]
            out.append(Reject(reason=fault, raw=raw))
            at += len(raw)
        self._rest = buffer[at:]
        return out


class Hunter(Splitter):
    """Keeps step with binary messages; out of step it hunts for two good ones in a row.

    In step, a bad message is refused whole when a good one follows at its end. While hunting, refused bytes
    run on (`_run` of them stand at the front of the buffer) and are given out as one reject when a message
    is believed or the run is as long as the longest message.
    """

    def __init__(self, cutter: Cutter, decode: Decode, memory: Memory, *, sure: bool = False) -> None:
        super().__init__(cutter, decode, memory)
        self._sure = sure
        self._run = 0
        self._why = Reason.NOISE
        self._stepping = False

    def stretch(self, data: bytes) -> Stretch | None:
        """As above; while hunting, a message is believed only when another follows it."""
        return super().stretch(data) if self._stepping else None

    def begin(self) -> Out:
        """Give up what is held (as a reject) and take the next byte for the first of a message."""
        rest, self._rest, self._run, self._stepping = self._rest, b"", 0, True
        return [Reject(reason=Reason.TRUNCATED, raw=rest)] if rest else []

    def feed(self, data: bytes) -> Out:
        """Take bytes; return what they complete."""
        buffer = self._rest + data if self._rest else data
        out: Out = []
        at = 0
        while at + self._run < len(buffer):
            if self._stepping:
                at = self._stride(buffer, at, out)
                done = self._step(buffer, at, out)
            else:
                done = self._hunt(buffer, at, out)
            if done < 0:
                break
            at = done
        self._rest = buffer[at:]
        return out

    def _stride(self, buffer: bytes, at: int, out: Out) -> int:
        """Take good messages as long as they come; return where the first of another kind begins."""
        decode = self._decode
        for stop in self._cutter.ends(buffer, at):
            read = decode(buffer[at:stop])
            if not isinstance(read, list):
                break
            out += read
            at = stop
        return at

    def _step(self, buffer: bytes, at: int, out: Out) -> int:
        """Take the message at `at`; return where to go on, or -1 for more bytes."""
        stop, fault = self._cutter.cut(buffer, at)
        if stop < 0:
            return -1
        if fault is None:
            raw = buffer[at:stop]
            read = self._decode(raw)
            if isinstance(read, list):
                out += read
                return stop
            following = False if self._sure else self._follows(buffer, stop)
            if following is None:
                return -1
            if following:
                out.append(Reject(reason=read, raw=raw))
                return stop
            fault = read
        self._stepping = False
        self._why, self._run = fault, 0
        return at if fault is Reason.NOISE else self._extend(buffer, at, 1, out)

    def _hunt(self, buffer: bytes, at: int, out: Out) -> int:
        """Try the place after the run of refused bytes; return where to go on, or -1 for more bytes."""
        here = at + self._run
        stop, fault = self._cutter.cut(buffer, here)
        if stop < 0:
            return -1
        if fault is None:
            read = self._decode(buffer[here:stop])
            if isinstance(read, list):
                following = self._sure or self._follows(buffer, stop)
                if following is None:
                    return -1
                if following:
                    self._give(buffer, at, out)
                    out += read
                    self._stepping = True
                    return stop
                read = Reason.CHECK
            self._why = read if self._run == 0 else self._why
            return self._extend(buffer, at, 1, out)
        if fault is Reason.NOISE:
            return self._extend(buffer, at, stop - here, out)
        self._why = fault if self._run == 0 else self._why
        return self._extend(buffer, at, 1, out)

    def _follows(self, buffer: bytes, at: int) -> bool | None:
        """Tell whether a good message stands at `at`; None when more bytes are needed to tell."""
        stop, fault = self._cutter.cut(buffer, at)
        if stop < 0:
            return None
        return fault is None and isinstance(self._decode(buffer[at:stop]), list)

    def _extend(self, buffer: bytes, at: int, by: int, out: Out) -> int:
        self._run += by
        if self._run < self._cutter.longest:
            return at
        return self._give(buffer, at, out)

    def _give(self, buffer: bytes, at: int, out: Out) -> int:
        run, self._run = self._run, 0
        if run:
            out.append(Reject(reason=self._why, raw=buffer[at : at + run]))
            self._why = Reason.NOISE
        return at + run
