"""Score rest detection on seeded sessions beside the naive rule, with their own truth.

    python tools/bench_settling.py [--count 200] [--first 1] [--kind car|curves|both] [--jobs 2] [--json]

Two kinds of sessions: `car` from the project's car simulator, `curves` from closed formulae (steps with
swings, tails, breathing and movements), so that nothing is fitted to one simulator. The naive rule: once the
range of the last 3 s is within 1 d, declare their mean; once it is not, movement.

A rest is *wrong* if its declared value is more than 1 d (3 d with a person aboard) off the settled truth, or
if it is declared while wheels roll or hands are on. *Delay* counts from the first instant after which the
noise-free load stays within 1 d of the settled truth. *Missed*: no rest declared in a stretch of hands off
that goes on for 4 s after that instant.
"""

from __future__ import annotations

import argparse
import json
import sys
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drivers.sim.sessions import PADS, session
from logger.model import Record, Rest, Sample
from logger.settling.pipeline import Pipeline


@dataclass
class Stretch:
    """Hands off on one pad: settled truth, when the load came within d of it for good, allowed error."""

    start_s: float
    end_s: float
    value: float
    within_s: float | None
    allowed: float


@dataclass
class Trace:
    """One pad's readings with their truth."""

    pad: str
    d: float
    samples: list[tuple[float, float]]
    stretches: list[Stretch]
    loads: list[tuple[float, float]] = field(default_factory=list)
    """Noise-free reading at all times, hands on or off."""

    def standing(self, t: float) -> tuple[float, float]:
        """Range of the noise-free reading in the second before t, and its value at t."""
        lo = bisect_left(self.loads, (t - 1.0, -1e9))
        hi = bisect_left(self.loads, (t + 1e-6, -1e9))
        near = [x for _, x in self.loads[lo:hi]] or [float("nan")]
        return max(near) - min(near), near[-1]


@dataclass
class Told:
    """A rest as declared, and as it ended."""

    from_s: float
    declared_s: float
    to_s: float
    value: float
    u: float
    final: float
    final_u: float


@dataclass
class Score:
    """Counts over stretches; lists where medians are wanted."""

    stretches: int = 0
    missed: int = 0
    declared: int = 0
    wrong: int = 0
    moving: int = 0
    split: int = 0
    covered: int = 0
    final_covered: int = 0
    final_half: int = 0
    finals: int = 0
    delays: list[float] = field(default_factory=list)
    us: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def figures(self) -> dict[str, float]:
        n = max(self.declared, 1)
        finals = max(self.finals, 1)
        return {
            "stretches": self.stretches,
            "declared": self.declared,
            "wrong_share": (self.wrong + self.moving) / n,
            "while_moving_share": self.moving / n,
            "missed_share": self.missed / max(self.stretches, 1),
            "split_share": self.split / n,
            "median_delay_s": median(self.delays) if self.delays else float("nan"),
            "coverage_2u": self.covered / n,
            "final_coverage_2u": self.final_covered / finals,
            "final_within_half_d": self.final_half / finals,
            "median_u_d": median(self.us) if self.us else float("nan"),
        }


def score(trace: Trace, rests: list[Told]) -> Score:
    """Hold the rests of one pad against its truth."""
    s = Score()
    for stretch in trace.stretches:
        _score_stretch(s, trace, stretch, [r for r in rests if _belongs(r, stretch)])
    for r in rests:
        if not any(_belongs(r, x) for x in trace.stretches):
            spread, load = trace.standing(min(r.declared_s, r.to_s))  # told late: look where it stood
            if spread <= trace.d and abs(load - r.value) <= trace.d:
                continue  # somebody is busy elsewhere; this pad stands, and was read rightly
            s.declared += 1
            s.moving += 1
            s.notes.append(f"moving {trace.pad} {r.declared_s:.1f} u {r.u / trace.d:.2f} d")
    return s


