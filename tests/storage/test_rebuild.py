"""The dataset is what the journal says: replayed, made again, and after sudden ends."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from support.small_bay import LiveBay, S, stream

from logger import journal_folder
from logger.journal_folder import find_runs, read_run, recover, segment_hash
from logger.journal_segment import Entry, Tick
from logger.model import CarRest, Gap, GapCause, Record, Rest, Sample
from logger.rebuild import bay_name, config_id, make_again, make_missing, make_unsealed
from logger.replay import make_bay, open_recordings
from logger.store.dataset import events, files, read_table, revisions, samples_by_run
from logger.store.schema import TABLES
from logger.store.sealed import marks, states

Troubles = tuple[list[str], Callable[[str, str], None]]
Run = tuple[Path, list[Entry], list[Record]]
KILLS = 12


def dataset_bytes(folder: Path) -> dict[str, bytes]:
    """The dataset's sealed files and what is in them."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.parquet")}


@pytest.fixture
def a_copy(a_run: Run, tmp_path: Path) -> Path:
    """A bay's folder to spoil."""
    folder = tmp_path / "copy"
    shutil.copytree(a_run[0], folder)
    return folder


def test_replay_of_a_run_gives_the_records_it_gave_live(a_run: Run) -> None:
    folder, _, records = a_run
    (replayed,) = open_recordings(folder, make_bay=make_bay)
    assert list(replayed.records) == records
    assert replayed.notes == []


