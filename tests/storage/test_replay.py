"""`restpoint replay`: the published JSON lines, from CSV, journal and dataset alike."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support import shared_data
from support.small_bay import CONFIG, T_WALL_NS

from logger.cli import replay as verb
from logger.clock import wall_text
from logger.journal_folder import find_runs
from logger.journal_segment import Entry
from logger.model import CarRest, Knock, PadCondition, Record, Rest
from logger.played import as_object, json_lines, kept
from logger.recording import RecordingError
from logger.replay import make_bay, open_recordings
from logger.store.dataset import car_rests, files, rests

Run = tuple[Path, list[Entry], list[Record]]
LB_KG = 0.45359237  # exact: yard and pound agreement 1959; NIST SP 811
INTERFACE = [
    "kind",
    "pad",
    "t_from_s",
    "t_declared_s",
    "t_to_s",
    "value",
    "u",
    "unit",
    "final_value",
    "final_u",
]


def replay(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the verb as a program of its own."""
    code = (
        "import argparse, sys; from logger.cli import replay; p = argparse.ArgumentParser();"
        "replay.arguments(p); sys.exit(replay.run(p.parse_args()))"
    )
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=False)


def objects(path: Path, **options: Any) -> list[dict[str, Any]]:
    lines = [line for one in open_recordings(path, make_bay=make_bay, **options) for line in json_lines(one)]
    return [json.loads(line) for line in lines]


def staircase(tmp_path: Path, unit: str = "kg", factor: float = 1.0, pads: str = "AB") -> Path:
    """Pads at 10 Hz with two levels of 6 s, B at twice A, d of 0.1."""
    path = tmp_path / f"staircase-{pads}-{unit}.csv"
    with path.open("w") as file:
        file.write("t_s,pad,value,unit\n")
        for pad in pads:
            for i in range(120):
                level = 100.0 if i < 60 else 140.0
                value = (level + 0.1 * (i % 7 == 3)) * (1 + (pad == "B")) * factor
                file.write(f"{100 + i / 10:.1f},{pad},{value!r},{unit}\n")
    return path


def test_rests_have_the_published_form(tmp_path: Path) -> None:
    found = [row for row in objects(staircase(tmp_path)) if row["kind"] == "rest"]
    assert {row["pad"] for row in found} == {"A", "B", "*"}
    for row in found:
        assert list(row)[:10] == INTERFACE
        assert row["unit"] == "kg"
        assert 100 <= row["t_from_s"] < row["t_declared_s"]
        assert row["t_from_s"] < row["t_to_s"] <= 111.9
        share = {"A": 1, "B": 2, "*": 3}[row["pad"]]
        level = 100 if row["t_from_s"] < 105 else 140
        assert row["final_value"] == pytest.approx(share * level, abs=0.1)
        assert row["value"] == pytest.approx(share * level, abs=0.2)
        assert 0 < row["u"] < 0.5
        assert row["open"] is False
    assert [row["t_from_s"] for row in found] == sorted(row["t_from_s"] for row in found)
    assert sum(row["pad"] == "A" for row in found) == 2


def test_a_mass_unit_changes_nothing_but_the_unit(tmp_path: Path) -> None:
    in_kg = objects(staircase(tmp_path))
    in_lb = objects(staircase(tmp_path, "lb", 1 / LB_KG))
    assert [row["kind"] for row in in_lb] == [row["kind"] for row in in_kg]
    for kg, lb in zip(in_kg, in_lb, strict=True):
        assert lb["unit"] == "lb"
        if kg["kind"] == "rest":
            assert lb["t_declared_s"] == kg["t_declared_s"]
            for name in ("value", "u", "final_value", "final_u"):
                assert lb[name] * LB_KG == pytest.approx(kg[name], rel=1e-6)


