"""Plans from measured numbers: shims, perches, ballast, budget, known mass."""

from __future__ import annotations

import time
from itertools import product

import numpy as np
import pytest
from mechanics.worlds import GEOMETRY, STATE, true_loads, weighing

from logger.mechanics.ballast import Place, Target, ballast
from logger.mechanics.budget import Goal, Item, forecast, item_from_part
from logger.mechanics.floor import floor_shape, shim_plan, slopes_from_half_turn
from logger.mechanics.pads import gain_check
from logger.mechanics.parts import difference
from logger.mechanics.perches import Perch, perch_plan, refit, twist_of
from logger.mechanics.statics import Geometry, statics
from logger.model import CORNERS
from logger.quantity import Quantity

WAGTAIL = statics(true_loads().tolist(), [0.01] * 4, GEOMETRY)
STIFF = Quantity(18_600.0, 3000.0, "N·m/rad")


def perches(corners=CORNERS, **more):
    return [Perch(corner=c, pitch_m=0.0015, **more) for c in corners]


def test_floor_from_heights():
    """A plane has no twist; 4 mm at one corner has 4 mm/track of it, and slopes to match."""
    plane = floor_shape((0.01 * GEOMETRY.x_m - 0.004 * GEOMETRY.y_m).tolist(), 0.001, GEOMETRY)
    assert (plane.alpha.value, plane.beta.value) == pytest.approx((0.01, -0.004))
    assert plane.theta.value == pytest.approx(0, abs=1e-12)
    corner = floor_shape([0.004, 0, 0, 0], 0.001, GEOMETRY)
    assert corner.theta.value == pytest.approx(0.004 / 1.405)
    assert corner.theta.u == pytest.approx(0.001 * np.sqrt(2 / 1.405**2 + 2 / 1.395**2))
    assert corner.corner_m.value == pytest.approx(0.004, rel=0.01)


def test_slopes_from_a_half_turn():
    out, back = (
        statics(weighing(f, heights=0.01 * GEOMETRY.x_m, h_m=0.5).loads_kg, [0.01] * 4, GEOMETRY)
        for f in ("out", "back")
    )
    alpha, beta = slopes_from_half_turn(out, back, Quantity(0.5, 0.02, "m"))
    assert alpha.value == pytest.approx(0.01, abs=1e-6)
    assert beta.value == pytest.approx(0, abs=1e-6)
    assert 0.0003 < alpha.u < 0.001


def test_shims_take_out_twist_first_and_use_what_is_there():
    heights = [0.0, 0.006, 0.001, -0.002]
    plan = shim_plan(heights, 0.001, {0.001: 3, 0.002: 3, 0.005: 2}, GEOMETRY)
    assert abs(plan.after.theta.value) <= plan.after.theta.u / 4 + 1e-9
    assert abs(plan.after.beta.value) < abs(plan.before.beta.value) / 2
    used = [t for stack in plan.shims_m.values() for t in stack]
    assert all(used.count(t) <= n for t, n in ((0.001, 3), (0.002, 3), (0.005, 2)))
    coarse = shim_plan(heights, 0.0001, {0.005: 4}, GEOMETRY)
    best = min(
        abs(floor_shape([h + s for h, s in zip(heights, lay, strict=True)], 0.001, GEOMETRY).theta.value)
        for lay in product([0, 0.005, 0.01, 0.015, 0.02], repeat=4)
        if sum(lay) < 0.021
    )
    assert best <= abs(coarse.after.theta.value) <= max(best, coarse.after.theta.u / 4) + 1e-9


def test_no_shims_no_plan():
    with pytest.raises(ValueError, match="no shims"):
        shim_plan([0, 0, 0, 0], 0.001, {}, GEOMETRY)
    with pytest.raises(ValueError, match="four heights"):
        floor_shape([0, 0, 0], 0.001, GEOMETRY)
    with pytest.raises(ValueError, match="wheelbase_m"):
        floor_shape([0, 0, 0, 0], 0.001, Geometry())


