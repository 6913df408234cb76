"""What the weighings cannot tell apart, and what a user must know beside the figures, in plain words."""

from __future__ import annotations

import numpy as np

from logger.mechanics.fit import Fit
from logger.mechanics.statics import CROSS, FRONT, Array
from logger.mechanics.suspects import Suspect
from logger.sentences import kilograms, significant

SAME_GAIN = 0.05
"""Two pads whose untold combinations of gains agree this far are told against each other."""
FAR_OFF = 4.0
"""Standard deviations between a measured input and what the weighings make of it before it is said."""
GROSS_KG = 0.3
"""Pads whose readings scatter further from rest to rest are suspected (own judgement)."""
OPEN_KG = 1e-6
"""Loads moved along a null direction by less than this are rounding."""
UNSTATED = (
    "Nobody stated {what}: the ± allows ±{percent:.2g} % for each pad; gain_u under [pads] in the car's file "
    "states it (0.0005 is ±0.1 %, 0 takes the pads as right)."
)


def open_figures(f: Fit, index: int) -> tuple[str, ...]:
    """Figures of a build that the placements leave open but for an allowance (pads as calibrated)."""
    moved = _loads_moved(f, index)
    loads = _to_loads(f) @ f.p[4 * index : 4 * index + 4]
    geometry = f.unknowns.geometry
    figures = {"front": FRONT, "x": geometry.x_m, "y": geometry.y_m, "cross": CROSS}
    found = ["total"] if _any(np.ones(4) @ moved) else []
    total = loads.sum()
    found += [n for n, w in figures.items() if _any((w - w @ loads / total) @ moved)]
    # With unequal tracks left % has a trace of the warp term; it is open where y is, its ± has the trace.
    return tuple([*found, "left"] if "y" in found else found)


def _to_loads(f: Fit) -> Array:
    geometry = f.unknowns.geometry
    return np.column_stack([geometry.spread, geometry.warp])


def _loads_moved(f: Fit, index: int) -> Array:
    moved: Array = _to_loads(f) @ f.null[4 * index : 4 * index + 4]
    return moved


def _any(moved: Array) -> bool:
    return bool(np.any(np.abs(moved) > OPEN_KG))


def cannot_tell_apart(f: Fit, index: int) -> tuple[str, ...]:
    """The null space in plain words, for one build: floor first, then pads."""
    open_ = open_figures(f, index)
    sentences = []
    if {"front", "left", "x", "y"} & set(open_):
        sentences.append(_slope_words(f, index))
    if "cross" in open_:
        sentences.append(_twist_words(f, index))
    return (*sentences, *_gain_words(f))


def _slope_words(f: Fit, index: int) -> str:
    facing = "out" if f.unknowns.sign[f.unknowns.build == index][0] > 0 else "back"
    return (
        f"One facing only ({facing}): the car's own balance (front %, left %, place of the centre of mass) "
        "cannot be told from a sloping floor. Turn the car half round on the same spots, or measure the "
        "pad-top heights."
    )


def _twist_words(f: Fit, index: int) -> str:
    twist_measured = all(f.prior.measured[_twists(f, index)])
    if twist_measured:
        return (
            "The car's own diagonal (cross weight) cannot be told from what the measured floor twist does "
            "to it: the car's warp stiffness is not known. A shim test, or the spring and bar rates, would "
            "tell."
        )
    return (
        "The car's own diagonal (cross weight) cannot be told from a twist of the floor; half a turn does "
        "not separate them. Measure the four pad-top heights (water or laser level), then shim or correct."
    )


def _twists(f: Fit, index: int) -> Array:
    sets = np.unique(f.unknowns.set[f.unknowns.build == index])
    return np.asarray(f.unknowns.floor_of(sets) + 2)


