"""Recordings made by others: every right answer of their README."""

from __future__ import annotations

import csv
import json
from statistics import mean

import pytest
from settling.helpers_settling import read, rests, run, span
from support import shared_data

from logger.model import FLAG_WILD, Sample, Step


def test_staircase_has_nine_rests_and_its_glitches_end_none() -> None:
    rows = read(shared_data("hx711_staircase", "swing_run1_serial.csv"), ("LC1", "LC2"))
    out, _ = run(rows)
    truth = {"LC1": [5787.0, 15761.8, 25776.5, 35706.4, 45682.2, 35718.2, 25743.7, 15785.1, 5811.2]}
    truth["LC2"] = [12454.4, 22489.8, 32509.9, 42569.0, 52629.8, 42614.1, 32568.3, 22507.7, 12462.0]
    for pad, values in truth.items():
        found = rests(out, pad)
        assert len(found) == 9, [span(r) for r in found]
        for rest, value in zip(found, values, strict=True):
            assert abs(rest.mass_kg - value) < max(3 * rest.u_kg, 45), (pad, span(rest), rest.mass_kg, value)
            assert rest.u_kg < 75  # below the noise of a single reading
        assert 0 <= found[-1].mass_kg - found[0].mass_kg < 60  # zero return +24 and +8 counts
    steps = [abs(s.size_kg) for s in out if isinstance(s, Step) and s.pad in truth]
    assert len(steps) == 16
    assert all(9_800 < s < 10_150 for s in steps)


def test_glitches_are_left_out_at_the_very_times_of_the_truth_and_nothing_else_is() -> None:
    out, pipeline = run(read(shared_data("hx711_staircase", "swing_run1_serial.csv")))
    with shared_data("hx711_staircase", "truth_glitches.csv").open() as file:
        truth = {(r["pad"], round(float(r["t_s"]), 3)) for r in csv.DictReader(file)}
    wild = [r for r in out if isinstance(r, Sample) and r.flags & FLAG_WILD]
    assert {(r.pad, round(r.t_mono_ns * 1e-9 - 1, 3)) for r in wild} == truth
    assert len(wild) == len(truth) == 12
    assert {pad: counts["wild"] for pad, counts in pipeline.excluded.items() if counts} == {
        "LC1": 4,
        "LC2": 4,
        "LC4": 2,
        "LC5": 2,
    }
    for pad, t in truth:
        assert not any(abs(span(r)[1] - t) < 0.2 for r in rests(out, pad)), (pad, t)  # none ends a rest


def test_bridge_rests_are_found_and_crossings_are_none() -> None:
    out, _ = run(read(shared_data("bridge_force", "ReferenceState.csv")))
    plateaus = {
        "FRC-01": [(190, 320, 265.2045), (370, 470, 269.5724), (500, 599, 265.3513)],
        "FRC-02": [(190, 320, 226.0681), (370, 470, 231.7398), (500, 599, 225.5061)],
    }
    for pad, rows in plateaus.items():
        found = rests(out, pad)
        for start, end, value in rows:
            mine = [r for r in found if span(r)[0] < end and span(r)[1] > start]
            assert len(mine) == 1, (pad, start, [span(r) for r in mine])
            lo, hi = span(mine[0])
            assert lo < start
            assert hi > end - 12
            assert abs(mine[0].mass_kg - value) < 0.2  # it creeps by as much over two minutes
            assert abs(mine[0].slope_kg_per_s) < 0.05
        for rest in found:  # the vehicle rolls over at 18–35 s and 104–122 s
            lo, hi = span(rest)
            assert not (lo > 20 and hi < 33), (pad, span(rest))
            assert not (lo > 106 and hi < 119), (pad, span(rest))


def test_total_stands_while_single_corners_wander() -> None:
    out, _ = run(read(shared_data("four_corner_standing", "kistler_standing.csv")))
    total = rests(out, "*")
    assert len(total) == 1
    lo, hi = span(total[0])
    assert hi - lo > 18
    assert abs(total[0].mass_kg - 437.4) < 1.0
    resting_s = {p: sum(span(r)[1] - span(r)[0] for r in rests(out, p)) for p in ("fz1", "fz2", "fz3", "fz4")}
    assert mean(resting_s.values()) < 0.7 * (hi - lo), resting_s
    assert all(len(rests(out, p)) != 1 or s < 12 for p, s in resting_s.items())


def test_four_cells_loaded_by_hand_rest_three_times() -> None:
    out, _ = run(read(shared_data("four_cell_recorder", "LC1532021-143726_uniform.csv")))
    for pad in ("lc1", "lc2", "lc3", "lc4", "*"):
        found = [span(r) for r in rests(out, pad)]
        for start, end in ((0.0, 2.8), (10.8, 13.2), (14.2, 16.0)):
            assert sum(lo < end - 0.5 and hi > start + 0.5 for lo, hi in found) == 1, (pad, start, found)
        assert not any(3.2 < lo < 9.5 for lo, _ in found)


@pytest.mark.parametrize(
    ("name", "before", "after"), [("1", 140, 149), ("2", 94, 100), ("3", 176, 182), ("4", 338, 345)]
)
def test_known_change_is_a_step(name: str, before: int, after: int) -> None:
    out, _ = run(read(shared_data("change_points", f"quality_control_{name}.csv")))
    assert any(before <= span(r)[0] <= after for r in rests(out, "V1"))
    assert any(isinstance(s, Step) for s in out)


def test_no_change_is_one_rest() -> None:
    rows = read(shared_data("change_points", "quality_control_5.csv"))
    out, _ = run(rows)
    found = rests(out, "V1")
    assert len(found) == 1
    assert not any(isinstance(s, Step) for s in out)
    assert abs(found[0].mass_kg - mean(float(r[2] or 0) for r in rows)) < 0.15
    assert span(found[0]) == (0.0, 324.0)


def test_spikes_of_the_well_are_no_steps() -> None:
    out, _ = run(read(shared_data("change_points", "well_log.csv")))
    found = [span(r) for r in rests(out, "V1")]
    told = json.loads(shared_data("change_points", "truth_annotations.json").read_text())["well_log"]["6"]
    for change in told[:3]:
        assert any(abs(lo - change) <= 2 for lo, _ in found), (change, found)
    for spike in (203, 236):
        assert any(lo < spike < hi for lo, hi in found), (spike, found)


def test_hard_numbers_keep_their_digits() -> None:
    out, _ = run(read(shared_data("nist_strd", "NumAcc4.csv")))
    found = rests(out, "y")
    assert len(found) == 1
    assert abs(found[0].mass_kg - 10000000.2) < 0.02  # certified mean; sd 0.1
    assert 0.0 < found[0].u_kg < 0.1
