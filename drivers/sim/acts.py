"""What people do to a car on pads, one act after the other: how long it takes and what it sets going."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from drivers.sim.car import G, Mass
from drivers.sim.efforts import (
    blow,
    brake,
    breath,
    carry,
    on_the_sill,
    rock,
    shudder,
    shuffle,
)
from drivers.sim.floor import SPOT_OF_CORNER, Facing
from drivers.sim.stage import ROLL_S, Pass, Stage


class Act(Protocol):
    """One entry of a scenario: `begin` sets it going on the stage, the next act begins `lasts_s` later."""

    @property
    def lasts_s(self) -> float:
        """How long it takes (s)."""
        ...

    @property
    def text(self) -> str:
        """What happens, in words for a progress line."""
        ...

    def begin(self, stage: Stage) -> None:
        """Set it going."""


@dataclass(frozen=True, kw_only=True)
class Wait:
    """Hands off; `truth` keeps what the scales should find at its end."""

    text: str
    lasts_s: float
    truth: bool = True

    def begin(self, stage: Stage) -> None:
        """Touch nothing."""


@dataclass(frozen=True, kw_only=True)
class DriveOn:
    """The car rolls on, its front wheels over the near spots first, halts, and its motor is switched off."""

    facing: Facing
    lasts_s: float = 4.5
    over_s: float = 1.1
    """Time from the front wheels touching the near pads to their touching the far ones."""

    @property
    def text(self) -> str:
        """What happens."""
        return f"the car rolls onto the pads, facing {self.facing}"

    def begin(self, stage: Stage) -> None:
        """Plan each wheel's way and the halt."""
        spots, dice, t = SPOT_OF_CORNER[self.facing], stage.random, stage.t_s + 0.2
        passes = []
        for wheel in (0, 1):
            side_s = dice.uniform(0.0, 0.12)
            passes.append(Pass(wheel, spots[wheel + 2], t + side_s, t + side_s + 0.5))
            passes.append(Pass(wheel, spots[wheel], t + self.over_s + side_s))
            passes.append(Pass(wheel + 2, spots[wheel + 2], t + self.over_s + dice.uniform(0.0, 0.2)))
        car = stage.arrive(self.facing, passes)
        halt_s = t + self.over_s + ROLL_S + 0.3
        car.push(brake(halt_s - 0.6, halt_s, stage.build.mass_kg() * 0.8 * stage.build.centre_m()[2]))
        car.push(shudder(halt_s + 0.7, dice.uniform(80.0, 160.0)))


@dataclass(frozen=True, kw_only=True)
class DriveOff:
    """The car rolls off forward, its rear wheels over the far spots last."""

    lasts_s: float = 3.0
    text: str = "the car rolls off"

    def begin(self, stage: Stage) -> None:
        """Plan each wheel's way."""
        spots, t = SPOT_OF_CORNER[stage.facing], stage.t_s + 0.3
        passes = [
            Pass(p.wheel, p.spot, p.on_s, t + stage.random.uniform(0, 0.1)) for p in stage.standing_passes()
        ]
        passes += [Pass(wheel, spots[wheel - 2], t + 0.9, t + 1.4) for wheel in (2, 3)]
        stage.roll(passes)


@dataclass(frozen=True, kw_only=True)
class RockCar:
    """Somebody pushes front and rear down in time with the swing, and lets go."""

    lasts_s: float = 4.5
    force_N: float = 420.0
    pushes: int = 3
    period_s: float = 0.62
    text: str = "somebody rocks the car and lets go"

    def begin(self, stage: Stage) -> None:
        """Push at the front end, then at the rear, a little off the middle."""
        car = stage.here()
        front_s, half = stage.t_s + 0.2, self.pushes * self.period_s
        for start_s, x_m in ((front_s, stage.build.spec.wheelbase_m + 0.4), (front_s + half, -0.4)):
            place = (x_m, stage.random.uniform(-0.3, 0.3))
            force_N = self.force_N * stage.random.uniform(0.85, 1.15)
            car.push(rock(start_s, self.pushes, self.period_s, force_N, at_m=place))


