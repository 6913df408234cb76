"""Replay: a journal, a dataset or a CSV through the very pipeline the daemon runs, as fast as it goes.

`open_recordings` tells what a path is and gives its recordings; each gives its records, and `logger.played`
writes them down. Nothing here paces, sleeps or reads a clock: times are the recording's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logger.bay import Bay
from logger.columns import Columns
from logger.derive import derive
from logger.journal_folder import Run, find_runs, read_run
from logger.journal_segment import MARK
from logger.model import Gap, Record, Sample
from logger.recording import Recording, RecordingError, known_unit, read_csv
from logger.replay_blocks import told_in_blocks
from logger.settling.pipeline import Pipeline
from logger.store import DATASET

MakeBay = Callable[[Path], Bay]
"""Makes a fresh bay from a configuration file."""


def make_bay(config: Path) -> Bay:
    """The bay the daemon makes from this configuration."""
    from logger.assembly import bay_from_file  # noqa: PLC0415  a CSV needs no drivers

    return bay_from_file(config)


@dataclass
class Replayed:
    """One recording: its records, made while they are taken, and how to write them.

    Masses in `records` are kg, or plain numbers where a pad's unit is none of a mass or force. A time in the
    recording is (t_mono_ns − start_ns)/1e9 + origin_s seconds; `wall` says whether wall times mean anything.
    """

    name: str
    records: Iterator[Record]
    units: Mapping[str, str]
    """Pad → unit to write; pads not named, and the whole car, are in `unit`."""
    unit: str = "kg"
    start_ns: int = 0
    origin_s: float = 0.0
    wall: bool = True
    notes: list[str] = field(default_factory=list)
    told: Iterator[Record] | None = None
    """The records without the samples, made in blocks, where the recording has them as columns; take either
    this or `records`."""


def open_recordings(
    path: Path,
    *,
    make_bay: MakeBay,
    config: Path | None = None,
    rate_Hz: float | None = None,
    unit: str | None = None,
    capacity_kg: float | None = None,
) -> list[Replayed]:
    """Open whatever the path is: a journal's runs, a dataset's, or a CSV; RecordingError says what is wrong.

    `config` replaces the one stored beside a journal; `unit` is what to write (journal, dataset: a mass
    unit) or what the numbers are (a CSV without that column). `capacity_kg` of each pad, for recordings that
    do not say it: with it pads have a zero, without it values stay as on the wire.
    """
    if not path.exists():
        raise RecordingError(f"{path}: there is no such file or folder")
    is_journal = not _has_parquet(path) if path.is_dir() else _begins(path, MARK) or path.suffix == ".arrows"
    is_dataset = not is_journal and (path.is_dir() or _begins(path, b"PAR1"))
    if not is_journal and not is_dataset:
        return [_csv(read_csv(path, rate_Hz, unit), path, capacity_kg)]
    if rate_Hz is not None or known_unit(unit or "kg") is None:
        raise RecordingError(f"{path}: has its own times and masses; --rate and units of no mass are for CSV")
    try:
        if is_journal:
            found = _journal(path, make_bay, config, unit or "kg")
        else:
            found = _dataset(path, unit or "kg", capacity_kg)
    except RecordingError:
        raise
    except (OSError, ValueError, KeyError) as fault:
        raise RecordingError(f"{path}: cannot be read: {fault}") from fault
    if not found:
        raise RecordingError(f"{path}: there is nothing in it to replay")
    return found


def play(run: Run, bay: Bay, notes: list[str]) -> Iterator[Record]:
    """Every record that a run's journal gives; damaged places are noted."""
    for _, entry in read_run(run, lambda path, damage: notes.append(f"{path}: {damage.reason}")):
        yield from derive(bay, entry)
    yield from bay.finish()


def _journal(path: Path, make_bay: MakeBay, config: Path | None, unit: str) -> list[Replayed]:
    out = []
    for run in find_runs(path):
        file = config or run.folder / "config.toml"
        if not file.exists():
            raise RecordingError(
                f"{run.folder}: no config.toml beside the journal; name the one it ran with by --config FILE"
            )
        bay = make_bay(file)
        first = next((entry for _, entry in read_run(run)), None)
        if first is None:
            continue
        notes: list[str] = []
        records, told = play(run, bay, notes), told_in_blocks(run, bay, notes)
        start_ns = first.t_to_mono_ns if isinstance(first, Gap) else first.t_mono_ns
        out.append(Replayed(run.name, records, {}, unit=unit, start_ns=start_ns, notes=notes, told=told))
    return out


def _dataset(path: Path, unit: str, capacity_kg: float | None) -> list[Replayed]:
    from logger.store.dataset import columns_by_run  # noqa: PLC0415  a quarter of a second that not every caller needs

    out = []
    for run, samples in columns_by_run(path):
        pads = sorted(samples.pads[k] for k in np.flatnonzero(np.bincount(samples.pad)))
        start_ns = int(samples.t_mono_ns[0])
        notes = ["values are as on the wire: a dataset alone does not say what the pads can carry"]
        notes = [] if capacity_kg else notes
        records = _settle(pads, samples.samples(), capacity_kg)
        told = _told(pads, samples, capacity_kg)
        out.append(Replayed(run, records, {}, unit=unit, start_ns=start_ns, notes=notes, told=told))
    return out


def _csv(recording: Recording, path: Path, capacity_kg: float | None) -> Replayed:
    """Pads of one kind of unit share a pipeline; the whole car is told when that is all of them."""
    groups: dict[str, list[str]] = {}
    for pad, unit in recording.units.items():
        groups.setdefault("kg" if known_unit(unit) else unit, []).append(pad)
    written = set(recording.units.values())
    return Replayed(
        path.name,
        _groups(recording.samples, groups, capacity_kg),
        recording.units,
        unit=written.pop() if len(written) == 1 else "kg",
        origin_s=recording.origin_s,
        wall=False,
        notes=recording.notes,
    )


def _groups(
    samples: Sequence[Sample], groups: Mapping[str, list[str]], capacity_kg: float | None
) -> Iterator[Record]:
    for unit, pads in groups.items():
        capacity = capacity_kg if known_unit(unit) else None
        records = _settle(pads, [sample for sample in samples if sample.pad in pads], capacity)
        yield from (r for r in records if len(groups) == 1 or getattr(r, "pad", None) in pads)


def _settle(pads: list[str], samples: Iterable[Sample], capacity_kg: float | None) -> Iterator[Record]:
    pipeline = Pipeline(pads, capacity_kg=dict.fromkeys(pads, capacity_kg))
    for sample in samples:
        yield from pipeline.feed(sample)
    yield from pipeline.finish()


def _told(pads: list[str], samples: Columns, capacity_kg: float | None) -> Iterator[Record]:
    pipeline = Pipeline(pads, capacity_kg=dict.fromkeys(pads, capacity_kg))
    yield from pipeline.feed_block(samples)
    yield from (record for record in pipeline.finish() if not isinstance(record, Sample))


def _has_parquet(folder: Path) -> bool:
    """A dataset's folder, or one of its tables or partitions; a bay's folder, with its journal, is none."""
    return folder.name == DATASET or (
        not (folder / "journal").exists() and next(folder.rglob("*.parquet"), None) is not None
    )


def _begins(path: Path, magic: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(len(magic)) == magic
