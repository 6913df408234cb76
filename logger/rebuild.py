"""The dataset made from the journal: what was not sealed when the program died, or all of it again.

A journal segment is the unit. A run is fed through a fresh bay of its own configuration, from its first
segment or from where the bay's state was kept, and what is wanted is sealed as the store would have done.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Iterator
from collections.abc import Set as AbstractSet
from pathlib import Path

from logger.bay import Bay
from logger.bay_state import thaw
from logger.derive import derive
from logger.health import MADE_AGAIN
from logger.journal_folder import (
    JOURNAL,
    SEGMENT,
    OnDamage,
    Run,
    each_run,
    find_runs,
    is_live,
    read_run,
    segment_hash,
    segment_number,
)
from logger.journal_segment import Damage, newer
from logger.model import Chunk, PortEvent
from logger.replay import MakeBay
from logger.shortage import no_memory
from logger.snapshot import put_back
from logger.store import DATASET
from logger.store.relabel import relabel
from logger.store.rows import SegmentRows
from logger.store.sealed import (
    MARKS,
    TORN,
    faults,
    is_newer,
    mark_names,
    mark_path,
    marks,
    read_mark,
    seal,
    states,
    tidy,
)
from logger.store.writer import wall_offset_ns as store_offset_ns

NEWEST = 300
"""Marks whose files are looked at when the program starts: two days of ten-minute segments."""

WARM_MOST = 6
"""Segments gone back for a port that is silent: an hour of ten-minute ones; it may be gone for good."""

OnTrouble = Callable[[str, str], None]


def make_missing(
    folder: Path,
    bay: str,
    make_bay: MakeBay,
    on_trouble: OnTrouble,
    *,
    thorough: bool = False,
    own: str = "unknown",
) -> int:
    """Seal what the journal holds and the dataset in a bay's folder does not; return how many segments.

    For the start of the program: half-written files are removed, the newest sealed files are checked, and
    those missing or cut short are made again; when `thorough`, each sealed file is compared with its hash. A
    run that is being written is left out, and `own`, that of who asks, which may have no segment yet. Never
    fatal: what cannot be made is reported and left.
    """
    dataset = folder / DATASET
    try:
        tidy(dataset, on_trouble, {own, *_live(folder)})
        _unmark_damaged(folder, on_trouble, thorough)
    except OSError as fault:
        on_trouble(
            "store_untidy", f"{dataset}: {fault.strerror}; what is half written stays until the next start"
        )
    return make_unsealed(folder, bay, make_bay, on_trouble)


def make_unsealed(
    folder: Path,
    bay: str,
    make_bay: MakeBay,
    on_trouble: OnTrouble,
    left: AbstractSet[tuple[str, int]] = frozenset(),
) -> int:
    """Seal what has no mark yet; return how many segments.

    Of runs that nobody writes that is all, of one being written what its program has `left` (run, segment).
    """
    done, dataset = 0, folder / DATASET
    last: Run | None = None  # as it was left: its labels may be yet to be put right
    for run in each_run(folder / JOURNAL):
        missing = {
            n for n in map(segment_number, run.segments) if not mark_path(dataset, run.name, n).exists()
        }
        if live := is_live(run):
            missing = {n for n in missing if (run.name, n) in left}
        if missing:
            done += _make(dataset, bay, run, missing, make_bay, on_trouble, short=True)
        if missing and not live:
            _relabel(dataset, run, on_trouble)
        if not live:
            last = None if missing else run
    if last is not None:
        _relabel(dataset, last, on_trouble)
    return done


def make_again(folder: Path, bay: str, make_bay: MakeBay, on_trouble: OnTrouble) -> int:
    """Make every segment's part of the dataset again from the journal; return how many segments.

    Rows of segments that are no longer in the journal stay as they are, and so do those sealed while the
    journal could not keep everything.
    """
    dataset = folder / DATASET
    tidy(dataset, on_trouble, _live(folder))
    done = 0
    for run in _runs(folder):
        if run.segments:
            wanted = set(map(segment_number, run.segments))
            done += _make(dataset, bay, run, wanted, make_bay, on_trouble, short=False)
            _relabel(dataset, run, on_trouble)
    return done


def segments(
    run: Run, bay: Bay, first: int = 0, wall_offset_ns: int = 0, on_damage: OnDamage | None = None
) -> Iterator[tuple[int, SegmentRows]]:
    """Derive a run's records from segment `first` on: (segment number, its rows), each when it is complete.

    `bay` stands where that segment begins; so does `wall_offset_ns`, wall less monotonic time (ns). What is
    damaged in a segment is told to `on_damage` before its rows are given.
    """
    rows, offset_ns = SegmentRows(), wall_offset_ns
    entries = read_run(run, on_damage, first)
    ahead = next(entries, None)
    for number in map(segment_number, run.segments):
        while ahead is not None and ahead[0] <= number:
            offset_ns = store_offset_ns(ahead[1], offset_ns)
            for record in derive(bay, ahead[1]):
                rows.add(record, offset_ns)
            ahead = next(entries, None)
        if number == segment_number(run.segments[-1]):
            for record in bay.finish():
                rows.add(record, offset_ns)
        if number >= first:
            yield number, rows
            rows = SegmentRows()


def verify(folder: Path) -> Iterator[str]:
    """Compare all that is sealed, journal and dataset, with the hashes in the marks; yield what differs."""
    torn: list[Path] = []
    for mark in marks(folder / DATASET, torn.append):
        yield from faults(folder / DATASET, mark, deep=True)
        raw = folder / JOURNAL / mark["run"] / SEGMENT.format(mark["segment"])
        if raw.exists() and segment_hash(raw) != mark["journal_sha256"]:
            yield f"{raw}: its bytes are not those that were sealed"
    yield from (f"{path}: {TORN}" for path in torn)


def config_id(config: Path) -> str:
    """A configuration's id as Loaded.id gives it: the first 12 hex digits of the file's SHA-256."""
    return hashlib.sha256(config.read_bytes()).hexdigest()[:12]


def bay_name(folder: Path) -> str:
    """The bay's name as its newest run was configured; ValueError when there is no journal."""
    file = find_runs(folder)[-1].folder / "config.toml"
    return str(tomllib.loads(file.read_text(encoding="utf-8"))["bay"]["name"])


