"""The report as one HTML file: result first, then the plan, the figures, the doubts, and all they rest on."""

from __future__ import annotations

from html import escape

from logger.cautions import CAUTIONS, GENERAL
from logger.drawing.stair import staircase_svg
from logger.drawing.view import CORNER_NAMES
from logger.model import CORNERS
from logger.report.data import BuildResult, ReportData
from logger.report.figures import plan
from logger.report.markup import bullets, figure, number, section, table
from logger.report.page import page
from logger.report.sections import (
    captures,
    changes,
    conditions,
    floor,
    pads,
    placements,
    provenance,
    settling,
)
from logger.report.words import doubts, headline, result_sentence, said_of
from logger.sentences import in_unit

PLUS_MINUS = (
    "Every ± is two standard uncertainties: about 95 times in 100 the true value lies within it. "
    "A number carries no more digits than its ± supports."
)
CROSS = (
    "Total, front and left are settled by statics; sticking dampers or a twisted floor cannot move them. "
    "Cross weight is what they do move, so it has a ± of its own."
)


ADVICE = 3
"""Next steps named for a build, the best first."""


def render(data: ReportData, plan_section: str = "") -> str:
    """Return the whole report as HTML text; it refers to nothing outside itself.

    `plan_section` is what is planned, as a section of HTML made elsewhere; empty without a plan.
    """
    body = [
        _header(data),
        _builds(data),
        changes(data),
        plan_section,
        placements(data),
        floor(data),
        captures(data),
        settling(data),
        pads(data),
        conditions(data),
        _cautions(data),
        provenance(data),
        _footer(data),
    ]
    return page(
        f"{data.job.title} – weigh-in", "\n".join(filter(None, body)), version=data.provenance.version
    )


def _header(data: ReportData) -> str:
    job, build = data.job, headline(data)
    byline = " · ".join(escape(part) for part in (job.when, job.place, job.who) if part)
    invented = (
        '<p class="invented">Name and figures of this car are invented.</p>' if data.car.invented else ""
    )
    result = _opening(data, build) if build is not None else ""
    return (
        f'<header><p class="over">Weigh-in of a car on four pads</p><h1>{escape(job.title)}</h1>'
        f'<p class="byline">{byline}</p><p class="result">{escape(result_sentence(data))}</p>{invented}'
        f"<aside>{PLUS_MINUS}</aside>{result}</header>"
    )


def _opening(data: ReportData, build: BuildResult) -> str:
    not_placed = [c.name for c in data.changes if c.x is None]
    caption = (
        "Plan to scale. A disc's area is the load on that wheel; the cross is the centre "
        "of mass with its ellipse. Numbered marks are the changes, each where its weight sat."
    )
    if not_placed:
        caption += f" Not on the plan, no place known: {', '.join(not_placed)}."
    if data.car.wheelbase_m is None or (data.car.track_front_m or data.car.track_rear_m) is None:
        caption += " Wheelbase or tracks were not measured: a middling car is drawn."
    return (
        '<div class="full">'
        f"{figure(plan(data, build, 'left'), 'Nose to the left. ' + escape(caption), 'plan broad')}"
        f"{figure(plan(data, build, 'up'), 'Nose up. ' + escape(caption), 'plan tall')}"
        f'<div class="pair">{_figures(data, build)}{_doubts(data)}</div></div>'
    )


def _figures(data: ReportData, build: BuildResult) -> str:
    rows = (
        ("Total", build.total),
        ("On the front axle", build.front),
        ("On the left", build.left),
        ("Cross weight (right front and left rear)", build.cross),
        ("Centre of mass ahead of the rear axle", build.x),
        ("Centre of mass left of the centre line", build.y),
    )
    pairs = list(rows)
    pairs += [
        (CORNER_NAMES[corner].capitalize(), load) for corner, load in zip(CORNERS, build.loads, strict=True)
    ]
    items = "".join(f"<dt>{escape(name)}</dt><dd>{number(q, data.units)}</dd>" for name, q in pairs)
    return f'<dl class="figures">{items}</dl>'


def _doubts(data: ReportData) -> str:
    found = bullets(in_unit(s, data.units) for s in doubts(data))
    return f'<div class="doubts"><h3>What is doubtful, and why</h3>{found}</div>' if found else ""


def _builds(data: ReportData) -> str:
    if not data.builds:
        return ""
    opened = headline(data)
    names = ["Build", "total", "front", "left", "cross", "ahead of rear axle", "left of centre"]
    rows = [
        [_label(b, opened), *(number(q, data.units) for q in (b.total, b.front, b.left, b.cross, b.x, b.y))]
        for b in data.builds
    ]
    corners = [[_label(b, opened), *(number(q, data.units) for q in b.loads)] for b in data.builds]
    head = ["Build", *(CORNER_NAMES[c] for c in CORNERS)]
    what = table(names, rows, caption="What each build weighs and where its centre of mass lies")
    loads = table(head, corners, caption="Wheel loads of each build, solved from all its captures")
    stair = staircase_svg(data)
    drawn = figure(stair, "The car's total from build to build, each with its ±.") if stair else ""
    body = (
        f'<div class="full">{drawn}{what}{loads}</div><aside class="low">{CROSS}</aside>{_build_words(data)}'
    )
    return section("Build by build", body)


def _label(build: BuildResult, opened: BuildResult | None) -> str:
    aboard = f" <small>({escape(', '.join(build.aboard))})</small>" if build.aboard else ""
    return f"{'▸ ' if build is opened else ''}{escape(build.label)}{aboard}"


def _build_words(data: ReportData) -> str:
    """Set what is said of the builds beyond the doubts on top; what is said of several, once."""
    before = set(doubts(data))
    groups: dict[tuple[tuple[str, ...], tuple[str, ...]], list[BuildResult]] = {}
    for build in data.builds:
        new = tuple(s for s in dict.fromkeys(said_of(build)) if s not in before)
        groups.setdefault((new, build.advice[:ADVICE]), []).append(build)
    out = []
    for (new, advice), builds in groups.items():
        said = [*new, *(f"{'Or' if k else 'Best next'}: {s}" for k, s in enumerate(advice))]
        lines = [f"<p>{escape(in_unit(s, data.units))}</p>" for s in said]
        if lines:
            names = ", ".join(f"{b.label} (rest {_numbers(b)})" for b in builds)
            out.append(f'<div class="build"><h3>{escape(names)}</h3>{"".join(lines)}</div>')
    return f'<div class="said">{"".join(out)}</div>' if out else ""


def _numbers(build: BuildResult) -> str:
    return " + ".join(str(n) for n in build.captures) or "none"


def _cautions(data: ReportData) -> str:
    wanted = sorted({*GENERAL, *data.cautions} & CAUTIONS.keys())
    body = bullets((CAUTIONS[n] for n in wanted), "cautions")
    return section("Before you act on this", body, kind="whole")


def _footer(data: ReportData) -> str:
    return (
        f"<footer>Written by restpoint {escape(data.provenance.version)}, "
        f"{escape(data.provenance.generated_at)}. Not for trade.</footer>"
    )
