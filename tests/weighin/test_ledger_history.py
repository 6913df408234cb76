"""What people do with a ledger: names, corrections, merges, undo, things typed in; and its history."""

from __future__ import annotations

import json
import shlex
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from support import ROOT
from weighin.afternoons import (
    BEGAN_NS,
    BODY,
    DRIVER,
    GEOMETRY,
    MATS,
    SECOND_NS,
    SPARE,
    Rest,
    afternoon,
    capture,
    change,
)

from logger.bookkeeping.source import one_history, opened
from logger.cli import main
from logger.mechanics.weighing import Known
from logger.model import CORNERS, Capture, Change
from logger.quantity import Quantity
from logger.weigh_file import read_weighings
from logger.weighin.ledger import Ledger
from logger.weighin.naming import Placed, propose_name
from logger.weighin.states import History

CAR = """name = "Wagtail"
wheelbase_m = 2.430
track_front_m = 1.405
track_rear_m = 1.395
"""


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A bay's folder with a ledger as schema 1 left it."""
    with sqlite3.connect(tmp_path / "ledger.db") as db:
        db.executescript((Path(__file__).parent / "ledger_schema_1.sql").read_text(encoding="utf-8"))
    db.close()
    return tmp_path


def keep(folder: Path, captures: list[Capture], changes: list[Change], begun_ns: int = BEGAN_NS) -> None:
    ledger = Ledger(folder / "ledger.db")
    weigh_in = ledger.begin(ledger.car("Wagtail", 2.43, 1.405, 1.395), "barn", "b", "c", begun_ns, {})
    for c in captures:
        ledger.put_capture(weigh_in, replace(c, t_wall_ns=begun_ns + c.t_mono_ns), begun_ns)
    for step in changes:
        ledger.put_change(weigh_in, step, begun_ns)
    ledger.end(weigh_in, begun_ns + 1000 * SECOND_NS)
    ledger.close()


def told(folder: Path) -> History:
    with opened(folder) as ledger:
        return one_history(ledger, None)


def rows(folder: Path) -> int:
    db = sqlite3.connect(folder / "ledger.db")
    count = sum(db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("capture", "change", "fact"))
    db.close()
    return count


def do(folder: Path, line: str, capsys: pytest.CaptureFixture[str], code: int = 0) -> str:
    """Run `restpoint ledger ACTION FOLDER …` and return what it printed (or complained)."""
    action, *more = shlex.split(line)
    assert main(["ledger", action, str(folder), *more]) == code
    out, err = capsys.readouterr()
    return out if code == 0 else err


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


def test_name_rename_and_undo_keep_every_revision(old: Path, capsys) -> None:
    do(old, "list", capsys)
    before = rows(old)
    assert "behind the rear axle" in do(old, "name w1.1", capsys)
    do(old, "name w1.1 'spare wheel and jack'", capsys)
    assert told(old).steps[0].name == "spare wheel and jack"
    assert "spare wheel and jack" in do(old, "changes", capsys)
    do(old, "undo", capsys)
    assert told(old).steps[0].name == "part, behind the rear axle, centre"
    do(old, "undo", capsys)
    assert told(old).steps[0].proposed
    assert rows(old) == before + 4
    assert "nothing to undo" in do(old, "undo", capsys, code=1)
    listed = do(old, "history", capsys)
    assert listed.count("(undone)") == 2
    assert "deed 1 is undone already" in do(old, "undo 1", capsys, code=1)
    do(old, "undo 4", capsys)
    assert told(old).steps[0].name == "part, behind the rear axle, centre"
    do(old, "name w1.1 jack", capsys)
    assert "was changed again since" in do(old, "undo 1", capsys, code=1)
    assert "undo: name w1.1" in listed


