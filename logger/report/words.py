"""The report's sentences: the result first, then what is doubtful and why."""

from __future__ import annotations

from logger.quantity import Quantity
from logger.report.data import BuildResult, Change, ReportData, Units
from logger.report.markup import plain

SURE = 2.0
"""Figures differ when they are more than this many standard uncertainties apart (about 95 %)."""


def headline(data: ReportData) -> BuildResult | None:
    """Find the build that the report opens with; None when nothing was weighed."""
    if not data.builds:
        return None
    return next((b for b in data.builds if b.label == data.headline), data.builds[-1])


def result_sentence(data: ReportData) -> str:
    """Say the result in one or two sentences, for somebody who reads nothing else."""
    build = headline(data)
    if build is None:
        return f"{data.car.name} has not been weighed: no rest was taken."
    units = data.units
    with_whom = f", {' and '.join(build.aboard)}" if build.aboard else ", nobody aboard"
    return (
        f"{data.car.name}, {build.label}{with_whom}, weighs {plain(build.total, units)}; "
        f"{plain(build.front, units)} of it rests on the front axle and {plain(build.left, units)} on the "
        f"left. {cross_sentence(build.cross, units)}"
    )


def cross_sentence(cross: Quantity, units: Units) -> str:
    """Say what cross weight is and whether a wedge can be told from it."""
    text = f"Cross weight is {plain(cross, units)}"
    if cross.u is None or cross.u <= 0:
        return f"{text}; how sure that is, is not known."
    wedge = Quantity(cross.value - 0.5, cross.u, "1")
    if abs(wedge.value) <= SURE * cross.u:
        return f"{text}, so no wedge can be told from an even car."
    size = plain(Quantity(abs(wedge.value), cross.u, "1"), units)
    if wedge.value > 0:
        return f"{text}: a wedge of {size}, right front and left rear carry more than half."
    return f"{text}: {size} below half, left front and right rear carry more."


def doubts(data: ReportData) -> list[str]:
    """List what is doubtful: the session's own doubts, then those of the build that the report opens with."""
    build = headline(data)
    said = [*data.doubts, *(said_of(build) if build is not None else ())]
    measured = data.floor is not None and data.floor.spots[0].measured is not None
    if not measured and not any("height" in s for s in said):
        said.append("The heights of the pad tops were not measured.")
    return list(dict.fromkeys(said))


def said_of(build: BuildResult) -> tuple[str, ...]:
    """Everything that is said of one build's figures and of what its placements leave undecided."""
    return (*build.sentences, *build.cannot_tell_apart)


def place_words(change: Change, units: Units) -> str:
    """Say where a change's weight sat, or why that is not known."""
    if change.x is None or change.y is None:
        return "too light to locate" if change.too_light else "place not known"
    side = "left" if change.y.value >= 0 else "right"
    ahead = "ahead of" if change.x.value >= 0 else "behind"
    x = Quantity(abs(change.x.value), change.x.u, "m")
    y = Quantity(abs(change.y.value), change.y.u, "m")
    return f"{plain(x, units)} {ahead} the rear axle, {plain(y, units)} {side} of the centre line"
