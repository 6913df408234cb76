"""The Wagtail afternoon: seeded, true to its declared masses, and played into lines in its own time."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest
import serial

from drivers.sim.acts import RockCar, Wait
from drivers.sim.player import Channel, Line, Player, line_for_all, line_for_each
from drivers.sim.scenario import Play, Tick
from drivers.sim.wagtail import BARN, BUILD, DRIVER, SPARE, wagtail


@cache
def played(seed: int = 1, *, whole_winter: bool = False) -> tuple[Play, list[Tick]]:
    play = wagtail(seed=seed, whole_winter=whole_winter).play()
    return play, list(play)


def test_the_invented_figures_are_those_declared() -> None:
    assert BUILD.mass_kg() == pytest.approx(968.0)
    s1, s2, s3, s4 = BARN.heights_m
    assert (s1 - s2) - (s3 - s4) == pytest.approx(0.006)
    assert wagtail().lasts_s() <= 80.0


def test_same_seed_same_readings_other_seed_others() -> None:
    once, again = played()[1], list(wagtail(seed=1).play())
    assert [t.readings for t in once] == [t.readings for t in again]
    assert [t.readings for t in once] != [t.readings for t in played(2)[1]]


def test_readings_are_the_ticks_without_their_truth() -> None:
    times = list(wagtail().readings())
    assert times == [(t.t_s, t.readings) for t in played()[1]]
    steps = [b[0] - a[0] for a, b in pairwise(times)]
    assert min(steps) == pytest.approx(0.05)
    assert max(steps) == pytest.approx(0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_rest_weighs_what_is_on_the_pads(seed: int) -> None:
    play, ticks = played(seed)
    masses = [968.0, 968.0, 968.0 + DRIVER.mass_kg, 968.0, 968.0 - SPARE.mass_kg]
    rests = [t for t in play.truths if t.facing]
    assert [t.mass_kg for t in rests] == pytest.approx(masses)
    assert [sum(t.settled_kg) for t in rests] == pytest.approx(masses)
    assert [t.facing for t in rests] == ["out", "back", "back", "back", "back"]
    by_time = {round(t.t_s, 6): t for t in ticks}
    for rest in rests:
        end = by_time[round(rest.t_to_s, 6)]
        assert sum(end.loads_kg) == pytest.approx(rest.mass_kg, abs=0.04)  # somebody may breathe
        assert end.loads_kg == pytest.approx(rest.settled_kg, abs=0.25)  # the tail is not over


def test_pads_are_empty_and_quiet_before_and_after() -> None:
    play, _ = played()
    first, last = play.truths[0], play.truths[-1]
    assert (first.facing, last.facing) == (None, None)
    for zero in (first, last):
        within = [t for t in played()[1] if zero.t_from_s + 0.5 < t.t_s <= zero.t_to_s]
        assert all(sum(t.loads_kg) == 0 for t in within)
        assert all(abs(r.mass_kg or 0) < 2 for t in within for r in t.readings.values())


def test_driving_on_leaves_warp_that_rocking_takes_down() -> None:
    left, rocked = [], []
    for seed in range(1, 7):
        play, ticks = played(seed)
        truth = next(t for t in play.truths if t.facing)
        before = next(t for t in ticks if t.act.startswith("somebody rocks")).loads_kg
        v = (1, -1, -1, 1)
        free = sum(a * b for a, b in zip(v, truth.frictionless_kg, strict=True))
        left.append(abs(sum(a * b for a, b in zip(v, before, strict=True)) - free))
        rocked.append(abs(sum(a * b for a, b in zip(v, truth.settled_kg, strict=True)) - free))
    assert sum(rocked) < 0.7 * sum(left)


def test_front_wheels_cross_the_near_pads_first() -> None:
    _, ticks = played()
    seen = [t for t in ticks if t.act.endswith("facing out")]
    alone = [t for t in seen if t.loads_kg[2] > 50 and t.loads_kg[0] == 0]
    assert alone
    assert all(load > 150 for load in seen[-1].loads_kg)


def test_the_whole_winter_ends_with_cage_and_small_battery() -> None:
    play, _ = played(whole_winter=True)
    last = [t for t in play.truths if t.facing][-1]
    assert [m.name for m in last.aboard] == ["small battery", "roll cage"]
    assert sum(last.settled_kg) == pytest.approx(last.mass_kg)


def test_one_radio_loses_and_damages_and_the_others_do_not() -> None:
    _, ticks = played()
    lost = {p: sum(t.readings[p].lost for t in ticks) for p in ticks[0].readings}
    damaged = {p: sum(t.readings[p].damaged for t in ticks) for p in ticks[0].readings}
    assert lost["P2"] > 5
    assert damaged["P2"] > 0
    assert {lost[p] + damaged[p] for p in ("P1", "P3", "P4")} == {0}


def encode(tick: Tick) -> bytes:
    return b"%08.3f\n" % tick.t_s


def test_player_writes_every_tick_through_a_line_that_others_open() -> None:
    scenario = wagtail(rest_s=1.0)
    acts: list[str] = []
    with Line() as line:
        got, reader = bytearray(), os.open(line.device, os.O_RDONLY | os.O_NOCTTY)

        def write(data: bytes) -> None:
            line.write(data)
            got.extend(os.read(reader, 4096))

        player = Player(scenario, [Channel(encode=encode, write=write)], speed=200.0, report=acts.append)
        player.start()
        assert player.join(20.0)
        os.close(reader)
    assert line.written == len(got)
    assert line.dropped == 0
    assert bytes(got) == b"".join(encode(t) for t in scenario.play())
    assert len(acts) == sum(a.text != b.text for a, b in pairwise(scenario.acts)) + 1
    assert player.play is not None
    assert len(player.play.truths) == sum(isinstance(a, Wait) and a.truth for a in scenario.acts)


def test_player_stops_at_once_and_starts_anew() -> None:
    out: list[bytes] = []
    player = Player(wagtail(), [Channel(encode=encode, write=out.append, phase=0.5)])
    player.start()
    player.stop()
    assert not player.running()
    out.clear()
    player.start()
    while len(out) < 2:
        player.join(0.01)
    player.stop()
    assert out[:2] == [b"0000.050\n", b"0000.100\n"]


def test_a_line_nobody_reads_drops_and_counts() -> None:
    with Line() as line:
        for _ in range(2000):
            line.write(b"x" * 64)
        assert line.written + line.dropped == 128_000
        assert line.dropped > 0


def test_pads_on_lines_of_their_own_and_all_on_one() -> None:
    scenario = wagtail(rest_s=1.0)
    lines, channels = line_for_each(scenario)
    shared, more = line_for_all(scenario)
    assert list(lines) == ["P1", "P2", "P3", "P4"]
    assert [c.phase for c in channels] == [0.0, 0.25, 0.5, 0.75]
    devices = {line.device for line in (*lines.values(), shared)}
    assert len(devices) == 5
    player = Player(scenario, [*channels, *more], speed=100.0)
    with serial.Serial(shared.device, 38400, timeout=0, exclusive=True) as port:
        player.start()
        got = bytearray()
        while not player.join(0.005):
            got += port.read(8192)
        got += port.read(8192)
    for line in (*lines.values(), shared):
        line.unplug()
        line.unplug()
    assert len(got) == shared.written == 46 * sum(1 for _ in scenario.play())


def test_an_act_without_a_car_says_so() -> None:
    scenario = replace(wagtail(), acts=(RockCar(),))
    with pytest.raises(ValueError, match="no car on the pads"):
        list(scenario.play())
