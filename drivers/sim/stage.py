"""The place where it happens: a car coming and going over four spots, moved on in small steps of time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from random import Random

from drivers.sim.car import Build, Car
from drivers.sim.efforts import smooth
from drivers.sim.floor import LEVEL, SPOT_OF_CORNER, Facing, Floor, Four, slopes

ROLL_S = 0.45
"""Time a wheel takes from touching a pad to standing on it wholly."""
PAD_HEIGHT_M = 0.04
"""Height of a pad's top above the floor around it."""


@dataclass(frozen=True)
class Pass:
    """One wheel on one spot, from on_s to off_s (s)."""

    wheel: int
    spot: int
    on_s: float
    off_s: float = inf

    def share(self, t_s: float) -> float:
        """How much of the wheel the pad carries, 0 to 1."""
        if t_s <= self.on_s:
            return 0.0
        return smooth((t_s - self.on_s) / ROLL_S) - smooth((t_s - self.off_s) / ROLL_S)


class Stage:
    """Car, floor and what is going on; `step` moves on, `loads_kg` is what the four spots carry."""

    def __init__(self, build: Build, floor: Floor, random: Random) -> None:
        self.build, self.floor, self.random = build, floor, random
        self.t_s = 0.0
        self.facing: Facing = "out"
        self.car: Car | None = None
        self._passes: list[Pass] = []
        self._moving_until_s = 0.0
        self._planned: list[tuple[float, Callable[[], None]]] = []

    def arrive(self, facing: Facing, passes: list[Pass]) -> Car:
        """Let a car roll up, stuck as its road left it, and over the spots as the passes say."""
        self.facing = facing
        heights = self.floor.under_corners_m(facing)
        spec = self.build.spec
        alpha, beta, _ = slopes(heights, spec.wheelbase_m, spec.tracks_m)
        self.car = Car(self.build, slopes=(alpha, beta))
        self.car.t_s = self.t_s
        a, b, c, d = (self.random.uniform(-1, 1) * limit for limit in spec.friction_N)
        self.car.hang((a, b, c, d))
        self.roll(passes)
        return self.car

    def here(self) -> Car:
        """The car that stands here; ValueError when there is none to do something to."""
        if self.car is None:
            raise ValueError(f"at {self.t_s:.1f} s there is no car on the pads")
        return self.car

    def roll(self, passes: list[Pass]) -> None:
        """Replace the passes over the spots; a car whose every pass ends is gone after them."""
        self._passes = passes
        ends = [p.off_s if p.off_s < inf else p.on_s for p in passes]
        self._moving_until_s = max(ends, default=self.t_s) + 2 * ROLL_S
        if not self.standing_passes():
            self.later(self._moving_until_s - ROLL_S, self._leave)

    def standing_passes(self) -> list[Pass]:
        """The passes that are not going to end: where each wheel stands."""
        return [p for p in self._passes if p.off_s == inf]

    def later(self, t_s: float, do: Callable[[], None]) -> None:
        """Do something when that time comes."""
        self._planned.append((t_s, do))

    def rebuild(self, build: Build) -> None:
        """Change what the car is and has aboard, at once."""
        self.build = build
        if self.car is not None:
            self.car.rebuild(build)

    def step(self, dt_s: float) -> None:
        """Move everything on by dt (s)."""
        for plan in [p for p in self._planned if p[0] <= self.t_s]:
            self._planned.remove(plan)
            plan[1]()
        if self.car is not None:
            self.car.step(dt_s, self._ground_speed(dt_s) if self.t_s < self._moving_until_s else LEVEL)
        self.t_s += dt_s

    def loads_kg(self) -> Four:
        """What S1…S4 carry now."""
        return LEVEL if self.car is None else self._on_spots(self.car.loads_kg())

    def settled_kg(self) -> Four:
        """What S1…S4 will carry when the car, left alone from now, has come to rest."""
        return LEVEL if self.car is None else self._on_spots(self.car.settled_kg())

    def frictionless_kg(self) -> Four:
        """What S1…S4 would carry if nothing stuck: the statics of this car on this floor in this facing."""
        if self.car is None:
            return LEVEL
        return self._on_spots(Car.standing(self.build, self.floor, self.facing).loads_kg())

    def _leave(self) -> None:
        self.car = None

    def _on_spots(self, by_corner: Four) -> Four:
        if self.t_s >= self._moving_until_s:
            a, b, c, d = SPOT_OF_CORNER[self.facing]  # its own inverse
            return (by_corner[a], by_corner[b], by_corner[c], by_corner[d])
        spots = [0.0] * 4
        for p in self._passes:
            spots[p.spot] += by_corner[p.wheel] * p.share(self.t_s)
        return (spots[0], spots[1], spots[2], spots[3])

    def _ground_speed(self, dt_s: float) -> Four:
        speeds = [0.0] * 4
        for p in self._passes:
            height = PAD_HEIGHT_M + self.floor.heights_m[p.spot]
            speeds[p.wheel] += height * (p.share(self.t_s + dt_s) - p.share(self.t_s)) / dt_s
        return (speeds[0], speeds[1], speeds[2], speeds[3])
