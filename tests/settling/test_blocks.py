"""Fed in blocks of any size, the pipeline says what it says when fed one by one, to the last bit."""

from __future__ import annotations

import math
import random

import pytest
from settling.helpers_settling import Row, sample
from settling.test_settling_behaviour import car

from drivers.api import FLAG_OVERLOAD
from logger.columns import Columns
from logger.model import CarRest, Gap, PadCondition, Record, Rest, Sample
from logger.settling.pipeline import Pipeline

PADS = ("p1", "p2", "p3", "p4")


def session(seed: int, rate_Hz: float) -> list[Sample]:
    """Four pads under a car, with all that may befall a stream."""
    dice = random.Random(seed)
    rows: list[tuple[Row, dict[str, object]]] = []
    for k in range(int(95 * rate_Hz)):
        for pad, load in zip(PADS, car(k / rate_Hz, dice), strict=True):
            t = k / rate_Hz + dice.choice([0.0, 0.0, 0.003, 0.02])
            value: float | None = load
            more: dict[str, object] = {}
            fate = dice.random()
            if fate < 0.010:
                value = dice.choice([None, math.nan, math.inf, -1e61, load + 300.0])
            elif fate < 0.014:
                more["flags"] = FLAG_OVERLOAD
            elif fate < 0.018:
                t -= dice.choice([0.05, 1.0])
            elif fate < 0.020:
                more["temperature_C"] = dice.choice([4.0, 5.0])
            elif fate < 0.022:
                more["resolution_kg"] = dice.choice([0.1, 0.2])
            if (pad == "p3" and 50 < t < 53.5) or (pad == "p2" and 70 < t < 70.9):
                continue  # silent, and a gap
            rows.append(((t, pad, value), more))
    if seed % 2:
        rows.sort(key=lambda row: row[0][0])
    out = [sample(*row, **more) for row, more in rows]
    return [*out, sample(90.0, "stranger", 1.0), sample(95.5, "p1", 1.0)]


def one_by_one(samples: list[Sample]) -> tuple[list[Record], Pipeline]:
    pipeline = Pipeline(PADS, capacity_kg=dict.fromkeys(PADS, 500.0))
    out = [record for one in samples for record in pipeline.feed(one)] + pipeline.finish()
    return [record for record in out if not isinstance(record, Sample)], pipeline


@pytest.mark.parametrize(("seed", "rate_Hz"), [(1, 10.0), (2, 40.0), (3, 80.0), (4, 3.0)])
def test_blocks_of_any_size_say_the_same_to_the_last_bit(seed: int, rate_Hz: float) -> None:
    samples = session(seed, rate_Hz)
    expected, single = one_by_one(samples)
    for kind in (Rest, CarRest, Gap, PadCondition):
        assert any(isinstance(record, kind) for record in expected), kind
    whole = Columns.of(samples)
    assert list(map(repr, whole.samples())) == list(map(repr, samples))
    dice = random.Random(seed)
    for longest in (1, 7, 1000, len(samples)):
        pipeline = Pipeline(PADS, capacity_kg=dict.fromkeys(PADS, 500.0))
        out: list[Record] = []
        at = 0
        while at < len(samples):
            size = dice.randint(1, longest) if longest < len(samples) else longest
            out += pipeline.feed_block(whole.taken(slice(at, at + size)))
            at += size
        out += [record for record in pipeline.finish() if not isinstance(record, Sample)]
        assert list(map(repr, out)) == list(map(repr, expected))
        assert pipeline.excluded == single.excluded
    reasons = {reason for counts in single.excluded.values() for reason in counts}
    assert reasons >= {"missing", "not_finite", "overload", "wild"}


def test_blocks_and_single_samples_mix() -> None:
    samples = session(5, 20.0)
    expected, _ = one_by_one(samples)
    pipeline = Pipeline(PADS, capacity_kg=dict.fromkeys(PADS, 500.0))
    out: list[Record] = []
    for at in range(0, len(samples), 50):
        part = samples[at : at + 50]
        if at % 100:
            out += pipeline.feed_block(Columns.of(part))
        else:
            out += pipeline.feed_many(part)
    out += pipeline.finish()
    assert [repr(r) for r in out if not isinstance(r, Sample)] == list(map(repr, expected))


def test_an_empty_block_is_nothing() -> None:
    pipeline = Pipeline(PADS)
    assert pipeline.feed_block(Columns.of([])) == []
