"""The daemon: the only place that knows every edge, and the way of one reading between them.

Port threads stamp bytes and put them into the journal and a queue in one step, so that journal and pipeline
see one order. The event loop takes the queue every few milliseconds, runs bay and flow, and hands the
records to dataset, bus, page, voice and ledger, none of which ever waits for another.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import AsyncExitStack, suppress
from dataclasses import asdict
from functools import partial
from typing import Any

from drivers import registry
from logger.assembly import bay_from_file, make_bay
from logger.bay_state import freeze
from logger.broker import broker
from logger.clock import CLOCK_SET_NS, NS, now_ns, slept_ns
from logger.config import Loaded
from logger.following import Following
from logger.health import HealthFile
from logger.journal import Journal
from logger.journal_folder import recover
from logger.journal_segment import Asked, Tick
from logger.model import Chunk, Command, Gap, PortEvent, Record
from logger.notify import notify
from logger.onlookers import RESTORED, Onlookers
from logger.ports import PortReader
from logger.rebuild import make_missing, make_unsealed
from logger.shortage import no_memory
from logger.store import Store
from logger.store.copies import Copies
from logger.store.retention import retain
from logger.untold import Earlier
from logger.version import VERSION
from logger.weighin.ledger import Ledger
from logger.weighin.mending import mend_ledger
from logger.weighin.refusal import LedgerError

LOOK_S = 0.02
"""How often the loop looks into the queue: shorter than eye or settling needs, long enough to be cheap."""
TICK_NS = NS // 2
"""How often time is let pass without bytes: a silent pad is told within its own patience plus this."""
QUEUE_MOST = 20_000
"""Entries held for a loop that is late: a minute of four pads at 80 Hz. What comes beyond is in the journal
and counted; its records are made from there at the next start."""
WATCHDOG_NS = 5 * NS
"""How often systemd is told that all is alive: a sixth of the unit's patience."""
HANG_NS = 15 * NS
"""A thread that has not come round for so long hangs: a port's own waits come to ten seconds at most."""

RETAIN_S = 3600.0
"""How often it is looked whether old recordings may go."""
SLEPT_NS = 1 * NS
"""A computer that was suspended was so for longer; less is the two clocks being read one after the other."""

Incoming = Chunk | PortEvent | Command | Tick


