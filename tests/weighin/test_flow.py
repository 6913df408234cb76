"""The hands-free flow, driven by the records a pipeline would give."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from weighin.by_hand import CORNERS_OUT, DRIVER, PADS, Afternoon, on_spots

from logger.clock import NS
from logger.mechanics.solve import solve_builds
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Known, weighing_from_capture
from logger.model import (
    Boarding,
    Capture,
    Change,
    Rest,
    Waiting,
)
from logger.weighin.builds import meaning
from logger.weighin.placements import SPOT_OF, facing_from_loads, loads_at


def test_whole_afternoon_without_a_hand() -> None:
    day = Afternoon()
    day.zero()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    day.off()
    day.zero()
    day.on()
    day.rock()
    day.rest(on_spots("back"))
    day.feed(Boarding(t_mono_ns=day.tick(1), size_kg=71.0, u_kg=0.5))
    day.rest(on_spots("back", 70.6))
    day.rest(on_spots("back"))
    day.rest(on_spots("back", -21.3))
    day.off()
    captures = day.flow.captures
    assert [(c.facing, c.aboard, c.build, c.placement) for c in captures] == [
        ("out", (), "build 1", 1),
        ("back", (), "build 1", 2),
        ("back", ("driver",), "build 1", 2),
        ("back", (), "build 1", 2),
        ("back", (), "build 2", 2),
    ]
    assert {load.corner: load.mass_kg for load in captures[1].loads} == CORNERS_OUT
    changes = [r for r in day.out if isinstance(r, Change)]
    assert [(c.capture_before, c.capture_after) for c in changes] == [(4, 5)]
    assert day.said()[-2] == "Came off: twenty-one point three kilograms."
    assert "Driver aboard. Total one thousand and forty point six kilograms." in day.said()


def test_nothing_is_taken_before_the_car_was_rocked_unless_asked() -> None:
    day = Afternoon()
    day.zero()
    day.on()
    day.rest(on_spots("out"))
    assert not day.flow.captures
    assert day.said()[-1].startswith("It stands but was not rocked.")
    day.do("take")
    assert len(day.flow.captures) == 1


def test_a_rest_must_stand_for_a_while_to_be_meant() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"), stood_s=1.0)
    assert not day.flow.captures
    day.rest(on_spots("out"))
    day.rest(on_spots("out", 40.0), stood_s=1.0)
    assert len(day.flow.captures) == 1


def test_a_placement_without_a_capture_still_counts_as_a_turn() -> None:
    day = Afternoon()
    day.on()
    day.off()
    day.on()
    day.rock()
    day.rest(on_spots("back"))
    assert [(c.facing, c.placement) for c in day.flow.captures] == [("back", 2)]


def test_a_driver_who_sat_in_from_the_start_is_told_from_his_getting_out() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out", 71.0))
    day.feed(Boarding(t_mono_ns=day.tick(1), size_kg=-71.0, u_kg=0.3))
    answer = day.rest(on_spots("out"))
    assert [r.aboard for r in answer if isinstance(r, Capture)] == [("driver",), ()]
    assert [(c.build, c.aboard) for c in day.flow.captures] == [("build 1", ("driver",)), ("build 1", ())]
    assert not day.flow.changes


def test_leaning_on_the_car_and_letting_go_takes_nothing_but_a_rock_takes_another_run() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    day.rest(on_spots("out"))
    assert len(day.flow.captures) == 1
    day.rock()
    day.rest(on_spots("out"))
    assert [c.run for c in day.flow.captures] == [1, 2]


def test_a_person_who_takes_a_part_out_with_him_makes_a_change() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    day.rest(on_spots("out", 71.0))
    day.rest(on_spots("out", -2.5))
    assert [(c.build, c.aboard) for c in day.flow.captures][-1] == ("build 2", ())
    assert [c.capture_before for c in day.flow.changes] == [1]
    assert day.said()[-1] == "Driver out. Came off: two point five kilograms."


def test_a_restated_rest_restates_its_capture_in_silence() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    said = len(day.said())
    moved = tuple(load + 0.1 for load in on_spots("out").values())
    covariance = tuple(0.02 if i == j else 0.0 for i in range(4) for j in range(4))
    answer = day.feed(
        replace(
            day.last_rest,
            t_to_mono_ns=day.last_rest.t_to_mono_ns + NS,
            loads_kg=moved,
            mass_kg=970.4,
            u_kg=0.28,
            covariance_kg2=covariance,
            open=False,
            revision=3,
        )
    )
    assert [type(r) for r in answer] == [Capture]
    assert day.flow.captures[0].mass_kg == 970.4
    assert len(day.said()) == said


def test_commands_discard_name_say_again_stop() -> None:
    day = Afternoon()
    assert day.do("take")[0].urgency == "warning"
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    day.rest(on_spots("out", -20.0))
    named = day.do("name", "spare wheel")
    assert isinstance(named[0], Change)
    assert named[0].name == "spare wheel"
    again = day.do("say-again")
    assert again[0].text.startswith("Came off")
    gone = day.do("discard")
    assert gone[0].discarded
    assert not day.flow.changes
    day.rest(on_spots("out", -20.0))
    assert day.flow.captures[-1].build == "build 2"
    stopped = day.do("stop")
    assert [r.stage for r in stopped if isinstance(r, Waiting)] == ["stopped"]


def test_pads_exchanged_and_shims_laid_are_in_the_captures_that_follow() -> None:
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    assert day.do("stand", "S1=P2 S2=P1")[0].text.startswith("This placement is weighed already")
    day.off()
    for wrong, why in (
        ("S1=P2", "each of P1, P2, P3, P4 stands on one spot"),
        ("S5+5mm", "is not understood"),
        ("S2+5", "is not understood"),
        ("S2+5cm S1+2in S3+200mm", "more than 100 mm"),
    ):
        (said,) = day.do("stand", wrong)
        assert said.urgency == "warning"
        assert why in said.text
    assert (
        "P2 on S1, P1 on S2, P3 on S3, P4 on S4; 5 mm under S2"
        in day.do("stand", "S1=P2 S2=P1 S2+5mm")[0].text
    )
    day.on()
    day.rock()
    spots = on_spots("back")
    day.rest({**spots, "S1": spots["S2"], "S2": spots["S1"]})  # P1 now shows what stands on S2
    exchanged = day.flow.captures[-1]
    assert exchanged.facing == "back"
    assert [(c.corner, c.spot, c.pad, c.shim_m) for c in exchanged.loads] == [
        ("LF", "S4", "P4", 0.0),
        ("RF", "S3", "P3", 0.0),
        ("LR", "S2", "P1", 0.005),
        ("RR", "S1", "P2", 0.0),
    ]
    assert {load.corner: load.mass_kg for load in exchanged.loads} == CORNERS_OUT
    assert weighing_from_capture(exchanged).shims_m == (0.0, 0.0, 0.005, 0.0)
    day.off()
    assert "no shims" in day.do("stand", "flat")[0].text


def test_what_comes_after_stop_belongs_to_no_weigh_in_or_to_the_next() -> None:
    day = Afternoon()
    day.do("begin", "back")
    day.on()
    day.rock()
    day.rest(on_spots("back"))
    assert day.flow.captures[0].facing == "back"
    day.do("stop")
    assert day.rest(on_spots("back", 40.0)) == []
    for verb in ("take", "stop"):
        assert day.do(verb, "x")[0].text.startswith("The weigh-in was stopped")
    day.off()
    day.zero()
    day.on()
    day.rock()
    taken = day.rest(on_spots("out"))
    assert [r.number for r in taken if isinstance(r, Capture)] == [1]


def test_begin_starts_afresh_only_when_nothing_is_lost() -> None:
    day = Afternoon()
    day.on()
    assert day.do("begin", "back")[0].text == "Noted. The car faces back."
    day.rock()
    day.rest(on_spots("back"))
    assert day.flow.captures[0].facing == "back"
    assert day.do("begin")[0].urgency == "warning"
    day.do("stop")
    day.off()
    day.do("begin")
    assert day.flow.captures == []


def test_begin_with_the_car_still_on_weighs_it_where_it_stands() -> None:
    """After a weigh-in was stopped, with the car never moved: the next one need not drive off first."""
    day = Afternoon()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    day.do("stop")
    said = day.do("begin")
    assert said[0].text.startswith("Begun with the car on. Rock it")
    assert [r.stage for r in said if isinstance(r, Waiting)] == ["rock"]
    assert day.flow.captures == []
    day.rock()
    taken = [r for r in day.rest(on_spots("out")) if isinstance(r, Capture)]
    assert [(c.number, c.placement, c.facing) for c in taken] == [(1, 1, "out")]


def test_facing_is_told_from_the_loads_of_a_known_car() -> None:
    for facing in ("out", "back"):
        told, decided = facing_from_loads(loads_at(facing, CORNERS_OUT), CORNERS_OUT)
        assert told == facing
        assert decided == pytest.approx(1.0)
    even = {"LF": 250.0, "RF": 250.0, "LR": 250.0, "RR": 250.0}
    assert facing_from_loads(loads_at("out", even), even)[1] == 0.0


def test_half_a_turn_maps_every_corner_to_the_spot_opposite() -> None:
    opposite = {"S1": "S4", "S2": "S3", "S3": "S2", "S4": "S1"}
    for corner, spot in SPOT_OF["out"].items():
        assert SPOT_OF["back"][corner] == opposite[spot]


@pytest.mark.parametrize(
    ("delta", "aboard", "boarding", "expected"),
    [
        (0.3, (), 0.0, ("same", None)),
        (71.5, (), 0.0, ("person in", "driver")),
        (55.0, (), 55.0, ("person in", None)),
        (55.0, (), 0.0, ("change", None)),
        (-70.0, ("driver",), 0.0, ("person out", "driver")),
        (-71.0, (), 0.0, ("change", None)),
        (-71.0, (), -71.0, ("person out", "driver")),
        (-55.0, ("somebody",), -55.0, ("person out", "somebody")),
    ],
)
def test_meaning_of_a_difference(
    delta: float, aboard: tuple[str, ...], boarding: float, expected: tuple[str, str | None]
) -> None:
    event = Boarding(t_mono_ns=0, size_kg=boarding, u_kg=0.5) if boarding else None
    assert meaning(delta, 0.1, (DRIVER,), aboard, event) == expected


def pad_rests(day: Afternoon, u_zero_kg: float) -> None:
    """Each pad's own rest, with what its zero adds to the uncertainty."""
    for pad in PADS:
        t_ns = day.tick(0.1)
        times = dict.fromkeys(
            ("t_from_mono_ns", "t_from_wall_ns", "t_declared_mono_ns", "t_to_mono_ns"), t_ns
        )
        masses = {"declared_mass_kg": 240.0, "declared_u_kg": 0.1, "mass_kg": 240.0, "u_kg": 0.1}
        zero = {"zero_kg": 0.0, "u_zero_kg": u_zero_kg}
        day.feed(Rest(pad=pad, slope_kg_per_s=0.0, n=60, open=True, **times, **masses, **zero))


