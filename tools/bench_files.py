"""Does `restpoint weigh FILE.csv --json` keep its word?  tools/bench_files.py [--cars 10000] [--jobs 2]

Each simulated shop (shop_files.py, which shares no code with the solver) writes its weighings and its car's
file. What the verb makes of these bytes is held against the truth: whether ±2u covers it; whether what is
said not to be told apart is so, and only then; whether the step ranked first brings what was expected of it.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shop_files as shops

from logger.car_file import read_car
from logger.mechanics.parts import Part
from logger.mechanics.solve import solve_builds
from logger.weigh_file import read_weighings, solved_build
from logger.weigh_text import as_json

FIGURES = ("total", "front", "left", "cross", "x", "y", "kappa")
WARPED = {*shops.CORNERS, "kappa", "kappa_floor", "cross_floor", "stiffness", "theta"}
"""Told where cross is."""
SLOPED = {"h_alpha", "h_beta", "alpha", "beta"}
"""Told where y is."""
ENOUGH = 2000
"""With fewer, a share is given two of its own standard deviations beside its aim."""
EVERY = 20
"""In one of so many shops the steps ranked are tried too."""


@dataclass
class Counts:
    """Whether ±2u held, by figure told; who was wrong about what can be told; what steps brought."""

    told: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    allowed: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    said_wrongly: list[int] = field(default_factory=list)
    brought: list[float] = field(default_factory=list)
    regret: list[float] = field(default_factory=list)
    suspects: int = 0

    def add(self, other: Counts) -> None:
        """Take in another's counts."""
        for mine, theirs in ((self.told, other.told), (self.allowed, other.allowed)):
            for name, values in theirs.items():
                mine[name] += values
        self.said_wrongly += other.said_wrongly
        self.brought += other.brought
        self.regret += other.regret
        self.suspects += other.suspects


def weighed(shop: shops.Shop, rng: np.random.Generator, aim: str = "cross") -> tuple[dict[str, Any], Part]:
    """What `restpoint weigh --build with --json` prints of a shop's files, and the part that came off."""
    with tempfile.TemporaryDirectory() as folder:
        file, toml = shops.write(shop, rng, Path(folder))
        car = read_car(toml)
        readings = read_weighings(file, car.known)
    told = json.loads(as_json(solved_build(readings, car, aim, "with"), car.name, readings.notes))
    builds = solve_builds(
        readings.weighings, car.geometry, car.known, car.allowances, u_assumed=readings.u_assumed
    )
    return told, builds.part("with", "without")


def coverage(seeds: range) -> Counts:
    """Count over simulated shops, one a seed."""
    counts = Counts()
    for seed in seeds:
        rng = np.random.default_rng([5, seed])
        shop = shops.draw(rng)
        told, part = weighed(shop, rng)
        counts.suspects += len(told["suspects"])
        truth = shops.truth(shop.car, shop.floor)
        for name, q in _figures(told).items():
            where = counts.allowed if _open(name, told["open"]) else counts.told
            where[name].append(abs(q["value"] - truth[name]) <= 2 * q["u"])
        _count_part(counts, part, shop.part)
        if said(told) != so(shop):
            counts.said_wrongly.append(seed)
        if seed % EVERY == 0:
            _try_steps(counts, shop, seed)
    return counts


def _figures(told: dict[str, Any]) -> dict[str, Any]:
    every = {name: told[name] for name in FIGURES} | told["corners"] | told["floor"]
    return {name: q for name, q in every.items() if q is not None}


def _open(name: str, open_figures: list[str]) -> bool:
    return bool({name, "cross" if name in WARPED else "y" if name in SLOPED else name} & set(open_figures))


def _count_part(counts: Counts, found: Part, true: shops.Part) -> None:
    quantities = (found.mass, found.x, found.y)
    for name, q, value in zip(("mass", "x", "y"), quantities, (true.mass, true.x, true.y), strict=True):
        if q is not None and q.u is not None and not found.too_light_to_locate:
            counts.told[f"part {name}"].append(abs(q.value - value) <= 2 * q.u)


def said(told: dict[str, Any]) -> tuple[bool, bool]:
    """Whether slope, and whether twist or stiffness, is said not to be told apart from the car."""
    sentences = told["cannot_tell_apart"]
    return any("sloping floor" in s for s in sentences), any("own diagonal" in s for s in sentences)


