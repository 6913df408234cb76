"""Score rest detection on seeded sessions beside the naive rule, with their own truth.

    python tools/bench_settling.py [--count 200] [--first 1] [--kind car|curves|yard|all] [--jobs 2] [--json]

The sessions are those of settling_sessions.py. The naive rule: once the range of the last 3 s is within 1 d,
declare their mean; once it is not, movement. Exits with 1 where an aim is missed.

A rest is *wrong* if its declared value is more than 1 d (3 d with a person aboard) off the settled truth, or
if it is declared while wheels roll or hands are on. *Delay* counts from the first instant after which the
noise-free load stays within 1 d of the settled truth. *Missed*: no rest declared in a stretch of hands off
that goes on for 4 s after that instant; where a knock or another pad's change left a level as it was
(`as_before`), the rest told before may go on instead. A rest told in a quiet stretch that is no level, too
short or not settled by its end (`unsettled`), counts neither way. Only the sessions of `yard` tell these.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from settling_sessions import Stretch, Trace, car_traces, curve_traces, yard_traces

from logger.model import Record, Rest, Sample
from logger.settling.pipeline import Pipeline


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
        held = any(_holds(r, stretch) for r in rests)
        _score_stretch(s, trace, stretch, [r for r in rests if _belongs(r, stretch)], held)
    for r in rests:
        if not any(_belongs(r, x) for x in trace.stretches):
            spread, load = trace.standing(min(r.declared_s, r.to_s))  # told late: look where it stood
            if spread <= trace.d and abs(load - r.value) <= trace.d:
                continue  # somebody is busy elsewhere; this pad stands, and was read rightly
            if any(_told_in(r, start, end) for start, end in trace.unsettled):
                continue
            s.declared += 1
            s.moving += 1
            s.notes.append(f"moving {trace.pad} {r.declared_s:.1f} u {r.u / trace.d:.2f} d")
    return s


def _score_stretch(s: Score, trace: Trace, stretch: Stretch, mine: list[Told], held: bool) -> None:
    """Hold what was told of one stretch against it; `held` if one told before goes on in it."""
    within = stretch.within_s
    if within is not None and stretch.end_s - within >= 4.0:
        s.stretches += 1
        missed = not mine and not held
        s.missed += missed
        if missed:
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
            s.delays.append(round(r.declared_s - within, 9))  # equal to the nanosecond is equal
        if k == len(mine) - 1:
            s.finals += 1
            end = abs(r.final - stretch.value)
            s.final_half += end <= 0.5 * trace.d * (1 if stretch.allowed <= trace.d else 3)
            s.final_covered += end <= 2 * r.final_u


def _belongs(rest: Told, stretch: Stretch) -> bool:
    """Was this rest declared in the stretch, or (told late) does it lie within it?"""
    within = rest.from_s >= stretch.start_s - 1.0 and rest.to_s <= stretch.end_s + 0.15
    late = rest.declared_s > rest.to_s and within
    return late or (_told_in(rest, stretch.start_s, stretch.end_s) and rest.to_s > stretch.start_s)


def _told_in(rest: Told, start_s: float, end_s: float) -> bool:
    """Was this rest declared in a stretch, give or take what its edges are known to?"""
    return start_s - 1.0 <= rest.declared_s <= end_s + 0.15


def _holds(rest: Told, stretch: Stretch) -> bool:
    """Does this rest, told before, go on for 2 s of a level that was left as it was, near its truth?"""
    if not stretch.as_before or stretch.within_s is None or rest.declared_s >= stretch.start_s:
        return False
    lasts = min(rest.to_s, stretch.end_s) - max(rest.from_s, stretch.within_s)
    return lasts >= 2.0 and abs(rest.final - stretch.value) <= 2 * stretch.allowed


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


KINDS = {"car": car_traces, "curves": curve_traces, "yard": yard_traces}


def both(job: tuple[str, int]) -> tuple[Score, Score]:
    """Score one session by both rules."""
    kind, seed = job
    traces = KINDS[kind](seed)
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


def print_report(report: dict[str, dict[str, dict[str, float]]], missed: list[str]) -> None:
    """Both rules side by side, then what is missed."""
    for kind, rules in report.items():
        print(f"{kind:<24}{'restpoint':>12}{'naive':>12}")
        for name in rules["naive"]:
            print(f"  {name:<22}{rules['restpoint'][name]:>12.4g}{rules['naive'][name]:>12.4g}")
    print("\n".join(["aims missed:", *missed] if missed else ["all aims met"]))


def main() -> int:
    """Print the figures of both rules side by side."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kind", choices=(*KINDS, "all"), default="all")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--notes", action="store_true", help="list what was wrong or missed")
    args = parser.parse_args()
    report: dict[str, dict[str, dict[str, float]]] = {}
    for kind in KINDS if args.kind == "all" else (args.kind,):
        mine, theirs = Score(), Score()
        for a, b in run(kind, args.first, args.count, args.jobs):
            mine.add(a)
            theirs.add(b)
        report[kind] = {"restpoint": mine.figures(), "naive": theirs.figures()}
        if args.notes:
            print("\n".join(mine.notes))
    missed = [f"{kind}: {text}" for kind, rules in report.items() for text in aims_missed(**rules)]
    if args.json:
        print(json.dumps(report))
    else:
        print_report(report, missed)
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
