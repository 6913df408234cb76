"""The dataset: what others read in it, how large it is, and what the store does when the disk refuses."""

from __future__ import annotations

import errno
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest
from support.small_bay import T_WALL_NS, S

from logger.journal_segment import Entry
from logger.model import CarRest, Condition, Gap, GapCause, PadCondition, Record, Rest, Sample
from logger.store import Store, StoreSettings
from logger.store.dataset import car_rests, events, files, rests, samples_by_run
from logger.store.rows import SegmentRows
from logger.store.schema import COLUMNS, TABLES
from logger.store.sealed import faults, mark_path, marks, seal, tidy
from logger.whole import write_whole

Troubles = tuple[list[str], Callable[[str, str], None]]
Run = tuple[Path, list[Entry], list[Record]]
SEGMENT_PATH = Path("run-000001") / "segment-000001.arrows"


def sample(i: int, pad: str = "P1", **more: float | None) -> Sample:
    t_ns = 1000 * S + i * 50_000_000
    values = {"mass_wire_kg": 240.0 + i, "mass_kg": 239.5 + i, "resolution_kg": 0.1} | more
    return Sample(pad=pad, t_mono_ns=t_ns, t_wall_ns=t_ns + T_WALL_NS, **values)  # type: ignore[arg-type]  # floats by name


def rest(revision: int, t_from_ns: int = 5 * S, pad: str = "P1") -> Rest:
    return Rest(
        pad=pad,
        t_from_mono_ns=t_from_ns,
        t_from_wall_ns=t_from_ns + T_WALL_NS,
        t_declared_mono_ns=t_from_ns + S,
        t_to_mono_ns=t_from_ns + (2 + revision) * S,
        declared_mass_kg=240.1,
        declared_u_kg=0.1,
        mass_kg=240 + 0.1 / (1 + revision),
        u_kg=0.05,
        slope_kg_per_s=-1e-4,
        n=40 + revision,
        zero_kg=0.4,
        u_zero_kg=0.01,
        open=revision < 2,
        revision=revision,
    )


def car_rest() -> CarRest:
    one = rest(2)
    same = {name: getattr(one, name) for name in one.__struct_fields__ if name in CarRest.__struct_fields__}
    return CarRest(pads=("P1", "P2"), loads_kg=(1.5, 2.5), covariance_kg2=(1.0, 0.1, 0.1, 1.0), **same)


def store_all(store: Store, records: list[Record]) -> None:
    store.at(1, sample(0))
    for record in records:
        store.put(record)
    store.segment_closed(1, SEGMENT_PATH, "ab")


def test_records_come_back_whole(tmp_path: Path, troubles: Troubles) -> None:
    samples = [sample(i, pad) for i in range(40) for pad in ("P2", "P1")]
    samples[7] = sample(3, "P1", mass_wire_kg=None, mass_kg=None, battery_V=2.9, signal_dBm=-61.0)
    gap = Gap(pad="P1", t_from_mono_ns=1, t_to_mono_ns=1000 * S, cause=GapCause.REJECTED, count=2)
    condition = PadCondition(pad="P2", condition=Condition.EMPTY, since_mono_ns=1000 * S)
    revisions: list[Record] = [rest(0), rest(0, 9 * S), rest(2), rest(1)]
    store = Store(tmp_path, "barn", StoreSettings(look_ms=5), troubles[1])
    store_all(store, [*samples, gap, condition, *revisions, car_rest()])
    store.close()
    dataset = store.folder
    ((run, back),) = samples_by_run(dataset)
    assert run == "run-000001"
    assert sorted(back, key=lambda s: (s.t_mono_ns, s.pad)) == sorted(
        samples, key=lambda s: (s.t_mono_ns, s.pad)
    )
    assert rests(dataset) == [rest(2), rest(0, 9 * S)]
    assert car_rests(dataset) == [car_rest()]
    assert list(events(dataset)) == [(run, gap), (run, condition)]
    assert troubles[0] == []