def test_perches_reach_the_target_and_leave_the_car_level():
    plan = perch_plan(Quantity(0.488, 0.001, "1"), 0.5, 968.0, STIFF, perches(), GEOMETRY)
    assert plan.cross.value == pytest.approx(0.5, abs=0.0006)
    assert max(abs(v) for v in (plan.heave_m, plan.nose_m, plan.left_m)) < 0.0006
    assert all(abs(4 * t - round(4 * t)) < 1e-9 for t in plan.turns.values())
    assert plan.cross.u > 0.001
    assert plan.notes == ()


def test_the_forecast_of_turns_is_what_the_car_does():
    """What the plan promises, against the model that weighs: perches are shims under wheels."""
    chosen = perches(motion_ratio=0.8)
    plan = perch_plan(Quantity(0.488, 0.001, "1"), 0.495, 968.0, STIFF, chosen, GEOMETRY)
    shims = tuple(0.0015 / 0.8 * plan.turns.get(c, 0.0) for c in CORNERS)
    stiffness = STIFF.value / 9.80665
    before, after = (
        statics(weighing(h_m=0.0, stiffness=stiffness, shims_m=s).loads_kg, [0.01] * 4, GEOMETRY)
        for s in ((0.0,) * 4, shims)
    )
    change = (after.cross.value - before.cross.value) * 967.9999 / 968
    assert plan.cross.value - 0.488 == pytest.approx(change, rel=1e-3)
    assert twist_of(plan.turns, chosen, GEOMETRY) * stiffness == pytest.approx(
        after.kappa.value - before.kappa.value
    )


def test_corners_that_do_not_adjust_and_travel_that_ends():
    two = perch_plan(Quantity(0.488, 0.001, "1"), 0.5, 968.0, STIFF, perches(("LF", "RF")), GEOMETRY)
    assert set(two.turns) <= {"LF", "RF"}
    assert two.cross.value == pytest.approx(0.5, abs=0.0006)
    assert abs(two.heave_m) < 0.0006
    short = perch_plan(
        Quantity(0.46, 0.001, "1"), 0.5, 968.0, STIFF, perches(down_turns=0.5, up_turns=0.5), GEOMETRY
    )
    assert all(abs(t) <= 0.5 for t in short.turns.values())
    assert "cannot reach 50.00 %" in short.notes[0]
    assert perch_plan(Quantity(0.5, 0.001, "1"), 0.5, 968.0, STIFF, perches(), GEOMETRY).turns == {}


def test_the_first_adjustment_teaches_the_stiffness():
    truth = 15_000.0
    turns = {"LF": 1.0, "RF": -1.0}
    twist = twist_of(turns, perches(), GEOMETRY)
    before = Quantity(4.0, 0.5, "kg·m")
    after = Quantity(4.0 + truth * twist / 9.80665, 0.5, "kg·m")
    got = refit(Quantity(20_000.0, 10_000.0, "N·m/rad"), twist, before, after)
    assert got.value == pytest.approx(truth, rel=0.05)
    assert got.u < 5000
    with pytest.raises(ValueError, match="no twist"):
        refit(STIFF, twist_of(dict.fromkeys(CORNERS, 1.0), perches(), GEOMETRY), before, after)


@pytest.mark.parametrize(
    ("chosen", "message"),
    [([], "at least one"), (perches(("LF", "LF")), "perch once")],
)
def test_perches_named_wrongly(chosen, message):
    with pytest.raises(ValueError, match=message):
        perch_plan(Quantity(0.49, 0.001, "1"), 0.5, 968.0, STIFF, chosen, GEOMETRY)
    with pytest.raises(ValueError, match="above zero"):
        Perch(corner="LF", pitch_m=0.0)


PLACES = (
    Place(name="tail", x_m=-0.5, y_m=0.2, capacity_kg=20, plate_kg=2.5),
    Place(name="seat", x_m=1.0, y_m=-0.35, capacity_kg=30, plate_kg=5),
    Place(name="nose", x_m=2.9, y_m=0.0, capacity_kg=10, plate_kg=2.5),
)