@dataclass(frozen=True, kw_only=True)
class GetIn:
    """A person climbs in: a foot on the sill, a drop into the seat, shuffling, the door, then breathing."""

    person: Mass
    lasts_s: float = 4.0

    @property
    def text(self) -> str:
        """What happens."""
        return f"the {self.person.name} climbs in"

    def begin(self, stage: Stage) -> None:
        """Plan the forces and the moment of sitting."""
        car, person, t = stage.here(), self.person, stage.t_s + 0.3
        seat, door_y_m = (person.x_m, person.y_m), _sill_y_m(person)
        sit_s = t + 0.9
        car.push(on_the_sill(person, door_y_m, t, sit_s, getting_in=True))
        car.push(blow(sit_s, 22.0, seat))
        car.push(shuffle(stage.random, sit_s, sit_s + 2.4, person.mass_kg * G, 0.03))
        car.push(blow(sit_s + 1.1, 6.0, (person.x_m, door_y_m)))

        def sit() -> None:
            stage.rebuild(stage.build.plus(person))
            car.push(breath(lambda: person in stage.build.aboard, person.mass_kg * G))

        stage.later(sit_s, sit)


@dataclass(frozen=True, kw_only=True)
class GetOut:
    """A person climbs out: shuffling, the weight onto the sill, and away."""

    person: Mass
    lasts_s: float = 3.0

    @property
    def text(self) -> str:
        """What happens."""
        return f"the {self.person.name} climbs out"

    def begin(self, stage: Stage) -> None:
        """Plan the forces and the moment of rising."""
        car, person, rise_s = stage.here(), self.person, stage.t_s + 1.1
        door_y_m = _sill_y_m(person)
        car.push(shuffle(stage.random, stage.t_s + 0.1, rise_s, person.mass_kg * G, 0.03))
        stage.later(rise_s, lambda: stage.rebuild(stage.build.minus(person.name)))
        stage.later(
            rise_s, lambda: car.push(on_the_sill(person, door_y_m, rise_s, rise_s + 0.7, getting_in=False))
        )
        car.push(blow(rise_s + 1.2, 6.0, (person.x_m, door_y_m)))


@dataclass(frozen=True, kw_only=True)
class TakeOut:
    """A part is lifted out by somebody who leans on the car while doing so."""

    part: Mass
    lasts_s: float = 3.5

    @property
    def text(self) -> str:
        """What happens."""
        return f"the {self.part.name} comes out"

    def begin(self, stage: Stage) -> None:
        """Plan the leaning, the lifting and the moment it is gone."""
        gone_s = stage.t_s + 1.8
        _lean(stage, self.part, gone_s)
        stage.here().push(carry(self.part, gone_s - 0.5, gone_s, lifting=True))
        stage.later(gone_s, lambda: stage.rebuild(stage.build.minus(self.part.name)))


@dataclass(frozen=True, kw_only=True)
class PutIn:
    """A part is set down in the car by somebody who leans on it while doing so."""

    part: Mass
    lasts_s: float = 3.5

    @property
    def text(self) -> str:
        """What happens."""
        return f"the {self.part.name} goes in"

    def begin(self, stage: Stage) -> None:
        """Plan the leaning, the setting down and the moment it is let go."""
        car, part = stage.here(), self.part
        down_s = stage.t_s + 1.3
        _lean(stage, part, down_s + 0.5)

        def set_down() -> None:
            stage.rebuild(stage.build.plus(part))
            car.push(carry(part, down_s, down_s + 0.5, lifting=False))
            car.push(blow(down_s, 0.4 * part.mass_kg, (part.x_m, part.y_m)))

        stage.later(down_s, set_down)


def _sill_y_m(person: Mass) -> float:
    """Where the sill is that somebody on this side steps over."""
    return 0.7 if person.y_m > 0 else -0.7


def _lean(stage: Stage, part: Mass, until_s: float) -> None:
    """Hands and a knee on the car near the part."""
    start_s, place = stage.t_s + 0.2, (part.x_m, part.y_m + stage.random.uniform(-0.2, 0.2))
    for n in range(2):
        stage.here().push(blow(start_s + n * 0.7, 30.0, place, length_s=until_s - start_s - n * 0.7))
