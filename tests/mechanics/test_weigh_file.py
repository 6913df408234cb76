"""`restpoint weigh FILE.csv --car CAR.toml`: files as people write them, good and bad."""

from __future__ import annotations

import argparse
import json
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mechanics.worlds import PADS, STATE, STIFFNESS, true_loads, weighing
from support import ROOT

from logger.cli import weigh
from logger.mechanics.solve import solve
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Allowances, Known
from logger.model import CORNERS
from logger.typed_toml import ConfigError
from logger.units import G_N, IN_M, LB_KG
from logger.weigh_file import read_weighings

CAR = 'name = "Wagtail"\nwheelbase_m = 2.430\ntrack_front_m = 1.405\ntrack_rear_m = 1.395\n'
HEADER = "run,facing,spot,corner,pad,value,unit,u,shim_mm"
FIGURES = ("total", "front", "left", "cross", "x", "y", "kappa")


def rows_of(w, *, unit="kg", u=0.1, digits=2, run=None):
    per = LB_KG if unit == "lb" else 1.0
    shown = "" if u is None else f"{u / per:.5f}"
    return [
        f"{run or w.run},{w.facing},{w.spots[i]},{CORNERS[i]},{w.pads[i]},"
        f"{w.loads_kg[i] / per:.{digits}f},{unit},{shown},{1e3 * w.shims_m[i]:g}"
        for i in range(4)
    ]


def session(seed=1, heights=(0.0,) * 4, **more):
    """Three runs out and three back, in kilograms and pounds."""
    rng = np.random.default_rng(seed)
    found = []
    for facing, pads, unit in (("out", PADS, "kg"), ("back", PADS[::-1], "lb")):
        for n in range(3):
            w = weighing(
                facing, pads, noise=rng.normal(0, 0.1, 4), kappa=rng.normal(0, 1.0), heights=heights, **more
            )
            found.append((w, unit, str(n + 1)))
    return [row for w, unit, run in found for row in rows_of(w, unit=unit, run=run)]


