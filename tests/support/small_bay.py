"""A small bay whose pads all talk on one line, and the daemon's way of a reading without ports and clocks."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from logger.bay_state import freeze
from logger.config import load
from logger.derive import derive
from logger.journal import Journal, JournalSettings
from logger.journal_segment import Entry, Tick
from logger.model import Chunk, PortEvent, Record
from logger.replay import make_bay
from logger.store import Store, StoreSettings

CONFIG = b"""
[bay]
name = "barn"

[[port]]
name = "line"
device = "/dev/ttyS9"
layout = "line-plain"

[[pad]]
id = "P1"
port = "line"
address = "P1"
capacity_kg = 500

[[pad]]
id = "P2"
port = "line"
address = "P2"
capacity_kg = 500
"""
S = 1_000_000_000
T_WALL_NS = 1_767_225_590 * S
"""Ten seconds before 2026-01-01T00:00Z, so that a run crosses a date."""


def stream(seconds: float, seed: int = 1, rate_hz: float = 20.0) -> Iterator[Entry]:
    """What a port would deliver: both pads stand empty, carry a load that is changed twice, are unloaded.

    Lines arrive in chunks that do not end where lines end; some are damaged; time passes in ticks.
    """
    rng = random.Random(seed)
    pending = b""
    t0_ns = 5_000 * S
    yield PortEvent(port="line", t_mono_ns=t0_ns, t_wall_ns=T_WALL_NS, event="opened")
    for i in range(int(seconds * rate_hz)):
        t_s = i / rate_hz
        load = [0.0, 251.3, 268.8, 0.0][min(int(4 * t_s / seconds), 3)]
        for pad, share in (("1", 1.0), ("2", 0.9)):
            value = round(load * share + rng.gauss(0.0, 0.03) + 0.4, 2)
            line = f"P{pad} still {value:11.2f} kg\r\n".encode()
            pending += line if rng.random() > 0.01 else line.replace(b"kg", b"k?")
        t_ns = t0_ns + int(t_s * S) + rng.randrange(2_000_000)
        cut = len(pending) - rng.randrange(12)
        chunk, pending = pending[:cut], pending[cut:]
        yield Chunk(port="line", t_mono_ns=t_ns, t_wall_ns=t_ns - t0_ns + T_WALL_NS, data=chunk)
        if i % 10 == 9:
            yield Tick(t_mono_ns=t_ns + 5_000_000)


class LiveBay:
    """Journal, bay and store, fed as the daemon feeds them; `records` is what the bay gave."""

    def __init__(self, folder: Path, segment_s: float = 12.0, fsync_ms: int = 10) -> None:
        self.troubles: list[tuple[str, str]] = []
        self.records: list[Record] = []
        config = folder / "bay.toml"
        config.write_bytes(CONFIG)
        self.bay = make_bay(config)
        self.segment, self.config_id = 0, load(config).id
        settings = StoreSettings(look_ms=10)
        self.store = Store(folder, "barn", settings, self._trouble, config_id=self.config_id)
        self.journal = Journal(
            folder / "journal",
            JournalSettings(fsync_ms=fsync_ms, segment_s=segment_s),
            self._trouble,
            snapshot={"config.toml": CONFIG},
            on_closed=self.store.segment_closed,
        )

    def _trouble(self, event: str, detail: str) -> None:
        self.troubles.append((event, detail))

    def feed(self, entry: Entry) -> None:
        segment = self.journal.put(entry)
        if segment != self.segment:
            self.segment = segment
            state = freeze(self.bay, self.store.wall_offset_ns, self.config_id)
            self.store.turn(self.journal.folder.name, segment, state)
        self.store.at(segment, entry)
        self._hand_on(derive(self.bay, entry))

    def close(self) -> None:
        self._hand_on(self.bay.finish())
        self.journal.close()
        self.store.close()

    def _hand_on(self, records: list[Record]) -> None:
        for record in records:
            self.store.put(record)
        self.records += records
