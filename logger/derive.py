"""What a journal entry does to a bay: the same live, in replay and when the dataset is rebuilt."""

from __future__ import annotations

from logger.bay import Bay
from logger.journal_segment import Asked, Entry, Tick
from logger.model import Chunk, Gap, PortEvent, Record


def derive(bay: Bay, entry: Entry) -> list[Record]:
    """The records that one journal entry causes."""
    if isinstance(entry, Chunk | PortEvent):
        return bay.feed(entry)
    if isinstance(entry, Tick):
        return bay.advance(entry.t_mono_ns, entry.slept_ns)
    if isinstance(entry, Asked):
        bay.asked(entry.port, entry.data, entry.t_mono_ns)
    return [entry] if isinstance(entry, Gap) else []