@pytest.fixture
def run(tmp_path, capsys):
    def go(rows, car=CAR, *words, header=HEADER):
        (tmp_path / "a.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        (tmp_path / "car.toml").write_text(car, encoding="utf-8")
        parser = argparse.ArgumentParser()
        weigh.arguments(parser)
        code = weigh.run(
            parser.parse_args([str(tmp_path / "a.csv"), "--car", str(tmp_path / "car.toml"), *words])
        )
        out, err = capsys.readouterr()
        return code, out, err.replace(str(tmp_path), "")

    return go


@pytest.fixture
def solved(run):
    def go(rows, car=CAR, header=HEADER):
        code, out, err = run(rows, car, "--json", header=header)
        assert (code, err) == (0, "")
        return json.loads(out)

    return go


def test_the_json_that_others_read(solved):
    """Every figure with value, u and unit; lists of sentences; ranked placements with the expected u."""
    got = solved(session())
    for name in FIGURES:
        assert set(got[name]) == {"value", "u", "unit"}
        assert got[name]["u"] > 0
    assert got["total"]["value"] == pytest.approx(968, abs=0.3)
    assert got["front"]["value"] == pytest.approx(1.41 / 2.43, abs=2e-4)
    assert got["x"]["value"] == pytest.approx(1.41, abs=1e-3)
    assert got["front"]["unit"] == "1"
    assert set(got["corners"]) == set(CORNERS)
    assert sum(q["value"] for q in got["corners"].values()) == pytest.approx(got["total"]["value"])
    assert got["floor"]["h_alpha"]["unit"] == "m"
    assert any("floor" in s for s in got["cannot_tell_apart"])
    us = [n["u"] for n in got["next_placements"]]
    assert us == sorted(us)
    assert {"action", "why", "u", "u_now", "figure", "expected"} <= set(got["next_placements"][0])
    assert any("does not remove floor twist" in n for n in got["notes"])


def test_the_text_for_people(run):
    code, out, _ = run(session())
    assert code == 0
    assert "total  968." in out
    assert "± " in out
    for title in ("The floor", "Cannot be told apart", "What to do next", "Notes", "Cautions"):
        assert f"\n{title}\n" in out
    assert "Not for trade" in out
    code, us, _ = run(session(), CAR, "--unit", "lb")
    assert " lb" in us
    assert " in   " in us


def test_a_reader_of_pounds_is_told_everything_in_pounds(run):
    """Suspects, notes and steps too; the JSON stays SI."""
    rows = session()
    odd = weighing("out", PADS, noise=np.array([0.0, 25.0, 0.0, 0.0]))
    rows += rows_of(odd, run="odd", u=None)
    _, metric, _ = run(rows)
    code, us, _ = run(rows, CAR, "--unit", "lb", "--aim", "total")
    assert code == 0
    assert re.search(r"read 2\d(\.\d)? kg too high", metric)
    assert re.search(r"read 5\d(\.\d)? lb too high", us)
    assert not re.search(r"\d kg|\d m\b|\d mm(?! in a metre)", us)
    _, told, _ = run(rows, CAR, "--unit", "lb", "--json")
    assert any("kg too high" in note for note in json.loads(told)["notes"])


def test_units_mixed_and_us_keys_change_nothing(solved):
    us = f"wheelbase_in = {2.430 / IN_M}\ntrack_front_ft = {1.405 / 0.3048}\ntrack_rear_mm = 1395\n"
    a, b = solved(session()), solved(session(), us)
    for name in FIGURES:
        assert b[name]["value"] == pytest.approx(a[name]["value"], rel=1e-9)


def test_aim_and_geometry_missing(solved, run):
    got = solved(session(), 'name = "W"\ntrack_front_m = 1.4\n')
    assert got["x"] is None
    assert got["y"] is None
    assert got["kappa"] is None
    assert any("percentages only" in n for n in got["notes"])
    assert got["left"]["value"] == pytest.approx(np.sum(true_loads()[[0, 2]]) / 968, abs=5e-4)
    _, out, _ = run(session(), CAR, "--json", "--aim", "x")
    assert json.loads(out)["next_placements"][0]["figure"] == "x"


def test_floor_heights_springs_and_pads_from_the_cars_file(solved):
    twist = (0.004, 0.0, 0.0, 0.0)
    blind = solved(session(heights=twist))
    car = (
        CAR
        + "[springs]\nwheel_front_N_per_mm = 38.05\nwheel_rear_lbf_per_in = 217.2\nrelative_u = 0.05\n"
        + "[floor]\nheights_mm = { S1 = 4, S2 = 0, S3 = 0, S4 = 0 }\nheight_u_mm = 0.3\n"
        + "[pads]\ngain_u = 0.0001\ncapacity_lb = 1100\n"
    )
    told = solved(session(heights=twist), car)
    assert told["floor"]["stiffness"]["value"] == pytest.approx(STIFFNESS * G_N, rel=0.01)
    truth = np.sum(true_loads()[[1, 2]]) / 968
    assert abs(blind["cross"]["value"] - truth) > 0.006
    assert abs(told["cross"]["value"] - truth) <= 2 * told["cross"]["u"]
    assert told["cross"]["u"] < blind["cross"]["u"] / 3
    assert "cross" not in told["open"]


def test_u_missing_is_assumed_and_said(solved):
    bare = [",".join(row.split(",")[:7]) for row in session()]
    got = solved(bare, header="run,facing,spot,corner,pad,value,unit")
    assert any("gives no u for any reading" in n for n in got["notes"])
    assert 0.01 < got["total"]["u"] < 0.5
    coarse = [",".join(rows_of(weighing(), digits=0)[i].split(",")[:7]) for i in range(4)]
    allow = Allowances()
    noise_kg2 = allow.noise_kg**2 * np.exp(2 * allow.noise_spread**2)
    assert solved(coarse, header="run,facing,spot,corner,pad,value,unit")["total"]["u"] == pytest.approx(
        2 * np.sqrt(2 / 12 + noise_kg2), rel=0.01
    )


def test_without_u_the_runs_tell_how_far_the_pads_scatter(solved):
    """100 cars of 4 runs whose pads scatter by 0.15 kg: ±2u of the total holds about 95 of 100."""
    dice = np.random.default_rng(12)
    held = []
    for _ in range(100):
        runs = [weighing(run=str(n), noise=dice.normal(0, 0.15, 4)) for n in range(4)]
        bare = [",".join(row.split(",")[:7]) for w in runs for row in rows_of(w, digits=1)]
        told = solved(bare, header="run,facing,spot,corner,pad,value,unit")
        assert told["suspects"] == []
        held.append(abs(told["total"]["value"] - 968) <= 2 * told["total"]["u"])
    assert sum(held) >= 88


def test_shim_column_tells_the_stiffness(solved):
    shimmed = [weighing(shims_m=(0.0, s, 0.0, 0.0), run=f"{s} {n}") for s in (0.0, 0.01) for n in range(5)]
    got = solved([row for w in shimmed for row in rows_of(w, digits=4)])
    assert got["floor"]["stiffness"]["value"] == pytest.approx(STIFFNESS * G_N, rel=0.03)


def test_files_as_people_keep_them(solved):
    """Semicolons with decimal commas, blank lines, remarks, spaces, other case, corners by other names."""
    rows = ["# winter", "", *(r.replace(",", ";").replace(".", ",") for r in session()), ""]
    rows = [r.replace(";LF;", "; fl ;").replace(";kg;", "; KG ;").replace(";lb;", ";lbs;") for r in rows]
    got = solved(rows, header="Run; Facing; Spot; Corner; Pad; Value; Unit; u; shim_mm")
    assert got["total"]["value"] == pytest.approx(968, abs=0.3)


def test_three_wheels_are_left_out_and_said_or_refused(solved, run):
    rows = session()
    got = solved(rows[:3] + rows[4:])
    assert any("3 wheels on pads, RR missing" in n and "left out" in n for n in got["notes"])
    assert len(got["runs"]) == 5
    code, _, err = run(rows[:3])
    assert code == 2
    assert "three wheels do not tell" in err


def test_a_blank_value_counts_as_not_weighed(solved):
    rows = session()
    cells = rows[3].split(",")
    cells[5] = ""
    got = solved([*rows[:3], ",".join(cells), *rows[4:]])
    assert any("Line 5 has no value" in n for n in got["notes"])
    assert any("RR missing" in n for n in got["notes"])


def test_duplicates_are_counted_once_and_seconds_are_runs(solved, run):
    rows = session()
    once, twice = solved(rows), solved([*rows, *rows[:4]])
    assert twice["total"] == once["total"]
    assert any("stands twice in the file" in n and "counted once" in n for n in twice["notes"])
    other = rows_of(weighing(noise=0.05), run="1")
    got = solved([*rows, *other])
    assert len(got["runs"]) == 7
    assert any("taken as separate runs" in n for n in got["notes"])
    code, _, err = run([*rows, other[0]])
    assert code == 2
    assert "a.csv:26: run 1 out has LF a second time" in err


def test_impossible_loads_leave_the_others_standing(solved, run):
    bad = rows_of(weighing(noise=np.array([0, 0, -400, 0])), run="neg")
    got = solved([*session(), *bad])
    assert any("a wheel cannot pull" in n and "left out" in n for n in got["notes"])
    code, _, err = run(rows_of(weighing(state=STATE * 12 / 968)))
    assert code == 2
    assert "a total of 11.99 kg is not a car's" in err
    code, _, err = run(session(), CAR + "[pads]\ncapacity_kg = 200\n")
    assert code == 2
    assert err.count("above its capacity of 200 kg") >= 12


def test_pads_and_spots_written_twice(run):
    rows = [r.replace("P2", "P1") for r in rows_of(weighing())]
    code, _, err = run(rows)
    assert code == 2
    assert "pad P1 under two wheels" in err


def test_pounds_among_kilograms_and_pads_swapped_are_pointed_out(solved):
    rows = session()
    wrong = [r.replace(",kg,", ",lb,") for r in rows[:4]]
    got = solved([*wrong, *rows[4:]])
    assert any("kilograms were taken as pounds" in n and "set aside" in n for n in got["notes"])
    assert got["total"]["value"] == pytest.approx(968, abs=0.3)
    a, b = (rows[i].split(",") for i in (0, 3))
    a[5], b[5] = b[5], a[5]
    got = solved([",".join(a), *rows[1:3], ",".join(b), *rows[4:]])
    assert any("stood under each other's corner" in n for n in got["notes"])


def test_facings_in_two_builds(solved, run):
    rows = [*(r for n in range(3) for r in rows_of(weighing(run=f"o{n}")))]
    heavier = STATE + 71 * np.array([1.0, 1.0, 0.35, 0.0])
    for n in range(3):
        rows += rows_of(weighing("back", PADS[::-1], state=heavier, run=f"b{n}"))
    assert any("different builds" in n for n in solved(rows)["notes"])
    named = [r + (",base" if ",out," in r else ",with driver") for r in rows]
    code, _, err = run(named, CAR, header=HEADER + ",build")
    assert code == 2
    assert "the builds 'base', 'with driver'" in err
    assert "Each facing has a build of its own" in err


def test_a_file_of_several_builds_is_solved_together_and_shows_the_one_asked_for(run) -> None:
    header = HEADER + ",build"
    both = [row + f",{build}" for build, mass in (("a", 0.0), ("b", -12.0)) for row in build_rows(mass)]
    code, out, err = run(both, CAR, header=header)
    assert (code, out) == (2, "")
    assert "the builds 'a', 'b': name one with --build" in err
    totals = {}
    for build in "ab":
        code, out, _ = run(both, CAR, "--json", "--build", build, header=header)
        assert code == 0
        totals[build] = json.loads(out)["total"]
    assert totals["a"]["value"] - totals["b"]["value"] == pytest.approx(12.0, abs=0.5)
    apart = [row for row in both if (",out," in row) == row.endswith(",a")]
    assert "Each facing has a build of its own" in run(apart, CAR, header=header)[2]


def build_rows(more_kg):
    """Both facings of the car with so much more at its centre of mass."""
    share = more_kg / STATE[0]
    found = []
    for facing, pads in (("out", PADS), ("back", PADS[::-1])):
        w = weighing(facing, pads)
        heavier = type(w)(
            **{n: getattr(w, n) for n in w.__struct_fields__}
            | {"loads_kg": tuple(load * (1 + share) for load in w.loads_kg)}
        )
        found += rows_of(heavier, run=facing)
    return found


def test_a_whole_run_in_another_unit_is_named_by_its_total(solved):
    out = weighing("out", PADS)
    back = weighing("back", PADS[::-1])
    pounds = [row.replace(",lb,", ",kg,") for row in rows_of(back, unit="lb", run="2")]
    told = solved([*rows_of(out, run="1"), *pounds])
    assert any("run 1" in n and "were values in lb entered as kg?" in n for n in told["notes"])


@pytest.mark.parametrize(
    ("header", "row", "sentence"),
    [
        ("run,facing,spot,corner,pad,vaule,unit", "1,out,S1,LF,P1,285,kg", "vaule: did you mean value?"),
        (
            "run,facing,spot,corner,pad,value,unit,unit",
            "1,out,S1,LF,P1,285,kg,kg",
            "column unit stands there twice",
        ),
        (HEADER, "1,out,S1,LF,P1,285,kg,0.1,-5", "0 to 100 mm"),
        (HEADER, "1,out,S1,LF,P1,285,kg,0.1,5000", "0 to 100 mm"),
    ],
)
def test_columns_and_shims_that_cannot_be_meant(run, header, row, sentence):
    code, _, err = run([row], CAR, header=header)
    assert code == 2
    assert sentence in err


def test_spots_that_contradict_the_facing(solved):
    turned = weighing("back", PADS[::-1], run="b")
    rows = [
        *rows_of(weighing()),
        *(r.replace(",S4,LF", ",S1,LF").replace(",S1,RR", ",S4,RR") for r in rows_of(turned)),
    ]
    got = solved(rows)
    assert any("its spots are not those of a half turn" in n for n in got["notes"])


def test_every_unreadable_row_at_once(run):
    rows = session()
    rows[0] = rows[0].replace(",LF,", ",XF,")
    rows[1] = rows[1].replace(",out,", ",sideways,")
    rows[2] = rows[2].replace(",kg,", ",stone,")
    rows[3] = rows[3].replace(",P4,", ",P4,about ")
    code, _, err = run(rows)
    assert code == 2
    for line, words in (
        (2, "corner 'XF'"),
        (3, "facing 'sideways'"),
        (4, "unit 'stone'"),
        (5, "is not a number"),
    ):
        assert f"a.csv:{line}: {words}" in err or (f"a.csv:{line}: " in err and words in err)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("run,facing,spot\n1,out,S1\n", "no column corner, pad, value, unit"),
        (HEADER + "\n", "nothing to solve"),
        (HEADER + "\n1,out,S1,LF,P1,300,kg,-0.1,0\n", "u '-0.1' is negative"),
        (HEADER + "\n,out,S1,LF,P1,inf,kg,0.1,0\n", "run is blank"),
    ],
)
def test_files_that_are_no_weigh_in(tmp_path, text, sentence):
    file = tmp_path / "a.csv"
    file.write_text(text)
    with pytest.raises(ConfigError, match=sentence):
        read_weighings(file, Known())


