"""`restpoint weigh FILE.csv --car CAR.toml`: files as people write them, good and bad."""

from __future__ import annotations

import argparse
import json
import re

import numpy as np
import pytest
from mechanics.worlds import PADS, STATE, STIFFNESS, true_loads, weighing
from mechanics.written import CAR, FIGURES, HEADER, rows_of, session
from support import ROOT

from logger.cli import weigh
from logger.mechanics.weighing import Allowances
from logger.model import CORNERS
from logger.units import G_N, IN_M


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
    coarse_u = solved(coarse, CAR + "[pads]\ngain_u = 0\n", header="run,facing,spot,corner,pad,value,unit")
    assert coarse_u["total"]["u"] == pytest.approx(2 * np.sqrt(2 / 12 + noise_kg2), rel=0.01)


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


def test_zeros_that_runs_share_do_not_average_away(solved):
    """0.3 kg of each pad's zero: shared by a placement's runs, or by all that name one zero check."""
    right = CAR + "[pads]\ngain_u = 0\n"
    plain = solved(session(), right)["total"]["u"]
    shared = solved([f"{row},0.3" for row in _in_kg()], right, header=HEADER + ",zero_u")["total"]["u"]
    assert shared == pytest.approx(np.hypot(plain, 0.6 / np.sqrt(2)), rel=0.02)
    one = solved([f"{row},0.3,noon" for row in _in_kg()], right, header=HEADER + ",zero_u,zero")["total"]["u"]
    assert one == pytest.approx(np.hypot(plain, 0.6), rel=0.02)


def test_a_zeros_u_that_is_none_is_refused(run):
    code, _, err = run([f"{row},-0.3" for row in session()], CAR, header=HEADER + ",zero_u")
    assert code == 2
    assert "a.csv:2: zero_u '-0.3' is negative" in err


def _in_kg():
    return [
        row
        for facing, pads in (("out", PADS), ("back", PADS[::-1]))
        for n in range(3)
        for row in rows_of(weighing(facing, pads), run=f"{facing}{n}")
    ]