def test_a_part_typed_in_is_marked_and_counts_from_then_on(old: Path, capsys) -> None:
    said = do(old, "add part 'tow bar' --off --mass 20lb --x '-0.6 m' --y 0in", capsys)
    assert "e1: part tow bar" in said
    assert "± 10%" in said
    history = told(old)
    (since,) = history.since
    assert since.mass.value == pytest.approx(-20 * 0.45359237)
    assert since.mass.u == pytest.approx(0.05 * 20 * 0.45359237)
    assert (since.basis, since.how) == ("typed", "estimated")
    shown = do(old, "changes --target '930 kg'", capsys)
    assert "(estimated)" in shown
    assert "1 change typed in since" in shown
    assert "2.3 ± 0.9 kg still to be found" in shown
    do(old, "correct e1 --mass '8 ± 0.2 kg' --basis 'luggage scale'", capsys)
    assert told(old).since[0].mass == Quantity(-8.0, 0.1, "kg")
    assert "luggage scale" in do(old, "history e1", capsys)
    do(old, "discard e1", capsys)
    assert told(old).since == ()
    do(old, "undo", capsys)
    assert told(old).since[0].how == "luggage scale"


def test_what_cannot_be_is_refused_in_words(old: Path, capsys) -> None:
    cases = {
        "add part anvil --on --mass '1200 kg'": "more than the car's 941",
        "add part anvil --on --mass '12'": "has no unit",
        "add part anvil --on --mass '-12 kg'": "--off or --on",
        "add part anvil --on --mass '12 stone'": "unit 'stone' is none of kg",
        "add note hm --of w9": "there is no weigh-in w9",
        "name w1.7 x": "w1 has 2 changes",
        "name 17 x": "is no reference",
        "merge w1.1 w1.9": "there is no w1.9",
        "correct e3 --mass '2 kg'": "there is no e3",
        "show --weigh-in w4": "there are: w1",
        "changes --car Dipper": "there are Wagtail",
    }
    for line, words in cases.items():
        assert words in do(old, line, capsys, code=1), line
    assert rows(old) == 8
    empty = old / "nothing"
    empty.mkdir()
    assert "is not there" in do(empty, "list", capsys, code=1)


def test_what_is_too_light_has_no_place_and_still_a_mass(tmp_path: Path, capsys) -> None:
    before = capture(1, Rest([BODY], "build 1"), noise_kg=0.0)
    after = capture(2, Rest([BODY, (-0.25, 1.0, 0.3)], "build 2"), noise_kg=0.0)
    keep(tmp_path, [before, after], [change(1, before, after)])
    (step,) = told(tmp_path).steps
    assert step.mass.value == pytest.approx(-0.25, abs=0.01)
    assert (step.x, step.too_light, step.name) == (None, True, "light part")
    assert "too light to locate" in do(tmp_path, "changes", capsys)
    shown = do(tmp_path, "show --unit lb", capsys)
    assert "too light to locate" in shown
    assert "change 1 has no name yet; proposed: 'light part'" in shown


def test_two_changes_merge_into_one(old: Path, capsys) -> None:
    do(old, "merge w1.1 w1.2", capsys)
    (both,) = told(old).steps
    assert both.mass.value == pytest.approx(SPARE[0] + MATS[0], abs=2 * both.mass.u)
    do(old, "undo", capsys)
    assert len(told(old).steps) == 2


def test_a_typed_part_that_was_weighed_after_all_counts_once(old: Path, capsys) -> None:
    do(old, "add part 'sound mats' --off --mass '9 kg'", capsys)
    assert "came off twice (w1.2 and e1)" in do(old, "changes", capsys)
    do(old, "merge w1.2 e1", capsys)
    assert "twice" not in do(old, "changes", capsys)


def test_a_capture_taken_the_wrong_way_round_is_put_right(tmp_path: Path, capsys) -> None:
    captures, changes = afternoon()
    right = captures[1]
    at = {load.spot: load for load in right.loads}
    spots = {"LF": "S1", "RF": "S2", "LR": "S3", "RR": "S4"}
    wrong = replace(
        right,
        facing="out",
        loads=tuple(replace(at[s], corner=c) for c, s in spots.items()),
        covariance_kg2=right.covariance_kg2,
    )
    keep(tmp_path, [captures[0], wrong, *captures[2:]], changes)
    assert "facing back" in do(tmp_path, "correct w1.c2 --facing back", capsys)
    with opened(tmp_path) as ledger:
        assert ledger.captures(1)[1].loads == right.loads
    do(tmp_path, "undo", capsys)
    with opened(tmp_path) as ledger:
        assert ledger.captures(1)[1].facing == "out"