def test_files_that_are_not_there_or_not_text(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        read_weighings(tmp_path / "none.csv", Known())
    (tmp_path / "b.csv").write_bytes(b"run,\xff\xfe")
    with pytest.raises(ConfigError, match="not UTF-8"):
        read_weighings(tmp_path / "b.csv", Known())


@settings(deadline=None, max_examples=60)
@given(st.lists(st.text(max_size=40), max_size=8), st.booleans())
def test_no_text_breaks_the_reader(tmp_path_factory, lines, with_header):
    """Anything at all: weighings or a list of faults, never another error."""
    file = tmp_path_factory.mktemp("any") / "a.csv"
    file.write_text("\n".join([HEADER] * with_header + lines), encoding="utf-8")
    with pytest.raises(ConfigError):
        read_weighings(file, Known())


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 23), st.integers(0, 8), st.text(max_size=12))
def test_any_one_cell_replaced_is_solved_or_refused_in_words(tmp_path_factory, line, cell, text):
    rows = session()
    cells = rows[line].split(",")
    cells[cell] = text
    file = tmp_path_factory.mktemp("cell") / "a.csv"
    file.write_text("\n".join([HEADER, *rows[:line], ",".join(cells), *rows[line + 1 :]]), encoding="utf-8")
    faults = []
    try:
        readings = read_weighings(file, Known())
        solve(readings.weighings, Geometry(), u_assumed=readings.u_assumed)
    except ConfigError as error:
        faults = error.faults
    assert all("a.csv" in fault for fault in faults)


def test_the_example_is_solved_as_the_readme_says(capsys):
    """Wagtail's files in deploy/examples/: invented, 6 mm out of plane, levelled, shim-tested."""
    parser = argparse.ArgumentParser()
    weigh.arguments(parser)
    files = [str(ROOT / "deploy" / "examples" / name) for name in ("wagtail.csv", "wagtail.toml")]
    assert weigh.run(parser.parse_args([files[0], "--car", files[1], "--json"])) == 0
    got = json.loads(capsys.readouterr().out)
    truth = {"total": 968.0, "x": 1.41, "y": 0.012, "cross": np.sum(true_loads()[[1, 2]]) / 968}
    for name, value in truth.items():
        assert abs(got[name]["value"] - value) <= 2.5 * got[name]["u"]
    assert got["cross"]["u"] < 0.004
    assert "cross" not in got["open"]
