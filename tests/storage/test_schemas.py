"""Files as earlier programs wrote them, kept and read by this one; and files of newer ones, left alone.

`schema_1/` holds a run of the small bay, journal and dataset, as version 0.1.0 wrote it. It is never made
again: when a schema changes, a new folder is put beside it.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from support.small_bay import stream

from logger import journal_segment
from logger.derive import derive
from logger.journal_folder import find_runs, read_journal, recover
from logger.model import CarOff, Sample
from logger.rebuild import make_again, make_missing, verify
from logger.replay import make_bay
from logger.store import dataset
from logger.store.sealed import mark_paths

OLD = Path(__file__).parent / "schema_1"


@pytest.fixture
def bay(tmp_path: Path) -> Path:
    shutil.copytree(OLD, tmp_path / "bay")
    return tmp_path / "bay"


def quiet(event: str, detail: str) -> None:
    raise AssertionError(f"{event}: {detail}")


def test_a_journal_of_schema_1_gives_every_entry_it_was_given() -> None:
    assert list(read_journal(OLD, lambda path, damage: quiet(str(path), damage.reason))) == list(
        stream(12.0, 7, 10.0)
    )


def test_a_dataset_of_schema_1_gives_its_records_as_its_journal_does() -> None:
    ((_, samples),) = dataset.samples_by_run(OLD / "dataset")
    run = find_runs(OLD)[0]
    made = make_bay(run.folder / "config.toml")
    told = [r for entry in read_journal(OLD) for r in derive(made, entry)] + made.finish()
    wire = [(r.pad, r.t_mono_ns // 1000, r.mass_wire_kg) for r in told if isinstance(r, Sample)]
    assert sorted((s.pad, s.t_mono_ns // 1000, s.mass_wire_kg) for s in samples) == sorted(wire)
    assert len(samples) == 235
    assert dataset.rests(OLD / "dataset")
    assert any(isinstance(record, CarOff) for _, record in dataset.events(OLD / "dataset"))
    assert list(verify(OLD)) == []


def test_nothing_of_schema_1_needs_mending_and_it_can_be_made_again(bay: Path, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in bay.rglob("*") if path.is_file()}
    recover(bay / "journal", quiet)
    assert make_missing(bay, "barn", make_bay, quiet) == 0
    assert {path: path.read_bytes() for path in bay.rglob("*") if path.is_file()} == before
    assert make_again(bay, "barn", make_bay, lambda *_: None) == 1
    assert list(verify(bay)) == []
    ((_, samples),) = dataset.samples_by_run(bay / "dataset")
    assert len(samples) == 235


def of_schema_2(data: bytes) -> bytes:
    """A segment whose head says that it is of the next schema, which has a column more."""
    schema = journal_segment.schema().append(pa.field("more", pa.utf8()))
    schema = schema.with_metadata({"what": "restpoint journal", "schema": "2"})
    return bytes(schema.serialize().to_pybytes()) + data[len(journal_segment.head()) :]


def test_a_journal_of_a_newer_program_is_left_as_it_is_and_said(bay: Path) -> None:
    (path,) = find_runs(bay)[0].segments
    path.write_bytes(of_schema_2(path.read_bytes())[:-100])  # torn, too: that is not ours to mend
    newer = path.read_bytes()
    told: list[tuple[str, str]] = []
    recover(bay / "journal", lambda *what: told.append(what))
    ((event, detail),) = told
    assert event == "journal_newer"
    assert detail.startswith(f"{path}: it was written by a newer restpoint (journal schema 2); update this")
    for mark in mark_paths(bay / "dataset"):
        mark.unlink()
    told.clear()
    assert make_missing(bay, "barn", make_bay, lambda *what: told.append(what)) == 0
    assert [event for event, _ in told] == ["store_not_rebuilt"]
    assert "newer restpoint" in told[0][1]
    assert path.read_bytes() == newer
    assert mark_paths(bay / "dataset") == []
    damages: list[str] = []
    assert list(read_journal(bay, lambda _, damage: damages.append(damage.reason))) == []
    assert "newer restpoint" in damages[0]


def test_damage_at_the_head_is_still_damage() -> None:
    assert (
        journal_segment.newer(b"")
        == journal_segment.newer(b"\0" * 5000)
        == journal_segment.newer(journal_segment.head()[:-9])
        == ""
    )


def test_a_dataset_of_a_newer_program_is_refused_and_kept(bay: Path) -> None:
    path = next((bay / "dataset/samples").rglob("*.parquet"))
    rows = pq.read_table(path, partitioning=None)
    pq.write_table(rows.replace_schema_metadata((rows.schema.metadata or {}) | {b"schema": b"2"}), path)
    (mark,) = mark_paths(bay / "dataset")
    mark.write_text(json.dumps(json.loads(mark.read_text()) | {"schema": 2, "files": "elsewhere"}))
    newer = path.read_bytes(), mark.read_bytes()
    with pytest.raises(ValueError, match=r"\.parquet: was written by a newer restpoint \(schema 2\); update"):
        list(dataset.samples_by_run(bay / "dataset"))
    assert make_missing(bay, "barn", make_bay, quiet) == 0
    assert (path.read_bytes(), mark.read_bytes()) == newer