def _live(folder: Path) -> set[str]:
    """Names of the runs in a bay's folder that a program is writing."""
    return {run.name for run in each_run(folder / JOURNAL) if is_live(run)}


def _runs(folder: Path) -> Iterator[Run]:
    """The runs in a bay's folder that nobody is writing."""
    return (run for run in each_run(folder / JOURNAL) if not is_live(run))


def _make(
    dataset: Path, bay: str, run: Run, wanted: set[int], make_bay: MakeBay, on_trouble: OnTrouble, short: bool
) -> int:
    """Seal the wanted segments of a run; `short` may begin where a state was kept."""
    made = 0
    if not short and segment_number(run.segments[0]) > 1:
        on_trouble(
            "store_not_rebuilt", f"{run.folder}: its first segments are gone; the dataset stays as it is"
        )
        return 0
    damaged = False

    def tell_damage(path: Path, damage: Damage) -> None:
        nonlocal damaged
        damaged = True
        what = f"bytes {damage.offset}–{damage.end}: {damage.reason}"
        on_trouble("journal_damaged", f"{path}: {what}; the entries around it are whole")

    try:
        put_back(run.folder, on_trouble)
        _check_known(run)
        config = run.folder / "config.toml"
        ident = config_id(config)
        standing = _standing(dataset, run, min(wanted), make_bay, ident) if short else None
        begin = standing or (make_bay(config), 0, 0)
        for segment, rows in segments(run, *begin, on_damage=tell_damage):
            if segment not in wanted:
                continue
            # Behind a damage the bay knows less than the live one did.
            if not short and (rows.lossy or damaged) and _is_whole(dataset, run, segment):
                on_trouble(
                    "store_kept", f"{run.name} segment {segment}: the dataset holds more than the journal"
                )
                continue
            about = rows.about(segment_hash(run.folder / SEGMENT.format(segment)), ident)
            seal(dataset, bay, run.name, segment, rows.tables(run.name), about)
            made += 1
            if segment == max(wanted):
                break
    except Exception as fault:
        if not (isinstance(fault, OSError | ValueError) or no_memory(fault)):
            raise
        on_trouble("store_not_rebuilt", f"{run.folder}: {fault or 'no memory'}; its journal stays as it is")
    if made:
        on_trouble("store_rebuilt", f"{run.name}: {made} segments made from the journal")
    return made


