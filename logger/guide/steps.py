"""The guided weigh-in: which spot takes which pad, what next and why it is the best, when to stop. Pure.

A `Guide` is a value: each reading, height or skipped step gives the next one. The solver ranks what is still
possible; the guide turns the best of it into a way to stand and says what it is expected to buy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from logger.car_file import Car
from logger.cautions import GENERAL
from logger.mechanics.advise import ENOUGH, SHIM_M, Next
from logger.mechanics.plausible import faults_of, unit_mix_up
from logger.mechanics.solve import Solution, solve_builds
from logger.mechanics.weighing import HALF_TURN, Known, Weighing, weighing_from_capture
from logger.model import CORNERS, Capture, Facing
from logger.quantity import Quantity
from logger.weighin.placements import SPOT_OF, SPOTS
from logger.weighin.results import label

Four = tuple[str, str, str, str]
Wants = Literal["loads", "heights", "nothing"]
MOST_LEVELLINGS = 2
"""A third reading of the same level by the same eye brings less than it seems (own judgement)."""
U_KG = 0.1
"""u of a reading typed in without one: pads repeat to about 0.1 kg at rest."""


@dataclass(frozen=True, kw_only=True)
class Stand:
    """How the car stands: facing, and under each corner (CORNERS order) spot, pad and shim (m)."""

    facing: Facing
    spots: Four
    pads: Four
    shims_m: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def words(self) -> str:
        """Which corner goes onto which pad on which spot."""
        told = [
            f"{corner} on {pad} at {spot}" + (f" with {1e3 * shim:g} mm under it" if shim else "")
            for corner, spot, pad, shim in zip(CORNERS, self.spots, self.pads, self.shims_m, strict=True)
        ]
        return ", ".join(told)


@dataclass(frozen=True, kw_only=True)
class Guide:
    """What the guide knows.

    `aim` is the figure to sharpen, `enough` the u of it that will do (None: as long as it pays). `pads` says
    which pad stands on which spot at first. `skipped` are actions that the person will not do.
    """

    car: Car
    pads: Mapping[str, str]
    aim: str = "cross"
    enough: float | None = None
    weighings: tuple[Weighing, ...] = ()
    skipped: frozenset[str] = field(default=frozenset())
    u_assumed: bool = True
    levelled: int = 0
    """How often the heights of the pad tops were measured."""
    level_u_m: float = Known.height_u_m


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What to do next. `why` says what it is expected to buy; `wants` what the person then types in.

    `stand` is how the car is to stand for loads, None where the car need not be moved.
    """

    action: str
    why: str
    wants: Wants
    stand: Stand | None
    cautions: tuple[int, ...]
    others: tuple[str, ...] = ()
    """Other steps still possible, with what each would buy."""


def start(car: Car, pads: Sequence[str], aim: str = "cross", enough: float | None = None) -> Guide:
    """Begin with these pads on S1…S4; ValueError unless they are four different ones."""
    if len(pads) != 4 or len(set(pads)) != 4:
        raise ValueError(f"four different pads are needed for S1 to S4, not {', '.join(pads)}")
    known = car.known
    return Guide(
        car=car,
        pads=dict(zip(SPOTS, pads, strict=True)),
        aim=aim,
        enough=enough,
        levelled=int(all(spot in known.spot_heights_m for spot in SPOTS)),
        level_u_m=known.height_u_m,
    )


def from_captures(guide: Guide, captures: Sequence[Capture]) -> Guide:
    """The guide with what a bay has captured so far, discarded captures left out."""
    kept = [c for c in captures if not c.discarded]
    weighings = tuple(weighing_from_capture(c, build=label(c)) for c in kept)
    return replace(guide, weighings=weighings, u_assumed=False)


def solved(guide: Guide) -> Solution | None:
    """What is known of the build weighed last; None before the first weighing."""
    if not guide.weighings:
        return None
    car = guide.car
    builds = solve_builds(
        guide.weighings, car.geometry, car.known, car.allowances, guide.aim, u_assumed=guide.u_assumed
    )
    return builds.solutions[guide.weighings[-1].build]


def advice(guide: Guide) -> Advice:
    """What to do next, and why it is the best next thing; `wants` is "nothing" when it is time to stop."""
    told = solved(guide)
    if told is None:
        return _first(guide)
    steps = [step for step in told.next_placements if not _is_out(guide, step.action)]
    now: Quantity = getattr(told, steps[0].figure if steps else guide.aim)
    if guide.enough is not None and now.u is not None and now.u <= guide.enough:
        return _stop(f"{guide.aim} is known to ± {_spread(2 * now.u, now.unit)}: that is what you wanted.")
    if not steps:
        return _stop("Every step that could help was skipped.")
    best = steps[0]
    if best.u > ENOUGH * best.u_now:
        return _stop(f"No step left sharpens {best.figure} by more than a tenth: {best.why}.", steps)
    wants: Wants = "heights" if _is_heights(best.action) else "loads"
    stand = _stand(guide.weighings[-1], best.action) if wants == "loads" else None
    return Advice(
        action=best.action,
        why=best.why,
        wants=wants,
        stand=stand,
        cautions=(*GENERAL, 7) if wants == "loads" else (2,),
        others=tuple(f"{step.action} {step.why}" for step in steps[1:]),
    )


