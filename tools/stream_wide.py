"""A wide family of invented indicators: the shapes of the list, with their features freely mixed.

Written without looking at how learning works. One pad of several is loaded, or one after the other; empty
first or last; a second known load, an unknown heavier one, zeros that wander, tared pads, whole seconds lost.
"""

from __future__ import annotations

import random

from stream_kit import Design, Plan, State, Stream, latest, stream_of, wire
from stream_odd_kit import Rng
from stream_wide_binary import BINARIES
from stream_wide_text import TEXTS

from drivers.wire import KG_PER

WIDE = (*TEXTS, *BINARIES)
LOADS = (84.2, 71.4, 63.85, 92.6, 77.0, 58.3, 101.3, 66.15)
JUGS = (10.0, 5.4, 12.5, 20.0)


def make_wide(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream of the wide family from its seed, of at least so many seconds."""
    rng = random.Random(f"wide {seed}")
    design = WIDE[seed % len(WIDE)](rng)
    plans, known, seconds, manner = _session(rng, design)
    rate = rng.choice((8, 10, 10, 10, 12)) * (1 if design.together else len(design.pads))
    made = _states(rng, design, plans, rate, max(seconds, least_s))
    if rng.random() < 0.4:
        lost = rng.uniform(3, seconds - 3)
        made = [one for one in made if not lost < one[0].t_s < lost + rng.uniform(0.3, 1.2)]
        manner.append("drop-out")
    recorded = wire(rng, design, made, damage=rng.choice((0.0, 1e-4, 3e-4)))
    used: list[Plan] = [
        [(0.0, 0.0), (2.0, rng.uniform(90, 280)), (7.0, rng.uniform(-15, -3)), (12.0, rng.uniform(20, 90))]
        for _ in plans
    ]
    later = wire(rng, design, _states(rng, design, used, rate, 17.0), damage=0)
    return stream_of(f"w{seed:05d}", design, known, recorded, later, [*design.features, *manner])


def _session(rng: Rng, design: Design) -> tuple[list[Plan], list[str], float, list[str]]:
    """Loads by pad, what is known, how long, and in which manner."""
    load, jug = rng.choice(LOADS), rng.choice(JUGS)
    plans: list[Plan] = [[(0.0, 0.0)] for _ in design.pads]
    if len(plans) > 1 and (design.together or rng.random() < 0.4):
        known, begin = ["0@0:6"], 7.0
        for plan in plans[: rng.choice((1, len(plans), len(plans)))]:
            plan += [(begin, load), (begin + 7, 0.0)]
            known.append(f"{load:g}kg@{begin + 2.5:g}:{begin + 6.5:g}")
            begin += 9.0
        manner = ["in turn"]
    else:
        known, begin, manner = _one(rng, rng.choice(plans), load, jug)
    if "below zero" in design.features:
        next(plan for plan in plans if len(plan) > 1).extend([(begin + 1, -jug), (begin + 7, 0.0)])
        known.append(f"-{jug:g}kg@{begin + 3.5:g}:{begin + 6.8:g}")
        begin += 9
    elif rng.random() < 0.3:
        rng.choice(plans).append((begin + 1, rng.uniform(105, 160)))
        begin, manner = begin + 7, [*manner, "heavier"]
    return plans, known, max(begin, 20.2), manner


def _one(rng: Rng, plan: Plan, load: float, jug: float) -> tuple[list[str], float, list[str]]:
    """One pad is loaded: empty first, loaded first, or with a second known load."""
    manner = rng.choice(("empty first", "empty first", "loaded first", "two loads"))
    if manner == "loaded first":
        plan[0] = (0.0, load)
        plan.append((8.0, 0.0))
        return [f"{load:g}kg@0:7.5", "0@11:19"], 20.0, [manner]
    plan.append((9.0, load))
    known = ["0@0:8", f"{load:g}kg@12:19"]
    if manner == "two loads":
        plan += [(20.0, jug), (28.0, 0.0)]
        return [*known, f"{jug:g}kg@22.5:27.5"], 31.0, [manner]
    return known, 20.0, [manner]


def _at(plan: Plan, t_s: float, ramp_s: float) -> tuple[float, bool]:
    """Load (kg) and whether it stands still."""
    before, now, past_s = latest(plan, t_s)
    share = min(past_s / ramp_s, 1.0)
    return before + (now - before) * share * share * (3 - 2 * share), past_s > ramp_s + 0.4


def _states(rng: Rng, design: Design, plans: list[Plan], rate: float, seconds: float) -> list[list[State]]:
    per = float(KG_PER[design.unit] * design.step)
    ramp_s, noise = rng.uniform(1.2, 2.2), rng.choice((0.15, 0.4, 0.8)) * per
    if design.together and any(len(plan) < 2 for plan in plans):
        noise = 0.8 * per  # a pad that was never loaded and hardly stirs is nothing that anybody can tell
    tares = [rng.uniform(-1, 1) * per * rng.choice((0.5, 1, 3 if len(plans) > 1 else 1)) for _ in plans]
    wander = rng.choice((0.0, 0.0, 1.5)) * per / 30
    out: list[list[State]] = []
    for n in range(int(seconds * rate)):
        t_s, made = n / rate, []
        for pad in range(len(plans)) if design.together else (n % len(plans),):
            kg, still = _at(plans[pad], t_s, ramp_s)
            kg += tares[pad] + wander * t_s + rng.gauss(0, noise * (1 if still else 3))
            made.append(State(pad=pad, count=round(kg / per), steady=still, seq=n + 3, t_s=t_s))
        out.append(made)
    return out