def _score_stretch(s: Score, trace: Trace, stretch: Stretch, mine: list[Told]) -> None:
    """Hold what was told of one stretch against it."""
    within = stretch.within_s
    if within is not None and stretch.end_s - within >= 4.0:
        s.stretches += 1
        s.missed += not mine
        if not mine:
            s.notes.append(
                f"missed {trace.pad} {stretch.start_s:.1f}-{stretch.end_s:.1f} within {within:.1f}"
            )
    for k, r in enumerate(mine):
        s.declared += 1
        s.split += k > 0
        off = abs(r.value - stretch.value)
        if off > stretch.allowed:
            s.wrong += 1
            s.notes.append(
                f"wrong {trace.pad} {r.declared_s:.1f} off {off / trace.d:.2f} d u {r.u / trace.d:.2f} d "
                f"stretch {stretch.start_s:.1f}-{stretch.end_s:.1f} within {within}"
            )
        s.covered += off <= 2 * r.u
        s.us.append(r.u / trace.d)
        if k == 0 and within is not None:
            s.delays.append(r.declared_s - within)
        if k == len(mine) - 1:
            s.finals += 1
            end = abs(r.final - stretch.value)
            s.final_half += end <= 0.5 * trace.d * (1 if stretch.allowed <= trace.d else 3)
            s.final_covered += end <= 2 * r.final_u


def _belongs(rest: Told, stretch: Stretch) -> bool:
    """Was this rest declared in the stretch, or (told late) does it lie within it?"""
    within = rest.from_s >= stretch.start_s - 1.0 and rest.to_s <= stretch.end_s + 0.15
    late = rest.declared_s > rest.to_s and within
    return late or (
        stretch.start_s - 1.0 <= rest.declared_s <= stretch.end_s + 0.15 and rest.to_s > stretch.start_s
    )


def naive(samples: list[tuple[float, float]], d: float) -> list[Told]:
    """The rule to beat: range over the last 3 s within 1 d, then their mean."""
    window: deque[tuple[float, float]] = deque()
    rests: list[Told] = []
    open_rest: Told | None = None
    sums: list[float] = []
    for t, x in samples:
        window.append((t, x))
        while window[0][0] < t - 3.0:
            window.popleft()
        values = [v for _, v in window]
        still = t - samples[0][0] >= 3.0 and max(values) - min(values) <= 1.001 * d
        if still and open_rest is None:
            mean = sum(values) / len(values)
            open_rest = Told(window[0][0], t, t, mean, d / 12**0.5, mean, d / 12**0.5)
            rests.append(open_rest)
            sums = list(values)
        elif still and open_rest is not None:
            sums.append(x)
            open_rest.final, open_rest.to_s = sum(sums) / len(sums), t
        elif not still:
            open_rest = None
    return rests


def ours(traces: list[Trace]) -> dict[str, list[Told]]:
    """Run the pipeline over the traces of one session together."""
    pipeline = Pipeline([t.pad for t in traces])
    rows = sorted((t, i, x) for i, trace in enumerate(traces) for t, x in trace.samples)
    told: dict[tuple[str, int], Rest] = {}

    def keep(records: Iterable[Record]) -> None:
        for r in records:
            if isinstance(r, Rest):
                told[r.pad, r.t_from_mono_ns] = r

    for t, i, x in rows:
        ns = round(t * 1e9) + 1_000_000_000
        keep(pipeline.feed(Sample(pad=traces[i].pad, t_mono_ns=ns, t_wall_ns=ns, mass_wire_kg=x, mass_kg=x)))
    keep(pipeline.finish())
    out: dict[str, list[Told]] = {t.pad: [] for t in traces}
    for r in told.values():
        out[r.pad].append(
            Told(
                from_s=r.t_from_mono_ns * 1e-9 - 1,
                declared_s=r.t_declared_mono_ns * 1e-9 - 1,
                to_s=r.t_to_mono_ns * 1e-9 - 1,
                value=r.declared_mass_kg,
                u=r.declared_u_kg,
                final=r.mass_kg,
                final_u=r.u_kg,
            )
        )
    return out


# -- sessions --------------------------------------------------------------------------------------------