def test_ballast_is_the_lightest_that_meets_the_target():
    """Against trying every combination of plates."""
    target = Target(least_total_kg=985, front=0.575, front_tolerance=0.003, left=0.505, left_tolerance=0.004)
    got = ballast(WAGTAIL.loads_kg, PLACES, target, GEOMETRY)
    best = None
    for counts in product(range(9), range(7), range(5)):
        added = sum(n * p.plate_kg for n, p in zip(counts, PLACES, strict=True))
        loads = np.array(WAGTAIL.loads_kg)
        for n, p in zip(counts, PLACES, strict=True):
            loads = loads + n * p.plate_kg * (GEOMETRY.spread @ np.array([1, p.x_m, p.y_m]))
        s = statics(loads.tolist(), [0.01] * 4, GEOMETRY)
        fits = (
            s.total.value >= 985
            and abs(s.front.value - 0.575) <= 0.003
            and abs(s.left.value - 0.505) <= 0.004
        )
        if fits and (best is None or added < best):
            best = added
    assert best is not None
    assert got.feasible
    assert got.added_kg == pytest.approx(best, rel=0.011)
    assert got.total_kg >= 985 - 1e-6
    assert abs(got.front - 0.575) <= 0.003 + 1e-9
    assert sum(got.plates[p.name] * p.plate_kg for p in PLACES if p.name in got.plates) == pytest.approx(
        got.added_kg
    )


def test_an_infeasible_plan_says_what_to_relax():
    got = ballast(WAGTAIL.loads_kg, PLACES[1:2], Target(least_total_kg=1100, front=0.5), GEOMETRY)
    assert not got.feasible
    assert any("102.0 kg short" in n for n in got.notes)
    assert any("tolerance of front %" in n and "further to the rear" in n for n in got.notes)
    with pytest.raises(ValueError, match="at least one place"):
        ballast(WAGTAIL.loads_kg, [], Target(), GEOMETRY)
    with pytest.raises(ValueError, match="on the plan"):
        ballast(WAGTAIL.loads_kg, PLACES, Target(), Geometry(wheelbase_m=2.4))


def test_budget_against_statics_of_the_changed_car():
    cage = Item(
        name="cage", mass=Quantity(35, 0.5, "kg"), x=Quantity(1.1, 0.05, "m"), y=Quantity(0.0, 0.02, "m")
    )
    before, after = (
        statics(true_loads(s).tolist(), [0.01] * 4, GEOMETRY)
        for s in (STATE, STATE - 14 * np.array([1.0, 1.0, -0.35, 0.0]))
    )
    seat = item_from_part("seat", difference(before, after), off=True)
    got = forecast(
        WAGTAIL, [cage, seat], Goal(total_kg=930, front=0.56, left=0.5, cross=0.5), Quantity(0.5, 0.02, "m")
    )
    changed = STATE - 14 * np.array([1.0, 1.0, -0.35, 0]) + 35 * np.array([1.0, 1.1, 0.0, 0.0])
    want = statics(true_loads(changed).tolist(), [0.01] * 4, GEOMETRY)
    for name in ("total", "front", "left", "cross", "x", "y"):
        assert getattr(got, name).value == pytest.approx(getattr(want, name).value, abs=1e-9)
    assert got.to_find["total"].value == pytest.approx(989 - 930)
    assert "total: 59.0 ± 1.2 kg still to be found." in got.sentences
    assert got.moves_most["total"][0][0] == "cage: mass"
    assert got.moves_most["x"][0][0] == "cage: x"
    assert got.height.value == pytest.approx(0.5)


def test_budget_uncertainty_agrees_with_the_uncertainties_package():
    from uncertainties import ufloat

    item = Item(name="a", mass=Quantity(20, 0.4, "kg"), x=Quantity(0.5, 0.1, "m"), y=Quantity(0.2, 0.05, "m"))
    got = forecast(WAGTAIL, [item])
    lf, rf, lr, rr = (ufloat(m, 0.1) for m in WAGTAIL.loads_kg)
    mass, x, y = ufloat(20, 0.4), ufloat(0.5, 0.1), ufloat(0.2, 0.05)
    total = lf + rf + lr + rr + mass
    gx = (2.43 * (lf + rf) + mass * x) / total
    gy = (1.405 / 2 * (lf - rf) + 1.395 / 2 * (lr - rr) + mass * y) / total
    for have, want in ((got.total, total), (got.x, gx), (got.y, gy), (got.front, gx / 2.43)):
        assert have.value == pytest.approx(want.nominal_value, rel=1e-9)
        assert have.u == pytest.approx(want.std_dev, rel=1e-5)


