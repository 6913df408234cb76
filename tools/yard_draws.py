"""What the car, the pads and the people of one yard session are like (yard_sessions.py), drawn from its seed.

Written without sight of the settling code. A seed stays the same session only while every draw keeps its
place in the order, here and in the other yard files.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

STEP_S = 0.01
"""Grid of all loads."""
SPAN_S = 470.0
"""Room on the grid; no session lasts longer."""
LB_KG = 0.45359237


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a size of which every octave is as likely."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


@dataclass(frozen=True)
class Display:
    """Kilograms in one display unit, the step of the display in its own unit, readings a second."""

    unit_kg: float
    d: float
    rate_hz: float

    @property
    def per_kg(self) -> float:
        """Display units in a kilogram."""
        return 1.0 / self.unit_kg

    @property
    def d_kg(self) -> float:
        """Step of the display."""
        return self.d / self.per_kg


def draw_display(rng: np.random.Generator) -> Display:
    """Draw unit, step and rate of the four pads."""
    if rng.random() < 0.65:
        unit_kg, d = 1.0, rng.choice([0.05, 0.1, 0.2, 0.5], p=[0.2, 0.35, 0.25, 0.2])
    else:
        unit_kg, d = LB_KG, rng.choice([0.2, 0.5, 1.0])
    return Display(unit_kg, float(d), float(rng.choice([5, 6.25, 7.5, 8, 10, 12.5, 15, 16, 20, 25, 30, 40])))


@dataclass(frozen=True)
class Body:
    """The car: masses, places, and how its friction spreads the warp mode.

    `warp` is what 1 kg of the warp mode puts on each corner; its share is drawn anew about `warp_mean_kg` by
    rocking (`rock_sd_kg`), and shifts by being touched (`touch_sd_kg`).
    """

    mass_kg: float
    front: float
    left: float
    wheelbase_m: float
    warp: Array
    warp_mean_kg: float
    rock_sd_kg: float
    touch_sd_kg: float


def draw_body(rng: np.random.Generator) -> Body:
    """Draw the car."""
    mass, front, left = rng.uniform(700, 1500), rng.uniform(0.46, 0.64), rng.uniform(0.48, 0.525)
    wheelbase, track_front = rng.uniform(2.2, 2.75), rng.uniform(1.30, 1.55)
    track_rear = track_front + rng.uniform(-0.04, 0.04)
    track = (track_front + track_rear) / 2
    warp = track * np.array([1 / track_front, -1 / track_front, -1 / track_rear, 1 / track_rear])
    mean, rock = rng.normal(0, 12), log_uniform(rng, 0.3, 8)
    return Body(mass, front, left, wheelbase, warp, mean, rock, rock * log_uniform(rng, 0.03, 0.4))


@dataclass(frozen=True)
class Springs:
    """How the car swings: frequencies by mode, damping ratios, friction as kg of amplitude lost a second.

    `scale` and `tyre_kg` say how large swings are, `late_slip` how likely it slips once more after a rock.
    """

    mode_hz: dict[str, float]
    tyre_hz: float
    damping: float
    tyre_damping: float
    friction_kg_s: float
    scale: float
    tyre_kg: float
    late_slip: float


def draw_springs(rng: np.random.Generator) -> Springs:
    """Draw the swings."""
    bounce = rng.uniform(0.8, 2.2)
    pitch = min(3.0, bounce * rng.uniform(0.95, 1.35))
    roll = min(3.0, bounce * rng.uniform(1.1, 1.7))
    return Springs(
        mode_hz={"bounce": bounce, "pitch": pitch, "roll": roll},
        tyre_hz=rng.uniform(2.0, 3.0),
        damping=log_uniform(rng, 0.05, 0.32),
        tyre_damping=log_uniform(rng, 0.02, 0.10),
        friction_kg_s=float(rng.choice([0, 1])) * log_uniform(rng, 0.5, 25),
        scale=log_uniform(rng, 0.3, 1.6),
        tyre_kg=log_uniform(rng, 0.08, 4),
        late_slip=float(rng.choice([0, 0, 0, 0.12])),
    )


@dataclass(frozen=True)
class Tails:
    """What goes on after the swings: the warp mode's tails, each pad's creep (share of a step), slow creep.

    `slow` is `none`, `log` or `power`: creep without an end that a rest could wait for.
    """

    count: int
    tail_s: list[float]
    size_kg: float
    pad_s: Array
    pad_share: Array
    slow: str
    slow_s: float
    slow_power: float
    slow_share: Array
    slow_warp_kg: float


def draw_tails(rng: np.random.Generator) -> Tails:
    """Draw tails and creep."""
    seconds = math.log(2), math.log(10)
    count = int(rng.choice([0, 1, 2], p=[0.1, 0.45, 0.45]))
    small, large = math.log(2e-5), math.log(1.2e-3)
    return Tails(
        count=count,
        tail_s=sorted(float(x) for x in np.exp(rng.uniform(*seconds, max(count, 1)))),
        size_kg=log_uniform(rng, 0.08, 2.5) if count else 0.0,
        pad_s=np.exp(rng.uniform(*seconds, 4)),
        pad_share=np.where(rng.random(4) < 0.8, 1, 0)
        * np.exp(rng.uniform(small, large, 4))
        * rng.choice([1, 1, 1, -1], 4),
        slow=str(rng.choice(["none", "log", "power"], p=[0.6, 0.25, 0.15])),
        slow_s=rng.uniform(0.5, 4),
        slow_power=rng.uniform(0.25, 0.8),
        slow_share=rng.uniform(0, 6e-4, 4) * rng.choice([1, 1, -1], 4),
        slow_warp_kg=log_uniform(rng, 0.03, 0.6),
    )


@dataclass(frozen=True)
class Zeros:
    """Zeros of the corners over the grid (4 × n), and the corner whose pad tracks its zero, or None."""

    kg: Array
    tracked: int | None


def draw_zeros(rng: np.random.Generator, d_kg: float) -> Zeros:
    """Draw zeros that drift, some of them while the pads warm up."""
    start = rng.normal(0, 1.2, 4) if rng.random() < 0.35 else rng.normal(0, 0.4, 4) * d_kg
    kg_per_h = rng.uniform(-1, 1, 4) * rng.choice([0, 0.2, 1])
    t = np.arange(int(SPAN_S / STEP_S)) * STEP_S
    kg = start[:, None] + kg_per_h[:, None] * t / 3600
    if rng.random() < 0.3:
        kg += (rng.normal(0, 0.05, 4))[:, None] * np.exp(-t / rng.uniform(60, 300))
    return Zeros(kg, int(rng.integers(4)) if rng.random() < 0.25 else None)


@dataclass(frozen=True)
class People:
    """The person aboard, how the car comes (`drive`, `roll` or `jack`), how long people wait.

    `breath_kg` moves the total and the balance; `patience` is how likely they wait until the load settles.
    """

    person_kg: float
    side: int
    breath_hz: float
    heart_hz: float
    breath_kg: tuple[float, float]
    heart_kg: float
    way_on: str
    length_s: float
    patience: float
    wait_s: float


def draw_people(rng: np.random.Generator) -> People:
    """Draw the people."""
    return People(
        person_kg=rng.uniform(50, 110),
        side=int(rng.choice([1, -1])),
        breath_hz=rng.uniform(0.2, 0.35),
        heart_hz=rng.uniform(0.95, 1.6),
        breath_kg=(log_uniform(rng, 0.008, 0.05), log_uniform(rng, 0.02, 0.22)),
        heart_kg=log_uniform(rng, 0.006, 0.07),
        way_on=str(rng.choice(["drive", "roll", "jack"], p=[0.45, 0.35, 0.2])),
        length_s=rng.uniform(165, 378),
        patience=rng.uniform(0.4, 1.0),
        wait_s=log_uniform(rng, 2.5, 14),
    )
