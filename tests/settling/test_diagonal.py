"""Four pads under a car: load creeps from one diagonal to the other, and all four show the same tail."""

from __future__ import annotations

import math
import random
import statistics

import pytest
from settling.helpers_settling import Row, rests, run, sample, span

from drivers.api import FLAG_OVERLOAD
from logger.model import Rest
from logger.settling.diagonal import PATTERNS, Diagonal
from logger.settling.pipeline import Pipeline
from logger.settling.tail import Estimate

LOADS = (341.0, 322.0, 268.0, 251.0)
STANDS_S, MOVES_S = 14.0, 3.0


def session(seed: int, signs: tuple[float, ...], tail_kg: float, steps: int = 8) -> list[Row]:
    """Four pads at 10 Hz, d = 0.1: each step is large and leaves a tail of 4 s in these directions."""
    dice = random.Random(seed)
    rows: list[Row] = []
    for k in range(round(steps * (STANDS_S + MOVES_S) * 10)):
        step, t = divmod(k / 10, STANDS_S + MOVES_S)
        age = t - MOVES_S
        for pad, (load, sign) in enumerate(zip(LOADS, signs, strict=True)):
            level = load * (1.0 if step % 2 else 0.5)
            tail = sign * tail_kg * math.exp(-age / 4.0) if age >= 0 else 0.0
            moving = 60.0 * math.sin(4.0 * age) if age < 0 else 0.0
            rows.append((k / 10, f"p{pad}", round(level + tail + moving + dice.gauss(0, 0.06), 1)))
    return rows


def errors(rows: list[Row], alone: bool = False) -> list[float]:
    """How far each first told value lies from what its rest settles to (kg)."""
    pipeline = Pipeline([f"p{k}" for k in range(4)])
    if alone:
        for pad in pipeline.pads.values():
            pad.channel.share = None
    out = [r for t, pad, x in rows for r in pipeline.feed(sample(t, pad, x))] + pipeline.finish()
    found = []
    for rest in (r for pad in pipeline.pads for r in rests(out, pad) if isinstance(r, Rest)):
        step, t = divmod(span(rest)[0], STANDS_S + MOVES_S)
        if t >= MOVES_S - 0.2:
            truth = LOADS[int(rest.pad[1])] * (1.0 if step % 2 else 0.5)
            found.append(rest.declared_mass_kg - truth)
    return found


def diagonal_of(pipeline: Pipeline) -> Diagonal:
    found = pipeline.car.diagonal
    assert found is not None
    return found


def test_four_pads_tell_a_shared_tail_better_than_each_alone() -> None:
    rows = [session(seed, (1, -1, -1, 1), 3.0) for seed in range(3)]
    together = [e for r in rows for e in errors(r)]
    alone = [e for r in rows for e in errors(r, alone=True)]
    assert len(together) >= 90  # 96 rests
    rms = statistics.fmean(e * e for e in together) ** 0.5
    assert rms < 0.87 * statistics.fmean(e * e for e in alone) ** 0.5
    assert sum(abs(e) > 0.1 for e in together) < 0.1 * len(together)


def test_without_a_plain_tail_four_pads_are_no_surer_than_the_pad_itself() -> None:
    _, pipeline = run(session(1, (1, -1, -1, 1), 0.0, steps=1))
    share, last_ns = pipeline.pads["p0"].channel.share, pipeline.pads["p0"].intake.last_ns
    tolerance = pipeline.pads["p0"].channel.noise.tolerance()
    assert share is not None
    own = Estimate()
    own.value = own.now = LOADS[0] / 2
    own.span_s = 4.0
    together = share.refine(own, last_ns - 4_000_000_000, last_ns, tolerance)
    assert together is not own
    assert 0.0 < together.risk < 0.1
    own.risk = 0.3
    assert share.refine(own, last_ns - 4_000_000_000, last_ns, tolerance).risk == 0.3


@pytest.mark.parametrize("pattern", [0, 1, 2])
def test_which_pads_are_diagonal_is_learned(pattern: int) -> None:
    signs = tuple(float(s) for s in PATTERNS[pattern])
    _, pipeline = run(session(1, signs, 4.0))
    assert [diagonal_of(pipeline).sign(k) for k in range(4)] == list(signs)


def test_pads_that_settle_each_by_itself_are_looked_at_alone() -> None:
    """All four creep downwards: what is beside the diagonal has the tail, and that is learned."""
    _, pipeline = run(session(2, (1, 1, 1, 1), 3.0))
    own = pipeline.pads["p0"].channel.prior
    assert diagonal_of(pipeline).apart.log_prior[0] < diagonal_of(pipeline).swung.log_prior[0]
    assert diagonal_of(pipeline).apart.log_prior[0] <= own.log_prior[0] + 0.05


def test_three_pads_have_no_diagonal() -> None:
    pipeline = Pipeline(["a", "b", "c"])
    assert pipeline.car.diagonal is None
    assert pipeline.pads["a"].channel.share is None


def test_an_overload_ends_what_the_four_had_together() -> None:
    """What was before must not count as movement behind what comes after, in whatever unit that is."""
    _, pipeline = run(session(1, (1, -1, -1, 1), 3.0, steps=2))
    diagonal = diagonal_of(pipeline)
    last_ns = pipeline.pads["p3"].intake.last_ns
    assert diagonal.stretch(0, last_ns) is not None
    for k in range(3):
        pipeline.feed(sample(34.1 + k / 10, "p0", 341.0, flags=FLAG_OVERLOAD))
    assert diagonal.stretch(0, last_ns) is None
