"""The guided weigh-in: which spot takes which pad, what next and why it is the best, when to stop. Pure.

A `Guide` is a value: each reading, height or skipped step gives the next one. The solver ranks what is still
possible; the guide turns the best of it into a way to stand and says what it is expected to buy.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import hypot
from typing import Literal

from logger import quantity_text
from logger.car_file import Car
from logger.cautions import GENERAL
from logger.mechanics.advise import ENOUGH, FIGURES, Kind, Next, Stand, stand_of
from logger.mechanics.plausible import faults_of, unit_mix_up
from logger.mechanics.solve import Solution, solve_builds
from logger.mechanics.weighing import Known, Weighing, weighing_from_capture
from logger.model import CORNERS, Advice, Capture, CornerStand, NextStep
from logger.quantity import Quantity
from logger.sentences import in_unit
from logger.units import to_m
from logger.weighin.placements import SPOT_OF, SPOTS
from logger.weighin.results import label

SPREADS: dict[str, quantity_text.Kind] = {"total": "mass", "x": "length", "y": "length"}
"""What a figure's ± is written as, where that is not a share."""
Wants = Literal["loads", "heights", "nothing"]
STOP = "Stop: enough is weighed."
LOADS_CAUTIONS = (*GENERAL, 7)
HEIGHTS_CAUTIONS = (2,)
MOST_LEVELLINGS = 2
"""A third reading of the same level by the same eye brings less than it seems (own judgement)."""
MOST_STEP_M = 0.15
"""Pad tops further apart than this are a slip of the pen or a wrong unit: 1 in 20 over a long car."""
SAME_LOADS = 0.15
"""Numbers this near (share of 1) to the loads weighed last are loads, whatever was asked for."""
APART = 5.0
"""Standard deviations between two levellings from which one of them is wrong."""
U_KG = 0.05
"""u of a reading typed in without one: rounding, and the least that pads scatter; the rest is found."""


@dataclass(frozen=True, kw_only=True)
class Guide:
    """What the guide knows.

    `aim` is the figure to sharpen, `enough` the u of it that will do (None: as long as it pays). `pads` says
    which pad stands on which spot at first. `skipped` are kinds of steps that nobody will make. `unit` is
    that of masses in sentences (kg or lb).
    """

    car: Car
    pads: Mapping[str, str]
    aim: str = "cross"
    enough: float | None = None
    unit: str = "kg"
    weighings: tuple[Weighing, ...] = ()
    skipped: frozenset[Kind] = field(default=frozenset())
    u_assumed: bool = True
    levelled: int = 0
    """How often the heights of the pad tops were measured."""
    level_u_m: float = Known.height_u_m
    told: Solution | None = None
    """What the weighings come to where somebody has solved them already."""


def start(
    car: Car, pads: Sequence[str], aim: str = "cross", enough: float | None = None, unit: str = "kg"
) -> Guide:
    """Begin with these pads on S1…S4; ValueError unless they are four different ones."""
    if len(pads) != 4 or len(set(pads)) != 4:
        raise ValueError(f"four different pads are needed for S1 to S4, not {', '.join(pads)}")
    known = car.known
    return Guide(
        car=car,
        pads=dict(zip(SPOTS, pads, strict=True)),
        aim=aim,
        enough=enough,
        unit=unit,
        levelled=int(all(spot in known.spot_heights_m for spot in SPOTS)),
        level_u_m=known.height_u_m,
    )


def from_captures(guide: Guide, captures: Sequence[Capture], told: Solution | None = None) -> Guide:
    """The guide with what a bay has captured, discarded captures left out; `told` is their solution."""
    kept = [c for c in captures if not c.discarded]
    weighings = tuple(weighing_from_capture(c, build=label(c)) for c in kept)
    return replace(guide, weighings=weighings, u_assumed=False, told=told)


def solved(guide: Guide) -> Solution | None:
    """What is known of the build weighed last; None before the first weighing."""
    if not guide.weighings or guide.told is not None:
        return guide.told
    car = guide.car
    builds = solve_builds(
        guide.weighings, car.geometry, car.known, car.allowances, guide.aim, u_assumed=guide.u_assumed
    )
    return builds.solutions[guide.weighings[-1].build]


def with_aim(guide: Guide, text: str) -> Guide:
    """The guide with another aim, perhaps with how sharp is enough: "cross", "cross 0.1 %", "total ± 0.5 kg".

    ValueError for a figure or quantity that cannot be one.
    """
    figure, _, spread = text.strip().partition(" ")
    if figure not in FIGURES:
        raise ValueError(f"{figure!r} is no figure to aim at; these are: {', '.join(FIGURES)}")
    spread = spread.strip().removeprefix("±").strip()
    enough = quantity_text.read_quantity(spread, SPREADS.get(figure, "share")).value / 2 if spread else None
    if enough is not None and enough <= 0:
        raise ValueError(f"{spread!r}: a ± that is enough lies above zero")
    return replace(guide, aim=figure, enough=enough, skipped=frozenset(), told=None)