def _gain_words(f: Fit) -> tuple[str, ...]:
    if f.prior.known.gain_u is not None:
        return ()
    pads = f.unknowns.pads
    untold = np.eye(len(pads)) - f.told_gains @ f.told_gains.T
    groups: list[list[int]] = []
    for i in range(len(pads)):
        group = next((g for g in groups if np.abs(untold[i] - untold[g[0]]).max() < SAME_GAIN), None)
        if group is None:
            groups.append([i])
        else:
            group.append(i)
    if len(groups) == 1:
        return (
            "A gain common to all pads cannot be told from a heavier or lighter car (shares and places do "
            "not change); a known mass on a pad would tell. "
            + _allowed_words(f, "how well they are calibrated"),
        )
    rest = _allowed_words(f, "the rest of their calibration")
    if not _changed_places(f):
        return (
            f"Pads {', '.join(pads)} never changed places: a pad that reads too high cannot be told from a "
            "heavier corner. " + _allowed_words(f, "their calibration"),
        )
    if len(groups) == len(pads):
        told = "only in part" if f.told_gains.size else "not"
        return (
            f"Pads {', '.join(pads)} weighed more than one corner each, but their gains could {told} be told "
            f"from the rest. {rest} Exchange them left for right and front for rear on the same spots.",
        )
    named = "; ".join(" and ".join(pads[i] for i in g) for g in groups)
    return (
        f"The pads' gains are told only within groups ({named}), not of one group against another. {rest} "
        "Exchange pads between the groups.",
    )


def _allowed_words(f: Fit, what: str) -> str:
    """What the ± contains for gains that nobody can tell."""
    if f.prior.gain_u == 0:
        return f"The ± takes {what} as right, because readings that differ so far are no pad's gain."
    percent = 200 * f.prior.gain_u
    if f.prior.gains_found_off:
        return f"They were found to be off, so the ± allows ±{percent:.2g} % for each pad."
    return UNSTATED.format(what=what, percent=percent)


def _changed_places(f: Fit) -> bool:
    under: dict[int, set[int]] = {}
    for row in f.unknowns.pad:
        for corner, pad in enumerate(row):
            under.setdefault(int(pad), set()).add(corner)
    return any(len(corners) > 1 for corners in under.values())


def notes(f: Fit, index: int, suspects: tuple[Suspect, ...]) -> tuple[str, ...]:
    """Sentences for a build: averaging and twist, what the ± contains, geometry, scatter, suspects."""
    lines = [s.text + _what_became(s) for s in suspects]
    lines += _geometry_words(f)
    lines += _unused_heights_words(f)
    lines += _averaging_words(f, index)
    lines += _allowance_words(f, index)
    lines += _contradiction_words(f)
    lines += _scatter_words(f)
    return tuple(lines)


def _what_became(s: Suspect) -> str:
    return " It is set aside and counts in no figure." if s.set_aside else ""


def _geometry_words(f: Fit) -> list[str]:
    missing = f.unknowns.geometry.missing
    if not missing:
        return []
    named = ", ".join(n.removesuffix("_m").replace("_", " ") for n in missing)
    return [f"Not measured: {named}. So percentages only: no place of the centre of mass and no warp term."]


def _unused_heights_words(f: Fit) -> list[str]:
    """Where heights are stated, the spots without one: their floor counts as unmeasured."""
    heights = f.prior.known.spot_heights_m
    lacking = {s: [spot for spot in s if spot not in heights] for s in f.unknowns.sets}
    return [
        f"Heights are stated of {', '.join(heights)} and none of {', '.join(none)}, where the car stood: "
        "without all four they are not used. Measure them, or write the spots' names as in the weighings."
        for none in lacking.values()
        if heights and none
    ]


