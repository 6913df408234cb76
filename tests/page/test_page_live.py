"""What the page makes of the records: each pad's load at its corner, the best value known, ages, bounds."""

from __future__ import annotations

from dataclasses import replace as turned
from itertools import permutations
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from logger.clock import NS
from logger.mechanics.statics import Geometry, statics
from logger.model import (
    CORNERS,
    Capture,
    CarRest,
    Condition,
    PadCondition,
    Rest,
    Sample,
    Say,
    Waiting,
)
from logger.page.live import CAPTURES, SENTENCES, Live
from logger.page.views import Results, Standing

PADS = ("P1", "P2", "P3", "P4")
LOADS = (283.4, 271.9, 203.1, 210.0)
STANDING = Standing(
    car="Wagtail", wheelbase_m=2.43, track_front_m=1.405, track_rear_m=1.395, pads=PADS, facing="out"
)
FACTOR = np.array([[0.2, 0, 0, 0], [-0.1, 0.2, 0, 0], [-0.05, 0.02, 0.15, 0], [0.08, -0.03, 0.01, 0.1]])
COVARIANCE = FACTOR @ FACTOR.T


def sample(pad: str, mass_kg: float | None, t_s: float = 0.0) -> Sample:
    return Sample(pad=pad, t_mono_ns=round(t_s * NS), t_wall_ns=0, mass_wire_kg=mass_kg, mass_kg=mass_kg)


def condition(pad: str, what: Condition) -> PadCondition:
    return PadCondition(pad=pad, condition=what, since_mono_ns=0)


def car_rest(order: tuple[int, ...] = (0, 1, 2, 3), open: bool = True) -> CarRest:
    return CarRest(
        pads=tuple(PADS[i] for i in order),
        t_from_mono_ns=0,
        t_from_wall_ns=0,
        t_declared_mono_ns=0,
        t_to_mono_ns=0,
        declared_mass_kg=sum(LOADS),
        declared_u_kg=0.3,
        mass_kg=sum(LOADS),
        u_kg=float(sqrt(COVARIANCE.sum())),
        loads_kg=tuple(LOADS[i] for i in order),
        covariance_kg2=tuple(COVARIANCE[np.ix_(order, order)].ravel().tolist()),
        slope_kg_per_s=0.0,
        n=100,
        open=open,
    )


def live_with(*records: Any, unit: str = "kg") -> Live:
    live = Live(unit, stale_after_s=2.0)
    for record in records:
        live.put(record)
    return live


@pytest.mark.parametrize("order", list(permutations(range(4)))[::5])
def test_car_rest_agrees_with_statics_in_whatever_order_its_pads_come(order: tuple[int, ...]) -> None:
    still = [condition(pad, Condition.RESTING) for pad in PADS]
    live = live_with(*(sample(p, 1.0) for p in PADS), *still, car_rest(order))
    view = live.plan(STANDING, 0)
    expected = statics(LOADS, COVARIANCE, Geometry(wheelbase_m=2.43, track_front_m=1.405, track_rear_m=1.395))
    assert expected.x is not None
    assert expected.y is not None
    assert [w.load.value for w in view.loads if w.load] == pytest.approx(LOADS)
    assert [w.load.u for w in view.loads if w.load] == pytest.approx(np.sqrt(np.diag(COVARIANCE)).tolist())
    assert view.total == expected.total
    assert (view.x_m, view.y_m) == pytest.approx((expected.x.value, expected.y.value))
    assert view.covariance_xy_m2 is not None
    assert expected.x.u == pytest.approx(sqrt(view.covariance_xy_m2[0]))
    assert expected.y.u == pytest.approx(sqrt(view.covariance_xy_m2[2]))


def test_facing_back_puts_each_pad_at_the_opposite_corner() -> None:
    back = turned(STANDING, pads=PADS[::-1], facing="back")
    live = live_with(*(sample(p, m) for p, m in zip(PADS, LOADS, strict=True)))
    loads = dict(zip(CORNERS, live.plan(back, 0).loads, strict=True))
    assert loads["LF"].load is not None
    assert loads["LF"].load.value == LOADS[3]


def test_the_best_value_known_is_shown_and_given_up_with_the_rest() -> None:
    rest = Rest(
        pad="P1",
        t_from_mono_ns=0,
        t_from_wall_ns=0,
        t_declared_mono_ns=0,
        t_to_mono_ns=0,
        declared_mass_kg=280.0,
        declared_u_kg=0.1,
        mass_kg=280.2,
        u_kg=0.05,
        slope_kg_per_s=0.0,
        n=10,
        zero_kg=0.0,
        u_zero_kg=0.0,
        open=True,
    )

    def shown(*records: Any) -> float | None:
        first = sample("P1", 279.0), condition("P1", Condition.RESTING)
        load = live_with(*first, *records).plan(STANDING, 0).loads[0].load
        return load and load.value

    assert shown() == 279.0
    assert shown(rest) == 280.2
    assert shown(rest, replace(rest, open=False)) == 279.0
    assert shown(rest, condition("P1", Condition.MOVING)) == 279.0
    assert shown(rest, condition("P1", Condition.CREEPING)) == 280.2
    assert shown(rest, car_rest()) == 283.4
    assert shown(rest, car_rest(), car_rest(open=False)) == 280.2
    assert shown(sample("P1", None)) is None
    assert shown(sample("P1", float("nan"))) is None


