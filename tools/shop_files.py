"""Shops and cars for bench_files.py, made without the solver's code: a body on four springs, and its files.

The truth is a rigid body on four springs and two anti-roll bars over uneven ground, solved for heave, pitch
and roll; what is weighed of it is written as the CSV and the car's TOML that `restpoint weigh` reads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CORNERS = ("LF", "RF", "LR", "RR")
G_N = 9.80665
"""Standard gravity, m/s² (exact by definition, CGPM 1901)."""
LB_KG = 0.45359237
"""International pound, kg (exact by definition, NIST SP 811)."""
FLAT = np.zeros(4)


@dataclass(frozen=True)
class Car:
    """A car: lengths (m), mass (kg), centre of mass (m), a preload of the warp (N), springs (N/m)."""

    wheelbase: float
    tracks: tuple[float, float]
    mass: float
    x: float
    y: float
    height: float
    preload: float
    springs: tuple[float, float]
    bars: tuple[float, float]

    @property
    def places(self) -> Array:
        """(4, 2) contact patches."""
        front, rear = self.tracks
        return np.array(
            [
                [self.wheelbase, front / 2],
                [self.wheelbase, -front / 2],
                [0, rear / 2],
                [0, -rear / 2],
            ]
        )

    @property
    def stiffness(self) -> float:
        """Warp stiffness, N·m/rad: both axles' roll stiffness in series."""
        front, rear = (
            (spring / 2 + bar) * track**2
            for spring, bar, track in zip(self.springs, self.bars, self.tracks, strict=True)
        )
        return front * rear / (front + rear)

    def loads(self, ground: Array, slope: Array, stuck: float = 0.0) -> Array:
        """Loads (kg) on ground heights (m) with slopes (along, across, m/m) and a warp `stuck` (N·m)."""
        compliance = np.zeros((4, 4))
        for axle, (spring, bar) in enumerate(zip(self.springs, self.bars, strict=True)):
            i = 2 * axle
            compliance[i : i + 2, i : i + 2] = [[spring + bar, -bar], [-bar, spring + bar]]
        modes = np.column_stack([np.ones(4), self.places])
        front, rear = self.tracks
        warp = np.array([1 / front, -1 / front, -1 / rear, 1 / rear])
        push = compliance @ ground + (self.preload + stuck) * warp
        weight = self.mass * G_N
        asked = weight * np.array([1, self.x - self.height * slope[0], self.y - self.height * slope[1]])
        body = np.linalg.solve(modes.T @ compliance @ modes, modes.T @ push - asked)
        return np.asarray((push - compliance @ modes @ body) / G_N)

    def without(self, part: Part) -> Car:
        """The car with a part taken out."""
        mass = self.mass - part.mass
        x, y, height = (
            (self.mass * mine - part.mass * its) / mass
            for mine, its in ((self.x, part.x), (self.y, part.y), (self.height, part.z))
        )
        return replace(self, mass=mass, x=x, y=y, height=height)


@dataclass(frozen=True)
class Part:
    """Something that came off: kg, and its place in m."""

    mass: float
    x: float
    y: float
    z: float


@dataclass(frozen=True)
class Placed:
    """One way to stand: turned or not, which pad (0 to 3) on which of the four spots, shim (m) on a spot."""

    turned: bool
    pads: tuple[int, int, int, int]
    shims: tuple[float, float, float, float]
    runs: int

    @property
    def under(self) -> list[int]:
        """The spot (0 to 3) under each corner."""
        return [3, 2, 1, 0] if self.turned else [0, 1, 2, 3]


@dataclass(frozen=True)
class Shop:
    """A floor (rise along, rise across, their product), pads (gain, noise in kg, step), what is told."""

    car: Car
    floor: tuple[float, float, float]
    gains: Array
    noise: float
    step: float
    unit: str
    stuck: float
    """Standard deviation of the warp that sticks from run to run, N·m."""
    placements: tuple[Placed, ...]
    part: Part
    told: frozenset[str]
    """What the files say: heights, springs, gains, u, lengths."""
    height_u: float = 0.001
    springs_u: float = 0.1
    gain_u: float = 0.0005