def advice(guide: Guide, t_mono_ns: int = 0) -> Advice:
    """What to do next, and why it is the best next thing; `wants` is "nothing" when it is time to stop."""
    told = solved(guide)
    if told is None:
        return _first(guide, t_mono_ns)
    steps = _still_possible(guide, told)
    now: Quantity | None = getattr(told, steps[0].figure if steps else guide.aim)
    action, why, wants, stand = _choice(guide, steps, now)
    return Advice(
        t_mono_ns=t_mono_ns,
        aim=steps[0].figure if steps else guide.aim,
        u_now=now.u if now else None,
        unit=now.unit if now else "",
        wants=wants,
        action=in_unit(action, guide.unit),
        why=why,
        facing=stand.facing if stand else None,
        stand=_corner_stands(stand) if stand else (),
        steps=tuple(_next_step(guide, step) for step in steps),
        cautions={"loads": LOADS_CAUTIONS, "heights": HEIGHTS_CAUTIONS, "nothing": ()}[wants],
    )


def _next_step(guide: Guide, step: Next) -> NextStep:
    action = in_unit(step.action, guide.unit)
    return NextStep(kind=step.kind, action=action, why=step.bought(guide.unit), u=step.u)


def _choice(
    guide: Guide, steps: Sequence[Next], now: Quantity | None
) -> tuple[str, str, Wants, Stand | None]:
    """Action, reason, what is then wanted, and how the car is to stand."""
    if guide.enough is not None and now is not None and now.u is not None and now.u <= guide.enough:
        return STOP, f"{guide.aim} is known to {_spread(now, guide.unit)}, as you wanted", "nothing", None
    if not steps:
        return STOP, "every step that could help was skipped", "nothing", None
    first = steps[0]
    if not first.pays:
        why = f"no step left sharpens {first.figure} by more than a tenth: {first.bought(guide.unit)}"
        return STOP, why, "nothing", None
    wants: Wants = "heights" if first.kind == "heights" else "loads"
    return first.action, first.bought(guide.unit), wants, first.stand


def _still_possible(guide: Guide, told: Solution) -> list[Next]:
    """Steps not skipped; a level read often enough is no more use (its own faults repeat)."""
    often = guide.levelled >= MOST_LEVELLINGS
    return [
        s for s in told.next_placements if s.kind not in guide.skipped and not (often and s.kind == "heights")
    ]


def with_loads(
    guide: Guide, loads_kg: Sequence[float], u_kg: float | None = None, stand: Stand | None = None
) -> tuple[Guide, tuple[str, ...]]:
    """Take four loads (kg, CORNERS order) as weighed in the way advised, or in `stand`.

    Returns the next guide and what is to be said about the reading. When the loads cannot be a car's the
    guide stays as it was and the sentences say why.
    """
    stood = stand or advised_stand(guide)
    a, b, c, d = loads_kg
    u = U_KG if u_kg is None else u_kg
    weighing = Weighing(
        run=str(len(guide.weighings) + 1),
        facing=stood.facing,
        spots=stood.spots,
        pads=stood.pads,
        loads_kg=(a, b, c, d),
        covariance_kg2=(u**2,) * 4,
        shims_m=stood.shims_m,
        build=guide.weighings[-1].build if guide.weighings else "",
    )
    faults = faults_of(weighing, guide.car.known)
    if faults:
        return guide, tuple(in_unit(fault, guide.unit) for fault in faults)
    if guide.weighings:
        mix_up = unit_mix_up(sum(loads_kg), sum(guide.weighings[-1].loads_kg))
        if mix_up is not None:
            return guide, (in_unit(mix_up, guide.unit), "It was not taken; type it again with its unit.")
    fresh = replace(
        guide,
        weighings=(*guide.weighings, weighing),
        u_assumed=guide.u_assumed and u_kg is None,
        told=None,
    )
    told = solved(fresh)
    suspects = () if told is None else tuple(in_unit(s.text, guide.unit) for s in told.suspects)
    return fresh, suspects


def read_heights(text: str, unit: str = "") -> dict[str, float]:
    """Read four heights, S1 to S4, in one unit behind them ("0 1.5 -0.5 6 mm") or in `unit`, into m.

    ValueError in words.
    """
    found = re.fullmatch(r"([-+−\d.\s,;]+?)\s*([a-zA-Z]*)", text.strip())
    if found is None:
        raise ValueError(f"{text!r} should be four heights with their unit, such as 0 1.5 -0.5 6 mm")
    heights = [float(h) for h in re.split(r"[\s,;]+", found[1].replace("−", "-").strip(" ,;"))]
    if len(heights) != len(SPOTS):
        raise ValueError(f"four heights are needed, S1 to S4, not {len(heights)}")
    if not (found[2] or unit):
        raise ValueError(f"{text!r} has no unit; write it behind, such as 0 1.5 -0.5 6 mm")
    in_m = [to_m(height, found[2] or unit) for height in heights]
    if max(in_m) - min(in_m) > MOST_STEP_M:
        raise ValueError(f"{text!r}: pad tops do not differ by {max(in_m) - min(in_m):.2g} m; check the unit")
    return dict(zip(SPOTS, in_m, strict=True))


