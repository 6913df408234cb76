"""A ledger in and out of files: old schemas, exports, notes from CSV, other ledgers, pages."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from support import ROOT
from weighin.afternoons import (
    BEGAN_NS,
    BODY,
    DRIVER,
    MATS,
    SECOND_NS,
    SPARE,
    Rest,
    capture,
)
from weighin.conftest import CAR, do, keep, told

from logger.bookkeeping.source import opened
from logger.mechanics.solve import solve
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Known, weighing_from_capture
from logger.model import CORNERS
from logger.weigh_file import read_weighings


def test_a_ledger_of_schema_1_is_brought_up_and_tells_its_history(old: Path) -> None:
    history = told(old)
    assert [s.label for s in history.states] == ["build 1", "build 1 + driver", "build 2", "build 3"]
    spare, mats = history.steps
    for step, (mass, x, y) in ((spare, SPARE), (mats, MATS)):
        assert step.mass.value == pytest.approx(mass, abs=2 * step.mass.u)
        assert step.x.value == pytest.approx(x, abs=2 * step.x.u)
        assert step.y.value == pytest.approx(y, abs=2 * step.y.u)
    assert (spare.ref, spare.proposed, mats.name) == ("w1.1", True, "sound mats")
    assert spare.name == "part, behind the rear axle, centre"
    assert history.off.value == pytest.approx(SPARE[0] + MATS[0], abs=2 * history.off.u)
    (driver,) = history.people
    assert driver.mass.value == pytest.approx(DRIVER[0], abs=2 * driver.mass.u)
    with opened(old) as ledger:
        assert ledger.weigh_ins()[0].conditions["fuel_L"] == 22


def test_a_ledger_of_schema_2_tells_its_history_and_its_deeds(tmp_path: Path, capsys) -> None:
    with sqlite3.connect(tmp_path / "ledger.db") as db:
        db.executescript((Path(__file__).parent / "ledger_schema_2.sql").read_text(encoding="utf-8"))
    db.close()
    history = told(tmp_path)
    assert [step.name for step in history.steps] == ["spare wheel", "sound mats"]
    assert history.off.value == pytest.approx(SPARE[0] + MATS[0], abs=2 * history.off.u)
    assert do(tmp_path, "history", capsys).count("(undone)") == 1
    do(tmp_path, "undo", capsys)
    assert told(tmp_path).steps[0].name == "spare wheel and jack"


def test_every_schema_there_was_is_kept_as_a_sample() -> None:
    steps = sorted((ROOT / "logger/weighin/migrations").glob("*.sql"))
    kept = sorted(Path(__file__).parent.glob("ledger_schema_*.sql"))
    assert [int(step.name[:4]) for step in steps] == [int(path.stem[-1]) for path in kept]


def test_what_is_exported_comes_back_the_same(old: Path, tmp_path: Path, capsys) -> None:
    import pandas as pd
    import pyarrow.parquet as pq

    do(old, "name w1.1 'spare wheel'", capsys)
    listed = do(old, f"export --to csv --out {tmp_path}/csv", capsys).split()
    assert any(name.endswith("changes.csv") for name in listed)
    changes = pd.read_csv(tmp_path / "csv" / "changes.csv")
    assert list(changes["name"]) == ["spare wheel", "sound mats"]
    do(old, f"export --to json --out {tmp_path}/json", capsys)
    data = json.loads((tmp_path / "json" / "ledger.json").read_text(encoding="utf-8"))
    assert data["schema"] == 1
    assert data["changes"][0]["mass_kg"] == changes["mass_kg"][0]
    do(old, f"export --to parquet --out {tmp_path}/pq", capsys)
    table = pq.read_table(tmp_path / "pq" / "states.parquet")
    assert table.schema.field("total_kg").metadata == {b"unit": b"kg"}
    assert table["total_kg"].to_pylist()[0] == data["states"][0]["total_kg"]
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    (tmp_path / "wagtail.toml").write_text(CAR, encoding="utf-8")
    line = f"import {tmp_path}/csv/weighings-w1.csv --car {tmp_path}/wagtail.toml --when 2026-05-28"
    assert "5 captures in 3 builds" in do(fresh, line, capsys)
    again = told(fresh)
    assert [s.total.value for s in again.states] == pytest.approx(
        [s.total.value for s in told(old).states], abs=1e-6
    )
    assert [s.label for s in again.states] == [s.label for s in told(old).states]
    assert [s.mass.value for s in again.steps] == pytest.approx(
        [s.mass.value for s in told(old).steps], abs=1e-6
    )
    assert [p.name for p in again.people] == ["driver"]
    assert "taken in already, as w1" in do(fresh, line, capsys, code=1)


def test_shims_are_taken_in_and_out(tmp_path: Path, capsys) -> None:
    """A shim test in old notes keeps telling the stiffness: of the ledger, and of the files made from it."""
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    rows = [
        f"{run},out,S{n},{corner},P{n},{kg + sign * warp:.2f},kg,0.05,{shim if corner == 'RF' else 0}"
        for run, shim, warp in (("1", 0, 0.0), ("2", 0, 0.4), ("3", 5, 4.5), ("4", 5, 4.9))
        for n, (corner, kg, sign) in enumerate(
            (("LF", 285, -1), ("RF", 280, 1), ("LR", 201, 1), ("RR", 199, -1)), 1
        )
    ]
    old_notes = tmp_path / "old.csv"
    head = "run,facing,spot,corner,pad,value,unit,u,shim_mm"
    old_notes.write_text("\n".join([head, *rows]), encoding="utf-8")
    do(tmp_path, f"import {old_notes} --car {tmp_path}/car.toml --when 2026-01-10", capsys)
    stiffness = told(tmp_path).states[0].solution.floor["stiffness"]
    assert stiffness.u < 0.3 * stiffness.value
    do(tmp_path, f"export --to csv --out {tmp_path}/csv", capsys)
    again = read_weighings(tmp_path / "csv" / "weighings-w1.csv", Known()).weighings
    assert [w.shims_m[1] for w in again] == [0.0, 0.0, 0.005, 0.005]


def test_zeros_that_rests_share_are_taken_in_and_out(tmp_path: Path, capsys) -> None:
    """Three runs that share a zero of 0.3 kg a pad: the total of the ledger and of its files has it whole."""
    (tmp_path / "car.toml").write_text(CAR + "[pads]\ngain_u = 0\n", encoding="utf-8")
    rows = [
        f"{run},out,S{n},{corner},P{n},{kg},kg,0.1,0.3,noon"
        for run in "123"
        for n, (corner, kg) in enumerate((("LF", 285), ("RF", 280), ("LR", 201), ("RR", 199)), 1)
    ]
    old_notes = tmp_path / "old.csv"
    head = "run,facing,spot,corner,pad,value,unit,u,zero_u,zero"
    old_notes.write_text("\n".join([head, *rows]), encoding="utf-8")
    do(tmp_path, f"import {old_notes} --car {tmp_path}/car.toml --when 2026-01-10", capsys)
    whole = (0.6**2 + 0.2**2 / 3) ** 0.5
    with opened(tmp_path) as ledger:
        kept = [weighing_from_capture(c) for c in ledger.captures(1)]
    assert np.allclose([w.zero_u_kg for w in kept], 0.3)
    assert solve(kept, Geometry(), Known(gain_u=0.0)).total.u == pytest.approx(whole, rel=0.02)
    do(tmp_path, f"export --to csv --out {tmp_path}/csv", capsys)
    again = read_weighings(tmp_path / "csv" / "weighings-w1.csv", Known()).weighings
    assert solve(again, Geometry(), Known(gain_u=0.0)).total.u == pytest.approx(whole, rel=0.02)


def test_builds_that_old_notes_named_name_their_changes(tmp_path: Path, capsys) -> None:
    examples = ROOT / "deploy/examples"
    line = f"import {examples}/wagtail-builds.csv --car {examples}/wagtail.toml --when 2026-01-10"
    assert "7 captures in 2 builds" in do(tmp_path, line, capsys)
    (step,) = told(tmp_path).steps
    assert (step.name, step.proposed) == ("spare wheel out", False)
    assert step.mass.value == pytest.approx(SPARE[0], abs=2 * step.mass.u)
    (driver,) = told(tmp_path).people
    assert driver.mass.value == pytest.approx(DRIVER[0], abs=2 * driver.mass.u)


def test_another_ledger_is_taken_in_once(old: Path, tmp_path: Path, capsys) -> None:
    do(old, "add note 'scrubbed tyres' --of w1", capsys)
    do(old, "add aboard laptop --weigh-in w1 --mass '2 ± 0.1 kg'", capsys)
    here = tmp_path / "here"
    here.mkdir()
    keep(here, [capture(1, Rest([BODY], "build 1"))], [], BEGAN_NS - 86400 * SECOND_NS)
    said = do(here, f"import {old}/ledger.db", capsys)
    assert "w2: Wagtail, was w1" in said
    assert "1 weigh-ins and 2 facts" in said
    assert "scrubbed tyres" in do(here, "search w2", capsys)
    assert [s.weigh_in for s in told(here).states] == [1, 2, 2, 2, 2]
    assert "0 weigh-ins and 0 facts" in do(here, f"import {old}/ledger.db", capsys)


def test_pounds_are_noticed_though_the_car_was_renamed_and_told_if_taken_all_the_same(
    old: Path, tmp_path: Path, capsys
):
    do(old, "name car:Wagtail Dipper", capsys)
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    loads = zip(range(1, 5), CORNERS, (635, 600, 450, 445), strict=True)
    rows = [f"1,out,S{n},{corner},P{n},{kg},kg" for n, corner, kg in loads]
    file = tmp_path / "pounds.csv"
    file.write_text("\n".join(["run,facing,spot,corner,pad,value,unit", *rows]), encoding="utf-8")
    line = f"import {file} --car {tmp_path}/car.toml --when 2030-01-10"
    assert "entered as kg" in do(old, line, capsys, code=1)
    assert "w2: Dipper, 1 capture in 1 build" in do(old, f"{line} --as-it-is", capsys)
    assert any(doubt.startswith("w2: The total of 2130 kg") for doubt in told(old).doubts)
    assert "cannot be read" in do(old, f"import no.csv --car {tmp_path}/car.toml", capsys, code=1)


def test_pounds_entered_as_kilograms_are_noticed_against_the_last_weigh_in(old: Path, tmp_path: Path, capsys):
    (tmp_path / "wagtail.toml").write_text(CAR, encoding="utf-8")
    loads = {"LF": 614, "RF": 610, "LR": 445, "RR": 440}
    spots = dict(zip(loads, ("S1", "S2", "S3", "S4"), strict=True))
    lines = ["run,facing,spot,corner,pad,value,unit"]
    lines += [f"1,out,{spots[c]},{c},P{spots[c][1]},{v},kg" for c, v in loads.items()]
    (tmp_path / "old.csv").write_text("\n".join(lines), encoding="utf-8")
    line = f"import {tmp_path}/old.csv --car {tmp_path}/wagtail.toml"
    said = do(old, line, capsys, code=1)
    assert "were values in lb entered as kg?" in said
    assert "Nothing was added" in said
    with opened(old) as ledger:
        assert len(ledger.weigh_ins()) == 1
    assert "w2" in do(old, f"{line} --as-it-is", capsys)


def test_the_page_shows_plan_stair_and_wandering_centre(old: Path, capsys) -> None:
    path = Path(do(old, "page --target '2050 lb' --unit lb", capsys).strip())
    page = path.read_text(encoding="utf-8")
    assert page.count("<svg") == 4
    assert "still to be found" in page
    assert "behind the rear axle" in page
    assert " lb" in page
    assert "How the centre of mass moved over 3 builds" in page