def so(shop: shops.Shop) -> tuple[bool, bool]:
    """Whether another car on another floor would have read the same in all that was weighed.

    Heights that were told leave no other floor, springs or a shim test no other stiffness.
    """
    car, (along, across, warp), nudge = shop.car, shop.floor, 1e-3
    leant = replace(car, x=car.x + car.height * nudge)
    slopes = ((along + rise, across, warp) for rise in (nudge, -nudge))
    slope = any(_same(shop, leant, floor) for floor in slopes) and "heights" not in shop.told
    turned = nudge * car.wheelbase
    eased = replace(car, preload=car.preload - car.stiffness * turned)
    twist = _same(shop, eased, (along, across, warp + nudge)) and "heights" not in shop.told
    theta = car.wheelbase * warp
    factor = 1 + nudge / max(abs(theta), 1e-9)
    stiff = replace(
        car,
        springs=(car.springs[0] * factor, car.springs[1] * factor),
        bars=(car.bars[0] * factor, car.bars[1] * factor),
        preload=car.preload - car.stiffness * (factor - 1) * theta,
    )
    stiffness = _same(shop, stiff, shop.floor) and "springs" not in shop.told
    return slope, twist or stiffness


def _same(shop: shops.Shop, car: shops.Car, floor: tuple[float, float, float]) -> bool:
    """Whether readings stay to a twentieth of what the car's own loads move."""
    loads = [shops.standing(shop.car, shop.floor, placed) for placed in shop.placements]
    others = [shops.standing(car, floor, placed) for placed in shop.placements]
    apart = car.loads(shops.FLAT, np.zeros(2)) - shop.car.loads(shops.FLAT, np.zeros(2))
    return bool(np.abs(np.array(loads) - others).max() < np.abs(apart).max() / 20)


def _try_steps(counts: Counts, shop: shops.Shop, seed: int) -> None:
    """Make each step ranked, three times with fresh scatter, and note what it brought."""
    rng = np.random.default_rng([6, seed])
    aim = str(rng.choice(["total", "front", "left", "cross"]))
    told, _ = weighed(shop, np.random.default_rng([7, seed]), aim)
    brought = []
    for step in told["next_placements"]:
        if step["kind"] == "heights" and "heights" in shop.told:
            continue
        then = after(shop, step)
        us = [weighed(then, np.random.default_rng([7, seed, n]), aim)[0][aim]["u"] for n in range(3)]
        brought.append(float(np.mean(us)))
        counts.brought.append(brought[-1] / step["u"])
    counts.regret.append(brought[0] / min(brought))


def after(shop: shops.Shop, step: dict[str, Any]) -> shops.Shop:
    """The shop with one step made as it was advised."""
    stand = step["stand"]
    if stand is None:
        return replace(shop, told=shop.told | {"heights"})
    pads, shims = [0] * 4, [0.0] * 4
    for spot, pad, shim in zip(stand["spots"], stand["pads"], stand["shims_m"], strict=True):
        pads[int(spot[1]) - 1], shims[int(spot[1]) - 1] = int(pad[1]) - 1, shim
    placed = shops.Placed(
        stand["facing"] == "back",
        (pads[0], pads[1], pads[2], pads[3]),
        (shims[0], shims[1], shims[2], shims[3]),
        1,
    )
    return replace(shop, placements=(*shop.placements, placed))


def report(cars: int, jobs: int) -> bool:
    """Print every figure with its aim; whether all were met."""
    counts = Counts()
    with ProcessPoolExecutor(jobs) as pool:
        for found in pool.map(coverage, [range(i, min(i + 250, cars)) for i in range(0, cars, 250)]):
            counts.add(found)
    met = []
    for name, held in sorted(counts.told.items()):
        share = float(np.mean(held))
        slack = 2 * np.sqrt(0.045 * 0.955 / len(held)) if len(held) < ENOUGH else 0.0
        met.append(bool(0.94 - slack <= share <= 0.97 + slack))
        verdict = "met" if met[-1] else "MISSED"
        print(f"±2u holds {name} ({len(held)}){'':<40}"[:46], f"{100 * share:6.1f} %   94–97 %  {verdict}")
    for name, held in sorted(counts.allowed.items()):
        print(f"  on an allowance, {name} ({len(held)}){'':<40}"[:46], f"{100 * float(np.mean(held)):6.1f} %")
    met.append(not counts.said_wrongly)
    print(f"said wrongly what can be told apart: {len(counts.said_wrongly)} shops {counts.said_wrongly[:9]}")
    low, middle, high = np.quantile(counts.brought, (0.1, 0.5, 0.9))
    print(
        f"± a step brought over the one expected: {middle:.3f} (tenth to ninth tenth {low:.2f} to {high:.2f})"
    )
    print(f"step ranked first within 5 % of the best: {100 * np.mean(np.array(counts.regret) < 1.05):.0f} %")
    print(f"false suspects in {cars} shops: {counts.suspects}")
    return all(met)


def main() -> int:
    """Parse the arguments, print, and return 1 when an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--cars", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    return 0 if report(args.cars, args.jobs) else 1


if __name__ == "__main__":
    sys.exit(main())
