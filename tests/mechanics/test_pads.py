"""Gains that exchanged pads tell, zeros that rests share, and captures as the solver's rows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mechanics.worlds import (
    ENDS,
    FRONT_SWAP,
    GEOMETRY,
    PADS,
    REAR_SWAP,
    SPOTS,
    TRUTH,
    facings,
    weighing,
)

from logger.mechanics.solve import solve
from logger.mechanics.statics import statics
from logger.mechanics.weighing import Known, weighing_from_capture
from logger.model import CORNERS, Capture, CornerLoad


def test_pads_that_changed_places_tell_their_gains():
    """P1 reads 0.5 % high: found against the others, front and left come right, the rest is said."""
    gains = {"P1": 0.005}
    rows = [
        weighing(pads=p, gains=gains, run=f"{p} {n}")
        for p in (PADS, FRONT_SWAP, REAR_SWAP, ENDS)
        for n in range(4)
    ]
    got = solve(rows, GEOMETRY, Known(spot_heights_m=dict.fromkeys(SPOTS, 0.0)))
    for other in ("P2", "P3", "P4"):
        assert got.gains["P1"].value - got.gains[other].value == pytest.approx(0.005, abs=0.0007)
    assert got.left.value == pytest.approx(TRUTH.left.value, abs=2 * got.left.u)
    assert got.front.value == pytest.approx(TRUTH.front.value, abs=2 * got.front.u)
    assert any("common to all pads" in s for s in got.cannot_tell_apart)
    naive = np.mean([statics(w.loads_kg, [0.01] * 4, GEOMETRY).left.value for w in rows])
    assert abs(got.left.value - TRUTH.left.value) < abs(naive - TRUTH.left.value)


def test_a_gain_no_pad_has_is_not_believed():
    """A pad 5 % off against what it read on other spots is pointed at, not corrected."""
    rows = [weighing(pads=p, gains={"P1": 0.05}, run=str(p)) for p in (PADS, FRONT_SWAP, REAR_SWAP, ENDS)]
    got = solve(rows, GEOMETRY)
    assert got.gains == {}
    assert got.total.u > 2


def test_pads_that_never_changed_places_are_named():
    got = solve([weighing()], GEOMETRY)
    assert any("P1, P2, P3, P4 never changed places" in s for s in got.cannot_tell_apart)
    assert got.gains == {}
    stated = solve([weighing()], GEOMETRY, Known(gain_u=1e-3))
    assert stated.total.u > 1.5 * got.total.u
    assert not any("never changed" in s for s in stated.cannot_tell_apart)


def test_gains_that_nobody_states_are_allowed_for_and_0_takes_them_as_right():
    """Half of 0.1 % a pad, independent, adds to what the readings leave; stating the same changes nothing."""
    row = weighing()
    unstated, right, stated = (solve([row], GEOMETRY, Known(gain_u=gain_u)) for gain_u in (None, 0.0, 5e-4))
    assert right.total.u == pytest.approx(0.2, rel=1e-3)
    assert unstated.total.u == pytest.approx(np.hypot(0.2, 5e-4 * np.linalg.norm(row.loads_kg)), rel=1e-3)
    for name in ("total", "front", "left", "cross", "x", "y", "kappa"):
        mine, theirs = getattr(unstated, name), getattr(stated, name)
        assert (mine.value, mine.u) == pytest.approx((theirs.value, theirs.u), rel=1e-6)
    assert any("the ± allows ±0.1 % for each" in s for s in unstated.cannot_tell_apart)
    assert not any("calibration" in s for s in right.cannot_tell_apart)
    assert right.gains == {}


def test_a_gain_that_is_stated_as_none_is_none_though_pads_changed_places():
    """gain_u = 0 leaves no gain to find: what differs is said to be something else."""
    rows = [weighing(pads=p, gains={"P1": 0.005}, run=f"{p} {n}") for p in (PADS, ENDS) for n in range(4)]
    got = solve(rows, GEOMETRY, Known(gain_u=0.0))
    assert got.gains == {}
    assert any("suspect a pad" in n for n in got.notes)


@pytest.mark.parametrize("gain_u", [0.0, 2e-4, 5e-4, 2e-3])
def test_the_total_is_within_its_u_however_far_off_pads_are_that_tell_it(gain_u):
    """Exchanged so that all gains but a common one are told: the allowance follows what is found."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(60):
        gains = dict(zip(PADS, rng.normal(0, gain_u, 4), strict=True))
        rows = [
            weighing(pads=p, gains=gains, noise=rng.normal(0, 0.05, 4), u_kg=0.05, run=f"{p} {n}")
            for p in (PADS, FRONT_SWAP, REAR_SWAP, ENDS)
            for n in range(2)
        ]
        got = solve(rows, GEOMETRY)
        inside += abs(got.total.value - 968) <= 2 * got.total.u
    assert inside >= 54


def test_pads_exchanged_in_pairs_leave_the_pairs_open():
    rows = [weighing(pads=p, run=f"{p} {n}") for p in (PADS, FRONT_SWAP, REAR_SWAP) for n in range(4)]
    got = solve(rows, GEOMETRY)
    assert any("within groups (P1 and P2; P3 and P4)" in s for s in got.cannot_tell_apart)
    turned = solve(facings(), GEOMETRY)
    assert any(
        "more than one corner each, but their gains could not be told" in s for s in turned.cannot_tell_apart
    )
    assert turned.gains == {}


