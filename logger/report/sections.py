"""The report's later sections: changes, placements, floor, rests, settling, pads, conditions, provenance."""

from __future__ import annotations

import re
from html import escape

from logger.drawing.view import CORNER_NAMES
from logger.floor_text import floor_lines
from logger.model import CORNERS
from logger.quantity import Quantity
from logger.report.data import CaptureRow, Change, Floor, GapRow, PadStory, Placement, ReportData
from logger.report.figures import settle_drawings, zero_drawing
from logger.report.markup import bullets, figure, number, section, table
from logger.report.timeline import timeline_svg
from logger.report.words import place_words
from logger.sentences import counted, in_unit
from logger.units import G_N, IN_M, LB_KG

PSI_KPA = LB_KG * G_N / IN_M**2 / 1000
"""One pound-force per square inch in kPa."""
_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
FLOOR = (
    "Turning the car half round takes the slopes out of the mean. The twist it leaves as it was: only "
    "measured heights, with springs or a shim test, tell it from the car's own diagonal."
)
FACINGS = {"out": "out", "back": "back, turned half round"}


def changes(data: ReportData) -> str:
    """What came off and went on: mass and place, from which build to which."""
    rows = [
        [
            f"{k} {escape(c.name)}",
            *_change(c, data),
            escape(place_words(c, data.units)),
            f"{escape(c.before)} → {escape(c.after)}",
        ]
        for k, c in enumerate(data.changes, 1)
    ]
    notes = bullets(f"{c.name}: {in_unit(c.note, data.units)}" for c in data.changes if c.note)
    aside = (
        "A change's mass and place come from totals and centres of mass before and after, which the "
        "suspension cannot falsify. The lighter it is, the less sure its place: the ellipses on the plan say "
        "how much."
    )
    body = table(["Change", "went", "mass", "where its weight sat", "between the builds"], rows, kind="words")
    return section("What changed", body + notes, aside=aside) if rows else ""


def _change(change: Change, data: ReportData) -> tuple[str, str]:
    return change.went, number(change.mass, data.units)


def placements(data: ReportData) -> str:
    """How the car stood: which pad on which spot under which corner."""
    rows = [_placement(p, data) for p in data.placements]
    aside = (
        "A spot is a place on the floor and keeps its height whatever pad stands on it. Rolling the car off "
        "and on again is a new placement."
    )
    head = ["Placement", "car faces", *(CORNER_NAMES[c] for c in CORNERS), "rests"]
    return section("How the car stood", table(head, rows, kind="words"), aside=aside) if rows else ""


def _placement(p: Placement, data: ReportData) -> list[str]:
    where = {s.corner: f"{escape(s.pad)} on {escape(s.spot)}" for s in p.standings}
    for s in p.standings:
        if s.shim_m:
            where[s.corner] += f", shim {number(Quantity(s.shim_m, None, 'm'), data.units, spread=False)}"
    return [str(p.number), FACINGS[p.facing], *(where.get(c, "—") for c in CORNERS), str(p.runs)]


def floor(data: ReportData) -> str:
    """Heights of the spots as measured and as solved, slopes, twist, what it does, and what they rest on."""
    ground = data.floor
    if ground is None:
        return ""
    measured = any(spot.measured for spot in ground.spots)
    head = ["Spot", "wheel, facing out", *(["height measured"] if measured else []), "height solved"]
    rows = [
        [
            escape(spot.spot),
            CORNER_NAMES[corner],
            *([number(spot.measured, data.units)] if measured else []),
            number(spot.solved, data.units),
        ]
        for corner, spot in zip(CORNERS, ground.spots, strict=True)
    ]
    caption = "Pad tops; solved heights are over the mean of the four"
    track = ((data.car.track_front_m or 0.0) + (data.car.track_rear_m or 0.0)) / 2
    terms = "".join(
        f"<dt>{escape(words[0].upper() + words[1:])}</dt><dd>{number(q, data.units)}</dd>"
        for words, q in floor_lines(ground.terms, track)
    )
    body = table(head, rows, caption=caption, kind="words") + f'<dl class="figures">{terms}</dl>'
    return section("The floor", f"<p>{_floor_basis(ground, measured=measured)}</p>{body}", aside=FLOOR)