def car_traces(seed: int) -> list[Trace]:
    """Traces of one session of the car simulator, with the zero left in (truth = settled + zero)."""
    s = session(seed)
    d = next(iter(s.scenario.pads.values())).resolution_kg
    people = [(w.t_from_s, w.t_to_s) for w in s.waits if any(m.name == "person" for m in w.aboard)]
    runs: list[list[int]] = [[]]
    for i, row in enumerate(s.truth):
        if row[2] is not None:
            runs[-1].append(i)
        elif runs[-1]:
            runs.append([])
    traces = [
        Trace(pad, d, [(t, x) for t, p, x, _ in s.samples if p == pad and x is not None], []) for pad in PADS
    ]
    for k, trace in enumerate(traces):
        trace.loads = [(row[0], row[1][k] + row[3][k]) for row in s.truth]
    for run in runs:
        if len(run) < 2:
            continue
        start, end = s.truth[run[0]][0], s.truth[run[-1]][0]
        seated = any(lo < end and hi > start for lo, hi in people)
        for k, trace in enumerate(traces):
            last = s.truth[run[-1]][2]
            assert last is not None
            zero = float(np.mean([s.truth[i][3][k] for i in run[-10:]]))
            allowed = 3 * d if seated else d
            trace.stretches.append(
                _stretch([(s.truth[i][0], s.truth[i][1][k]) for i in run], last[k], zero, allowed)
            )
    return traces


def _stretch(loads: list[tuple[float, float]], settled: float, zero: float, allowed: float) -> Stretch:
    """Find when the noise-free load came within the allowed error for good."""
    within: float | None = loads[0][0]
    for k, (_, load) in enumerate(loads):
        if abs(load - settled) > allowed:
            within = loads[k + 1][0] if k + 1 < len(loads) else None
    return Stretch(loads[0][0], loads[-1][0], settled + zero, within, allowed)


def curve_traces(seed: int) -> list[Trace]:
    """Four pads of one make from closed formulae: levels with ramps, swings, tails, breathing, hands at
    work."""
    dice = Random(f"curves {seed}")
    rate = dice.choice((2.0, 5.0, 5.0, 8.0, 10.0, 10.0, 20.0, 20.0, 40.0, 80.0))
    d = dice.choice((0.1, 0.1, 0.2, 0.2, 0.5, 0.0907, 0.2268, 0.4536))
    noise, average = d * dice.choice((0.05, 0.2, 0.4, 0.7, 1.2)), dice.choice((1, 1, 1, 3, 8))
    jitter = dice.choice((0.0, 0.0, 0.2))
    plan, t = [], 0.0
    for _ in range(dice.randint(5, 9)):
        hands = dice.uniform(1.0, 5.0) if dice.random() < 0.3 else 0.0
        plan.append((t, hands if plan else 0.0, dice.uniform(6.0, 18.0), dice.random() < 0.2))
        t += plan[-1][1] + plan[-1][2]
    share = dice.choice((None, 0.0, dice.uniform(0.001, 0.01)))
    tails = (share, dice.uniform(2.0, 10.0))
    return [
        _curve(Random(f"curves {seed} {p}"), p, rate, d, noise, average, jitter, plan, tails) for p in PADS
    ]


