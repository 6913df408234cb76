"""Does the solver's ± keep its word?  python tools/bench_mechanics.py [--cars 10000] [--jobs 2]

Each simulated car (mechanics_worlds.py) is weighed, a part is taken out and it is weighed again. Counted is
how often ±2u covers the truth: for figures the solver says are told, and apart for those it says rest on an
allowance.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from mechanics_worlds import (
    FACINGS,
    PADS,
    SPOTS,
    WAGTAIL,
    World,
    hundred_rests,
    one_car,
    replace_covariance,
    weigh,
)

from logger.mechanics.ballast import Place, Target, ballast
from logger.mechanics.floor import shim_plan
from logger.mechanics.perches import Perch, perch_plan
from logger.mechanics.solve import Builds, solve, solve_builds
from logger.mechanics.statics import Array, statics
from logger.mechanics.weighing import Known, Weighing
from logger.model import CORNERS
from logger.quantity import Quantity
from logger.units import G_N

FIGURES = ("total", "front", "left", "cross", "x", "y")


@dataclass
class Counts:
    """Whether ±2u held the truth, by figure: for what was told, and for what rests on an allowance."""

    told: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    allowed: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    traded: list[bool] = field(default_factory=list)
    suspects: int = 0

    def add(self, other: Counts) -> None:
        """Take in another's counts."""
        for mine, theirs in ((self.told, other.told), (self.allowed, other.allowed)):
            for name, values in theirs.items():
                mine[name] += values
        self.traded += other.traded
        self.suspects += other.suspects


def coverage(seeds: range) -> Counts:
    """Count over simulated cars, one a seed."""
    counts = Counts()
    for seed in seeds:
        world, builds, states, part = one_car(seed)
        to_loads = np.column_stack([world.geometry.spread, world.geometry.warp])
        for build, solution in builds.solutions.items():
            truth = statics((to_loads @ states[build][:4]).tolist(), [0.0] * 4, world.geometry)
            counts.suspects += len(solution.suspects)
            for name in FIGURES:
                have, want = getattr(solution, name), getattr(truth, name)
                where = counts.allowed if name in solution.open else counts.told
                where[name].append(bool(abs(have.value - want.value) <= 2 * have.u))
        counts.traded.append(_tradable(builds))
        found = builds.part("with", "without")
        values = (found.mass, found.x, found.y)
        for name, quantity, truth_ in zip(("mass", "x", "y"), values, part[:3], strict=True):
            if quantity is not None and not found.too_light_to_locate:
                inside = abs(quantity.value - truth_) <= 2 * (quantity.u or 0.0)
                counts.told[f"part {name}"].append(bool(inside))
    return counts


def _tradable(builds: Builds) -> bool:
    """Whether readings stay along every direction called open: small steps move them by their square."""
    fit = builds.fit
    at = fit.unknowns.predict(fit.p)

    def moved(direction: Array, size: float) -> float:
        step = size * direction / np.abs(direction).max()
        return float(np.abs(fit.unknowns.predict(fit.p + step) - at).max())

    return all(moved(d, 1e-3) <= moved(d, 0.1) / 1000 + 1e-9 for d in fit.null.T)


def twist_figures() -> dict[str, float]:
    """A 4 mm twist under two facings: error in cross (%) of the mean, and with a level and known springs.

    Wagtail on 25 N/mm wheel rates without bars; the level is wrong by 1 mm at one corner, the worst taken.
    """
    geometry = WAGTAIL
    stiffness = 25_000 / 4 * 1.4**2 / G_N
    heights = np.array([0.004, 0.0, 0.0, 0.0])
    state = np.array([968.0, 968 * 1.41, 968 * 0.012, 4.0, 968 * 0.5])
    known = Known()
    world = World(geometry, state, heights, stiffness, 1e-9, np.zeros(4), 0.1, known)
    quiet = replace(world, u_kg=0.0)
    rows = [
        weigh(quiet, np.random.default_rng(0), state, facing, pads, run=facing) for facing, pads in FACINGS
    ]
    rows = [replace_covariance(w, 0.01) for w in rows]
    to_loads = np.column_stack([geometry.spread, geometry.warp])
    truth = statics((to_loads @ state[:4]).tolist(), [0.0] * 4, geometry).cross.value
    naive = np.mean([statics(w.loads_kg, w.covariance_kg2, geometry).cross.value for w in rows])
    errors, within = [], []
    for corner in np.eye(4):
        wrong = heights + 0.001 * corner
        told = Known(
            spot_heights_m=dict(zip(SPOTS, wrong.tolist(), strict=True)),
            stiffness_Nm_per_rad=stiffness * G_N,
            stiffness_u_Nm_per_rad=0.02 * stiffness * G_N,
        )
        cross = solve(rows, geometry, told).cross
        errors.append(abs(cross.value - truth))
        within.append(abs(cross.value - truth) <= 2 * (cross.u or 0.0))
    return {
        "naive": 100 * abs(float(naive) - truth),
        "levelled": 100 * max(errors),
        "within": float(np.mean(within)),
    }