def test_exchanging_pads_that_are_as_usual_seldom_widens_the_total():
    """Gains as far off as is allowed for anyhow: what exchanging tells of them makes no total less sure."""
    rng = np.random.default_rng(12)
    wider = 0
    for _ in range(40):
        gains = dict(zip(PADS, rng.normal(0, 5e-4, 4), strict=True))
        rows = [
            weighing(pads=p, gains=gains, noise=rng.normal(0, 0.05, 4), u_kg=0.05, run=f"{p} {n}")
            for p in (PADS, FRONT_SWAP)
            for n in range(2)
        ]
        wider += solve(rows, GEOMETRY).total.u > 1.01 * solve(rows[:2], GEOMETRY).total.u
    assert wider <= 10


def test_a_shared_zero_does_not_average_away():
    right = Known(gain_u=0.0)
    rows = [weighing(run=str(n), zero_check="z1", zero_u_kg=(0.5,) * 4) for n in range(9)]
    assert solve(rows, GEOMETRY, right).total.u == pytest.approx(np.hypot(1.0, 0.2 / 3), rel=0.01)
    apart = [weighing(run=str(n), zero_check=f"z{n}", zero_u_kg=(0.5,) * 4) for n in range(9)]
    assert solve(apart, GEOMETRY, right).total.u == pytest.approx(np.hypot(1.0, 0.2) / 3, rel=0.01)


def test_pads_found_off_make_what_nobody_can_tell_of_them_suspect() -> None:
    """Exchanged within the axles only: gains between the axles stay open, with more allowed for them."""

    def weighed(gains):
        rows = [weighing(run=f"a{n}", gains=gains, u_kg=0.02) for n in range(3)]
        rows += [
            weighing(run=f"b{n}", pads=("P2", "P1", "P4", "P3"), gains=gains, u_kg=0.02) for n in range(3)
        ]
        rows += [weighing("back", PADS[::-1], run=f"c{n}", gains=gains, u_kg=0.02) for n in range(3)]
        return solve(rows, GEOMETRY)

    sound, off = weighed({}), weighed({"P1": 0.002, "P2": -0.001, "P3": 0.001, "P4": 0.003})
    assert sound.total.u == pytest.approx(5e-4 * 968 / 2, rel=0.05)
    assert off.total.u > 3 * sound.total.u
    assert abs(off.total.value - 968) <= 2 * off.total.u
    assert abs(off.front.value - sound.front.value) <= 2 * off.front.u
    assert any("They were found to be off, so the ± allows" in s for s in off.cannot_tell_apart)
    assert not any("found to be off" in s for s in sound.cannot_tell_apart)


def test_weighing_from_a_capture():
    loads = tuple(
        CornerLoad(corner=c, spot=s, pad=p, mass_kg=m, u_kg=0.1)
        for c, s, p, m in zip(
            ("RR", "LF", "RF", "LR"), ("S4", "S1", "S2", "S3"), ("P4", *PADS[:3]), (4, 1, 2, 3), strict=True
        )
    )
    fields = {
        "number": 3,
        "t_mono_ns": 0,
        "t_wall_ns": 0,
        "t_rest_from_mono_ns": 0,
        "build": "base",
        "aboard": (),
    }
    capture = Capture(
        **fields,
        facing="out",
        placement=1,
        run=1,
        loads=loads,
        covariance_kg2=(0.01,) * 16,
        mass_kg=10,
        u_kg=0.2,
    )
    got = weighing_from_capture(capture, shims_m=(0.0, 0.005, 0.0, 0.0))
    assert got.loads_kg == (1, 2, 3, 4)
    assert got.pads == PADS
    assert got.shims_m[1] == 0.005
    with pytest.raises(ValueError, match="once"):
        weighing_from_capture(
            Capture(
                **fields,
                facing="out",
                placement=1,
                run=1,
                loads=loads[:3],
                covariance_kg2=(),
                mass_kg=1,
                u_kg=0,
            )
        )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 0.5), min_size=4, max_size=4), st.integers(0, 10_000))
def test_whatever_zeros_are_told_a_capture_can_be_solved(zero_u_kg, seed):
    """Zeros told larger than the covariance has room for are cut to it; the sum stays as it was."""
    dice = np.random.default_rng(seed)
    root = dice.normal(0, 0.1, (4, 4))
    whole = root @ root.T + 1e-6 * np.eye(4)
    row = weighing()
    loads = tuple(
        CornerLoad(corner=c, spot=s, pad=p, mass_kg=m, u_kg=0.1)
        for c, s, p, m in zip(CORNERS, row.spots, row.pads, row.loads_kg, strict=True)
    )
    capture = Capture(
        number=1, t_mono_ns=0, t_wall_ns=0, t_rest_from_mono_ns=0, build="b", aboard=(), facing="out",
        placement=1, run=1, loads=loads, covariance_kg2=tuple(whole.ravel()), mass_kg=968, u_kg=0.2,
        zero_u_kg=tuple(zero_u_kg),
    )  # fmt: skip
    got = weighing_from_capture(capture)
    own = np.reshape(got.covariance_kg2, (4, 4))
    assert np.linalg.eigvalsh(own)[0] > 0
    assert own + np.diag(np.square(got.zero_u_kg)) == pytest.approx(whole, abs=1e-12)
    total = solve([got], GEOMETRY, Known(gain_u=0.0)).total
    assert total.u == pytest.approx(float(np.sqrt(whole.sum())), rel=1e-3, abs=3e-3)