def _curve(
    dice: Random,
    pad: str,
    rate: float,
    d: float,
    noise: float,
    average: int,
    jitter: float,
    plan: list[tuple[float, float, float, bool]],
    tails: tuple[float | None, float],
) -> Trace:
    """One pad; `tails` are the session's share of a step and time constant, share None: new ones every
    time."""
    rng = np.random.default_rng(dice.randrange(2**32))
    end = plan[-1][0] + plan[-1][1] + plan[-1][2]
    t = np.arange(0.0, end, 1.0 / rate)
    t = np.sort(np.maximum(t + rng.normal(0, jitter / rate, len(t)), 0.0))
    load = np.zeros(len(t))
    trace = Trace(pad, d, [], [])
    level = dice.uniform(0, 400)
    for start, hands, lasts, seated in plan:
        before = level
        level += dice.choice((-1, 1)) * dice.choice(
            (dice.uniform(2, 8), dice.uniform(8, 40), dice.uniform(40, 300))
        )
        step, zeta = level - before, dice.uniform(0.08, 0.45)
        ramp, f = dice.uniform(0.3, 1.5), dice.uniform(0.8, 2.8)
        swing, phase = step * dice.uniform(0.02, 0.4), dice.uniform(0, 6.28)
        share, tail_s = tails
        if share is None:
            share, tail_s = dice.choice((0.0, dice.uniform(0, 0.015))), dice.uniform(2.0, 10.0)
        tail = step * share * dice.uniform(0.6, 1.4)
        now = (t >= start) & (t < start + hands + lasts)
        u = t[now] - start - hands + (30.0 if start == 0 else 0.0)  # a recording begins at rest
        rise = np.clip(u / ramp, 0, 1)
        free = np.maximum(u - ramp, 0)
        pure = before + step * rise * rise * (3 - 2 * rise) - tail * np.exp(-free / tail_s) * (rise >= 1)
        pure += (u >= ramp) * swing * np.exp(-zeta * 6.28 * f * free) * np.sin(6.28 * f * free + phase)
        wander = np.convolve(rng.normal(0, 1, now.sum() + 50), np.ones(50), "same")[25:-25] if hands else 0.0
        pure += (u < 0) * wander * dice.uniform(1, 10)
        if seated:
            pure += (u > 0) * dice.uniform(0.3, 2.0) * d * np.sin(6.28 * dice.uniform(0.2, 0.35) * u + phase)
        load[now] = pure
        free_part = u >= ramp
        loads = list(zip((t[now][free_part]).tolist(), pure[free_part].tolist(), strict=True))
        trace.stretches.append(_stretch(loads, level, 0.0, 3 * d if seated else d))
    trace.loads = list(zip(t.tolist(), load.tolist(), strict=True))
    shown = load + rng.normal(0, noise, len(t))
    shown = np.concatenate((np.full(average - 1, shown[0]), shown))
    shown = np.convolve(shown, np.ones(average) / average, "valid")
    shown = np.round(shown / d) * d
    keep = rng.random(len(t)) > 0.005
    trace.samples = [(float(a), round(float(b), 6)) for a, b in zip(t[keep], shown[keep], strict=True)]
    return trace


def both(job: tuple[str, int]) -> tuple[Score, Score]:
    """Score one session by both rules."""
    kind, seed = job
    traces = car_traces(seed) if kind == "car" else curve_traces(seed)
    rests = ours(traces)
    mine, theirs = Score(), Score()
    for trace in traces:
        mine.add(score(trace, rests[trace.pad]))
        theirs.add(score(trace, naive(trace.samples, trace.d)))
    for s in (mine, theirs):
        s.notes = [f"{kind} {seed}: {note}" for note in s.notes]
    return mine, theirs


def run(kind: str, first: int, count: int, jobs: int) -> Iterator[tuple[Score, Score]]:
    """Score sessions in parallel, in order of seeds."""
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(both, [(kind, seed) for seed in range(first, first + count)], chunksize=4)


def aims_missed(restpoint: dict[str, float], naive: dict[str, float]) -> list[str]:
    """Say which aims these figures miss, in words."""
    met = {
        "wrong at most an eighth of the naive rule's": restpoint["wrong_share"] <= naive["wrong_share"] / 8,
        "no later than the naive rule": restpoint["median_delay_s"] <= naive["median_delay_s"],
        "missed at most 3 %": restpoint["missed_share"] <= 0.03,
        "coverage of 2u 93-98 %": 0.93 <= restpoint["coverage_2u"] <= 0.98,
        "final within half a d in 95 %": restpoint["final_within_half_d"] >= 0.95,
    }
    return [text for text, good in met.items() if not good]


def main() -> int:
    """Print the figures of both rules side by side."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kind", choices=("car", "curves", "both"), default="both")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--notes", action="store_true", help="list what was wrong or missed")
    args = parser.parse_args()
    report: dict[str, dict[str, dict[str, float]]] = {}
    for kind in ("car", "curves") if args.kind == "both" else (args.kind,):
        mine, theirs = Score(), Score()
        for a, b in run(kind, args.first, args.count, args.jobs):
            mine.add(a)
            theirs.add(b)
        report[kind] = {"restpoint": mine.figures(), "naive": theirs.figures()}
        if args.notes:
            print("\n".join(mine.notes))
    if args.json:
        print(json.dumps(report))
        return 0
    for kind, rules in report.items():
        print(f"{kind:<24}{'restpoint':>12}{'naive':>12}")
        for name in rules["naive"]:
            print(f"  {name:<22}{rules['restpoint'][name]:>12.4g}{rules['naive'][name]:>12.4g}")
    missed = [f"{kind}: {text}" for kind, rules in report.items() for text in aims_missed(**rules)]
    print("\n".join(["aims missed:", *missed] if missed else ["all aims met"]))
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