def test_units_that_are_no_mass_pass_as_they_are(tmp_path: Path) -> None:
    as_is = {"kg": objects(staircase(tmp_path)), "index units": objects(staircase(tmp_path, "index units"))}
    for kg, raw in zip(as_is["kg"], as_is["index units"], strict=True):
        assert raw == kg | {"unit": "index units"}


def test_pads_that_cannot_be_added_have_no_whole_car(tmp_path: Path) -> None:
    both = tmp_path / "both.csv"
    counts = staircase(tmp_path, "counts", pads="A").read_text()
    both.write_text(counts + staircase(tmp_path, "kg", pads="B").read_text().partition("\n")[2])
    found = [row for row in objects(both) if row["kind"] == "rest"]
    assert {(row["pad"], row["unit"]) for row in found} == {("A", "counts"), ("B", "kg")}


def test_the_staircase_of_a_hobby_converter(tmp_path: Path) -> None:
    """Nine rests each on LC1 and LC2, within three times u + sd of the plateaus read off the plot."""
    import csv

    path = shared_data("hx711_staircase", "swing_run1_serial.csv")
    found = [row for row in objects(path) if row["kind"] == "rest"]
    with shared_data("hx711_staircase", "truth_plateaus.csv").open() as file:
        plateaus = [row for row in csv.DictReader(file) if row["pad"] in ("LC1", "LC2")]
    for pad in ("LC1", "LC2"):
        mine = [row for row in found if row["pad"] == pad]
        assert len(mine) == 9
        for row, plateau in zip(mine, [p for p in plateaus if p["pad"] == pad], strict=True):
            assert row["unit"] == "counts"
            assert row["final_value"] == pytest.approx(
                float(plateau["mean_counts"]), abs=float(plateau["sd_counts"])
            )


def test_a_run_replays_to_the_rests_that_are_stored(a_run: Run) -> None:
    folder = a_run[0]
    (one,) = open_recordings(find_runs(folder)[0].folder, make_bay=make_bay)
    replayed = kept(one.records)
    assert sorted(map(repr, (r for r in replayed if isinstance(r, Rest)))) == sorted(
        map(repr, rests(folder / "dataset"))
    )
    assert [r for r in replayed if isinstance(r, CarRest)] == car_rests(folder / "dataset")
    assert len([r for r in replayed if isinstance(r, Rest)]) > 4


def test_times_of_a_run_count_from_its_start_and_carry_wall_times(a_run: Run) -> None:
    found = objects(a_run[0])
    rest = next(row for row in found if row["kind"] == "rest")
    assert 0 <= rest["t_from_s"] < 60
    assert rest["t_from_wall"] == wall_text(T_WALL_NS + round(rest["t_from_s"] * 1e9))
    assert objects(a_run[0], unit="lb")[-1]["unit"] == "lb"


def test_a_segment_and_a_config_beside_it_are_enough(a_run: Run, tmp_path: Path) -> None:
    segment = find_runs(a_run[0])[0].segments[0]
    alone = tmp_path / "some.arrows"
    alone.write_bytes(segment.read_bytes())
    with pytest.raises(RecordingError, match="--config FILE"):
        objects(alone)
    (tmp_path / "bay.toml").write_bytes(CONFIG)
    assert objects(alone, config=tmp_path / "bay.toml") == objects(segment)


def test_the_dataset_replays_to_the_same_levels(a_run: Run) -> None:
    """Without capacities there is no zero, so values are those on the wire; times are whole microseconds."""
    stored = [r for r in rests(a_run[0] / "dataset") if r.mass_kg > 50]
    found = [r for r in objects(a_run[0] / "dataset") if r["kind"] == "rest" and r["final_value"] > 50]
    pads = [row for row in found if row["pad"] != "*"]
    assert len(pads) == len(stored)
    for row, rest in zip(
        sorted(pads, key=lambda r: (r["pad"], r["t_from_s"])), stored_order(stored), strict=True
    ):
        assert row["final_value"] == pytest.approx(rest.mass_kg + rest.zero_kg, abs=0.02)


