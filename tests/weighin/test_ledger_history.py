"""What people do with a ledger: names, corrections, merges, undo, things typed in; and its history."""

from __future__ import annotations

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
    GEOMETRY,
    MATS,
    SECOND_NS,
    SPARE,
    Rest,
    afternoon,
    capture,
    change,
)
from weighin.conftest import do, keep, rows, told

from logger.bookkeeping.source import opened
from logger.mechanics.weighing import Known
from logger.quantity import Quantity
from logger.weighin.ledger import Ledger
from logger.weighin.naming import Placed, propose_name


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
    assert "2.3 ± 1.0 kg still to be found" in shown
    do(old, "correct e1 --mass '8 ± 0.2 kg' --basis 'luggage scale'", capsys)
    assert told(old).since[0].mass == Quantity(-8.0, 0.1, "kg")
    assert "luggage scale" in do(old, "history e1", capsys)
    do(old, "discard e1", capsys)
    assert told(old).since == ()
    do(old, "undo", capsys)
    assert told(old).since[0].how == "luggage scale"


def test_what_cannot_be_is_refused_in_words(old: Path, capsys) -> None:
    cases = {
        "add part anvil --off --mass '9 kg' --x '1 m'": "has x and no y: a place needs both, or neither",
        "add part anvil --off --mass '9 kg' --x '50 m' --y 0m": "anvil: 50 m is off every car",
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
    from logger.mechanics.weighing import Allowances
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