def test_units_stand_in_every_file(a_run: Run) -> None:
    dataset = a_run[0] / "dataset"
    for table in TABLES:
        for path in files(dataset, table):
            schema = pq.read_schema(path)
            for name, (_, unit) in COLUMNS[table].items():
                metadata = schema.field(name).metadata or {}
                assert metadata.get(b"unit") == (unit.encode() if unit else None)
                if name.endswith(("_kg", "_V", "_dBm")):
                    assert unit == name.rpartition("_")[2]
            assert schema.metadata[b"schema"] == b"1"


def test_pandas_reads_the_dataset(a_run: Run) -> None:
    folder, _, records = a_run
    frame = pd.read_parquet(folder / "dataset" / "samples")
    samples = [record for record in records if isinstance(record, Sample)]
    assert len(frame) == len(samples)
    assert frame["mass_kg"].sum() == pytest.approx(sum(s.mass_kg for s in samples if s.mass_kg is not None))
    assert str(frame["t_wall"].dtype) == "datetime64[us, UTC]"
    assert set(frame["bay"]) == {"barn"}
    assert set(frame["date"].astype(str)) == {"2025-12-31", "2026-01-01"}


def test_duckdb_reads_the_dataset_with_its_units(a_run: Run) -> None:
    folder, _, records = a_run
    where = f"'{folder}/dataset/samples/**/*.parquet'"
    rows = duckdb.sql(
        f"select pad, count(*), sum(mass_wire_kg) from {where} where bay = 'barn' group by 1 order by 1"
    )
    for pad, count, total in rows.fetchall():
        mine = [r for r in records if isinstance(r, Sample) and r.pad == pad]
        assert count == len(mine)
        assert total == pytest.approx(sum(s.mass_wire_kg or 0.0 for s in mine))
    rows = duckdb.sql(
        f"select distinct decode(value) from parquet_kv_metadata({where}) where decode(key) = 'units'"
    )
    ((units,),) = rows.fetchall()
    assert json.loads(units)["mass_kg"] == "kg"
    ((found,),) = duckdb.sql(f"select count(*) from '{folder}/dataset/rests/**/*.parquet'").fetchall()
    assert found == sum(isinstance(r, Rest) for r in records)


def test_a_stored_sample_takes_at_most_four_bytes(tmp_path: Path) -> None:
    """Ten minutes of four pads at 20 Hz: noise of 0.1 kg, 0.5 ms of jitter, radio and battery."""
    rng = random.Random(2)
    rows, count = SegmentRows(), 0
    for i in range(600 * 20):
        for pad in range(4):
            t_ns = 1000 * S + i * 50_000_000 + pad * 2_000_000 + int(rng.gauss(0, 500_000))
            wire = round((0.0, 243.0, 251.7)[i // 1500 % 3] + 0.3 + rng.gauss(0, 0.1), 1)
            rows.add(
                Sample(
                    pad=f"P{pad + 1}",
                    t_mono_ns=t_ns,
                    t_wall_ns=t_ns + T_WALL_NS + rng.randrange(400),
                    mass_wire_kg=wire,
                    mass_kg=wire - 0.2871,
                    resolution_kg=0.1,
                    battery_V=round(2.9 - i * 1e-6, 1),
                    signal_dBm=-60.0 - rng.randrange(3) * (i % 20 == 0),
                ),
                T_WALL_NS,
            )
            count += 1
    mark = seal(tmp_path, "barn", "run-000001", 1, rows.tables("run-000001"), {})
    assert sum(file["rows"] for file in mark["files"]) == count
    assert sum(file["bytes"] for file in mark["files"]) / count < 4.0


def test_the_daemons_path_never_imports_pandas(tmp_path: Path) -> None:
    code = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parents[1])!r})
from pathlib import Path
from support.small_bay import LiveBay, stream
live = LiveBay(Path({str(tmp_path)!r}))
for entry in stream(14):
    live.feed(entry)
live.close()
assert len(list(Path({str(tmp_path)!r}).rglob("*.parquet"))) > 3
print(sorted(name for name in ("pandas", "scipy", "matplotlib", "numba") if name in sys.modules))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")


