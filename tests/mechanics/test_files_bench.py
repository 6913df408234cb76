"""The benchmark of the file interface, short and seeded: the long one is tools/bench_files.py."""

from __future__ import annotations

import bench_files as bench
import numpy as np


def test_what_the_verb_makes_of_files_holds_the_truth() -> None:
    """60 shops by a simulator of its own; the bounds are 3.5 standard deviations of 95.5 %."""
    counts = bench.coverage(range(20_001, 20_061))
    assert {"total", "front", "left", "cross", "x", "y", "kappa", "LF", "theta", "part x"} <= set(counts.told)
    for name, held in {**counts.told, **{f"{n} allowed": h for n, h in counts.allowed.items()}}.items():
        assert np.mean(held) >= 0.955 - 3.5 * np.sqrt(0.955 * 0.045 / len(held)), (name, np.mean(held))
    everything = [h for held in counts.told.values() for h in held]
    assert 0.935 <= np.mean(everything) <= 0.975
    assert counts.said_wrongly == []
    assert counts.suspects <= 2


def test_steps_bring_what_was_expected_of_them() -> None:
    """The step ranked first is the best or nearly so, and its ± comes out as foretold."""
    counts = bench.coverage(range(30_000, 30_100, 20))
    assert len(counts.regret) == 5
    assert 0.9 < np.median(counts.brought) < 1.1
    assert np.median(counts.regret) < 1.05