def with_heights(guide: Guide, heights_m: Mapping[str, float]) -> tuple[Guide, tuple[str, ...]]:
    """Take the heights of the pad tops by spot (m, any datum), and say what is to be said about them.

    Those known before are averaged with them, or give way where the two contradict each other.
    """
    known, u = guide.car.known, guide.level_u_m
    heights, levelled = dict(heights_m), guide.levelled + 1
    said: tuple[str, ...] = ()
    if guide.levelled and all(spot in known.spot_heights_m for spot in heights):
        now, before = _over_mean(heights), _over_mean(known.spot_heights_m)
        apart_m = max(abs(now[spot] - before[spot]) for spot in now)
        if apart_m > APART * hypot(u, known.height_u_m):
            told = (
                f"These heights differ from those before by up to {1e3 * apart_m:.2g} mm; these count alone."
            )
            said, levelled = (in_unit(told, guide.unit),), 1
        else:
            a, b = 1 / u**2, 1 / known.height_u_m**2
            heights = {spot: (a * now[spot] + b * before[spot]) / (a + b) for spot in now}
            u = (a + b) ** -0.5
    fresh = replace(known, spot_heights_m=heights, height_u_m=u)
    return replace(guide, car=replace(guide.car, known=fresh), levelled=levelled, told=None), said


def _over_mean(heights_m: Mapping[str, float]) -> dict[str, float]:
    """Heights over the mean of the four: levellings need not share a datum."""
    mean = sum(heights_m[spot] for spot in SPOTS) / len(SPOTS)
    return {spot: heights_m[spot] - mean for spot in SPOTS}


def like_last(guide: Guide, loads_kg: Sequence[float]) -> bool:
    """Whether four numbers are near the loads weighed last."""
    if not guide.weighings or len(loads_kg) != len(CORNERS):
        return False
    last = guide.weighings[-1].loads_kg
    return all(abs(now - before) <= SAME_LOADS * before for now, before in zip(loads_kg, last, strict=True))


def skipping(guide: Guide) -> Guide:
    """The guide that does not advise again what it advises now."""
    told = solved(guide)
    steps = [] if told is None else _still_possible(guide, told)
    return replace(guide, skipped=guide.skipped | {step.kind for step in steps[:1]})


# -- ways to stand ----------------------------------------------------------------------------------------


def advised_stand(guide: Guide) -> Stand:
    """How the car is to stand for the next loads: as advised, else as it stood last."""
    if not guide.weighings:
        return _first_stand(guide)
    told = solved(guide)
    step = None if told is None else next(iter(_still_possible(guide, told)), None)
    if step is not None and step.pays and step.stand is not None:
        return step.stand
    return stand_of(guide.weighings[-1])


def _first_stand(guide: Guide) -> Stand:
    spots = SPOT_OF["out"]
    lf, rf, lr, rr = (spots[corner] for corner in CORNERS)
    a, b, c, d = (guide.pads[spot] for spot in (lf, rf, lr, rr))
    return Stand(facing="out", spots=(lf, rf, lr, rr), pads=(a, b, c, d))


def _first(guide: Guide, t_mono_ns: int) -> Advice:
    stand = _first_stand(guide)
    return Advice(
        t_mono_ns=t_mono_ns,
        aim=guide.aim,
        u_now=None,
        unit="",
        wants="loads",
        action="Let all pads stand empty for their zero, put the car on facing out, rock it, let it rest.",
        why="the first weighing tells the total; the next step is chosen from it",
        facing=stand.facing,
        stand=_corner_stands(stand),
        cautions=LOADS_CAUTIONS,
    )


def stand_words(told: Advice, unit: str) -> str:
    """Which corner goes onto which pad on which spot, on what shim (mm where masses are in kg, in for lb)."""
    words = (
        f"{at.corner} on {at.pad} at {at.spot}"
        + (f" with {1e3 * at.shim_m:g} mm under it" if at.shim_m else "")
        for at in told.stand
    )
    return in_unit(", ".join(words), unit)


def other_steps(told: Advice) -> tuple[NextStep, ...]:
    """The steps besides the one advised that pay, or the best of the rest where none does."""
    others = told.steps if told.wants == "nothing" else told.steps[1:]
    return tuple(step for step in others if step.u <= ENOUGH * (told.u_now or 0.0)) or others[:1]


def _corner_stands(stand: Stand) -> tuple[CornerStand, ...]:
    rows = zip(CORNERS, stand.spots, stand.pads, stand.shims_m, strict=True)
    return tuple(CornerStand(corner=c, spot=s, pad=p, shim_m=shim) for c, s, p, shim in rows)


def _spread(now: Quantity, unit: str) -> str:
    shown = now.shown_in({"1": "%", "kg": unit, "m": "m" if unit == "kg" else "in"}[now.unit])
    return f"±{2 * (shown.u or 0.0):.2g} {shown.unit}"
