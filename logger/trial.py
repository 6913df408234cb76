"""Trying a layout: what it makes of a stream, as text for people and as one JSON object a frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import msgspec

from drivers.api import FLAG_MOVING, FLAG_STEADY, UNANSWERED, Driver, Frame, Reject
from drivers.codes import FLAGS
from drivers.wire import to_text
from logger.stream_file import TimedChunk

NS = 1_000_000_000


@dataclass
class Trial:
    """Feeds a driver and counts; `first` keeps the first frame, `refused` the first reject of each reason."""

    driver: Driver
    frames: Counter[str | None] = field(default_factory=Counter)
    rejects: Counter[str] = field(default_factory=Counter)
    rejected_bytes: int = 0
    bytes_fed: int = 0
    first: Frame | None = None
    refused: dict[str, bytes] = field(default_factory=dict)

    def run(self, chunks: Iterable[TimedChunk]) -> Iterator[tuple[float | None, Frame | Reject]]:
        """Feed the chunks; yield frames and rejects with the time of the chunk that completed them."""
        for t_s, data in chunks:
            self.bytes_fed += len(data)
            for item in self.driver.feed(data, 0 if t_s is None else int(t_s * NS)):
                self._count(item)
                yield t_s, item

    def _count(self, item: Frame | Reject) -> None:
        if isinstance(item, Frame):
            self.frames[item.address] += 1
            self.first = self.first or item
        else:
            self.rejects[item.reason.value] += 1
            self.rejected_bytes += len(item.raw)
            self.refused.setdefault(item.reason.value, item.raw)

    def counted(self) -> Counter[str]:
        """Rejects by reason, and requests that nobody answered."""
        unanswered: int = getattr(self.driver, "unanswered", 0)
        return self.rejects + Counter({UNANSWERED: unanswered})

    def summary(self) -> dict[str, object]:
        """Counts at the end, as the last JSON object."""
        return {
            "kind": "summary",
            "frames": sum(self.frames.values()),
            "pads": {address or "": count for address, count in self.frames.items()},
            "rejects": self.counted(),
            "bytes": self.bytes_fed,
            "bytes_rejected": self.rejected_bytes,
            "bytes_pending": self.driver.pending(),
        }


def steady_claim(flags: int) -> bool | None:
    """What the stream says about standing still, None when it says nothing."""
    if flags & FLAG_STEADY:
        return True
    return False if flags & FLAG_MOVING else None


def frame_object(t_s: float | None, frame: Frame) -> dict[str, object]:
    """A frame as JSON: `value` and `unit` as sent, further fields where the stream has them."""
    found: dict[str, object] = {
        "kind": "frame",
        "t_s": t_s,
        "pad": frame.address,
        "value": frame.counts if frame.counts is not None else frame.wire_value,
        "unit": frame.wire_unit,
        "steady_claim": steady_claim(frame.flags),
    }
    more = ("mass_kg", "resolution_kg", "battery_V", "signal_dBm", "temperature_C", "seq")
    found |= {name: value for name in more if (value := getattr(frame, name)) is not None}
    return found | {"flags": flag_words(frame.flags), "integrity": frame.integrity}


def flag_words(flags: int) -> list[str]:
    """The flags set, in words."""
    return [word for word, bit in FLAGS.items() if flags & bit]


def json_lines(trial: Trial, chunks: Iterable[TimedChunk]) -> Iterator[bytes]:
    """One JSON object a frame, then the summary."""
    for t_s, item in trial.run(chunks):
        if isinstance(item, Frame):
            yield msgspec.json.encode(frame_object(t_s, item)) + b"\n"
    yield msgspec.json.encode(trial.summary()) + b"\n"


def frame_line(t_s: float | None, frame: Frame) -> str:
    """A frame as a line of text."""
    value = frame.counts if frame.counts is not None else frame.wire_value
    number = "no number" if value is None else f"{value:.10g}"
    words = " ".join(flag_words(frame.flags))
    more = "" if frame.seq is None else f"  seq {frame.seq}"
    time = "" if t_s is None else f"{t_s:10.3f} s  "
    return f"{time}{frame.address or 'pad':<6} {number:>12} {frame.wire_unit:<6} {words}{more}".rstrip()


def reject_lines(trial: Trial) -> list[str]:
    """Rejects by reason with the first bytes refused for each."""
    return [
        f"  {reason:<10}{count:>7}   first: {to_text(trial.refused[reason][:32])}"
        for reason, count in trial.rejects.most_common()
    ]
