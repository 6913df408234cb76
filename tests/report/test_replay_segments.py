"""The list of what happened: every act of a simulated session in its place, staircases, breathing, counts."""

from __future__ import annotations

import re
from math import pi
from pathlib import Path

import numpy as np
import pytest
from support import shared_data

from drivers.sim.acts import DriveOff, DriveOn, GetIn, GetOut, RockCar, TakeOut
from drivers.sim.sessions import Session, session
from logger.judge.breathing import breathing
from logger.model import FLAG_WILD, Gap, GapCause, Knock, PadCondition, Rest, Sample
from logger.replay import Replayed, make_bay, open_recordings
from logger.replay_segments import segment_lines

NAMES: dict[type, str] = {
    DriveOn: "car on",
    DriveOff: "car off",
    RockCar: "rock",
    GetIn: "person aboard",
    GetOut: "person out",
    TakeOut: "step",
}


def write(one: Session, to: Path) -> Path:
    """The session as the CSV that anybody's recorder might write."""
    rows = [f"{t:.4f},{pad},{'' if m is None else f'{m:.6f}'},kg" for t, pad, m, _ in one.samples]
    to.write_text("t_s,pad,value,unit\n" + "\n".join(rows) + "\n")
    return to


def told(path: Path, capacity_kg: float | None = None) -> list[str]:
    """The list's lines."""
    (one,) = open_recordings(path, make_bay=make_bay, capacity_kg=capacity_kg)
    return list(segment_lines(one))


def story(lines: list[str]) -> list[tuple[float, float, str, str]]:
    """The main list's rows: from, to, what, text."""
    rows = lines[1 : lines.index("")]
    return [(float(r[:10]), float(r[11:21]), r[23:38].strip(), r[39:]) for r in rows]


@pytest.mark.parametrize(("seed", "capacity_kg"), [(1, None), (3, None), (3, 500.0), (12, 500.0)])
def test_every_act_of_a_session_is_told_in_its_place(
    tmp_path: Path, seed: int, capacity_kg: float | None
) -> None:
    one = session(seed)
    found = story(told(write(one, tmp_path / "s.csv"), capacity_kg))
    moved = [row for row in found if row[2] in NAMES.values()]
    acts = [(at, act) for at, act in one.scenario.timetable() if type(act) in NAMES]
    assert [row[2] for row in moved] == [NAMES[type(act)] for _, act in acts]
    for row, (at, act) in zip(moved, acts, strict=True):
        assert row[0] < at + act.lasts_s
        assert row[1] > at
    assert any(row[2] == "zero checked" for row in found) is (capacity_kg is not None)


def test_steps_say_from_which_rest_to_which_and_how_much_on_every_pad(tmp_path: Path) -> None:
    one = session(1)
    found = story(told(write(one, tmp_path / "s.csv")))
    steps = [text for _, _, what, text in found if what == "step"]
    part = next(act.part for _, act in one.scenario.timetable() if isinstance(act, TakeOut))
    words = re.match(r"from rest (\d+) to (\d+): (\S+) ± (\S+) kg", steps[0])
    assert words is not None
    assert int(words[2]) == int(words[1]) + 1
    assert abs(float(words[3]) + part.mass_kg) < 2 * float(words[4])
    assert [word for word in steps[0].split() if word.startswith("P")] == ["P1", "P2", "P3", "P4"]
    assert steps[0].count("±") == 5


def test_a_staircase_reads_as_its_author_loaded_it(tmp_path: Path) -> None:
    source = shared_data("hx711_staircase", "swing_run1_serial.csv").read_text().splitlines()
    path = tmp_path / "lc1.csv"
    path.write_text("\n".join(row for row in source if row.startswith("t_s") or ",LC1," in row) + "\n")
    found = story(told(path))
    assert [what for _, _, what, _ in found if what.startswith("rest")] == [f"rest {k}" for k in range(1, 10)]
    sizes = [float(text.split("step from ")[1].split()[1]) for *_, text in found if "step from" in text]
    assert [round(size / 1000) for size in sizes] == [10, 10, 10, 10, -10, -10, -10, -10]


