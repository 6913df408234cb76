"""What a killed daemon must have left: every byte, each sample once, the ledger, the bus in order."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Protocol

import msgspec

from logger.assembly import bay_from_file
from logger.derive import derive
from logger.heard import read_mark
from logger.journal_folder import Run, read_run, run_folders
from logger.journal_segment import head
from logger.model import Chunk, Sample
from logger.rebuild import verify
from logger.store.dataset import samples_by_run

READ_S = 0.6
"""What was sent so long (s) before the journal last wrote is in what it wrote: it had been read."""
DURABLE_S = 0.2 + READ_S
"""The fsync period and that: what is older (s) has been written when a kill comes, where the machine lets the
daemon run. When it had last written is looked up at each kill: at a load of 13 on two cores that was late at
three of 161 kills (one fdatasync can take 0.8 s there), which is no fault of the journal and hides none."""
LATE_SHARE = 0.05
"""At so many of the kills at most may the last writing be longer ago than DURABLE_S."""
Heard = Sequence[tuple[float, str, bytes]]


class Killed(Protocol):
    """One round of killing."""

    t_running_s: float | None
    t_written_s: float
    t_killed_s: float
    boot: str | None


class Sender(Protocol):
    """Who sent what, when."""

    sent: dict[str, bytearray]

    def between(self, pad: str, from_s: float, to_s: float) -> bytes: ...


def everything_wrong(
    data: Path, sender: Sender, kills: Sequence[Killed], heard: Heard
) -> tuple[int, list[str]]:
    """Count the captures on the bus and list all that is not as it must be."""
    wrong = [*_lost(data, sender, kills), *_differences(data), *_disorder(heard)]
    count, more = _captures(data, kills, heard)
    return count, wrong + more


def _lost(data: Path, sender: Sender, kills: Sequence[Killed]) -> Iterator[str]:
    """Bytes sent while a daemon ran, some time before it last wrote, that the journal does not hold once."""
    held = dict.fromkeys(sender.sent, b"")
    for run in run_folders(data / "journal"):
        for pad, stream in _streams(run).items():
            held[pad] += b"|" + stream
    for n, kill in enumerate(kills):
        if kill.t_running_s is None:
            continue
        for pad in sender.sent:
            must = sender.between(pad, kill.t_running_s, kill.t_written_s - READ_S)
            if len(must) > 200 and (times := held[pad].count(must)) != 1:
                yield f"kill {n}: {len(must)} bytes of {pad} are held {times} times"


def last_written_s(data: Path) -> float:
    """When (monotonic, s) the newest run last wrote entries, by the times of its files."""
    written = [path.stat() for path in run_folders(data / "journal")[-1].segments]
    newest_s = max((found.st_mtime for found in written if found.st_size > len(head())), default=0.0)
    return newest_s - time.time() + time.monotonic()


def late(kills: Sequence[Killed]) -> list[float]:
    """How long (s) before each kill of a running daemon the journal had last written, from short to long.

    Where it had not written yet, that is since its ports were open.
    """
    return sorted(
        kill.t_killed_s - max(kill.t_written_s, kill.t_running_s)
        for kill in kills
        if kill.t_running_s is not None
    )


def _streams(run: Run) -> dict[str, bytes]:
    """A run's bytes by port."""
    streams: dict[str, bytearray] = {}
    for _, entry in read_run(run):
        if isinstance(entry, Chunk):
            streams.setdefault(entry.port, bytearray()).extend(entry.data)
    return {port: bytes(stream) for port, stream in streams.items()}


def _differences(data: Path) -> Iterator[str]:
    """Where dataset, hashes or ledger are not what the journal says they should be."""
    yield from verify(data)
    stored = dict(samples_by_run(data / "dataset"))
    for run in run_folders(data / "journal"):
        if not run.segments:
            continue
        bay = bay_from_file(run.folder / "config.toml")
        made = [record for _, entry in read_run(run) for record in derive(bay, entry)] + bay.finish()
        told = sorted((s.pad, s.t_mono_ns // 1000) for s in made if isinstance(s, Sample))
        kept = sorted((s.pad, s.t_mono_ns // 1000) for s in stored.get(run.name, []))
        if told != kept:
            yield f"{run.name}: {len(kept)} samples are stored, {len(told)} come from the journal"


def _disorder(heard: Heard) -> Iterator[str]:
    """Messages of one start that came after a later one."""
    last: dict[str, int] = {}
    for _, topic, payload in heard:
        mark = read_mark(payload)
        if mark.kind in ("", "state", "health", "live", "live_car"):
            continue  # counted by themselves
        if mark.seq < last.get(mark.boot, -1):  # the same number is the same once more: in doubt, said again
            yield f"{topic}: number {mark.seq} of {mark.boot} came after {last[mark.boot]}"
        last[mark.boot] = mark.seq


def _captures(data: Path, kills: Sequence[Killed], heard: Heard) -> tuple[int, list[str]]:
    """Compare the captures of bus and ledger, all of each start once and in order.

    The ledger is written first, the bus a moment later; what a kill came before is said after the next start.
    Where the broker has no capture yet, nobody knows what was said: the very first are passed over.
    """
    bus: dict[str, list[int]] = {}
    for _, _, payload in heard:
        mark = read_mark(payload)
        if mark.kind == "capture":
            bus.setdefault(mark.boot, []).append(msgspec.json.decode(payload)["number"])
    wrong, known = [], False
    with closing(sqlite3.connect(data / "ledger.db")) as db:
        if (verdict := db.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            return 0, [f"ledger: {verdict}"]
        for kill in kills:
            rows = db.execute(
                "SELECT c.number FROM capture c JOIN weigh_in w ON w.id = c.weigh_in "
                "WHERE w.boot_id = ? ORDER BY c.rowid",
                (kill.boot,),
            ).fetchall()
            said = bus.get(kill.boot or "", [])
            known |= bool(said)
            wrong += _one_boot(kill, [number for (number,) in rows], said, known)
    return sum(map(len, bus.values())), wrong


def _one_boot(kill: Killed, numbers: list[int], said: list[int], known: bool) -> Iterator[str]:
    if said != numbers[: len(said)]:
        yield f"{kill.boot}: the bus had captures {said}, the ledger {numbers}"
    if known and len(said) < len(numbers):
        yield f"{kill.boot}: captures {numbers[len(said) :]} are in the ledger and were not on the bus"