def _is_whole(dataset: Path, run: Run, segment: int) -> bool:
    """Whether all that was sealed of a segment is there as it was sealed."""
    path = mark_path(dataset, run.name, segment)
    mark = read_mark(path) if path.exists() else None
    return mark is not None and not faults(dataset, mark, deep=True)


def _relabel(dataset: Path, run: Run, on_trouble: OnTrouble) -> None:
    """Put right the wall times of a run whose clock was set after its beginning."""
    try:
        count = relabel(dataset, run.name)
    except (OSError, ValueError) as fault:
        on_trouble("store_not_relabelled", f"{run.name}: {fault}; its wall times stay as they are")
        return
    if count:
        on_trouble(
            "store_relabelled", f"{run.name}: {count} segments have the time as the clock told it later"
        )


def _check_known(run: Run) -> None:
    """ValueError when a newer program wrote this run: nothing of it must be sealed as if it were empty."""
    with run.segments[0].open("rb") as file:
        if why := newer(file.read(1 << 16)):
            raise ValueError(why)


def _standing(
    dataset: Path, run: Run, before: int, make_bay: MakeBay, ident: str
) -> tuple[Bay, int, int] | None:
    """A bay as it stood where a segment began, at or before the one named: (bay, segment, wall offset)."""
    kept = states(dataset, run.name)
    for segment in sorted((number for number in kept if number <= before), reverse=True):
        bay = make_bay(run.folder / "config.toml")
        try:
            state = kept[segment].read_bytes()
        except FileNotFoundError:  # a program that writes this run has forgotten it just now
            continue
        if (offset_ns := thaw(state, bay, ident)) is not None:
            _warm(bay, run, segment)
            return bay, segment, offset_ns
    return None


def _warm(bay: Bay, run: Run, segment: int) -> None:
    """Bring the bay's drivers into the stream with as many segments before as it takes to hear each port.

    A driver that has heard nothing refuses its first line, which the live one, being inside, took.
    """
    before: list[Chunk | PortEvent] = []
    for number in range(segment - 1, max(segment - 1 - WARM_MOST, 0), -1):
        part = []
        for at, entry in read_run(run, first=number):
            if at > number:
                break
            if isinstance(entry, Chunk | PortEvent):
                part.append(entry)
        before[:0] = part
        if {entry.port for entry in before if isinstance(entry, Chunk)} >= set(bay.counts):
            break
    for entry in before:
        bay.warm(entry)


def _unmark_damaged(folder: Path, on_trouble: OnTrouble, thorough: bool) -> None:
    """Take away marks that are torn or whose files are not as they were sealed: to be made again.

    The newest only, and by the files' sizes, unless `thorough`. What has no raw bytes any more stays.
    """
    dataset = folder / DATASET
    for name in mark_names(dataset)[0 if thorough else -NEWEST :]:
        path = dataset / MARKS / name
        mark = read_mark(path)
        if mark is not None and is_newer(mark):
            continue  # a newer program's own
        found = [f"{path}: {TORN}"] if mark is None else faults(dataset, mark, deep=thorough)
        run, _, number = path.stem.rpartition("-")
        raw = (folder / JOURNAL / run / f"segment-{number}.arrows").exists()
        for fault in found:
            what = MADE_AGAIN if raw else "its raw bytes are gone, so it stays as it is"
            on_trouble("store_damaged", f"{fault}; {what}")
        if found and raw:
            path.unlink()