def test_an_item_without_a_place_widens_what_it_must():
    placed = Item(
        name="box", mass=Quantity(20, 0.1, "kg"), x=Quantity(1.2, 0.01, "m"), y=Quantity(0, 0.01, "m")
    )
    somewhere = Item(name="box", mass=Quantity(20, 0.1, "kg"))
    a, b = forecast(WAGTAIL, [placed]), forecast(WAGTAIL, [somewhere])
    assert b.total.u == pytest.approx(a.total.u)
    assert b.front.u > 10 * a.front.u
    assert b.moves_most["front"][0][0] == "box: x"


def test_more_off_than_there_is():
    with pytest.raises(ValueError, match="weigh more than the car"):
        forecast(WAGTAIL, [Item(name="all", mass=Quantity(-2000, 1, "kg"))])


def test_within_tolerance_but_not_surely():
    got = forecast(
        WAGTAIL, [Item(name="a", mass=Quantity(1, 2, "kg"))], Goal(total_kg=968.5, front=0.9, left=0.2)
    )
    assert "total: within its tolerance, but its ± reaches beyond." in got.sentences
    assert any("front" in s and "too little" in s and "forward" in s for s in got.sentences)
    assert any("left" in s and "too much" in s and "right" in s for s in got.sentences)


def test_known_mass_checks_gains_and_refuses_a_light_one():
    heavy = gain_check(
        {"P1": [100.1, 100.2, 100.1], "P2": [100.0, 100.0, 100.1]}, Quantity(100, 0.01, "kg"), 0.1
    )
    assert heavy["P1"].gain.value == pytest.approx(0.00133, abs=1e-4)
    light = gain_check({"P1": [5.0, 5.1, 5.0]}, Quantity(5, 0.001, "kg"), 0.1)["P1"]
    assert not light.may_correct
    assert "too light to calibrate" in light.text
    assert light.needed_kg > 50
    clear = gain_check({"P1": [200.60] * 4}, Quantity(200, 0.01, "kg"), 0.05)["P1"]
    assert clear.may_correct
    assert "off and may be corrected" in clear.text


def test_a_person_tells_only_what_pads_differ():
    got = gain_check({p: [71.0 * (1 + g)] * 3 for p, g in (("P1", 0.002), ("P2", -0.002))}, None, 0.01)
    assert got["P1"].gain.value == pytest.approx(0.002, abs=1e-6)
    assert got["P2"].gain.value == pytest.approx(-0.002, abs=1e-6)
    with pytest.raises(ValueError, match="needs a reading"):
        gain_check({"P1": []}, None, 0.1)
    with pytest.raises(ValueError, match="cannot check"):
        gain_check({"P1": [1.0]}, Quantity(0, 0, "kg"), 0.1)


def test_gain_corrections_cover_the_truth():
    """±2u of the gain holds the truth in 93 to 98.5 % of 600 checks of three readings."""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(600):
        gain, mass = rng.normal(0, 2e-3), 150 + rng.normal(0, 0.02)
        readings = np.round(mass * (1 + gain) + rng.normal(0, 0.1, 3), 1)
        got = gain_check({"P": readings.tolist()}, Quantity(150, 0.02, "kg"), 0.1)["P"]
        inside += abs(got.gain.value - gain) <= 2 * got.gain.u
    assert 0.93 <= inside / 600 <= 0.985


def test_plans_within_a_second():
    """Plan and ballast each ≤ 1 s, the solver already loaded."""
    shim_plan([0, 0.001, 0, 0], 0.001, {0.001: 1}, GEOMETRY)
    for plan in (
        lambda: ballast(
            WAGTAIL.loads_kg, PLACES, Target(least_total_kg=985, front=0.575, left=0.5), GEOMETRY
        ),
        lambda: perch_plan(Quantity(0.488, 0.001, "1"), 0.5, 968.0, STIFF, perches(), GEOMETRY),
        lambda: shim_plan(
            [0, 0.006, 0.001, -0.002], 0.001, {0.001: 4, 0.002: 4, 0.003: 2, 0.005: 2}, GEOMETRY
        ),
    ):
        start = time.process_time()
        plan()
        assert time.process_time() - start <= 1.0