def test_a_disk_that_refuses_is_tried_again(tmp_path: Path, troubles: Troubles) -> None:
    (tmp_path / "dataset").write_bytes(b"")
    store = Store(tmp_path, "barn", StoreSettings(look_ms=5, retry_s=0.02), troubles[1])
    store_all(store, [sample(i) for i in range(5)])
    store.at(2, sample(9))
    _wait_for(lambda: troubles[0] == ["store_blocked"])
    (tmp_path / "dataset").unlink()
    _wait_for(lambda: len(troubles[0]) == 2)
    store.close()
    assert troubles[0] == ["store_blocked", "store_restored"]
    assert [mark["segment"] for mark in marks(store.folder)] == [1]
    ((_, back),) = samples_by_run(store.folder)
    assert back == [sample(i) for i in range(5)]


def test_a_write_that_fails_leaves_nothing_half_written(tmp_path: Path, monkeypatch: Any) -> None:
    """On a full disk what is half written would take the space that the next try needs."""

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    path = tmp_path / "a" / "mark.json"
    write_whole(path, b"before")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"after")
    monkeypatch.undo()
    assert [file.name for file in path.parent.iterdir()] == ["mark.json"]
    assert path.read_bytes() == b"before"


def test_a_store_that_cannot_keep_up_leaves_the_segment_to_the_journal(
    tmp_path: Path, troubles: Troubles
) -> None:
    store = Store(tmp_path, "barn", StoreSettings(look_ms=10_000, queue_records=10), troubles[1])
    store_all(store, [sample(i) for i in range(30)])
    assert store.dropped == 21  # the turn to the segment takes a place too
    store.close()
    assert troubles[0] == ["store_behind"]
    assert list(marks(store.folder)) == []
    assert files(store.folder, "samples") == []


def test_a_refusing_disk_does_not_fill_the_memory(tmp_path: Path, troubles: Troubles) -> None:
    (tmp_path / "dataset").write_bytes(b"")
    store = Store(tmp_path, "barn", StoreSettings(look_ms=5, retry_s=0.01, waiting_segments=2), troubles[1])
    for segment in range(1, 6):
        store.at(segment, sample(segment))
        store.put(sample(segment))
        store.segment_closed(segment, SEGMENT_PATH, "")
    _wait_for(lambda: troubles[0].count("store_behind") >= 2)
    (tmp_path / "dataset").unlink()
    _wait_for(lambda: "store_restored" in troubles[0])
    store.close()
    assert {mark["segment"] for mark in marks(store.folder)} <= {3, 4, 5}


def test_half_written_files_are_no_part_of_the_dataset(
    a_run: Run, tmp_path: Path, troubles: Troubles
) -> None:
    rows = SegmentRows()
    rows.add(sample(1), T_WALL_NS)
    seal(tmp_path, "barn", "run-000001", 1, rows.tables("run-000001"), {})
    (path,) = files(tmp_path, "samples")
    left = path.with_name(".tmp-run-000001-000002.parquet")
    left.write_bytes(path.read_bytes()[:100])
    assert files(tmp_path, "samples") == [path]
    assert len(pd.read_parquet(tmp_path / "samples")) == 1
    tidy(tmp_path, troubles[1])
    assert troubles[0] == ["store_tidied"]
    assert not left.exists()


def test_sealed_files_that_change_are_known(tmp_path: Path) -> None:
    rows = SegmentRows()
    rows.add(sample(1), T_WALL_NS)
    mark = seal(tmp_path, "barn", "run-000001", 1, rows.tables("run-000001"), {})
    (path,) = files(tmp_path, "samples")
    assert faults(tmp_path, mark, deep=True) == []
    whole = path.read_bytes()
    path.write_bytes(whole[:-1])
    assert "bytes where" in faults(tmp_path, mark)[0]
    path.write_bytes(bytes([whole[0] ^ 1]) + whole[1:])
    assert faults(tmp_path, mark) == []
    assert "not those that were sealed" in faults(tmp_path, mark, deep=True)[0]
    path.unlink()
    assert "missing" in faults(tmp_path, mark)[0]
    mark_path(tmp_path, "run-000001", 1).write_bytes(b"{")
    assert list(marks(tmp_path)) == []


def _wait_for(what: Callable[[], bool]) -> None:
    end = time.monotonic() + 5
    while not what():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.005)