def ten_kilograms(parts: int, rests: int, pad_sd_kg: float) -> dict[str, float]:
    """Parts of 10 kg, pads rounding to 0.1 kg, each pad repeating to `pad_sd_kg`, the car left standing."""
    rng = np.random.default_rng(8)
    geometry = WAGTAIL
    state = np.array([968.0, 968 * 1.41, 968 * 0.012, 4.0])
    to_loads = np.column_stack([geometry.spread, geometry.warp])
    masses, places = [], []
    for _ in range(parts):
        x, y = rng.uniform(0, 2.43), rng.uniform(-0.6, 0.6)
        rows = []
        for build, now in (("a", state), ("b", state - 10 * np.array([1, x, y, 0]))):
            for n in range(rests):
                loads = np.round(to_loads @ now + rng.normal(0, pad_sd_kg, 4), 1)
                rows.append(
                    Weighing(
                        run=f"{build}{n}",
                        facing="out",
                        spots=SPOTS,
                        pads=PADS,
                        loads_kg=tuple(loads.tolist()),
                        covariance_kg2=(pad_sd_kg**2 + 0.01 / 12,) * 4,
                        build=build,
                    )
                )
        part = solve_builds(rows, geometry).part("a", "b")
        masses.append(abs(part.mass.value - 10) <= 0.2)
        if part.x is not None and part.y is not None:
            places.append(np.hypot(part.x.value - x, part.y.value - y) <= 0.1)
    return {"mass": float(np.mean(masses)), "place": float(np.mean(places))}


def seconds(action: Callable[[], object], times: int = 7) -> float:
    """Processor time of an action, the best of several, after one to warm up."""
    action()
    spent = []
    for _ in range(times):
        start = time.process_time()
        action()
        spent.append(time.process_time() - start)
    return min(spent)


def plan_seconds() -> float:
    """The slowest of shim plan, perch plan and ballast."""
    geometry = WAGTAIL
    perches = [Perch(corner=c, pitch_m=0.0015) for c in CORNERS]
    places = [
        Place(name=str(i), x_m=x, y_m=0.1, capacity_kg=40, plate_kg=2.5) for i, x in enumerate((-0.5, 1, 2.9))
    ]
    cross, stiffness = Quantity(0.488, 0.001, "1"), Quantity(18_600.0, 3000.0, "N·m/rad")
    shims = {0.001: 4, 0.002: 4, 0.003: 2, 0.005: 2}
    plans: tuple[Callable[[], object], ...] = (
        lambda: ballast((288, 274, 204, 202), places, Target(least_total_kg=990, front=0.575), geometry),
        lambda: perch_plan(cross, 0.5, 968.0, stiffness, perches, geometry),
        lambda: shim_plan([0, 0.006, 0.001, -0.002], 0.001, shims, geometry),
    )
    return max(seconds(plan, 2) for plan in plans)


def ten_kilogram_rows() -> list[bool]:
    """Print the shares for both readings of "repeats to 0.1 kg"; whether those with an aim met it.

    From one rest before and one after, pads that each repeat to 0.1 kg tell a mass to ±0.57 kg (2u); that is
    statistics, and ten rests each bring it to ±0.18 kg.

    Four pads that repeat to 0.05 kg each independently give a whole car that repeats to 0.1 kg.
    """
    met = []
    for reading, pad_sd_kg in (("each pad", 0.1), ("whole car", 0.05)):
        for rests in (1, 10):
            ten = ten_kilograms(400, rests, pad_sd_kg)
            aim = "≥ 95 %" if rests > 1 else ""
            for figure, what in (("mass", "10 kg part within 0.2 kg"), ("place", "10 kg part within 0.1 m")):
                name = f"{what}, {rests} rests, {reading} to 0.1 kg"
                ok = rests == 1 or ten[figure] >= 0.95
                met.append(_row(name, f"{100 * ten[figure]:.0f} %", aim, ok))
    return met


def report(cars: int, jobs: int) -> bool:
    """Print every figure with its aim; whether all were met."""
    counts = Counts()
    with ProcessPoolExecutor(jobs) as pool:
        for found in pool.map(coverage, [range(i, min(i + 250, cars)) for i in range(0, cars, 250)]):
            counts.add(found)
    met = []
    for name, held in sorted(counts.told.items()):
        share = float(np.mean(held))
        met.append(
            _row(f"±2u holds {name} ({len(held)})", f"{100 * share:.1f} %", "94–97 %", 0.94 <= share <= 0.97)
        )
    for name, held in sorted(counts.allowed.items()):
        _row(f"  where an allowance stands in, {name} ({len(held)})", f"{100 * float(np.mean(held)):.1f} %")
    traded = float(np.mean(counts.traded))
    met.append(_row("what is called open can be traded", f"{100 * traded:.2f} %", "100 %", traded == 1.0))
    _row(f"false suspects in {cars} cars", str(counts.suspects))
    twist = twist_figures()
    _row("4 mm twist, mean of two facings: cross off by", f"{twist['naive']:.2f} %")
    met.append(
        _row(
            "  with a level 1 mm wrong and springs",
            f"{twist['levelled']:.3f} %",
            "≤ 0.15 %",
            twist["levelled"] <= 0.15,
        )
    )
    met.append(
        _row("  of these within 2u", f"{100 * twist['within']:.0f} %", "100 %", twist["within"] == 1.0)
    )
    met.extend(ten_kilogram_rows())
    rows = hundred_rests()
    solving = 1e3 * seconds(lambda: solve(rows, WAGTAIL))
    met.append(_row("solve 100 rests of the car", f"{solving:.1f} ms", "≤ 20 ms", solving <= 20))
    planning = plan_seconds()
    met.append(_row("slowest plan", f"{planning:.2f} s", "≤ 1 s", planning <= 1))
    return all(met)


def _row(what: str, figure: str, aim: str = "", ok: bool = True) -> bool:
    verdict = "" if not aim else "met" if ok else "MISSED"
    print(f"{what:<58} {figure:>10}  {aim:<9} {verdict}".rstrip())
    return ok


def main() -> int:
    """Parse the arguments, print, and return 1 when an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--cars", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    return 0 if report(args.cars, args.jobs) else 1


if __name__ == "__main__":
    sys.exit(main())
