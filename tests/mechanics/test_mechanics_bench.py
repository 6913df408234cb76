"""The benchmark of the solver's ±, short and seeded: the long one is tools/bench_mechanics.py."""

from __future__ import annotations

import bench_mechanics as bench
import numpy as np
import pytest


def test_two_u_covers_the_truth() -> None:
    """100 cars, 200 builds; the bounds are 3.5 standard deviations of a 95.5 % that is right."""
    counts = bench.coverage(range(20_000, 20_100))
    assert set(counts.told) == {"total", "front", "left", "cross", "x", "y", "part mass", "part x", "part y"}
    for name, held in {**counts.told, **{f"{n} allowed": h for n, h in counts.allowed.items()}}.items():
        least = 0.955 - 3.5 * np.sqrt(0.955 * 0.045 / len(held))
        assert np.mean(held) >= least, (name, np.mean(held), len(held))
    everything = [h for held in counts.told.values() for h in held]
    assert 0.935 <= np.mean(everything) <= 0.975
    assert all(counts.traded)
    assert counts.suspects <= 2


def test_the_twist_figures() -> None:
    """The mean of two facings keeps the whole twist; a level 1 mm wrong leaves less than 0.15 % of cross."""
    twist = bench.twist_figures()
    assert twist["naive"] == pytest.approx(0.527, abs=0.01)
    assert twist["levelled"] <= 0.15
    assert twist["within"] == 1.0
