"""Flipped bits in all that journal and dataset keep: told by name, mended, never silently wrong."""

from __future__ import annotations

import json
import random
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from support.small_bay import CONFIG, LiveBay, stream

from logger import snapshot
from logger.bay_state import freeze, thaw
from logger.cli import main
from logger.config import load
from logger.doctor import mend
from logger.journal_folder import Run, find_runs, read_run
from logger.journal_segment import Batch, Entry, scan
from logger.model import Gap, Record
from logger.rebuild import make_again, make_missing, verify
from logger.replay import make_bay
from logger.store import dataset
from logger.store.copies import Copies
from logger.store.retention import RetentionSettings, days_left, retain
from logger.store.sealed import mark_paths
from logger.typed_toml import ConfigError

Bay = tuple[Path, list[Entry], list[Record]]
Told = list[tuple[str, str]]
LONG = RetentionSettings(journal_days=1e9, dataset_days=2e9, free_bytes=0)


@pytest.fixture
def bay(a_run: Bay, tmp_path: Path) -> Path:
    """A bay's folder to spoil."""
    shutil.copytree(a_run[0], tmp_path / "bay")
    return tmp_path / "bay"


@pytest.fixture
def told() -> Told:
    return []


@pytest.fixture
def tell(told: Told) -> Callable[[str, str], None]:
    return lambda *what: told.append(what)


def parquet(bay: Path) -> dict[str, bytes]:
    return {str(path.relative_to(bay)): path.read_bytes() for path in bay.rglob("*.parquet")}


