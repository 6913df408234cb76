"""Seeded weighing sessions of many cars, floors, pads and rates, with their truth: for statistics.

`session(seed)` costs about a quarter of a second and depends on its seed alone, so that a pool of processes
may share the work: `pool.map(session, range(200))`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from drivers.sim.acts import Act, DriveOff, DriveOn, GetIn, GetOut, RockCar, TakeOut, Wait
from drivers.sim.car import Build, CarSpec, Mass
from drivers.sim.floor import CORNERS, Floor, Four
from drivers.sim.pads import PadSpec
from drivers.sim.scenario import RestTruth, Scenario

LB_KG = 0.45359237
"""Avoirdupois pound, exact."""
RATES_HZ = (5.0, 10.0, 20.0, 40.0)
RESOLUTIONS_KG = (0.1, 0.2, 0.5, 0.2 * LB_KG, 0.5 * LB_KG, 1.0 * LB_KG)
PADS = ("P1", "P2", "P3", "P4")
"""Pads on spots S1…S4 in every session."""


@dataclass(frozen=True, kw_only=True)
class Session:
    """One session as received, and what is true of it.

    `samples`: (t_s, pad, mass_kg as shown or None on overload, the stream's steady claim), in time order,
    without what the radio lost. `truth`: one tuple for every tick sent, lost or not: (t_s, loads_kg,
    settled_kg, zeros_kg), fours in the order of PADS. loads_kg is the load on each pad now, without noise,
    zero, lag and creep; settled_kg the load it will have when the car, left alone from now, has come to
    rest, None while wheels roll or hands are on; zeros_kg the pad's true zero now, so that an ideal reading
    of a rested car shows settled + zero. `waits`: each stretch of hands off with its masses (RestTruth),
    pads empty where facing is None. Times in s from the beginning.
    """

    seed: int
    scenario: Scenario
    samples: tuple[tuple[float, str, float | None, bool], ...]
    truth: tuple[tuple[float, Four, Four | None, Four], ...]
    waits: tuple[RestTruth, ...]


def session(seed: int, *, rest_s: tuple[float, float] = (6.0, 18.0)) -> Session:
    """Make one session; rests last between the two times given (s)."""
    scenario = random_scenario(seed, rest_s)
    play = scenario.play()
    samples, truth = [], []
    for tick in play:
        readings = [tick.readings[p] for p in PADS]
        samples += [(r.t_s, r.pad, r.mass_kg, r.steady) for r in readings if not r.lost]
        a, b, c, d = (r.zero_kg for r in readings)
        truth.append((tick.t_s, tick.loads_kg, tick.settled_kg, (a, b, c, d)))
    return Session(
        seed=seed,
        scenario=scenario,
        samples=tuple(samples),
        truth=tuple(truth),
        waits=tuple(play.truths),
    )


def sessions(count: int, first_seed: int = 1) -> Iterator[Session]:
    """Make sessions one after the other, seeds counting up."""
    for seed in range(first_seed, first_seed + count):
        yield session(seed)


def random_scenario(seed: int, rest_s: tuple[float, float]) -> Scenario:
    """Throw the dice for a car, a floor, four pads of one kind and what happens."""
    dice = Random(f"session {seed}")
    build, person = _car(dice), _person(dice)
    return Scenario(
        name=f"session {seed}",
        acts=tuple(_acts(dice, build, person, rest_s)),
        build=build,
        floor=Floor(heights_m=_four(dice, -0.004, 0.004)),
        pads=_pads(dice),
        seed=seed,
        rate_Hz=dice.choice(RATES_HZ),
    )


def _car(dice: Random) -> Build:
    """A car of 600 to 1,600 kg with rates that swing it at 1.1 to 2 Hz, more or less stuck and rubbery."""
    mass, wheelbase, track = dice.uniform(500, 1450), dice.uniform(2.2, 2.9), dice.uniform(1.3, 1.6)
    stiff, damping = dice.uniform(55, 140) * mass / 4, dice.uniform(0.2, 0.45)
    damper = damping * 2 * (stiff * mass / 4) ** 0.5
    stick = dice.uniform(0.0, 0.02) * mass
    limits = [stick * dice.uniform(0.5, 1.5) for _ in CORNERS]
    body = Mass(
        name="body",
        mass_kg=mass,
        x_m=wheelbase * dice.uniform(0.42, 0.62),
        y_m=dice.uniform(-0.03, 0.03),
        z_m=dice.uniform(0.4, 0.6),
    )
    spec = CarSpec(
        name="any",
        wheelbase_m=wheelbase,
        tracks_m=(track, track - dice.uniform(-0.03, 0.03)),
        body=body,
        spring_N_per_m=(stiff * dice.uniform(0.9, 1.1), stiff * dice.uniform(0.9, 1.1)),
        damping_N_s_per_m=(damper, damper),
        friction_N=(limits[0], limits[1], limits[2], limits[3]),
        stuck_N_per_m=dice.uniform(80e3, 160e3),
        rubber_N_per_m=dice.uniform(0.02, 0.15) * stiff,
        rubber_s=dice.uniform(2.0, 10.0),
        scrub_N_per_m=dice.choice((-1, 1)) * dice.uniform(0.0, 1000.0),
        perch_m=_four(dice, 0.0, 0.006),
    )
    return Build(spec, tuple(_part(dice, f"part {n}", wheelbase) for n in range(dice.randint(0, 3))))


def _part(dice: Random, name: str, wheelbase_m: float) -> Mass:
    return Mass(
        name=name,
        mass_kg=dice.uniform(3.0, 40.0),
        x_m=dice.uniform(-0.5, wheelbase_m + 0.4),
        y_m=dice.uniform(-0.5, 0.5),
        z_m=dice.uniform(0.3, 0.9),
    )


def _person(dice: Random) -> Mass:
    return Mass(
        name="person", mass_kg=dice.uniform(50, 105), x_m=1.05, y_m=dice.choice((-0.36, 0.36)), z_m=0.57
    )


def _pads(dice: Random) -> dict[str, PadSpec]:
    """Four pads of one make, each with its own zero and luck."""
    resolution = dice.choice(RESOLUTIONS_KG)
    noise, lowpass = resolution * dice.uniform(0.15, 0.9), dice.uniform(2.0, 10.0)
    average, creep, creep_s = dice.choice((1, 1, 2, 4, 8)), dice.uniform(0, 3e-4), dice.uniform(2.0, 10.0)
    return {
        name: PadSpec(
            resolution_kg=resolution,
            noise_kg=noise,
            lowpass_Hz=lowpass,
            average=average,
            creep=creep,
            creep_s=creep_s,
            zero_kg=dice.uniform(-1.0, 1.0),
            zero_walk_kg=dice.uniform(0.0, 0.004),
            zero_per_degree_kg=dice.uniform(-0.05, 0.05),
            degrees_per_s=-0.01,
            lose=dice.choice((0.0, 0.0, 0.002, 0.01)),
        )
        for name in PADS
    }


def _acts(dice: Random, build: Build, person: Mass, rest_s: tuple[float, float]) -> Iterator[Act]:
    """Zero check, on, mostly a rock, perhaps somebody in and out, parts out one by one, off, zero check."""

    def rest() -> Wait:
        return Wait(text="rest", lasts_s=round(dice.uniform(*rest_s), 1))

    yield Wait(text="empty", lasts_s=5.0)
    yield DriveOn(facing=dice.choice(("out", "back")))
    if dice.random() < 0.5:
        yield rest()
    if dice.random() < 0.8:
        pushes = dice.randint(2, 4)
        yield RockCar(force_N=0.45 * build.mass_kg(), pushes=pushes, lasts_s=1.2 + 2 * pushes * 0.62)
    yield rest()
    if dice.random() < 0.6:
        yield GetIn(person=person)
        yield rest()
        yield GetOut(person=person)
        yield rest()
    for part in build.aboard:
        yield TakeOut(part=part)
        yield rest()
    yield DriveOff()
    yield Wait(text="empty", lasts_s=5.0)


def _four(dice: Random, low: float, high: float) -> Four:
    return (
        dice.uniform(low, high),
        dice.uniform(low, high),
        dice.uniform(low, high),
        dice.uniform(low, high),
    )
