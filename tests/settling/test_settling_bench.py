"""The score of rest detection beside the naive rule; the long one is tools/bench_settling.py.

The aims stand there; here it must not fall back behind what it reaches: fewer wrong than the naive rule with
a tenth of its missed rests. On sessions in the yard, which it was not developed on, it does worse.
"""

from __future__ import annotations

import sys
from bisect import bisect_left
from statistics import median
from types import ModuleType
from typing import Any

import pytest
from support import ROOT


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    sys.path.insert(0, str(ROOT / "tools"))
    try:
        import bench_settling
    finally:
        sys.path.pop(0)
    return bench_settling


@pytest.mark.parametrize("kind", ["car", "curves"])
def test_fewer_wrong_and_far_fewer_missed_than_by_the_naive_rule(bench: ModuleType, kind: str) -> None:
    mine, theirs = bench.Score(), bench.Score()
    for seed in range(9_000, 9_006):
        ours, naive = bench.both((kind, seed))
        mine.add(ours)
        theirs.add(naive)
    assert theirs.stretches > 75
    assert mine.figures()["wrong_share"] < 0.75 * theirs.figures()["wrong_share"]
    assert mine.missed <= 0.1 * theirs.missed


@pytest.fixture(scope="module")
def yard(bench: ModuleType) -> list[list[Any]]:
    """Traces of the pads, session by session."""
    return [bench.yard_traces(seed) for seed in range(9_002, 9_010)]


def test_the_yards_truth_is_where_its_loads_settle(yard: list[list[Any]]) -> None:
    stretches = [(trace, stretch) for traces in yard for trace in traces for stretch in trace.stretches]
    assert len(stretches) > 300
    for trace, stretch in stretches:
        since = bisect_left(trace.loads, (stretch.within_s - 1e-6,))
        settled = [load for _, load in trace.loads[since : bisect_left(trace.loads, (stretch.end_s,))]]
        assert settled, (trace.pad, stretch)
        assert max(abs(load - stretch.value) for load in settled) <= 1.001 * trace.d, (trace.pad, stretch)


def test_the_yards_readings_are_of_its_loads(yard: list[list[Any]]) -> None:
    off = []
    for trace in (trace for traces in yard for trace in traces):
        for stretch in trace.stretches:
            last_s = max(stretch.within_s, stretch.end_s - 4.0)
            since = bisect_left(trace.samples, (last_s,))
            readings = [x for _, x in trace.samples[since : bisect_left(trace.samples, (stretch.end_s,))]]
            if len(readings) >= 10:
                off.append(abs(median(readings) - stretch.value) / trace.d)
    assert len(off) > 300
    assert median(off) < 0.5
    assert max(off) < 2.5  # people aboard breathe, the wind blows


def test_how_settling_does_on_sessions_it_was_not_developed_on(
    bench: ModuleType, yard: list[list[Any]]
) -> None:
    score = bench.Score()
    for traces in yard:
        rests = bench.ours(traces)
        for trace in traces:
            score.add(bench.score(trace, rests[trace.pad]))
    figures = score.figures()
    assert figures["stretches"] > 300
    assert figures["wrong_share"] < 0.08  # 0.063 when this was written
    assert figures["missed_share"] < 0.055  # 0.042 when this was written


def _trace(bench: ModuleType, *, as_before: bool = False, unsettled: bool = False) -> Any:
    """Two levels of 100 kg with hands between them that leave it as it was, then hands on until the end."""
    hands = [(8.0 + k / 10, 110.0 + k % 7) for k in range(20)] + [
        (22.0 + k / 10, 90.0 + k) for k in range(80)
    ]
    loads = [(k / 10, 100.0) for k in range(80)] + hands[:20]
    loads += [(10.0 + k / 10, 100.0) for k in range(120)] + hands[20:]
    first, second = (
        bench.Stretch(0.0, 8.0, 100.0, 0.0, 0.1),
        bench.Stretch(10.0, 22.0, 100.0, 10.0, 0.1, as_before),
    )
    return bench.Trace("P1", 0.1, loads, [first, second], loads, [(23.0, 29.0)] if unsettled else [])


@pytest.mark.parametrize(("as_before", "missed"), [(True, 0), (False, 1)])
def test_a_level_left_as_it_was_is_not_missed_while_its_rest_goes_on(
    bench: ModuleType, as_before: bool, missed: int
) -> None:
    rest = bench.Told(0.0, 3.0, 22.0, 100.0, 0.05, 100.0, 0.05)
    score = bench.score(_trace(bench, as_before=as_before), [rest])
    assert (score.stretches, score.declared, score.missed) == (2, 1, missed)


@pytest.mark.parametrize(
    "rest", [(0.0, 3.0, 11.5, 100.0), (0.0, 3.0, 22.0, 100.3)], ids=["that ends soon", "of another load"]
)
def test_a_level_left_as_it_was_is_missed_by_a_rest(bench: ModuleType, rest: tuple[float, ...]) -> None:
    since, declared, until, final = rest
    told = bench.Told(since, declared, until, 100.0, 0.05, final, 0.05)
    assert bench.score(_trace(bench, as_before=True), [told]).missed == 1


@pytest.mark.parametrize(("unsettled", "counted"), [(True, 0), (False, 1)])
def test_a_rest_told_where_the_truth_is_no_level_counts_neither_way(
    bench: ModuleType, unsettled: bool, counted: int
) -> None:
    rest = bench.Told(23.0, 26.0, 28.0, 120.0, 0.05, 120.0, 0.05)
    score = bench.score(_trace(bench, unsettled=unsettled), [rest])
    assert (score.declared, score.moving) == (counted, counted)


def test_little_is_declared_as_the_next_movement_begins(bench: ModuleType) -> None:
    """Sessions in which thirteen rests were, while a newest cell that lay off was no reason to wait."""
    moving = sum(bench.both(("car", seed))[0].moving for seed in (9, 22, 43, 44, 47, 59, 62, 90))
    assert moving <= 4


@pytest.mark.parametrize("seed", [41, 75, 98, 117, 9001])
def test_what_a_rest_is_told_to_settle_to_is_near_what_was_read(bench: ModuleType, seed: int) -> None:
    """9, 705, 10 and 44 steps off, once, by tails foreseen from too little; the last had no rest at all."""
    traces = bench.yard_traces(seed)
    rests = bench.ours(traces)
    told = [(trace, rest) for trace in traces for rest in rests[trace.pad]]
    assert len(told) > 30
    for trace, rest in told:
        read = [
            x for t, x in trace.samples if rest.from_s - 0.1 < t < max(rest.to_s, rest.from_s + 1.0) + 0.1
        ]
        for value in (rest.value, rest.final):
            assert min(read) - 2.5 * trace.d <= value <= max(read) + 2.5 * trace.d, (trace.pad, rest)
