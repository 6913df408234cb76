"""Weighings that do not fit the others, and loads that cannot be a car: which, by how much, why."""

from __future__ import annotations

import numpy as np
import pytest
from mechanics.worlds import (
    GEOMETRY,
    PADS,
    SPOTS,
    STATE,
    facings,
    scattered,
    weighing,
)

from logger.mechanics.plausible import unit_mix_up
from logger.mechanics.solve import solve
from logger.mechanics.weighing import Known, Weighing


def changed(w, loads, **more):
    fields = {f: getattr(w, f) for f in w.__struct_fields__}
    return Weighing(**fields | {"loads_kg": tuple(float(x) for x in loads), "run": "odd"} | more)


ODD = np.array(weighing().loads_kg)


def test_readings_that_scatter_where_the_suspension_cannot_are_widened_and_said():
    rng = np.random.default_rng(6)
    rows = [weighing(run=str(n), noise=rng.normal(0, 0.5, 4), u_kg=0.1) for n in range(10)]
    got = solve(rows, GEOMETRY, Known(gain_u=0.0))
    assert got.total.u == pytest.approx(1.0 / np.sqrt(10), rel=0.35)
    assert any("suspect a pad, a zero" in n for n in got.notes)
    assumed = solve(rows[:3], GEOMETRY, u_assumed=True)
    assert assumed.total.u > 0.2 / np.sqrt(3)


def test_a_hanging_suspension_is_pointed_out_and_kept():
    rows = [*scattered(9, 0.5), weighing(run="hung", kappa=14.0)]
    got = solve(rows, GEOMETRY)
    (suspect,) = got.suspects
    assert suspect.run == "hung"
    assert not suspect.set_aside
    assert "suspension hung" in suspect.text
    assert "hung" in got.runs


@pytest.mark.parametrize(
    ("loads", "sentence"),
    [
        (ODD / 0.45359237, "on all pads pounds were taken as kilograms"),
        (ODD * [1, 1, 0.45359237, 1], "on P3 kilograms were taken as pounds"),
        (ODD[[0, 2, 1, 3]], "pads P2 and P3 stood under each other's corner (RF, LR)"),
        (ODD + np.array([0, 0, 0, 7]), "pad P4 under RR read 7"),
        (
            ODD + GEOMETRY.spread @ [30, 30 * 1.2, 30 * 0.9],
            "30 kg more aboard or leaning on the car, 1.20 m ahead",
        ),
        (ODD + GEOMETRY.spread @ [0, 40, 0], "something aboard moved"),
    ],
)
def test_outlying_runs_are_set_aside_aloud_with_what_explains_them(loads, sentence):
    """Which, by how much, and which explanation fits; the answer is that of the others."""
    rows = [*scattered(4, 1.0), changed(weighing(), loads)]
    got = solve(rows, GEOMETRY)
    (suspect,) = got.suspects
    assert suspect.run == "odd"
    assert suspect.set_aside
    assert suspect.by > 5
    assert sentence in suspect.text
    assert any(sentence in n and "set aside and counts in no figure" in n for n in got.notes)
    assert "odd" not in got.runs
    assert got.total.value == pytest.approx(968, abs=0.5)


def test_two_that_disagree_are_both_kept_and_said():
    """No majority: nothing is dropped, the ± is as wide as the disagreement."""
    got = solve([weighing(), changed(weighing(), ODD[[1, 0, 2, 3]] + [30, -30, 0, 0])], GEOMETRY)
    (suspect,) = got.suspects
    assert not suspect.set_aside
    assert len(got.runs) == 2


def test_the_odd_one_of_two_and_two_is_named_and_kept():
    """Two runs out, two back: in moments an odd run has a twin as far off, but the others go without it."""
    rows = facings(2)
    lf, *others = rows[0].loads_kg
    odd = changed(rows[0], (lf + 8.0, *others))
    got = solve([odd, *rows[1:]], GEOMETRY)
    (suspect,) = got.suspects
    assert (suspect.run, suspect.set_aside) == ("odd", False)
    assert "total +8" in suspect.text
    assert "if pad P1 under LF read 8" in suspect.text
    assert abs(got.total.value - 968) <= 2 * got.total.u
    assert solve(rows, GEOMETRY).suspects == ()