def test_the_dataset_holds_the_records_the_bay_gave(a_run: Run) -> None:
    folder, _, records = a_run
    dataset = folder / "dataset"
    stored = [repr(record) for _, record in revisions(dataset, "rests", Rest)]
    stored += [repr(record) for _, record in revisions(dataset, "car_rests", CarRest)]
    stored += [repr(record) for _, record in events(dataset)]
    given = [repr(record) for record in records if not isinstance(record, Sample)]
    assert sorted(stored) == sorted(given)  # files are by date, then by segment
    ((_, samples),) = samples_by_run(dataset)
    live = [(s.pad, s.t_mono_ns // 1000 * 1000, s.mass_kg, s.flags) for s in records if isinstance(s, Sample)]
    back = [(s.pad, s.t_mono_ns, s.mass_kg, s.flags) for s in samples]
    assert sorted(back, key=lambda row: row[:2]) == sorted(live, key=lambda row: row[:2])


def test_marks_hold_what_a_report_needs(a_run: Run) -> None:
    folder, _, _ = a_run
    (run,) = find_runs(folder)
    found = list(marks(folder / "dataset"))
    assert [mark["journal_sha256"] for mark in found] == [segment_hash(path) for path in run.segments]
    assert {mark["config_id"] for mark in found} == {config_id(run.folder / "config.toml")}
    named = {file["path"] for mark in found for file in mark["files"]}
    assert named == set(dataset_bytes(folder / "dataset"))


def test_made_again_is_equal_byte_for_byte(a_copy: Path, troubles: Troubles) -> None:
    before = dataset_bytes(a_copy)
    shutil.rmtree(a_copy / "dataset")
    assert bay_name(a_copy) == "barn"
    assert make_again(a_copy, "barn", make_bay, troubles[1]) == 5
    assert dataset_bytes(a_copy) == before
    stray = next(iter(before)).replace("2025-12-31", "1970-01-01").replace("2026-01-01", "1970-01-01")
    (a_copy / stray).parent.mkdir(parents=True)
    (a_copy / stray).write_bytes(b"rows that were filed under another date")
    assert make_again(a_copy, "barn", make_bay, troubles[1]) == 5
    assert dataset_bytes(a_copy) == before


@pytest.mark.parametrize("spoil", ["cut short", "gone", "half written", "unmarked", "mark torn"])
def test_a_spoilt_dataset_is_made_whole_at_the_start(a_copy: Path, troubles: Troubles, spoil: str) -> None:
    before = dataset_bytes(a_copy)
    path = next(path for path in files(a_copy / "dataset", "samples") if path.stem.endswith("-000003"))
    mark = next((a_copy / "dataset" / "_sealed").glob("*-000003.json"))
    match spoil:
        case "cut short":
            path.write_bytes(path.read_bytes()[:-100])
        case "gone":
            path.unlink()
        case "half written":
            mark.unlink()
            path.rename(path.with_name(f".tmp-{path.name}"))
        case "unmarked":
            mark.unlink()
        case "mark torn":
            mark.write_bytes(mark.read_bytes()[:40])
    made = make_missing(a_copy, "barn", make_bay, troubles[1])
    assert dataset_bytes(a_copy) == before
    assert made == 1
    assert "store_rebuilt" in troubles[0]
    again: list[str] = []
    assert make_missing(a_copy, "barn", make_bay, lambda event, detail: again.append(event)) == 0
    assert again == []


@pytest.mark.parametrize("state", ["kept", "spoilt", "gone"])
def test_recovery_begins_where_the_bays_state_was_kept(
    a_copy: Path, troubles: Troubles, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    """The last segment is made without reading those before it, or from the start where that cannot be."""
    before = dataset_bytes(a_copy)
    next((a_copy / "dataset" / "_sealed").glob("*-000005.json")).unlink()
    kept = states(a_copy / "dataset", find_runs(a_copy)[0].name)
    assert 5 in kept
    for path in kept.values():
        if state == "spoilt":
            path.write_bytes(path.read_bytes()[:-1] + b"!")
        elif state == "gone":
            path.unlink()
    read: list[str] = []
    scan = journal_folder.scan
    monkeypatch.setattr(journal_folder, "scan", lambda data: read.append("") or scan(data))
    assert make_missing(a_copy, "barn", make_bay, troubles[1]) == 1
    assert len(read) == (3 if state == "kept" else 5)  # the one before, up to the first entry behind; itself
    assert dataset_bytes(a_copy) == before


def test_a_config_that_no_longer_loads_is_reported_and_not_fatal(a_copy: Path, troubles: Troubles) -> None:
    shutil.rmtree(a_copy / "dataset")
    (find_runs(a_copy)[0].folder / "config.toml").write_bytes(b"[bay]\nnmae = 1\n")
    assert make_missing(a_copy, "barn", make_bay, troubles[1]) == 0
    assert troubles[0] == ["store_not_rebuilt"]


def test_what_the_journal_lost_is_not_lost_from_the_dataset_too(tmp_path: Path, troubles: Troubles) -> None:
    """The disk refuses for a while: the dataset then holds more than the journal, and is not made poorer."""
    live = LiveBay(tmp_path)
    entries = list(stream(20.0))
    for number, entry in enumerate(entries):
        if number == 300:
            live.journal.put(Gap(pad="*", t_from_mono_ns=1, t_to_mono_ns=2, cause=GapCause.JOURNAL, count=3))
        live.feed(entry)
    live.close()
    before = dataset_bytes(tmp_path)
    make_again(tmp_path, "barn", make_bay, troubles[1])
    assert "store_kept" in troubles[0]
    assert dataset_bytes(tmp_path) == before


def test_a_run_being_written_is_left_alone(tmp_path: Path, troubles: Troubles) -> None:
    live = LiveBay(tmp_path)
    for entry in stream(14.0):
        live.feed(entry)
    while live.journal.waiting_bytes:
        pass
    recover(tmp_path / "journal", troubles[1])
    assert make_missing(tmp_path, "barn", make_bay, troubles[1]) == 0
    live.close()
    assert live.troubles == []
    assert troubles[0] == []


def test_what_a_run_without_a_segment_yet_is_writing_is_left_to_it(a_copy: Path, troubles: Troubles) -> None:
    """Its bay's state may be written before the journal has its first entry."""
    own = a_copy / "dataset/_sealed/.tmp-run-000002-abcdef-000001.state"
    own.write_bytes(b"half of it")
    make_missing(a_copy, "barn", make_bay, troubles[1], own="run-000002-abcdef")
    assert own.exists()
    assert troubles[0] == []
    make_missing(a_copy, "barn", make_bay, troubles[1], own="run-000003-abcdef")
    assert not own.exists()


def test_what_the_store_left_is_made_while_the_run_goes_on(tmp_path: Path, troubles: Troubles) -> None:
    live, entries = LiveBay(tmp_path), list(stream(50.0))
    live.store.skip(2)
    for entry in entries[: len(entries) * 4 // 5]:
        live.feed(entry)
    run = live.journal.folder.name
    end = time.monotonic() + 10
    while live.store.left() != {(run, 2)}:
        assert time.monotonic() < end
        time.sleep(0.01)
    assert make_unsealed(tmp_path, "barn", make_bay, troubles[1]) == 0, (
        "it may still be in the program's hands"
    )
    assert make_unsealed(tmp_path, "barn", make_bay, troubles[1], live.store.left()) == 1
    assert make_unsealed(tmp_path, "barn", make_bay, troubles[1], live.store.left()) == 0
    for entry in entries[len(entries) * 4 // 5 :]:
        live.feed(entry)
    live.close()
    assert troubles[0] == ["store_rebuilt"]
    before = dataset_bytes(tmp_path)
    assert {mark["segment"] for mark in marks(tmp_path / "dataset")} >= {1, 2, 3, 4}
    make_again(tmp_path, "barn", make_bay, troubles[1])
    assert dataset_bytes(tmp_path) == before


def test_killed_again_and_again_loses_nothing_and_doubles_nothing(tmp_path: Path) -> None:
    """SIGKILL at random moments of a bay that journals, derives and seals: see support/killing.py."""
    program = Path(__file__).parents[1] / "support" / "killing.py"
    done = subprocess.run(
        [sys.executable, program, tmp_path, str(KILLS), "5"], capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    wanted = [int(line) for line in done.stdout.split()]
    assert len(wanted) == KILLS
    told: list[str] = []
    recover(tmp_path / "journal", lambda event, detail: told.append(event))
    sealed_live = len(list(marks(tmp_path / "dataset")))
    made = make_missing(tmp_path, "barn", make_bay, lambda event, detail: told.append(event))
    assert set(told) <= {"journal_cut", "store_tidied", "store_rebuilt"}
    runs = find_runs(tmp_path)
    assert sealed_live >= KILLS // 4  # rounds turned segments before their end
    assert made >= KILLS  # and each left at least its last one unsealed
    assert len(runs) == KILLS
    for run, count in zip(runs, wanted, strict=True):
        assert len(list(read_run(run))) >= count
    assert sum(wanted) > 3 * KILLS
    _each_sample_once(tmp_path)


def _each_sample_once(folder: Path) -> None:
    """The dataset equals one made from the journal in an empty folder, row by row."""
    fresh = folder / "fresh"
    shutil.copytree(folder / "journal", fresh / "journal")
    make_again(fresh, "barn", make_bay, lambda event, detail: None)
    assert dataset_bytes(folder / "dataset") == dataset_bytes(fresh / "dataset")
    for table in TABLES:
        assert read_table(folder / "dataset", table) == read_table(fresh / "dataset", table)


def test_a_port_silent_for_a_whole_segment_loses_no_line_when_the_next_is_made_again(
    tmp_path: Path, troubles: Troubles
) -> None:
    live = LiveBay(tmp_path, segment_s=4.0)
    entries = list(stream(14.0))
    t0_ns, pause_ns = entries[0].t_mono_ns, 10 * S
    for entry in entries:
        if entry.t_mono_ns - t0_ns < 7 * S:
            live.feed(entry)
    for n in range(20):
        live.feed(Tick(t_mono_ns=t0_ns + 7 * S + n * S // 2))
    for entry in entries:
        if entry.t_mono_ns - t0_ns >= 7 * S:
            live.feed(msgspec.structs.replace(entry, t_mono_ns=entry.t_mono_ns + pause_ns))
    live.close()
    before = dataset_bytes(tmp_path)
    marks = sorted((tmp_path / "dataset" / "_sealed").glob("*.json"))
    for mark in marks[2:]:
        content = mark.read_bytes()
        mark.unlink()
        assert make_missing(tmp_path, "barn", make_bay, troubles[1]) == 1
        assert dataset_bytes(tmp_path) == before
        assert mark.read_bytes() == content