def with_loads(
    guide: Guide, loads_kg: Sequence[float], u_kg: float | None = None, stand: Stand | None = None
) -> tuple[Guide, tuple[str, ...]]:
    """Take four loads (kg, CORNERS order) as weighed in the way advised, or in `stand`.

    Returns the next guide and what is to be said about the reading. When the loads cannot be a car's the
    guide stays as it was and the sentences say why.
    """
    stood = stand or advice(guide).stand or _last_stand(guide)
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
        return guide, tuple(faults)
    if guide.weighings:
        mix_up = unit_mix_up(sum(loads_kg), sum(guide.weighings[-1].loads_kg))
        if mix_up is not None:
            return guide, (mix_up, "It was not taken; type it again with its unit.")
    fresh = replace(guide, weighings=(*guide.weighings, weighing), u_assumed=guide.u_assumed and u_kg is None)
    told = solved(fresh)
    suspects = () if told is None else tuple(s.text for s in told.suspects)
    return fresh, suspects


def with_heights(guide: Guide, heights_m: Mapping[str, float], u_m: float | None = None) -> Guide:
    """Take the heights of the pad tops by spot (m, any datum); those known before are averaged with them."""
    known = guide.car.known
    u = guide.level_u_m if u_m is None else u_m
    heights = dict(heights_m)
    if guide.levelled and all(spot in known.spot_heights_m for spot in heights):
        heights, u = _averaged(heights, u, known.spot_heights_m, known.height_u_m)
    fresh = replace(known, spot_heights_m=heights, height_u_m=u)
    return replace(guide, car=replace(guide.car, known=fresh), levelled=guide.levelled + 1)


def _averaged(
    heights_m: Mapping[str, float], u_m: float, before_m: Mapping[str, float], u_before_m: float
) -> tuple[dict[str, float], float]:
    """Mean of two levellings by their precision; they need not share a datum."""
    a, b = 1 / u_m**2, 1 / u_before_m**2
    means = [sum(h[s] for s in heights_m) / len(heights_m) for h in (heights_m, before_m)]
    found = {s: (a * (h - means[0]) + b * (before_m[s] - means[1])) / (a + b) for s, h in heights_m.items()}
    return found, float((a + b) ** -0.5)


def without_last(guide: Guide) -> Guide:
    """The guide as it was before the last weighing."""
    return replace(guide, weighings=guide.weighings[:-1])


def skipping(guide: Guide) -> Guide:
    """The guide that does not advise again what it advises now."""
    return replace(guide, skipped=guide.skipped | {advice(guide).action})


# -- ways to stand ----------------------------------------------------------------------------------------


def _first(guide: Guide) -> Advice:
    spots = SPOT_OF["out"]
    pads = [guide.pads[spots[corner]] for corner in CORNERS]
    stand = Stand(
        facing="out",
        spots=(spots["LF"], spots["RF"], spots["LR"], spots["RR"]),
        pads=(pads[0], pads[1], pads[2], pads[3]),
    )
    return Advice(
        action="Let all pads stand empty for their zero, put the car on facing out, rock it, let it rest.",
        why="the first weighing tells the total; the next step is chosen from it",
        wants="loads",
        stand=stand,
        cautions=(*GENERAL, 7),
    )


def _last_stand(guide: Guide) -> Stand:
    if not guide.weighings:
        return _first(guide).stand or Stand(facing="out", spots=SPOTS, pads=SPOTS)
    last = guide.weighings[-1]
    return Stand(facing=last.facing, spots=last.spots, pads=last.pads, shims_m=last.shims_m)


def _stand(last: Weighing, action: str) -> Stand:
    """How the car stands after an action of the solver's; ValueError for one that is not known here."""
    other: Facing = "back" if last.facing == "out" else "out"
    same = Stand(facing=last.facing, spots=last.spots, pads=last.pads, shims_m=last.shims_m)
    if action.startswith("Roll"):
        return same
    if action.startswith("Turn"):
        lf, rf, lr, rr = HALF_TURN
        shims = last.shims_m
        return Stand(
            facing=other,
            spots=_moved(last.spots, HALF_TURN),
            pads=_moved(last.pads, HALF_TURN),
            shims_m=(shims[lf], shims[rf], shims[lr], shims[rr]),
        )
    if "pads left for right" in action:
        return replace(same, pads=_moved(last.pads, (1, 0, 3, 2)))
    if "pads front for rear" in action:
        return replace(same, pads=_moved(last.pads, (2, 3, 0, 1)))
    if action.startswith("Shim test"):
        lf_m, rf_m, lr_m, rr_m = last.shims_m
        return replace(same, shims_m=(lf_m, rf_m + SHIM_M, lr_m, rr_m))
    raise ValueError(f"no way to stand is known for {action!r}")


def _moved(values: Four, order: tuple[int, ...]) -> Four:
    a, b, c, d = (values[i] for i in order)
    return a, b, c, d


def _is_out(guide: Guide, action: str) -> bool:
    """Whether a step is not to be advised: skipped, or a level read often enough (its own faults repeat)."""
    return action in guide.skipped or (_is_heights(action) and guide.levelled >= MOST_LEVELLINGS)


def _is_heights(action: str) -> bool:
    return action.startswith("Measure the heights")


def _stop(why: str, steps: Sequence[Next] = ()) -> Advice:
    return Advice(
        action="Stop: enough is weighed.",
        why=why,
        wants="nothing",
        stand=None,
        cautions=(),
        others=tuple(f"{step.action} {step.why}" for step in steps[1:2]),
    )


def _spread(spread: float, unit: str) -> str:
    return f"{100 * spread:.2g} %" if unit == "1" else f"{spread:.2g} {unit}"