def test_conditions_before_and_after_the_first_words_of_a_pad() -> None:
    assert live_with().plan(STANDING, 0).loads[0].condition is Condition.ABSENT
    assert live_with(sample("P1", 1.0)).plan(STANDING, 0).loads[0].condition is Condition.MOVING


def test_old_samples_have_an_age_and_end_the_total() -> None:
    live = live_with(*(sample(p, 100.0, t_s=0 if p == "P4" else 9) for p in PADS))
    fresh = live.plan(STANDING, 1 * NS)
    assert [w.age_s for w in fresh.loads] == [None] * 4
    assert fresh.total is not None
    assert fresh.total.u is None
    assert (fresh.x_m, fresh.covariance_xy_m2) == (pytest.approx(1.215), None)
    old = live.plan(STANDING, 10 * NS)
    assert [w.age_s for w in old.loads] == [None, None, None, 10.0]
    assert (old.total, old.x_m) == (None, None)


def test_a_pad_that_moves_while_the_car_rests_has_no_spread_but_the_total_has() -> None:
    """The warp mode settles last: single loads wander while the total stands."""
    still = [condition(pad, Condition.RESTING) for pad in PADS[1:]]
    view = live_with(*(sample(p, 200.0) for p in PADS), *still, car_rest()).plan(STANDING, 0)
    first, second = (wheel.load for wheel in view.loads[:2])
    assert first is not None
    assert second is not None
    assert (first.value, first.u) == (200.0, None)
    assert second.value == LOADS[1]
    assert view.total == statics(LOADS, COVARIANCE, Geometry()).total
    assert view.loads[0].digit_kg == 1.0, "what moves shows no tenths"


def test_empty_pads_have_no_centre_of_mass() -> None:
    live = live_with(*(sample(p, 0.02) for p in PADS), *(condition(p, Condition.EMPTY) for p in PADS))
    assert live.plan(STANDING, 0).x_m is None
    somebody_walks = live_with(*(sample(p, m) for p, m in zip(PADS, (-0.1, 0.0, 17.0, 0.2), strict=True)))
    assert somebody_walks.plan(STANDING, 0).total is None


def test_lists_are_bounded_and_in_the_unit_asked_for() -> None:
    capture = Capture(
        number=0,
        t_mono_ns=0,
        t_wall_ns=0,
        t_rest_from_mono_ns=0,
        build="base car",
        aboard=(),
        facing="out",
        placement=1,
        run=1,
        loads=(),
        covariance_kg2=(),
        mass_kg=100.0,
        u_kg=0.3,
    )
    captures = [replace(capture, number=n) for n in range(30)]
    live = live_with(*captures, *(Say(t_mono_ns=0, text=str(n)) for n in range(30)), unit="lb")
    state = live.snapshot(0, set())
    assert [line["number"] for line in state["taken"]] == list(range(30 - CAPTURES, 30))
    assert state["taken"][-1]["total"] == "220.5 ± 1.3 lb"
    assert [said["n"] for said in state["said"]] == list(range(31 - SENTENCES, 31))
    live.put(replace(captures[29], discarded=True, name="again"))
    last = live.snapshot(0, set())["taken"][-1]
    assert (last["discarded"], last["text"]) == (True, "again, facing out")


masses = st.one_of(st.none(), st.floats())
pads = st.sampled_from((*PADS, "P9", "*"))
records = st.one_of(
    st.builds(sample, pads, masses, st.floats(0, 100)),
    st.builds(condition, pads, st.sampled_from(Condition)),
    st.builds(car_rest, st.permutations(range(4)).map(lambda p: tuple(p)[:3]), st.booleans()),
    st.builds(car_rest, st.permutations(range(4)).map(tuple), st.booleans()),
    st.builds(Say, t_mono_ns=st.just(0), text=st.text()),
    st.builds(Waiting, t_mono_ns=st.just(0), stage=st.text(), text=st.text(), cautions=st.just((1, 11))),
    st.just(STANDING),
    st.just(Results(title="x", figures=(("a", "b"),))),
)


@settings(deadline=None, max_examples=120)
@given(st.lists(records, max_size=25))
def test_no_sequence_of_records_breaks_the_page(some: list[Any]) -> None:
    state = live_with(*some).snapshot(50 * NS, {"up", "left"})
    assert ("plan-up" in state, "results-left" in state) == (True, True)
