"""A scenario: acts one after the other, pads on four spots, a seed; played, it gives readings and truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import ceil
from random import Random

from drivers.sim.acts import Act, Wait
from drivers.sim.car import Build, Mass
from drivers.sim.floor import Facing, Floor, Four
from drivers.sim.linear import Three
from drivers.sim.pads import Pad, PadSpec, Reading
from drivers.sim.stage import Stage

STEP_S = 0.005
"""Longest step of the car's motion: a sixth of a radian of a stuck car's fastest swing (about 6 Hz)."""


@dataclass(frozen=True, kw_only=True)
class Tick:
    """One moment in which every pad sends: readings by pad, and the truth by spot (kg, no noise, no zero).

    `loads_kg` is what the spots carry now. `settled_kg` is what they will carry when the car, left alone from
    now on, has come to rest; None while somebody does something to it.
    """

    t_s: float
    readings: dict[str, Reading]
    loads_kg: Four
    settled_kg: Four | None
    act: str


@dataclass(frozen=True, kw_only=True)
class RestTruth:
    """What is true at the end of one wait; loads by spot S1…S4 in kg.

    `settled_kg` includes what the stuck suspension holds, as pads cannot help but see it;
    `frictionless_kg` is statics alone. `facing` is None when the pads are empty.
    """

    text: str
    t_from_s: float
    t_to_s: float
    facing: Facing | None
    mass_kg: float
    centre_m: Three
    aboard: tuple[Mass, ...]
    settled_kg: Four
    frictionless_kg: Four


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A declared afternoon: who does what, with which car, on which floor and pads (spot order)."""

    name: str
    acts: tuple[Act, ...]
    build: Build
    floor: Floor
    pads: dict[str, PadSpec] = field(hash=False)
    seed: int = 1
    rate_Hz: float = 20.0

    def lasts_s(self) -> float:
        """Length of the whole."""
        return sum(act.lasts_s for act in self.acts)

    def timetable(self) -> list[tuple[float, Act]]:
        """When each act begins (s)."""
        times, t = [], 0.0
        for act in self.acts:
            times.append((t, act))
            t += act.lasts_s
        return times

    def play(self) -> Play:
        """Begin at the beginning; the same seed gives the same readings every time."""
        return Play(self)

    def readings(self) -> Iterator[tuple[float, dict[str, Reading]]]:
        """Readings alone: (t_s, by pad) at the scenario's rate."""
        for tick in self.play():
            yield tick.t_s, tick.readings


class Play:
    """One run of a scenario: iterate for its ticks; `truths` fills as the waits come to their end."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.truths: list[RestTruth] = []
        dice = Random(scenario.seed)
        self._stage = Stage(scenario.build, scenario.floor, Random(dice.random()))
        self._pads = [Pad(n, spec, Random(dice.random())) for n, spec in scenario.pads.items()]

    def __iter__(self) -> Iterator[Tick]:
        """Play to the end."""
        due = 0
        for start_s, act in self.scenario.timetable():
            act.begin(self._stage)
            end_s = start_s + act.lasts_s
            while (due + 1) / self.scenario.rate_Hz <= end_s + 1e-9:
                due += 1
                yield self._until(due / self.scenario.rate_Hz, act)
            if isinstance(act, Wait) and act.truth:
                self.truths.append(self._truth(act, start_s))

    def _until(self, t_s: float, act: Act) -> Tick:
        stage = self._stage
        steps = max(1, ceil((t_s - stage.t_s) / STEP_S - 1e-6))
        dt_s = (t_s - stage.t_s) / steps
        for _ in range(steps):
            stage.step(dt_s)
            for pad, load in zip(self._pads, stage.loads_kg(), strict=True):
                pad.press(load, dt_s)
        readings = {pad.name: pad.read(t_s) for pad in self._pads}
        return Tick(
            t_s=t_s,
            readings=readings,
            loads_kg=stage.loads_kg(),
            settled_kg=stage.settled_kg() if isinstance(act, Wait) else None,
            act=act.text,
        )

    def _truth(self, wait: Wait, start_s: float) -> RestTruth:
        stage = self._stage
        on = stage.car is not None
        return RestTruth(
            text=wait.text,
            t_from_s=start_s,
            t_to_s=start_s + wait.lasts_s,
            facing=stage.facing if on else None,
            mass_kg=stage.build.mass_kg() if on else 0.0,
            centre_m=stage.build.centre_m(),
            aboard=stage.build.aboard,
            settled_kg=stage.settled_kg(),
            frictionless_kg=stage.frictionless_kg(),
        )