def test_a_pad_s_step_is_that_on_the_wire_and_its_values_are_with_the_doubt_of_the_zero() -> None:
    """Zero goes from +0.2 to +0.4 kg between two rests: the step seen is 100.2, the values 0 and 100 kg."""

    def rest(t_s: float, mass_kg: float, zero_kg: float) -> Rest:
        t = round(t_s * 1e9)
        times = {
            "t_from_mono_ns": t,
            "t_from_wall_ns": t,
            "t_declared_mono_ns": t,
            "t_to_mono_ns": t + 5 * 10**9,
        }
        masses = {"declared_mass_kg": mass_kg, "declared_u_kg": 0.1, "mass_kg": mass_kg, "u_kg": 0.1}
        zero = {"zero_kg": zero_kg, "u_zero_kg": 0.0999}
        return Rest(pad="A", slope_kg_per_s=0.0, n=50, open=False, **times, **masses, **zero)

    sample = Sample(pad="A", t_mono_ns=0, t_wall_ns=0, mass_wire_kg=0.2, mass_kg=0.0)
    records = [sample, rest(0.0, 0.0, 0.2), rest(10.0, 100.0, 0.4)]
    lines = list(segment_lines(Replayed("x", iter(records), {}, unit="kg")))
    assert lines[1].split("rest 1")[1].strip() == "0.00 ± 0.20 kg"
    assert "100.00 ± 0.20 kg   step from 1: +100.200 ± 0.013 kg" in lines[2]


def test_pads_stand_by_themselves_where_they_disagree_with_the_car() -> None:
    lines = told(shared_data("four_corner_standing", "kistler_standing.csv"))
    (rest,) = (row for row in story(lines) if row[2] == "rest 1")
    assert rest[1] - rest[0] > 18
    for pad in ("fz1", "fz2", "fz3", "fz4"):
        assert f"{pad} by itself" in lines


def test_what_was_lost_left_out_or_disturbed_is_told() -> None:
    def sample(k: int, mass_kg: float, flags: int = 0) -> Sample:
        t = k * 100_000_000
        return Sample(pad="A", t_mono_ns=t, t_wall_ns=t, mass_wire_kg=mass_kg, mass_kg=mass_kg, flags=flags)

    records = [sample(k, 5.0) for k in range(20)] + [sample(20, 9e9, FLAG_WILD)]
    records += [
        Gap(pad="A", t_from_mono_ns=2 * 10**9, t_to_mono_ns=5 * 10**9, cause=GapCause.PORT_LOST, count=29),
        Gap(pad="A", t_from_mono_ns=6 * 10**9, t_to_mono_ns=6 * 10**9 + 5, cause=GapCause.SILENT, count=1),
        Knock(pad="A", t_mono_ns=7 * 10**9, amplitude_kg=1.25),
        PadCondition(pad="A", condition="overloaded", since_mono_ns=8 * 10**9),
    ]
    lines = list(segment_lines(Replayed("x", iter(records), {}, unit="kg")))
    assert [row[2:] for row in story(lines)] == [
        ("gap", "A: port lost, about 29 readings"),
        ("knock", "A 1.2 kg, the load as before"),
        ("trouble", "A overloaded"),
    ]
    assert lines[-1] == "A: 20 readings; left out 1 wild; about 30 missing"


def swaying(
    amplitude: float, seconds: float = 20.0, tail: float = 0.0
) -> list[tuple[np.ndarray, np.ndarray]]:
    rng, t = np.random.default_rng(3), np.arange(0, seconds, 0.1)
    sway = amplitude * np.sin(2 * pi * 0.27 * t)
    return [
        (t, 200 + part * sway + tail * np.exp(-t / 3) + rng.normal(0, 0.1, len(t)))
        for part in (1, -0.6, 0.3, 0.1)
    ]


def test_breathing_is_seen_where_somebody_breathes() -> None:
    found = breathing(swaying(0.3))
    assert found is not None
    assert found.frequency_Hz == pytest.approx(0.27, abs=0.03)
    assert found.amplitude_kg == pytest.approx(0.3, rel=0.2)


def test_breathing_is_not_made_of_noise_tails_or_too_little() -> None:
    assert breathing(swaying(0.0)) is None
    assert breathing(swaying(0.0, tail=2.0)) is None
    assert breathing(swaying(0.3, seconds=5.0)) is None
    assert breathing([]) is None
