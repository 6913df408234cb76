"""What judge advises for pads whose one fault, or none, is known; the others under the car are good."""

from __future__ import annotations

import numpy as np
import pytest

from logger.judge.rocks import repeats
from logger.model import Rock

from .faulty_pads import Job, judged
from .repeated import EVERY_NS, car_rests

HOUR_S = 3600.0
GOOD = {
    "good": Job(),
    "coarse": Job(d_kg=0.5, noise_kg=0.05),
    "fine": Job(d_kg=0.01, noise_kg=0.03),
    "slow": Job(rate_Hz=10.0, d_kg=0.2, noise_kg=0.05),
    "rocked": Job(rocks=3),
    "of unknown capacity": Job(capacity_kg=None),
    "under a load for half an hour": Job(loads=2, last_load_s=2000.0),
}
DRIFTING = Job(loads=6, load_s=180.0, drift=lambda t: 2.0 * t / HOUR_S)
FAULTS = {
    "drifts": (DRIFTING, "warm up", "drift in an hour"),
    "warms up": (
        Job(loads=8, load_s=240.0, drift=lambda t: 1.5 * (1 - np.exp(-t / 900))),
        "warm up",
        "drift in an hour",
    ),
    "does not come back": (Job(left=lambda t: t * 0 + 1.0), "service", "zero return"),
    "comes back late": (Job(left=lambda t: np.exp(-t / 600)), "service", "zero return"),
    "is too far off to be checked": (Job(left=lambda t: t * 0 + 4.0), "service", "zero return"),
    "creeps": (
        Job(loads=2, last_load_s=2000.0, creep=lambda t: 1.0 - np.exp(-t / 500)),
        "service",
        "creep in 30 min",
    ),
    "still creeps": (
        Job(loads=2, load_s=120.0, creep=lambda t: 0.1 * np.log(1 + t)),
        "not judged",
        "let a load stand for half an hour",
    ),
    "does not repeat": (Job(rocks=3, scatter=0.01), "service", "repeatability"),
    "loses frames": (Job(lost=0.05), "service", "look after its radio"),
    "has radio gaps": (Job(gaps=4), "service", "look after its radio"),
}


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("seed", [0, 1])
def test_a_good_pad_is_trusted_however_its_car_settles(name: str, seed: int) -> None:
    for pad in judged(GOOD[name], seed).pads:
        assert pad.grade.advice == "trust", pad.grade.sentence


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("seed", [0, 1])
def test_a_fault_is_told_by_its_name_and_of_the_pad_that_has_it(name: str, seed: int) -> None:
    job, advice, why = FAULTS[name]
    faulty, *others = judged(job, seed).pads
    assert faulty.grade.advice == advice, faulty.grade.sentence
    assert why in faulty.grade.sentence
    for pad in others:
        assert pad.grade.advice == "trust", pad.grade.sentence


def test_a_return_that_may_be_bad_or_not_is_told_with_its_uncertainty() -> None:
    """One step of a coarse display: it may have been hardly more than what is allowed, half of one."""
    faulty, *_ = judged(Job(d_kg=0.5, noise_kg=0.05, left=lambda t: t * 0 + 0.5), 1).pads
    assert faulty.grade.advice == "not judged"
    assert "nothing speaks against it for certain, but zero return is 1 ± 0.8" in faulty.grade.sentence


def test_drift_is_told_with_its_uncertainty() -> None:
    for seed in range(2):
        first, *others = judged(DRIFTING, seed).pads
        for pad, truth in ((first, 2.0), *((other, 0.0) for other in others)):
            assert pad.drift is not None
            assert abs(pad.drift.value - truth) <= 2.5 * (pad.drift.u or 0.0)
            assert (pad.drift.u or 0.0) < 0.3


def test_a_settle_that_only_one_pad_is_slow_in_is_that_pad_s() -> None:
    """The car's own, of up to 8 s, all four show; one that takes more than twice as long is A's."""
    faulty, *others = judged(Job(load_s=150.0, creep=lambda t: -3.0 * np.exp(-t / 18)), 1).pads
    slow = next(c for c in faulty.grade.criteria if c.name == "time to settle")
    assert slow.met is False
    for pad in others:
        assert next(c for c in pad.grade.criteria if c.name == "time to settle").met is not False


def test_one_pad_s_scatter_is_told_of_that_pad_alone() -> None:
    """Taking off the pattern takes a quarter of it along and puts it on the others: that is put right."""
    rng = np.random.default_rng(3)
    loads = np.array([290.0, 270, 210, 205]) + 3.0 * rng.normal(size=(40, 1)) * np.array([1, -1, -1, 1])
    loads[:, 0] += rng.normal(0, 0.2, 40)
    study = repeats(car_rests(loads))
    assert study is not None
    assert study.rests == 40
    assert study.own_kg[0] == pytest.approx(0.2, rel=0.3)
    assert max(study.own_kg[1:]) < 0.02
    assert study.shared_kg == pytest.approx(3.0, rel=0.3)


def test_rocking_changes_no_load() -> None:
    """A pad that reads 4 kg more after a rock does not repeat; without one, something was put in."""
    loads = np.array([290.0, 270, 210, 205]) + np.array([[0], [4], [0], [4.0]]) * np.array([1, 0, 0, 0])
    rocks = [
        Rock(
            t_from_mono_ns=k * EVERY_NS + 6 * 10**9,
            t_to_mono_ns=k * EVERY_NS + 9 * 10**9,
            swings=4,
            frequency_Hz=1.5,
            damping_ratio=0.2,
            amplitude_kg=100.0,
        )
        for k in range(3)
    ]
    study = repeats(car_rests(loads), rocks)
    assert study is not None
    assert study.rests == 4
    assert study.own_range_kg[0] == pytest.approx(4.0)
    assert repeats(car_rests(loads)) is None