def _averaging_words(f: Fit, index: int) -> list[str]:
    unknowns = f.unknowns
    mine = unknowns.build == index
    both = [
        s for s in np.unique(unknowns.set[mine]) if len(set(unknowns.sign[mine & (unknowns.set == s)])) == 2
    ]
    if not both:
        return []
    at = unknowns.floor_of(both[0]) + 2
    _, front, rear = unknowns.geometry.lengths_m
    per_rad = f.p[unknowns.at_K] * (1 / front + 1 / rear) / f.p[4 * index]
    said = (
        "Averaging the two facings removes the floor's tilt but does not remove floor twist: half a turn "
        "maps the twist onto itself"
    )
    if f.prior.measured[at]:
        theta = f.p[at]
        moved = (
            f"the measured twist of {1e3 * theta:+.2g} mrad moves cross by {-100 * per_rad * theta:+.2g} %"
        )
        return [f"{said}; {moved} and is taken off."]
    size = 100 * per_rad * 4e-3 / ((front + rear) / 2)
    return [
        f"{said}; a twist of 4 mm here could move cross by about {size:.2g} %. Two ways out: measure the "
        "four pad-top heights and shim or correct, or make a shim test for the car's warp stiffness."
    ]


def _allowance_words(f: Fit, index: int) -> list[str]:
    open_ = open_figures(f, index)
    allow = f.prior.allow
    lines = []
    if {"front", "left"} & set(open_):
        lines.append(
            "The ± of front, left and place contains an allowance for a floor slope nobody measured "
            f"({1e3 * allow.slope:g} mm in a metre, one standard deviation)."
        )
    if "cross" in open_ and not all(f.prior.measured[_twists(f, index)]):
        lines.append(
            "The ± of cross contains an allowance for a floor twist nobody measured "
            f"({1e3 * allow.twist_m:g} mm at one corner, one standard deviation)."
        )
    stiffness = f.unknowns.at_K
    guessed = f.covariance[stiffness, stiffness] > (0.8 * f.prior.u[stiffness]) ** 2
    if guessed and not f.prior.measured[stiffness] and "cross" in open_:
        lines.append(
            "The car's warp stiffness is a guess from its mass; spring and bar rates or a shim test replace "
            "it."
        )
    if np.sum(f.unknowns.build == index) == 1:
        lines.append(
            f"One run only: how far the suspension scatters is a guess ({100 * f.scatter:.2g} % of cross). "
            "Rock the car and weigh again."
        )
    return lines


def _contradiction_words(f: Fit) -> list[str]:
    """What was measured beforehand and does not go with the weighings."""
    unknowns, prior = f.unknowns, f.prior
    left = np.sqrt(np.maximum(prior.u**2 - np.diag(f.covariance), 1e-6 * prior.u**2))
    with np.errstate(invalid="ignore"):
        off = prior.measured & (np.abs(f.p - prior.mean) > FAR_OFF * left)
    lines = []
    if off[unknowns.at_floor : unknowns.at_K].any():
        lines.append(
            "The measured heights do not go with what turning the car shows: were spots mixed up, or was "
            "the level read wrongly? Measure them again."
        )
    if off[unknowns.at_K]:
        lines.append(
            "The stated warp stiffness does not go with the shim test: check the rates, or the shim."
        )
    pads = [p for p, bad in zip(unknowns.pads, off[unknowns.at_gain : unknowns.at_zero], strict=True) if bad]
    if pads:
        lines.append(
            f"The readings do not go with the stated ± of the gain of {', '.join(pads)}: check the pad."
        )
    return lines


def _scatter_words(f: Fit) -> list[str]:
    cause = (
        "and the suspension cannot do that: suspect a pad, a zero, a dragging wheel edge, a person leaning "
        "on the car. The readings' ± is taken that much wider."
    )
    noise_kg = np.sqrt(f.unknowns.noise_kg2)
    if noise_kg > GROSS_KG:
        return [f"Total, front and left scatter as if each pad did by {kilograms(noise_kg, 2)}, {cause}"]
    if f.unknowns.widened == 1.0:
        return []
    times = significant(float(np.sqrt(f.unknowns.widened)), 2)
    return [f"Total, front and left scatter {times} times as far as the readings' ± allows, {cause}"]