def flipped(content: bytes, bit: int) -> bytes:
    return content[: bit // 8] + bytes([content[bit // 8] ^ 1 << bit % 8]) + content[bit // 8 + 1 :]


def damage_batch(run: Run, segment: int, which: int) -> Path:
    """Flip a bit of the values in one batch of a segment that has ended."""
    path = run.segments[segment]
    data = path.read_bytes()
    batch = [found for found in scan(data) if isinstance(found, Batch)][which]
    path.write_bytes(flipped(data, 8 * (batch.end - 100)))
    assert not any(
        isinstance(found, Batch) and found.offset == batch.offset for found in scan(path.read_bytes())
    )
    return path


PLACES = [(segment, which) for segment in (0, 2, 4) for which in (0, -1)]


@pytest.mark.parametrize(("segment", "which"), PLACES)
def test_a_dataset_is_never_made_poorer_by_a_damaged_journal(
    bay: Path, told: Told, tell: Callable[[str, str], None], segment: int, which: int
) -> None:
    before = parquet(bay)
    damaged = damage_batch(find_runs(bay)[0], segment, which)
    make_again(bay, "barn", make_bay, tell)
    assert parquet(bay) == before
    assert any(event == "journal_damaged" and str(damaged) in detail for event, detail in told)
    assert any(event == "store_kept" and f"segment {segment + 1}:" in detail for event, detail in told)


@pytest.mark.parametrize(("segment", "which"), PLACES)
def test_what_is_sealed_from_a_damaged_segment_is_said(
    bay: Path, told: Told, tell: Callable[[str, str], None], segment: int, which: int
) -> None:
    damaged = damage_batch(find_runs(bay)[0], segment, which)
    shutil.rmtree(bay / "dataset")
    assert make_missing(bay, "barn", make_bay, tell) == 5
    (detail,) = (detail for event, detail in told if event == "journal_damaged")
    assert detail.startswith(f"{damaged}: bytes ")


def test_entries_lost_at_the_very_beginning_are_a_gap_too(bay: Path) -> None:
    (run,) = find_runs(bay)
    whole = [entry for _, entry in read_run(run)]
    damage_batch(run, 0, 0)
    gap, *left = [entry for _, entry in read_run(run)]
    assert isinstance(gap, Gap)
    assert gap.count == len(whole) - len(left) > 0
    assert gap.t_from_mono_ns == gap.t_to_mono_ns, "how long before nobody knows"


def test_a_sealed_file_that_cannot_be_had_from_the_journal_is_made_from_what_is_left(
    bay: Path, told: Told, tell: Callable[[str, str], None]
) -> None:
    """Raw bytes and dataset of one segment are both damaged: what can be read is better than neither."""
    damage_batch(find_runs(bay)[0], 4, -1)
    path = next(path for path in bay.rglob("samples/**/*-000005.parquet"))
    path.write_bytes(flipped(path.read_bytes(), 8 * 300))
    make_again(bay, "barn", make_bay, tell)
    assert [fault for fault in verify(bay) if "parquet" in fault] == []


def test_a_flipped_mark_is_seen_and_made_again(bay: Path, tell: Callable[[str, str], None]) -> None:
    before, rng = parquet(bay), random.Random(1)
    mark = mark_paths(bay / "dataset")[2]
    content = mark.read_bytes()
    for bit in rng.sample(range(8 * len(content)), 60):
        mark.write_bytes(flipped(content, bit))
        assert retain(bay, LONG, 1.8e9, 1) == []
        days_left(bay, LONG, 1.8e9, 1)
        found = list(verify(bay))
        make_missing(bay, "barn", make_bay, tell)
        if mark.read_bytes() != content:  # blanks between words, or the schema: then a newer program's
            again, was = json.loads(mark.read_bytes()), json.loads(content)
            assert again == was or (
                again["schema"] > was["schema"] and again == was | {"schema": again["schema"]}
            )
        else:
            assert found == [f"{mark}: torn, or damaged since it was written"]
        mark.write_bytes(content)
    assert parquet(bay) == before


def test_repair_holds_each_sealed_file_against_its_hash(
    bay: Path, told: Told, tell: Callable[[str, str], None]
) -> None:
    before = parquet(bay)
    path = next(path for path in bay.rglob("samples/**/*-000002.parquet"))
    path.write_bytes(flipped(path.read_bytes(), 8 * 300))
    (bay / "here").mkdir()
    config = bay / "here" / "bay.toml"
    config.write_bytes(CONFIG.replace(b'name = "barn"', b'name = "barn"\nfolder = ".."'))
    assert make_missing(bay, "barn", make_bay, tell) == 0
    assert mend(load(config), tell)
    assert parquet(bay) == before
    assert [event for event, _ in told] == ["store_damaged", "store_rebuilt"]
    assert path.name in told[0][1]


def test_a_flipped_sealed_file_is_never_read_as_other_numbers(
    bay: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(dataset, "SEALING_S", 0.0)
    before, rng = dataset.read_table(bay / "dataset", "samples"), random.Random(6)
    path = next(path for path in bay.rglob("samples/**/*-000002.parquet"))
    content = path.read_bytes()
    silent = 0
    for bit in rng.sample(range(8 * len(content)), 100):
        path.write_bytes(flipped(content, bit))
        for read in (bay / "dataset", path.parent, path):
            with pytest.raises(
                ValueError, match=r"-000002\.parquet: its bytes are not those that were sealed"
            ):
                dataset.read_table(read, "samples")
        with suppress(Exception):  # as others read it
            silent += pq.ParquetFile(path).read().num_rows > 0
    assert silent > 10, "Parquet itself would not say it"
    assert main(["export", str(bay), "--to", "csv", "--out", str(bay / "out")]) == 2
    assert "restpoint doctor --repair" in capsys.readouterr().err
    path.write_bytes(content)
    assert dataset.read_table(bay / "dataset", "samples") == before
    alone = bay / "alone.parquet"
    alone.write_bytes(content)
    assert dataset.read_table(alone, "samples").num_rows > 0


def test_a_segment_that_is_sealed_anew_meanwhile_is_no_damage(bay: Path) -> None:
    path = next(path for path in bay.rglob("samples/**/*-000002.parquet"))
    content = path.read_bytes()
    path.write_bytes(content[:-1])
    threading.Timer(0.3, path.write_bytes, [content]).start()
    assert dataset.read_table(bay / "dataset", "samples").num_rows > 0


def test_what_has_no_raw_bytes_any_more_is_not_promised(
    bay: Path, told: Told, tell: Callable[[str, str], None]
) -> None:
    find_runs(bay)[0].segments[0].unlink()
    path = next(path for path in bay.rglob("samples/**/*-000001.parquet"))
    path.write_bytes(path.read_bytes()[:-9])
    assert make_missing(bay, "barn", make_bay, tell) == 0
    assert "its raw bytes are gone, so it stays as it is" in told[0][1]
    assert mark_paths(bay / "dataset")[0].stem.endswith("-000001")


# -- the configuration beside a run -------------------------------------------------------------------------


def test_a_run_is_never_read_with_another_configuration_than_it_had(
    bay: Path, told: Told, tell: Callable[[str, str], None]
) -> None:
    shutil.rmtree(bay / "dataset")
    config = find_runs(bay)[0].folder / "config.toml"
    config.write_bytes(CONFIG.replace(b"500", b"400", 1))
    assert make_missing(bay, "barn", make_bay, tell) == 0
    assert told[0][0] == "store_not_rebuilt"
    assert "not as the run had it: config.toml" in told[0][1]
    with pytest.raises(ConfigError, match="not as the run had it: config"):
        load(config)


def test_a_damaged_configuration_is_taken_from_another_run_that_had_the_same(
    bay: Path, told: Told, tell: Callable[[str, str], None]
) -> None:
    live = LiveBay(bay)
    for entry in stream(5.0):
        live.feed(entry)
    live.close()
    before = parquet(bay)
    shutil.rmtree(bay / "dataset")
    config = find_runs(bay)[0].folder / "config.toml"
    config.write_bytes(b"\0" * 50)
    assert make_missing(bay, "barn", make_bay, tell) == 6
    assert told[0] == (
        "journal_config_mended",
        f"{config}: was damaged; taken from {find_runs(bay)[1].folder / 'config.toml'}",
    )
    assert (parquet(bay), config.read_bytes()) == (before, CONFIG)


def test_damaged_hashes_accuse_no_configuration(bay: Path) -> None:
    folder = find_runs(bay)[0].folder
    content = (folder / snapshot.SUMS).read_bytes()
    for bit in range(8 * len(content)):
        (folder / snapshot.SUMS).write_bytes(flipped(content, bit))
        assert snapshot.fault(folder) == ""
    (folder / snapshot.SUMS).unlink()
    assert snapshot.fault(folder) == "", "earlier programs kept none"


# -- state and copies ---------------------------------------------------------------------------------------


def test_a_flip_anywhere_in_a_kept_state_is_seen(bay: Path) -> None:
    config = find_runs(bay)[0].folder / "config.toml"
    blob, rng = freeze(make_bay(config), 123_456_789, "id"), random.Random(3)
    assert thaw(blob, make_bay(config), "id") == 123_456_789
    head, untouched = 8 * blob.index(b"\n"), make_bay(config)
    for bit in [*range(head), *rng.sample(range(head, 8 * len(blob)), 50)]:
        assert thaw(flipped(blob, bit), untouched, "id") is None


def test_flipped_notes_of_what_was_copied_stop_no_copy(bay: Path, tmp_path: Path, told: Told) -> None:
    target, rng = tmp_path / "elsewhere", random.Random(4)
    sealed = bay / "dataset"

    def copies() -> None:
        made = Copies(sealed, target.as_uri(), 60, lambda *what: told.append(what))
        made.start()
        time.sleep(0.15)
        made.stop(timeout_s=20)

    copies()
    note = min((sealed / "_sealed").glob("*.sent"))
    content = note.read_bytes()
    for bit in rng.sample(range(8 * len(content)), 12):
        note.write_bytes(flipped(content, bit))
        copies()
        note.write_bytes(content)
    assert told == []