def heights(car: Car, floor: tuple[float, float, float], turned: bool = False) -> Array:
    """The floor under LF, RF, LR, RR of a car that stands on it, facing out or turned half round (m)."""
    along, across = (car.places - [car.wheelbase / 2, 0]).T * (-1 if turned else 1)
    return np.asarray(floor[0] * along + floor[1] * across + floor[2] * along * across)


def plane_of(car: Car, heights: Array) -> Array:
    """Slopes (along, across) of the plane fitted to heights under the four wheels."""
    design = np.column_stack([np.ones(4), car.places])
    return np.asarray(np.linalg.lstsq(design, heights, rcond=None)[0][1:])


def draw(rng: np.random.Generator) -> Shop:
    """Draw a shop, its car, and what is weighed."""
    wheelbase = rng.uniform(1.9, 3.2)
    front = rng.uniform(1.15, 1.7)
    tracks = (front, front * rng.normal(1, 0.02))
    mass = float(np.exp(rng.uniform(np.log(450), np.log(2400))))
    hertz = rng.uniform(1.0, 2.0) * np.array([1, rng.normal(1.08, 0.1)])
    share = rng.uniform(0.38, 0.63)
    carried = mass * np.array([share, 1 - share]) / 2
    springs = carried * (2 * np.pi * hertz) ** 2
    bars = springs * rng.uniform(0, 0.6, 2)
    car = Car(
        wheelbase=wheelbase,
        tracks=tracks,
        mass=mass,
        x=share * wheelbase,
        y=rng.normal(0, 0.02),
        height=rng.uniform(0.35, 0.75),
        preload=rng.normal(0, 0.01 * mass) * G_N,
        springs=(springs[0], springs[1]),
        bars=(bars[0], bars[1]),
    )
    told = frozenset(
        name
        for name, share_ in (
            ("heights", 0.5),
            ("springs", 0.3),
            ("gains", 0.4),
            ("u", 0.8),
            ("lengths", 0.92),
        )
        if rng.random() < share_
    )
    twist = rng.normal(0, 0.003) / np.mean(tracks) / wheelbase
    unit = "lb" if rng.random() < 0.3 else "kg"
    return Shop(
        car=car,
        floor=(rng.normal(0, 0.004), rng.normal(0, 0.004), twist),
        gains=rng.normal(0, 0.0005, 4),
        noise=float(rng.choice([0.03, 0.1, 0.2])),
        step=float(rng.choice([0.05, 0.1, 0.2])),
        unit=unit,
        stuck=float(np.exp(rng.normal(np.log(0.0015), 0.7))) * mass * G_N * np.mean(tracks) / 2,
        placements=draw_placements(rng),
        told=told,
        part=Part(
            rng.uniform(3, 60),
            rng.uniform(-0.6, wheelbase + 0.6),
            rng.uniform(-0.7, 0.7),
            rng.uniform(0.2, 1),
        ),
    )


def draw_part(rng: np.random.Generator, wheelbase: float) -> Part:
    """Draw a part somewhere in or a little outside the car."""
    x, y = rng.uniform(-0.6, wheelbase + 0.6), rng.uniform(-0.7, 0.7)
    return Part(mass=rng.uniform(3, 60), x=x, y=y, z=rng.uniform(0.2, 1))


def standing(car: Car, floor: tuple[float, float, float], placed: Placed, stuck: float = 0.0) -> Array:
    """Loads (kg) of a car as it stands in a placement."""
    ground = heights(car, floor, placed.turned) + np.array(placed.shims)[placed.under]
    return car.loads(ground, plane_of(car, ground), stuck)


def draw_placements(rng: np.random.Generator) -> tuple[Placed, ...]:
    """One to four placements: facings, pads exchanged, perhaps a shim under one pad."""
    home = (0, 1, 2, 3)
    found = []
    for n in range(int(rng.integers(1, 5))):
        pads = home if n == 0 or rng.random() < 0.5 else tuple(int(i) for i in rng.permutation(4))
        shims = [0.0] * 4
        if n and rng.random() < 0.3:
            shims[int(rng.integers(4))] = float(rng.choice([0.003, 0.005, 0.01]))
        turned = bool(n % 2) if rng.random() < 0.8 else bool(rng.random() < 0.5)
        found.append(Placed(turned, pads, (shims[0], shims[1], shims[2], shims[3]), int(rng.integers(1, 5))))
    return tuple(found)