@pytest.mark.parametrize(
    ("minutes", "u_zero_kg", "said"),
    [
        (23, 0.1, "Zero is 23 minutes old, ±0.4 kg: let the pads stand empty for five seconds."),
        (3, 0.1, None),  # young
        (23, 0.05, None),  # old, but not what makes the total doubtful: 2 · 0.1 kg of ±0.4
    ],
)
def test_an_old_zero_is_spoken_of_where_it_matters(
    minutes: float, u_zero_kg: float, said: str | None
) -> None:
    day = Afternoon()
    day.zero()
    day.tick(60 * minutes - 13)
    day.on()
    pad_rests(day, u_zero_kg)
    day.rock()
    day.rest(on_spots("out"))
    assert [text for text in day.said() if text.startswith("Zero is")] == ([said] if said else [])
    day.rock()
    day.rest(on_spots("out", plus=30))
    assert sum(text.startswith("Zero is") for text in day.said()) == (1 if said else 0)  # once a placement


def test_an_earlier_rest_restated_is_no_new_one() -> None:
    day = Afternoon()
    day.zero()
    day.on()
    day.rock()
    day.rest(on_spots("out"))
    taken = day.last_rest
    day.rest(on_spots("out", plus=30))
    again = replace(taken, mass_kg=taken.mass_kg + 0.2, open=False, revision=3)
    out = day.feed(again)
    assert [type(r) for r in out] == [Capture]  # restated, in silence
    other = replace(again, t_from_mono_ns=taken.t_from_mono_ns - 1)
    assert day.feed(other) == []


def test_rests_of_a_placement_share_the_zeros_errors() -> None:
    """What the zeros add to a total does not average out, and cancels in what came off."""
    day = Afternoon()
    day.zero()
    day.on()
    pad_rests(day, 0.08)
    for plus in (0.0, 0.0, -30.0):
        day.rock()
        day.rest(on_spots("out", plus))
    captures = day.flow.captures
    assert [c.zero_u_kg for c in captures] == [(0.08,) * 4] * 3
    weighings = [weighing_from_capture(c) for c in captures]
    assert {w.zero_check for w in weighings} == {"1"}
    geometry = Geometry(wheelbase_m=2.43, track_front_m=1.4, track_rear_m=1.4)
    builds = solve_builds(weighings, geometry, Known(gain_u=0.0))
    own_u = (0.01 - 0.08**2) ** 0.5
    assert builds.solutions["build 1"].total.u == pytest.approx(2 * (0.08**2 + own_u**2 / 2) ** 0.5, rel=0.02)
    assert builds.part("build 1", "build 2").mass.u == pytest.approx(2 * own_u * 1.5**0.5, rel=0.02)