def stored_order(found: list[Rest]) -> list[Rest]:
    return sorted(found, key=lambda rest: (rest.pad, rest.t_from_mono_ns))


def test_a_journal_with_damage_is_replayed_around_it(a_run: Run, tmp_path: Path) -> None:
    (run,) = find_runs(a_run[0])
    copy = tmp_path / "run-000001"
    copy.mkdir()
    for path in (*run.segments, run.folder / "config.toml"):
        (copy / path.name).write_bytes(path.read_bytes())
    spoilt = bytearray((copy / "segment-000002.arrows").read_bytes())
    spoilt[spoilt.index(b" kg", len(spoilt) // 2)] ^= (
        255  # in a reading: filling between columns carries nothing
    )
    (copy / "segment-000002.arrows").write_bytes(spoilt)
    (one,) = open_recordings(copy, make_bay=make_bay)
    found = [json.loads(line) for line in json_lines(one)]
    assert len(one.notes) == 1
    assert sum(row["kind"] == "gap" and row["cause"] == "journal" for row in found) == 1


def test_every_field_of_a_record_has_its_place(tmp_path: Path) -> None:
    (one,) = open_recordings(staircase(tmp_path, "lb"), make_bay=make_bay)
    knock = as_object(Knock(pad="A", t_mono_ns=1_500_000_000, amplitude_kg=LB_KG), one)
    assert knock == {"kind": "knock", "pad": "A", "t_s": 1.5, "amplitude": 1.0, "unit": "lb"}
    condition = as_object(PadCondition(pad="A", condition="empty", since_mono_ns=0), one)  # type: ignore[arg-type]  # as decoded
    assert condition["since_s"] == 0.0


def test_the_command_prints_lines_and_notes(tmp_path: Path) -> None:
    path = staircase(tmp_path)
    path.write_text(path.read_text() + "112.0,A,,kg\n")
    done = replay(path, "--json")
    assert done.returncode == 0
    assert all(json.loads(line)["kind"] for line in done.stdout.splitlines())
    assert done.stderr == f"{path}: 1 missing values left out, the first at line 242\n"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["nothing.csv"], "no such file"),
        (["nothing"], "no journal here"),
        (["staircase-AB-kg.csv", "--rate", "10"], "leave --rate away"),
        (["rests.parquet"], "cannot be read"),
        (["cut.parquet"], "cannot be read"),
        (["empty.arrows"], "--config FILE"),
        (["empty.arrows", "--config", "bay.toml"], "nothing in it to replay"),
        (["empty.arrows", "--config", "bad.toml"], "capacity_kg"),
        (["empty.arrows", "--rate", "10"], "for CSV"),
    ],
)
def test_the_command_refuses_with_the_next_step(
    a_run: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    says: str,
) -> None:
    staircase(tmp_path)
    (tmp_path / "bay.toml").write_bytes(CONFIG)
    (tmp_path / "bad.toml").write_bytes(CONFIG.replace(b"capacity_kg", b"capacity"))
    (tmp_path / "empty.arrows").write_bytes(b"")
    (tmp_path / "nothing").mkdir()
    whole = files(a_run[0] / "dataset", "rests")[0].read_bytes()
    (tmp_path / "rests.parquet").write_bytes(whole)
    (tmp_path / "cut.parquet").write_bytes(whole[:-50])
    monkeypatch.chdir(tmp_path)
    parser = argparse.ArgumentParser()
    verb.arguments(parser)
    assert verb.run(parser.parse_args(words)) == 2
    out, err = capsys.readouterr()
    assert says in err
    assert out == ""


def test_the_command_lists_rests(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    verb.arguments(parser)
    assert verb.run(parser.parse_args([str(staircase(tmp_path)), "--segments"])) == 0
    assert len(capsys.readouterr().out.splitlines()) > 4