def test_duplicates_and_facings_with_different_builds_are_pointed_out(tmp_path: Path, capsys) -> None:
    one = capture(1, Rest([BODY], "build 1"))
    twin = replace(one, number=2, t_rest_from_mono_ns=9)
    other = capture(3, Rest([BODY, SPARE], "build 2", facing="back", placement=2))
    keep(tmp_path, [one, twin, other], [change(1, twin, other)])
    doubts = " ".join(told(tmp_path).doubts)
    assert "Captures 1 and 2 of w1 are equal to the last digit" in doubts
    assert "the facings have different builds (out: build 1; back: build 2)" in doubts
    do(tmp_path, "discard w1.c2", capsys)
    assert "equal to the last digit" not in " ".join(told(tmp_path).doubts)


def test_between_two_weigh_ins_what_changed_is_set_against_what_was_typed_in(tmp_path: Path, capsys) -> None:
    keep(tmp_path, [capture(1, Rest([BODY], "build 1"))], [])
    cage = (31.5, 0.86, 0.0)
    later = BEGAN_NS + 86400 * SECOND_NS
    keep(tmp_path, [capture(2, Rest([BODY, cage], "build 1"))], [], later)
    do(tmp_path, "add part 'roll cage' --on --mass '31 ± 1 kg' --when 2026-05-29", capsys)
    history = told(tmp_path)
    between = next(s for s in history.steps if s.basis == "between")
    assert between.mass.value == pytest.approx(31.5, abs=2 * between.mass.u)
    assert between.x.value == pytest.approx(0.86, abs=2 * between.x.u)
    assert "typed in for the time between: roll cage, together 31.0 ± 1.0 kg" in between.how
    assert history.on.value == between.mass.value
    assert history.since == ()
    do(tmp_path, "add part 'tow bar' --off --mass '9 ± 1 kg' --when 2019-07-01 --basis 'old note'", capsys)
    assert told(tmp_path).off == Quantity(-9.0, 0.5, "kg")


def test_things_aboard_and_surplus_fuel_are_taken_off_the_state(old: Path, capsys) -> None:
    before = told(old).states[0]
    do(old, "add aboard toolbox --weigh-in w1 --mass '12.0 ± 0.2 kg' --x '0.1 m' --y '0.3 m'", capsys)
    do(
        old,
        "add fluid fuel --weigh-in w1 --volume '32 ± 1 L' --standard '22 L' --x '0.3 m' --y '0 m'",
        capsys,
    )
    after = told(old).states[0]
    assert before.total.value - after.total.value == pytest.approx(12 + 10 * 0.75)
    assert after.total.u > before.total.u
    assert after.x.value > before.x.value
    assert after.front.value == pytest.approx(after.x.value / 2.43, rel=1e-9)
    shown = do(old, "show", capsys)
    assert "aboard, taken off: toolbox 12.00 ± 0.20 kg" in shown
    assert "fuel above the standard level 7.5 ± 0.8 kg" in shown


def test_conditions_notes_photos_people_and_search(old: Path, capsys) -> None:
    do(old, "add condition temperature_C=4 fuel_L= --weigh-in w1", capsys)
    do(old, "add photo photos/boot.jpg --of w1.1 --caption 'empty boot'", capsys)
    do(old, "add note 'left rear damper sticks' --of w1", capsys)
    do(old, "add person 'tall driver' --mass '84 kg' --x '1.0 m' --y '0.36 m'", capsys)
    with opened(old) as ledger:
        assert ledger.weigh_ins()[0].conditions["temperature_C"] == 4
        assert "fuel_L" not in ledger.weigh_ins()[0].conditions
    assert "photos/boot.jpg" in do(old, "search BOOT", capsys)
    assert "damper sticks" in do(old, "search damper w1", capsys)
    assert "sound mats" in do(old, "search mats", capsys)
    assert do(old, "search turbo", capsys) == "Nothing found.\n"
    assert "tall driver: 84" in do(old, "people", capsys)
    assert "left rear damper" in do(old, "show", capsys)
    assert "photo w1.1" in do(old, "show", capsys)