def _floor_basis(ground: Floor, *, measured: bool) -> str:
    if measured:
        how = "what turning the car half round showed" if ground.turned else "what the weighing showed"
        return f"From the measured heights and {how}, together."
    slopes = (
        "the slopes come from turning the car half round and the height of its centre of mass; the twist is"
        if ground.turned
        else "slopes and twist are"
    )
    return f"Nobody measured the heights: {slopes} an allowance, no finding."


def captures(data: ReportData) -> str:
    """Every rest taken, as weighed."""
    rows = [_capture(row, data) for row in data.captures]
    head = ["", "time", "build", "placement, run", *(CORNER_NAMES[c] for c in CORNERS), "total"]
    caption = "As weighed: zero taken off, nothing corrected for the floor"
    body = table(head, rows, caption=caption, kind="rests")
    return section("Rests taken", f'<div class="full">{body}</div>') if rows else ""


def _capture(row: CaptureRow, data: ReportData) -> list[str]:
    label = escape(row.build)
    if row.discarded:
        label = f"<s>{label}</s> discarded"
    if row.name:
        label += f" <small>“{escape(row.name)}”</small>"
    if row.aboard:
        label += f" <small>({escape(', '.join(row.aboard))})</small>"
    loads = [number(q, data.units) for q in row.loads]
    return [
        str(row.number),
        escape(row.when),
        label,
        f"{row.placement}, {row.run}",
        *loads,
        number(row.total, data.units),
    ]


def settling(data: ReportData) -> str:
    """The curves of every capture, whole and close up."""
    out = []
    for settle in data.settles:
        caption = f"<b>{escape(settle.title)}.</b> " + escape(settle.note)
        out.append(figure(settle_drawings(settle, data.units), caption, "settle"))
    hint = '<p class="zoomhint">Drag over a curve to look closer; double-click to see all of it again.</p>'
    aside = (
        "Left, the load on each pad from the rock to the end of the rest. Right, every pad close up: a dot "
        "is one sample less the value beside it, the band is that value's ± from the moment it was declared."
    )
    body = f'<p>{aside}</p>{hint}<div class="full">{"".join(out)}</div>'
    return section("How it settled", body) if out else ""


def pads(data: ReportData) -> str:
    """What the pads did: the session's timeline, their zeros, losses and noise."""
    body = ""
    drawing = timeline_svg(data)
    if drawing:
        body += figure(
            drawing, "What each pad did. " + escape(f"Second 0 is {data.t_zero}." if data.t_zero else "")
        )
    if data.zeros:
        taken = [(row.number, row.t_s) for row in data.captures if not row.discarded]
        caption = (
            "Zero of each pad at every check, with its ±; readings use the straight line between checks."
        )
        body += figure(zero_drawing(data.zeros, taken, data.units), caption)
    if data.pads:
        head = ["Pad", "samples", "lost frames", "refused", "wild", "noise", "step (d)", "battery", "signal"]
        body += table(head, [_pad(pad, data) for pad in data.pads], caption="Counted over the whole session")
        body += bullets(_pad_notes(data))
    return section("What the pads did", f'<div class="full">{body}</div>') if body else ""


def _pad(pad: PadStory, data: ReportData) -> list[str]:
    refused = ", ".join(f"{count} {escape(reason)}" for reason, count in pad.rejects) or "0"
    return [
        escape(pad.pad),
        str(pad.samples),
        "not told" if pad.lost_frames is None else str(pad.lost_frames),
        refused,
        str(pad.wild),
        _bare(pad.noise_kg, data),
        _bare(pad.resolution_kg, data),
        "—" if pad.battery_V is None else f"{pad.battery_V:.2f} V",
        "—" if pad.signal_dBm is None else f"{pad.signal_dBm:.0f} dBm".replace("-", "−"),
    ]


def _bare(mass_kg: float | None, data: ReportData) -> str:
    """A mass that is itself a spread (noise, d): two figures, no ±."""
    if mass_kg is None:
        return "—"
    q = Quantity(mass_kg, None, "kg").shown_in(data.units)
    return f"{q.value:.2g} {q.unit}"