def test_facings_of_different_builds():
    """A driver aboard in one facing only, and builds that were named."""
    heavier = STATE + 71 * np.array([1.0, 1.0, 0.35, 0.0])
    rows = [weighing(run=f"o{n}") for n in range(3)]
    rows += [weighing("back", PADS[::-1], state=heavier, run=f"b{n}") for n in range(3)]
    got = solve(rows, GEOMETRY)
    assert any("Facing back the car weighs 71 kg more" in n and "different builds" in n for n in got.notes)
    assert abs(got.total.value - 968) < 2.2 * got.total.u
    with pytest.raises(ValueError, match="different builds"):
        solve([weighing(build="a"), weighing(build="b")], GEOMETRY)


@pytest.mark.parametrize(
    ("loads", "known", "sentence"),
    [
        (ODD * [1, 1, -0.01, 1], Known(), "LR on pad P3 carries -2.0"),
        (ODD * 0.0125, Known(), "a total of 12.1 kg is not a car's"),
        (ODD * 30, Known(), "is not a car's"),
        (ODD, Known(capacity_kg=250), "above its capacity of 250 kg"),
        (ODD * [1, np.nan, 1, 1], Known(), "has no number"),
    ],
)
def test_loads_that_cannot_be_a_car(loads, known, sentence):
    with pytest.raises(ValueError, match=sentence.replace("(", r"\(")):
        solve([changed(weighing(), loads)], GEOMETRY, known)


def test_all_impossible_loads_are_named_at_once():
    with pytest.raises(ValueError, match=r"run odd: LF .*\nrun odd: RF "):
        solve([changed(weighing(), ODD * [-1, -1, 1, 1])], GEOMETRY)


def test_kilograms_typed_as_pounds_are_noticed_against_the_last_weigh_in():

    assert "values in lb entered as kg" in unit_mix_up(968 / 0.45359237, 960)
    assert "values in kg entered as lb" in unit_mix_up(968 * 0.45359237, 990)
    assert unit_mix_up(930, 968) is None


def test_nothing_to_solve_and_spots_named_twice():
    with pytest.raises(ValueError, match="no weighing"):
        solve([], GEOMETRY)
    with pytest.raises(ValueError, match="four different"):
        changed(weighing(), ODD, pads=("P1", "P1", "P3", "P4"))


def test_pads_swapped_when_the_car_was_turned_are_pointed_out_as_a_floor_too_steep():
    """One run out and one back, two pads under each other's corner: no scatter tells it, only the slope."""
    state = STATE * [1, 1, 2, 1]
    out, back = weighing(state=state), weighing("back", pads=PADS[::-1], run="2", state=state)
    lf, rf, lr, rr = back.loads_kg
    swapped = weighing("back", pads=PADS[::-1], run="2", loads_kg=(rf, lf, lr, rr))
    (suspect,) = solve([out, swapped], GEOMETRY).suspects
    assert (suspect.run, suspect.set_aside) == ("2", False)
    assert "as on a floor that rises" in suspect.text
    assert "it fits if pads P4 and P3 stood under each other's corner (LF, RF) in run 2" in suspect.text
    assert suspect.text in solve([out, swapped], GEOMETRY).notes
    assert solve([out, back], GEOMETRY).suspects == ()
    heights = dict(zip(SPOTS, (0.0,) * 4, strict=True))
    (level,) = solve([out, swapped], GEOMETRY, Known(spot_heights_m=heights)).suspects
    assert "It fits if pads P1 and P2 stood under each other's corner" in level.text
    leaning = weighing("back", pads=PADS[::-1], run="2", state=state + np.array([0, 40.0, 60.0, 0]))
    (other,) = solve([out, leaning], GEOMETRY).suspects
    assert "whether the car was the same" in other.text