def weighed(shop: Shop, car: Car, rng: np.random.Generator, build: str) -> list[str]:
    """The lines of a CSV for every run of every placement."""
    lines = []
    per = LB_KG if shop.unit == "lb" else 1.0
    u = float(np.hypot(shop.noise / per, shop.step / np.sqrt(12)))
    for number, placed in enumerate(shop.placements):
        for run in range(placed.runs):
            loads = standing(car, shop.floor, placed, rng.normal(0, shop.stuck))
            for corner, load, spot in zip(CORNERS, loads, placed.under, strict=True):
                pad = placed.pads[spot]
                read = load * (1 + shop.gains[pad]) + rng.normal(0, shop.noise)
                shown = round(read / per / shop.step) * shop.step
                cells = [
                    f"{number}.{run}",
                    "back" if placed.turned else "out",
                    f"S{spot + 1}",
                    corner,
                    f"P{pad + 1}",
                    f"{shown:.2f}",
                    shop.unit,
                    f"{u:.6g}" if "u" in shop.told else "",
                    f"{1e3 * placed.shims[spot]:g}",
                    build,
                ]
                lines.append(",".join(cells))
    return lines


def write(shop: Shop, rng: np.random.Generator, folder: Path) -> tuple[Path, Path]:
    """Write weighings.csv and car.toml; builds `with` and `without` the part."""
    head = "run,facing,spot,corner,pad,value,unit,u,shim_mm,build"
    lines = [head, *weighed(shop, shop.car, rng, "with")]
    lines += weighed(shop, shop.car.without(shop.part), rng, "without")
    file, toml = folder / "weighings.csv", folder / "car.toml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    toml.write_text(car_toml(shop, rng), encoding="utf-8")
    return file, toml


def car_toml(shop: Shop, rng: np.random.Generator) -> str:
    """What is told of the car, its floor and the pads, each with its error."""
    car = shop.car
    lines = ['name = "x"', f"wheelbase_m = {car.wheelbase!r}"] if "lengths" in shop.told else ['name = "x"']
    lines += [f"track_front_m = {car.tracks[0]!r}", f"track_rear_m = {car.tracks[1]!r}"]
    if "springs" in shop.told:
        told = car.stiffness * rng.normal(1, shop.springs_u)
        lines += [
            f"warp_stiffness_Nm_per_rad = {told}",
            f"warp_stiffness_u_Nm_per_rad = {shop.springs_u * car.stiffness}",
        ]
    if "heights" in shop.told:
        floor = heights(car, shop.floor)
        read = 1e3 * (floor + rng.normal(0, shop.height_u, 4) - floor[0])
        each = ", ".join(f"S{i} = {h:.4f}" for i, h in enumerate(read, 1))
        lines += ["[floor]", f"heights_mm = {{ {each} }}", f"height_u_mm = {1e3 * shop.height_u}"]
    if "gains" in shop.told:
        lines += ["[pads]", f"gain_u = {shop.gain_u}"]
    return "\n".join(lines) + "\n"


def truth(car: Car, floor: tuple[float, float, float]) -> dict[str, float]:
    """What the figures of the output should be: the car on flat ground, and the floor facing out."""
    loads = car.loads(FLAT, np.zeros(2))
    front, rear = car.tracks
    warp = np.array([1 / front, -1 / front, -1 / rear, 1 / rear])
    ground = heights(car, floor)
    along, across = plane_of(car, ground)
    theta = float(warp @ ground)
    found = {
        "total": car.mass,
        "front": car.x / car.wheelbase,
        "left": float(loads[0] + loads[2]) / car.mass,
        "cross": float(loads[1] + loads[2]) / car.mass,
        "x": car.x,
        "y": car.y,
        "kappa": float(warp @ loads) / float(warp @ warp),
        "h_alpha": car.height * along,
        "h_beta": car.height * across,
        "alpha": along,
        "beta": across,
        "theta": theta,
        "kappa_floor": car.stiffness / G_N * theta,
        "cross_floor": -car.stiffness / G_N * theta * (1 / front + 1 / rear) / car.mass,
        "stiffness": car.stiffness,
    }
    return found | dict(zip(CORNERS, loads.tolist(), strict=True))