class Daemon:
    """One bay's running program; `run` returns when `stop` was called and everything is put away."""

    def __init__(self, loaded: Loaded) -> None:
        self.loaded = loaded
        self._config = config = loaded.config
        self._lock = threading.Lock()
        self._queue: deque[tuple[int, Incoming | Gap]] = deque()
        self._t_tick_ns = self._t_watchdog_ns = 0
        self._segment = self._late = 0
        self._slept_ns, self._t_awake_ns = slept_ns(), 0
        self._stopping, self._restored = asyncio.Event(), asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._onlookers = Onlookers(loaded, self._incoming, self.health)
        self._log = self._onlookers.log
        self._open_folder()
        self._bay = make_bay(loaded)
        self._weigh_in = (
            Following(loaded, self._ledger, self._journal.boot_id, self._onlookers)
            if loaded.pad_on_spot
            else None  # where the pads stand on no spots nothing is weighed in
        )
        self._readers = [self._reader(n) for n in range(len(config.port))]
        self._onlookers.queue_for_bus(self._journal.boot_id, self._written_before())
        about = {
            "version": VERSION,
            "bay": config.bay.name,
            "config_id": loaded.id,
            "boot": self._journal.boot_id,
        }
        self._health_file = HealthFile(loaded.folder, about, self.health)

    def _open_folder(self) -> None:
        """Mend and open what stands on the disk."""
        config, folder = self._config, self.loaded.folder
        folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        recover(folder / "journal", self._onlookers.trouble)
        self._store = Store(folder, config.bay.name, config.store, self._trouble, config_id=self.loaded.id)
        self._copies = Copies(
            self._store.folder, config.store.copy_to, config.store.copy_s, self._onlookers.trouble
        )
        self._journal = Journal(
            folder / "journal",
            config.journal,
            self._trouble,
            snapshot=self.loaded.snapshot(),
            on_closed=self._store.segment_closed,
            on_gap=lambda segment, gap: self._queue.append((segment, gap)),
        )
        ledger = folder / "ledger.db"
        mend = partial(mend_ledger, ledger, folder / "quarantine", self._onlookers.trouble)
        self._ledger = Ledger(ledger, patient=True, mend=mend)

    def _written_before(self) -> Earlier:
        """The captures that earlier starts wrote last; none where the ledger cannot be read for now."""
        with suppress(sqlite3.Error, ValueError):
            return self._ledger.newest_captures(self._config.bay.name)
        return ()

    def _reader(self, n: int) -> PortReader:
        port = self._config.port[n]
        driver = registry.find(port.layout, folders=(self.loaded.file.parent,))()
        asks = driver.request(0) is not None
        request = partial(self._ask, port.name) if asks else None
        return PortReader(port, request, self._incoming, self._incoming, suggested=driver.serial)

    # -- life ---------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open everything, run until `stop`, put everything away in order."""
        async with AsyncExitStack() as stack:
            for reader in self._readers:  # first of all: bytes are kept from now on
                reader.start()
            tell = self._onlookers.tell("broker")
            endpoint = await stack.enter_async_context(broker(self._config.broker, tell))
            self._onlookers.serve(endpoint)
            if self._config.store.copy_to:
                self._copies.start()
            tidying = asyncio.create_task(self._tidy(), name="tidy")
            self._log.info(
                "running", version=VERSION, boot_id=self._journal.boot_id, config_id=self.loaded.id
            )
            notify("READY=1")
            while not self._stopping.is_set():
                self._look()
                await asyncio.sleep(LOOK_S)
            notify("STOPPING=1")
            tidying.cancel()
            await self._put_away()

    def stop(self) -> None:
        """Ask the daemon to end in order; for a signal handler of the loop."""
        self._stopping.set()

    def rescue(self) -> None:
        """After a fault of ours: keep what came in, and say that this is the end; the service starts anew."""
        self._log.critical("fault", detail="ends by a fault of its own; what came in is kept", exc_info=True)
        self._journal.close()

    async def _put_away(self) -> None:
        """Stop in the order of the way of a reading, so that each stage still hands on what it has."""
        await asyncio.gather(*(asyncio.to_thread(reader.stop) for reader in self._readers))
        self._look()
        self._hand_on(self._bay.finish())
        await asyncio.to_thread(self._journal.close)
        await asyncio.to_thread(self._store.close)
        await self._onlookers.stop()
        self._copies.stop()
        if self._weigh_in is not None:
            self._weigh_in.end()
        self._ledger.close()
        self._health_file.end()
        self._log.info("stopped", **self._counts())

    async def _tidy(self) -> None:
        """Make what is left unsealed, at the start and whenever a disk takes it again; let the old go."""
        about = self.loaded.folder, self._config.bay.name, bay_from_file, self._onlookers.trouble
        await self._make(partial(make_missing, own=self._journal.folder.name), *about)
        while True:
            t_wall_ns = now_ns()[1]
            if t_wall_ns > CLOCK_SET_NS:  # else nobody knows how old anything is
                await self._make(_retain, self.loaded.folder, self._config.retention, t_wall_ns / NS)
            with suppress(TimeoutError):
                async with asyncio.timeout(RETAIN_S):
                    await self._restored.wait()
            if self._restored.is_set() or self._store.left():
                self._restored.clear()
                await self._make(make_unsealed, *about, self._store.left())

    async def _make(self, make: Callable[..., object], *about: Any) -> None:
        """Make what is left, or let go what is old, in a thread; what fails is told and tried again later."""
        try:
            await asyncio.to_thread(make, *about)
        except Exception as fault:
            if no_memory(fault):
                self._onlookers.trouble("store_not_rebuilt", "no memory left to seal what is unsealed")
                return
            self._log.error("fault", detail="the dataset could not be tidied", exc_info=True)
            self._onlookers.trouble("store_not_tidied", f"{fault!r}; readings go on, tried again in an hour")

    def _trouble(self, event: str, detail: str) -> None:
        """Hear of a disk's trouble or its end, from any thread."""
        self._onlookers.trouble(event, detail)
        if event in RESTORED:
            self._loop.call_soon_threadsafe(self._restored.set)

    # -- the way of one reading ---------------------------------------------------------------------------

    def _ask(self, port: str, t_mono_ns: int) -> bytes | None:
        """The request that a polled indicator wants now, noted in the journal; on the port's thread."""
        request = self._bay.request(port, t_mono_ns)
        if request is not None:
            asked = Asked(port=port, t_mono_ns=t_mono_ns, t_wall_ns=now_ns()[1], data=request)
            with self._lock:
                self._journal.put(asked)
        return request

    def _incoming(self, entry: Incoming) -> bool:
        """Take an entry from any thread: journal first, then the queue; without room it is derived later."""
        with self._lock:
            before, self._slept_ns = self._slept_ns, slept_ns()
            if (slept := self._slept_ns - before) > SLEPT_NS:
                self._put(Tick(t_mono_ns=entry.t_mono_ns, slept_ns=slept))
            self._put(entry)
        return True

    def _put(self, entry: Incoming) -> None:
        segment = self._journal.put(entry)
        if len(self._queue) < QUEUE_MOST:
            self._queue.append((segment, entry))
        else:
            self._late += 1
            self._store.skip(segment)

    def _look(self) -> None:
        """Take what came since the last look, let time pass, and renew what depends on it."""
        t_mono_ns = now_ns()[0]
        if t_mono_ns - self._t_tick_ns >= TICK_NS:
            self._t_tick_ns = t_mono_ns
            self._incoming(Tick(t_mono_ns=t_mono_ns))
        while self._queue:
            segment, entry = self._queue.popleft()
            if segment != self._segment:
                self._turn(segment)
            self._store.at(segment, entry)
            self._hand_on(self._caused_by(entry))
        if self._weigh_in is not None:
            self._weigh_in.look()
        if t_mono_ns - self._t_watchdog_ns >= WATCHDOG_NS:
            self._t_watchdog_ns = t_mono_ns
            self._feed_watchdog(t_mono_ns)
        self._health_file.look(t_mono_ns)

    def _turn(self, segment: int) -> None:
        """A journal segment begins: keep what the bay knows, so that a recovery need not go further back."""
        self._segment = segment
        state = freeze(self._bay, self._store.wall_offset_ns, self.loaded.id)
        self._store.turn(self._journal.folder.name, segment, state)

    def _caused_by(self, entry: Incoming | Gap) -> list[Record]:
        match entry:
            case Gap():
                return [entry]
            case Tick():
                if entry.slept_ns:
                    self._t_awake_ns = entry.t_mono_ns
                    self._log.info(
                        "slept", detail=f"the computer was suspended for {entry.slept_ns / NS:.0f} s"
                    )
                return self._bay.advance(entry.t_mono_ns, entry.slept_ns)
            case Command():
                self._onlookers.show(entry)
                self._follow(entry)
                return []
            case PortEvent():
                self._onlookers.show(entry)
        return self._bay.feed(entry)

    def _hand_on(self, records: Iterable[Record]) -> None:
        for record in records:
            self._store.put(record)
            self._onlookers.show(record)
            self._follow(record)

    def _follow(self, record: Record) -> None:
        if self._weigh_in is not None:
            self._weigh_in.follow(record)

    # -- how we are ---------------------------------------------------------------------------------------

    def health(self) -> dict[str, Any]:
        """Counts and states of every part, as plain values for bus, page and doctor."""
        words = self._onlookers.words
        return {
            "ports": {
                reader.settings.name: {
                    "state": reader.state,
                    **asdict(reader.counts),
                    **words.ports.get(reader.settings.name, {}),
                }
                for reader in self._readers
            },
            "pads": words.pads,
            "troubles": words.troubles,
            "clock": words.clock,
            "broker": {"detail": words.broker, **words.bus},
            **self._counts(),
            "journal_waiting_bytes": self._journal.waiting_bytes,
            "store_dropped": self._store.dropped,
            "derived_later": self._late,
            "segments_copied": self._copies.copied,
            "page": self._onlookers.page_state,
            "excluded": self._bay.excluded,
        }

    def _counts(self) -> dict[str, Any]:
        """What came in by port: bytes, frames, rejects by reason."""
        counts = self._bay.counts.items()
        return {
            "streams": {
                name: {
                    "bytes": count.bytes,
                    "frames": count.frames,
                    "rejects": dict(count.rejects),
                    "unknown": dict(count.unknown),
                    "uncalibrated": count.uncalibrated,
                }
                for name, count in counts
            }
        }

    def _feed_watchdog(self, t_mono_ns: int) -> None:
        """Tell systemd that all is alive, if it is, and tell the log lines that were held back.

        RuntimeError when a thread has ended: only a new start brings it back.
        """
        if ended := self._ended():
            raise RuntimeError(f"the thread of {', '.join(ended)} has ended")
        hanging = self._hanging(t_mono_ns)
        if not hanging:
            notify("WATCHDOG=1")
        for part in hanging:
            self._log.error("hangs", part=part, detail="the watchdog is not fed any more")
        for level, line in self._onlookers.quiet.held():
            getattr(self._log, level)(**line)

    def _ended(self) -> list[str]:
        """Threads that a fault of ours has ended."""
        alive = {f"port {reader.settings.name}": reader.alive() for reader in self._readers}
        alive |= {"journal": self._journal.alive, "store": self._store.alive}
        return [name for name, lives in alive.items() if not lives]

    def _hanging(self, t_mono_ns: int) -> list[str]:
        """Threads that have not come round for long; none could while the computer slept."""
        beats = {f"port {reader.settings.name}": reader.beat_mono_ns for reader in self._readers}
        beats["journal"] = self._journal.beat_mono_ns  # the store may wait for the disk as long as that takes
        return [name for name, beat in beats.items() if t_mono_ns - max(beat, self._t_awake_ns) > HANG_NS]


def _retain(*about: Any) -> None:
    """Let the old go; a disk that refuses is told of by those who must write."""
    with suppress(OSError):
        retain(*about)


def main(loaded: Loaded) -> int:
    """Run a daemon until SIGTERM or SIGINT; return the process's exit code."""
    os.umask(0o027)  # what is written is for the service user and its group
    return asyncio.run(_main(loaded))


async def _main(loaded: Loaded) -> int:
    try:
        daemon = Daemon(loaded)
    except LedgerError as why:
        print(why, file=sys.stderr)
        return 2  # the service is not started again: that would not help
    except OSError as why:
        print(f"{loaded.folder}: cannot be used: {why}", file=sys.stderr)
        return 1
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)
    try:
        await daemon.run()
    except Exception:
        daemon.rescue()
        raise
    return 0