def _pad_notes(data: ReportData) -> list[str]:
    out = []
    for pad in data.pads:
        by_cause: dict[str, list[GapRow]] = {}
        for gap in pad.gaps:
            by_cause.setdefault(gap.cause, []).append(gap)
        out += [f"{pad.pad}: {_missing(gaps)}." for gaps in by_cause.values()]
        for span in pad.conditions:
            if span.reason:
                when = f"minute {span.from_s / 60:.1f} to {span.to_s / 60:.1f}"
                out.append(f"{pad.pad}: {span.condition}, {when} ({span.reason}).")
    return [_MINUS.sub("−", line) for line in out]


def _missing(gaps: list[GapRow]) -> str:
    """Gaps of one cause; of several only the longest is told by itself, for a poor radio makes hundreds."""
    longest = max(gaps, key=lambda gap: gap.to_s - gap.from_s)
    lasted_s = longest.to_s - longest.from_s
    known = [gap.count for gap in gaps if gap.count is not None]
    count = f", {counted(sum(known), 'sample')}" if known else ""
    why = f"from minute {longest.from_s / 60:.1f} ({longest.cause.replace('_', ' ')}{count})"
    if len(gaps) == 1:
        return f"samples missing for {lasted_s:.1f} s {why}"
    whole_s = sum(gap.to_s - gap.from_s for gap in gaps)
    return f"samples missing {len(gaps)} times, {whole_s:.1f} s in all, at most {lasted_s:.1f} s {why}"


def conditions(data: ReportData) -> str:
    """How car and place were, and what nobody noted."""
    c = data.conditions
    rows = [("Tyre pressures", _pressures(data)), ("Fuel", _fuel(data))]
    rows.append(
        (
            "Temperature",
            "not noted" if c.temperature_C is None else f"{c.temperature_C:.0f} °C".replace("-", "−"),
        )
    )
    items = "".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in rows)
    return section("Conditions", f"<dl>{items}</dl>" + bullets(c.notes), kind="whole")


def _pressures(data: ReportData) -> str:
    pressures = data.conditions.tyre_pressures_kPa
    if pressures is None:
        return "not noted"
    pairs = zip(CORNERS, pressures, strict=True)
    return ", ".join(f"{CORNER_NAMES[corner]} {_pressure(p, data)}" for corner, p in pairs)


def _pressure(pressure_kPa: float | None, data: ReportData) -> str:
    if pressure_kPa is None:
        return "not noted"
    return f"{pressure_kPa / PSI_KPA:.1f} psi" if data.units == "lb" else f"{pressure_kPa / 100:.2f} bar"


def _fuel(data: ReportData) -> str:
    c = data.conditions
    if c.fuel_L is None:
        return escape(c.fuel_note) or "not noted"
    return f"{c.fuel_L:.0f} L" + (f", {escape(c.fuel_note)}" if c.fuel_note else "")


def provenance(data: ReportData) -> str:
    """Where the numbers come from, so that anybody can make them again."""
    p = data.provenance
    facts = [("Bay", p.bay), ("Configuration", p.config_id), ("Program", f"restpoint {p.version}")]
    facts += [("Start of the daemon", p.boot_id)] if p.boot_id else []
    facts += [("Schema", str(p.schema))] if p.schema is not None else []
    facts.append(("Written", p.generated_at))
    items = "".join(f"<dt>{name}</dt><dd><code>{escape(value)}</code></dd>" for name, value in facts)
    rows = [
        [
            f"<code>{escape(s.name)}</code>",
            "—" if s.size_bytes is None else str(s.size_bytes),
            f"<code>{escape(s.sha256)}</code>",
        ]
        for s in p.segments
    ]
    segments = (
        table(["Journal segment", "bytes", "SHA-256"], rows, kind="words")
        if rows
        else "<p>No journal is named.</p>"
    )
    aside = (
        "The journal holds the bytes as they came from the pads. `restpoint replay` makes every reading of "
        "this report again from these segments; a segment whose hash differs is not the one weighed with."
    )
    return section("Where the numbers come from", f"<dl>{items}</dl>{segments}", aside=aside, kind="whole")
