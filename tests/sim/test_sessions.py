"""Seeded sessions: the same for the same seed, complete, true to their masses, and as varied as said."""

from __future__ import annotations

from statistics import median

import pytest

from drivers.sim.sessions import PADS, RATES_HZ, RESOLUTIONS_KG, Session, session, sessions


@pytest.fixture(scope="module")
def some() -> list[Session]:
    return list(sessions(12))


def test_a_seed_is_a_session(some: list[Session]) -> None:
    again = session(3)
    assert again.samples == some[2].samples
    assert again.truth == some[2].truth
    assert again.samples != some[3].samples


def test_samples_are_in_order_and_of_known_pads(some: list[Session]) -> None:
    for s in some:
        times = [t for t, _, _, _ in s.samples]
        assert times == sorted(times)
        assert {p for _, p, _, _ in s.samples} == set(PADS)
        assert len(s.samples) > 0.9 * 4 * len(s.truth)
        assert len(s.truth) == pytest.approx(s.scenario.lasts_s() * s.scenario.rate_Hz, abs=1)


def test_rested_pads_show_settled_and_zero_within_their_noise(some: list[Session]) -> None:
    """Mean of the last 2 s of each wait against the truth: what an ideal reading of a rested car shows."""
    worst = []
    for s in some:
        truth = {t: (settled, zeros) for t, _, settled, zeros in s.truth}
        for wait in s.waits:
            for n, pad in enumerate(PADS):
                last = [
                    (m, truth[t][0], truth[t][1][n])
                    for t, p, m, _ in s.samples
                    if p == pad and m is not None and wait.t_to_s - 2.0 < t <= wait.t_to_s + 1e-6
                ]
                if not last:
                    continue
                off = sum(m - (settled[n] if settled else 0.0) - zero for m, settled, zero in last) / len(
                    last
                )
                worst.append(abs(off) / s.scenario.pads[pad].resolution_kg)
    assert len(worst) > 150
    assert median(worst) < 0.5
    assert max(worst) < 6.0


def test_settled_truth_keeps_the_total_and_is_silent_while_hands_are_on(some: list[Session]) -> None:
    for s in some:
        assert any(settled is None for _, _, settled, _ in s.truth)
        for wait in s.waits:
            assert sum(wait.settled_kg) == pytest.approx(wait.mass_kg)
            held = [settled for t, _, settled, _ in s.truth if wait.t_to_s - 1.0 < t <= wait.t_to_s]
            assert all(h is not None and h == pytest.approx(wait.settled_kg, abs=0.02) for h in held)


def test_dice_reach_every_rate_and_resolution() -> None:
    from drivers.sim.sessions import random_scenario

    drawn = [random_scenario(seed, (6.0, 18.0)) for seed in range(200)]
    assert {d.rate_Hz for d in drawn} == set(RATES_HZ)
    assert {d.pads["P1"].resolution_kg for d in drawn} == set(RESOLUTIONS_KG)
    masses = [d.build.mass_kg() for d in drawn]
    assert min(masses) < 700
    assert max(masses) > 1450