def test_only_a_part_is_merged_with_a_part_and_show_takes_a_number(old: Path, capsys) -> None:
    do(old, f"add car {ROOT}/deploy/examples/wagtail.toml", capsys)
    do(old, "add part 'tow bar' --off --mass '9 ± 1 kg'", capsys)
    assert "e1 is no typed part of Wagtail" in do(old, "merge e1 e2", capsys, code=1)
    assert "w1  Wagtail" in do(old, "show w1", capsys)
    assert "there is no weigh-in w9" in do(old, "show w9", capsys, code=1)


def test_cars_are_renamed_and_merged_and_a_bay_still_finds_them(old: Path, capsys) -> None:
    do(old, "name car:Wagtail Dipper", capsys)
    assert told(old).car == "Dipper"
    keep(old, [capture(1, Rest([BODY], "build 1"))], [], BEGAN_NS + 86400 * SECOND_NS)
    assert [s.weigh_in for s in told(old).states][-1] == 2
    ledger = Ledger(old / "ledger.db")
    other = ledger.begin(ledger.car("wagtail ", None, None, None), "barn", "b", "c", BEGAN_NS + 1, {})
    ledger.close()
    do(old, "merge car:Dipper 'car:wagtail '", capsys)
    with opened(old) as opened_ledger:
        assert {row.car for row in opened_ledger.weigh_ins()} == {"Dipper"}
        assert other in {row.id for row in opened_ledger.weigh_ins()}
    do(old, "undo", capsys)
    with opened(old) as opened_ledger:
        assert {row.car for row in opened_ledger.weigh_ins()} == {"Dipper", "wagtail "}


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


def test_names_come_from_place_mass_and_what_sat_there() -> None:
    def near(mass: float, x: float, y: float, *earlier: Placed) -> str:
        at = (Quantity(x, 0.02, "m"), Quantity(y, 0.02, "m"))
        return propose_name(Quantity(mass, 0.1, "kg"), *at, GEOMETRY, earlier)

    assert near(-2.0, 2.2, 0.5) == "light part, front left"
    assert near(-40.0, 1.2, -0.4) == "heavy part, middle right"
    assert near(10.0, 2.9, 0.0) == "part, ahead of the front axle, centre"
    battery = Placed(
        name="big battery",
        mass=Quantity(-16.1, 0.1, "kg"),
        x=Quantity(2.71, 0.03, "m"),
        y=Quantity(0.41, 0.03, "m"),
    )
    assert near(5.3, 2.72, 0.40, battery) == "part, ahead of the front axle, left, where big battery sat"
    assert near(16.0, 2.70, 0.42, battery) == "big battery"
    assert near(-16.0, 2.70, 0.42, battery) == "big battery again"
    assert propose_name(Quantity(-0.4, 0.3, "kg"), None, None, GEOMETRY) == "light part"


@settings(deadline=None, max_examples=15)
@given(
    mass=st.floats(3, 60),
    x=st.floats(-0.5, 2.8),
    y=st.floats(-0.7, 0.7),
)
def test_adding_then_removing_a_part_is_nothing(mass: float, x: float, y: float) -> None:
    from logger.car_file import Car
    from logger.mechanics.weighing import Allowances, Known
    from logger.weighin.history import history
    from logger.weighin.states import WeighIn

    thing = (mass, x, y)
    captures = [
        capture(n, Rest(masses, f"build {n}"), noise_kg=0.0)
        for n, masses in enumerate(([BODY], [BODY, thing], [BODY]), 1)
    ]
    changes = [change(1, captures[0], captures[1]), change(2, captures[1], captures[2])]
    car = Car(name="Wagtail", geometry=GEOMETRY, known=Known(), allowances=Allowances())
    weigh_in = WeighIn(id=1, t_wall_ns=0, captures=captures, changes=changes, car=car)
    told_ = history("Wagtail", [weigh_in], [])
    assert told_ is not None
    on, off = told_.steps
    assert on.mass.value == pytest.approx(-off.mass.value, abs=1e-3)
    assert on.mass.value == pytest.approx(mass, abs=1e-2)
    assert off.name == on.name
    assert np.allclose(told_.states[0].solution.loads_kg, told_.states[2].solution.loads_kg, atol=1e-3)
