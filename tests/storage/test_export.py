"""`restpoint export`: what leaves the house can be read by others and by ourselves."""

from __future__ import annotations

import argparse
import csv
import json
import shutil
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from logger.cli import export as verb
from logger.export import export
from logger.journal_folder import find_runs
from logger.journal_segment import Entry
from logger.model import Record, Rest, Sample
from logger.played import json_lines
from logger.replay import make_bay, open_recordings
from logger.store.dataset import files, rests

Run = tuple[Path, list[Entry], list[Record]]


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    verb.arguments(parser)
    return verb.run(parser.parse_args(words))


def test_csv_of_samples_replays(a_run: Run, tmp_path: Path) -> None:
    folder, _, records = a_run
    name = find_runs(folder)[0].name
    written = export(folder / "dataset", tmp_path, "csv")
    assert sorted(path.name for path in written) == [
        *("car_rests.csv", "events.csv", "rests.csv", f"samples-{name}.csv")
    ]
    path = tmp_path / f"samples-{name}.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    samples = [record for record in records if isinstance(record, Sample)]
    assert len(rows) == len(samples)
    assert {row["unit"] for row in rows} == {"kg"}
    assert float(rows[0]["t_s"]) == 0.0
    (one,) = open_recordings(path, make_bay=make_bay)
    loads = [json.loads(line) for line in json_lines(one)]
    heavy = [row["final_value"] for row in loads if row["kind"] == "rest" and row["pad"] == "P1"]
    stored = [rest.mass_kg for rest in rests(folder / "dataset") if rest.pad == "P1" and rest.mass_kg > 50]
    assert [v for v in heavy if v > 50] == pytest.approx(stored, abs=0.05)
    with (tmp_path / "rests.csv").open(newline="") as file:
        assert "mass_kg [kg]" in next(csv.reader(file))


def test_json_and_parquet_hold_every_row(a_run: Run, tmp_path: Path) -> None:
    folder, _, records = a_run
    export(folder / "dataset", tmp_path, "json")
    lines = (tmp_path / "rests.jsonl").read_text().splitlines()
    assert len(lines) == sum(isinstance(record, Rest) for record in records)
    assert json.loads(lines[0])["run"] == find_runs(folder)[0].name
    export(folder / "dataset", tmp_path, "parquet")
    assert pq.read_schema(tmp_path / "samples.parquet").field("mass_kg").metadata[b"unit"] == b"kg"
    assert len(pd.read_parquet(tmp_path / "samples.parquet")) == sum(isinstance(r, Sample) for r in records)


def test_the_command_names_what_it_wrote(
    a_run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(str(a_run[0]), "--to", "parquet", "--out", str(tmp_path)) == 0
    assert str(tmp_path / "samples.parquet") in capsys.readouterr().out.splitlines()
    assert run(str(tmp_path), "--to", "csv") == 2
    assert "name the bay's folder" in capsys.readouterr().err


def test_check_compares_with_the_hashes(
    a_run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(a_run[0], folder)
    assert run(str(folder), "--check") == 0
    assert "as they were sealed" in capsys.readouterr().out
    spoilt = [find_runs(folder)[0].segments[1], files(folder / "dataset", "samples")[0]]
    for path in spoilt:
        whole = bytearray(path.read_bytes())
        whole[len(whole) // 2] ^= 4
        path.write_bytes(whole)
    assert run(str(folder), "--check") == 1
    out = capsys.readouterr().out
    assert all(f"{path}: its bytes are not those that were sealed" in out for path in spoilt)


def test_rebuild_makes_the_dataset_again(
    a_run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(a_run[0], folder)
    path = files(folder / "dataset", "rests")[1]
    before = path.read_bytes()
    path.unlink()
    assert run(str(folder), "--rebuild") == 0
    assert path.read_bytes() == before
    assert "5 segments made again" in capsys.readouterr().out
    assert run(str(tmp_path / "nothing"), "--rebuild") == 2
    assert "no journal here" in capsys.readouterr().err
