"""The Wagtail afternoon: an invented ice-race hatchback on an invented barn floor, weighed one winter day.

Names and figures are made up; whoever shows them says so.
"""

from __future__ import annotations

from drivers.sim.acts import Act, DriveOff, DriveOn, GetIn, GetOut, PutIn, RockCar, TakeOut, Wait
from drivers.sim.car import Build, CarSpec, Mass
from drivers.sim.floor import Floor
from drivers.sim.pads import PadSpec
from drivers.sim.scenario import Scenario

SPARE = Mass(name="spare wheel and jack", mass_kg=17.4, x_m=-0.42, y_m=-0.05, z_m=0.45)
SEAT = Mass(name="passenger seat", mass_kg=14.6, x_m=1.02, y_m=-0.36, z_m=0.52)
MATS = Mass(name="sound mats", mass_kg=9.2, x_m=1.18, y_m=0.03, z_m=0.36)
BATTERY = Mass(name="big battery", mass_kg=16.1, x_m=2.71, y_m=0.41, z_m=0.66)
SMALL_BATTERY = Mass(name="small battery", mass_kg=5.3, x_m=2.71, y_m=0.41, z_m=0.66)
CAGE = Mass(name="roll cage", mass_kg=31.5, x_m=0.86, y_m=0.0, z_m=0.92)
DRIVER = Mass(name="driver", mass_kg=71.0, x_m=1.04, y_m=0.36, z_m=0.57)

CAR = CarSpec(
    name="Wagtail",
    wheelbase_m=2.430,
    tracks_m=(1.405, 1.395),
    body=Mass(name="body", mass_kg=810.7, x_m=1.492, y_m=0.012, z_m=0.55),
    perch_m=(0.0, 0.003, 0.0, 0.0),
    friction_N=(60.0, 120.0, 50.0, 90.0),
)
"""With the four parts below 968 kg on its wheels, half a tank included."""
BUILD = Build(CAR, (SPARE, SEAT, MATS, BATTERY))
BARN = Floor(heights_m=(0.000, -0.004, 0.001, 0.003))
"""Six millimetres out of plane: (S1 − S2) − (S3 − S4)."""
PADS = {
    "P1": PadSpec(zero_kg=0.3, noise_kg=0.04),
    "P2": PadSpec(zero_kg=-0.2, noise_kg=0.05, lose=0.01, recover=0.35, damage=0.004),
    "P3": PadSpec(zero_kg=0.6, noise_kg=0.04, zero_per_degree_kg=-0.12, degrees_per_s=-0.02),
    "P4": PadSpec(zero_kg=0.1, noise_kg=0.06, gain_error=0.0003),
}
"""P3's zero drifts with the cold, P2's radio loses and damages messages."""
WINTER = (SEAT, MATS)
"""Further parts that come out in the long version, before the batteries are swapped and the cage goes in."""


def wagtail(
    *, seed: int = 1, rest_s: float = 5.5, rate_Hz: float = 20.0, whole_winter: bool = False
) -> Scenario:
    """The afternoon, about 75 s with rests of 5.5 s; `whole_winter` adds every change of the list."""
    rest = Wait(text="hands off, the car rests", lasts_s=rest_s)
    empty = Wait(text="the pads stand empty: zero check", lasts_s=max(4.0, rest_s - 1.0))
    acts: list[Act] = [empty, DriveOn(facing="out"), RockCar(), rest, DriveOff()]
    acts += [Wait(text="the car turns", lasts_s=2.0, truth=False), DriveOn(facing="back"), RockCar(), rest]
    acts += [GetIn(person=DRIVER), rest, GetOut(person=DRIVER), rest, TakeOut(part=SPARE), rest]
    if whole_winter:
        for part in WINTER:
            acts += [TakeOut(part=part), rest]
        acts += [TakeOut(part=BATTERY), PutIn(part=SMALL_BATTERY), rest, PutIn(part=CAGE), rest]
    acts += [DriveOff(), empty]
    return Scenario(
        name="Wagtail",
        acts=tuple(acts),
        build=BUILD,
        floor=BARN,
        pads=PADS,
        seed=seed,
        rate_Hz=rate_Hz,
    )
