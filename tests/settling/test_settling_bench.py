"""The score of rest detection beside the naive rule; the long one is tools/bench_settling.py.

The aims stand there; here it must not fall back behind what it reaches: fewer wrong than the naive rule with
a tenth of its missed rests.
"""

from __future__ import annotations

import sys
from types import ModuleType

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
