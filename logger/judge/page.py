"""Verdicts on pads as one self-contained HTML file: a sentence a pad, criteria beside limits, curves."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from logger.judge import figures as draw
from logger.judge.measures import Settle, swing_Hz, tail_s
from logger.judge.text import MARKS, row_of, two_digits
from logger.judge.trend import PadTrend, trends
from logger.judge.verdict import PadVerdict, Verdict
from logger.quantity import Quantity
from logger.report.markup import bullets, figure, section, table, true_minus
from logger.report.page import page
from logger.settling.curve import SettleCurve

SETTLES = 24
"""Settles listed one by one; the drawing shows them all."""
ADVICE = {
    "trust": '<span class="met">● trust it</span>',
    "warm up": '<span class="unmet">▲ trust it after a warm-up</span>',
    "swap": '<span class="unmet">▲ swap it with another</span>',
    "service": '<span class="unmet">▲ service it</span>',
    "not judged": '<span class="none">○ not told yet</span>',
}
"""What to do with a pad: a shape and words."""
LOOKS = {True: "met", False: "unmet", None: "none"}
EXPLAINED = (
    "Limits are those of the published standards named beside them, told in e, the smallest step that "
    "counts. They are quoted to compare with, not as a verification. Not for trade."
)


def render_verdicts(verdicts: Sequence[Verdict], *, version: str, written: str) -> str:
    """Return the page as HTML text; `written` is the time of writing as text."""
    names = verdicts[0].name if len(verdicts) == 1 else f"{len(verdicts)} recordings"
    count = sum(len(v.pads) for v in verdicts)
    body = [
        f'<header><p class="over">How pads settle, hold and return</p><h1>{escape(names)}</h1>'
        f'<p class="byline">{count} pads judged</p>{_summary(verdicts)}<aside>{EXPLAINED}</aside></header>',
        _overview(verdicts),
        *(_trend(study) for study in trends(verdicts)),
        *(_repeats(v, verdicts) for v in verdicts),
    ]
    for verdict in verdicts:
        body += [_pad(verdict, pad, len(verdicts) > 1) for pad in verdict.pads]
    body.append(f"<footer>Written by restpoint {escape(version)}, {escape(written)}. Not for trade.</footer>")
    return page(f"Pads judged: {names}", "\n".join(filter(None, body)), version=version)


def _summary(verdicts: Sequence[Verdict]) -> str:
    sentences = [_of(v, pad.grade.sentence, verdicts) for v in verdicts for pad in v.pads]
    sentences += [_of(v, v.repeats.sentence, verdicts) for v in verdicts if v.repeats is not None]
    notes = [f"{v.name}: {note}" for v in verdicts for note in v.notes]
    hint = '<p class="zoomhint">Drag over a curve to look closer; double-click to see all of it again.</p>'
    return bullets(sentences, "result") + bullets(notes) + hint


def _overview(verdicts: Sequence[Verdict]) -> str:
    """Every pad in one line, to compare them."""
    rows = []
    for verdict in verdicts:
        for pad in verdict.pads:
            name = f"{pad.pad} in {verdict.name}" if len(verdicts) > 1 else pad.pad
            rows.append([escape(name), *(escape(cell) for cell in row_of(pad)[2:]), ADVICE[pad.grade.advice]])
    head = ["Pad", "noise", "d", "settles in", "zero drift", "zero return", "creep", "lost", ""]
    return section("Side by side", f'<div class="full">{table(head, rows)}</div>') if len(rows) > 1 else ""


def _of(verdict: Verdict, sentence: str, verdicts: Sequence[Verdict]) -> str:
    """Say which recording a sentence is about where there are several."""
    return f"{verdict.name}. {sentence}" if len(verdicts) > 1 else sentence


def _pad(verdict: Verdict, pad: PadVerdict, several: bool) -> str:
    title = f"Pad {pad.pad}" + (f" in {verdict.name}" if several else "")
    body = f'<p class="result">{escape(pad.grade.sentence)}</p>{_facts(pad)}{_criteria(pad)}{_figures(pad)}'
    return section(title, f'<div class="full">{body}</div>')


def _facts(pad: PadVerdict) -> str:
    m = pad.measures

    def mass(value_kg: float | None) -> str:
        return escape(two_digits(None if value_kg is None else value_kg / pad.per_unit_kg, pad.unit))

    left_out = ", ".join(f"{n} {reason}" for reason, n in pad.seen.left_out.items()) or "none"
    e_kg = mass(pad.e_kg)
    facts = (
        ("Readings", f"{m.samples} in {pad.seen.duration_s:.0f} s, {two_digits(pad.seen.rate_Hz)} a second"),
        ("Rests, settles", f"{len(pad.seen.stood)}, {len(pad.settles)}"),
        ("Left out", escape(left_out)),
        ("Noise of one reading", f"{mass(m.noise_kg)}; with swaying {mass(pad.wander_kg)}"),
        ("Smallest step seen (d)", mass(m.resolution_kg)),
        ("Step that limits are told in (e)", e_kg),
        ("Zero return, less drift", escape(true_minus(pad.own_text(pad.zero_return)))),
        ("Drift of the empty pad", escape(true_minus(pad.own_text(pad.drift, "/h")))),
        ("Averaging", _averaging(pad)),
    )
    return "<dl>" + "".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in facts) + "</dl>"


def _averaging(pad: PadVerdict) -> str:
    """How far averaging helps, from the Allan deviation of the longest rest."""
    curve = pad.allan
    if curve is None:
        return "not told: no rest is long enough"
    floor = f"{two_digits(pad.own(curve.floor), pad.unit)} after {two_digits(curve.floor_s, 's')}"
    if curve.floor_s == curve.tau_s[-1]:
        return escape(f"still helps at the longest time told: {floor}")
    slope = pad.longest
    if slope is None or abs(slope.per_s) < 3 * slope.u_per_s:
        return escape(f"helps down to {floor}, not beyond")
    drift = two_digits(pad.own(slope.per_s) * 60, f"{pad.unit}/min")
    return escape(f"helps down to {floor}; then the level's own movement takes over ({drift})")


def _criteria(pad: PadVerdict) -> str:
    rows = [
        [
            escape(c.name),
            two_digits(c.value, c.unit),
            f"{c.limit:g} {c.unit}",
            f'<span class="{LOOKS[c.met]}">{MARKS[c.met]}</span>',
            escape(c.source),
            escape(c.note),
        ]
        for c in pad.grade.criteria
    ]
    return table(["Criterion", "found", "limit", "", "where the limit comes from", ""], rows, kind="words")


def _figures(pad: PadVerdict) -> str:
    out = [figure(draw.overview(pad), "The whole recording; rests are shaded.")]
    middle = draw.typical(pad.settles)
    if pad.settles:
        pair = f"<div>{draw.aligned(pad)}</div><div>{draw.fitted(pad, middle) if middle else ''}</div>"
        caption = (
            "Left, every settle aligned at its step; the band is what one reading cannot tell from standing "
            "still. Right, the middle one with its fit and ±2 standard deviations, and what the fit leaves."
        )
        out.append(figure(pair, caption + _fit_words(pad), "settle"))
        out.append(_settles(pad))
    if pad.allan is not None:
        moved = draw.drift(pad)
        pair = f"<div>{draw.allan(pad)}</div><div>{moved}</div>"
        caption = (
            "Left, Allan deviation in the longest rest: while it follows white noise, averaging longer helps."
        )
        if moved:
            caption += " Right, the same rest's block means against time with their line."
        out.append(figure(pair, caption, "settle"))
    if zeros := draw.zeros(pad):
        out.append(figure(zeros, "The zero checks: between them the zero is taken on the straight line."))
    return "".join(out)


def _settles(pad: PadVerdict) -> str:
    """Every settle in figures, the first ones where there are many."""
    rows = [_settle_row(pad, settle) for settle in pad.settles[:SETTLES]]
    more = len(pad.settles) - SETTLES
    caption = f"The first {SETTLES} settles, {more} more were judged" if more > 0 else "Every settle"
    head = ["Step at", "settled value", "within the band after", "overshoot", "swing", "its decay", "tail"]
    return table(head, rows, caption=caption + "; ± are two standard uncertainties")


def _settle_row(pad: PadVerdict, settle: Settle) -> list[str]:
    curve, stood = settle.curve, settle.stood
    value = pad.own_text(Quantity(stood.level_kg, stood.u_kg, "kg"))
    row = [f"{settle.t_step_s:.1f} s", escape(true_minus(value))]
    if curve is None:
        return [*row, "not fitted", "", "", "", ""]
    over = None if curve.overshoot is None else 100 * curve.overshoot
    swing, decay = swing_texts(pad, curve)
    cells = [two_digits(settle.settle_s, "s"), two_digits(over, "%"), swing, decay, tail_text(pad, curve)]
    return [*row, *(escape(cell) for cell in cells)]


def swing_texts(pad: PadVerdict, curve: SettleCurve) -> tuple[str, str]:
    """Frequency of a swing and how it dies, each with its ±."""
    hertz = swing_Hz(curve)
    if hertz is None:
        return "none", "–"
    swing = Quantity(hertz, curve.u_frequency_Hz, "Hz").text()
    if curve.damping_ratio is not None:
        return swing, f"viscous, ζ {Quantity(curve.damping_ratio, curve.u_damping_ratio, '1').text()}"
    loss, u = curve.friction_per_swing, curve.u_friction_per_swing
    if loss is None or u is None:
        return swing, curve.decay
    return swing, f"friction, {Quantity(pad.own(loss), pad.own(u), pad.unit).text()} a half swing"


def tail_text(pad: PadVerdict, curve: SettleCurve) -> str:
    """Size and time constant of a tail with their ±."""
    seconds = tail_s(curve)
    if seconds is None or curve.u_tail is None:
        return "–"
    size = true_minus(Quantity(pad.own(curve.tail), pad.own(curve.u_tail), pad.unit).text())
    return f"{size}, dying with {Quantity(seconds, curve.u_tail_s, 's').text()}"


def _fit_words(pad: PadVerdict) -> str:
    middle = draw.typical(pad.settles)
    if middle is None or middle.curve is None:
        return ""
    swing, decay = swing_texts(pad, middle.curve)
    tail = tail_text(pad, middle.curve)
    words = [] if swing == "none" else [f"swings at {swing}, {decay}"]
    words += [] if tail == "–" else [f"a tail of {tail}"]
    return escape(f" The fit: {'; '.join(words)}." if words else " The fit: no swing and no tail to be told.")


def _repeats(verdict: Verdict, verdicts: Sequence[Verdict]) -> str:
    """Rests of one load: what the whole, the shared pattern and each pad alone vary by."""
    study = verdict.repeats
    if study is None:
        return ""
    pad = next(p for p in verdict.pads if p.pad in study.pads)

    def mass(value_kg: float) -> str:
        return escape(two_digits(pad.own(value_kg), pad.unit))

    rows = [["the total", mass(study.total_kg), "—", "—"]]
    rows += [
        [escape(name), mass(study.pads_kg[k]), mass(study.shared_kg), mass(study.own_kg[k])]
        for k, name in enumerate(study.pads)
    ]
    caption = f"Standard deviations over {study.rests} rests of about {mass(study.mean_kg)}"
    head = ["", "of its reading", "along the shared pattern", "its own"]
    title = "Rests of one load" + (f" in {verdict.name}" if len(verdicts) > 1 else "")
    return section(title, f"<p>{escape(study.sentence)}</p>{table(head, rows, caption=caption)}")


def _trend(study: PadTrend) -> str:
    """One pad over its recordings: a sentence, a table, a drawing of every figure."""
    rows = []
    for k, (name, pad) in enumerate(zip(study.names, study.pads, strict=True)):
        when = "" if study.months is None else f"{study.months[k]:.1f} months"
        m = pad.measures
        noise = two_digits(None if m.noise_kg is None else pad.own(m.noise_kg), pad.unit)
        back = true_minus(pad.own_text(pad.zero_return))
        cells = [name, when, noise, back, two_digits(m.settle_s, "s"), str(m.lost)]
        rows.append([*map(escape, cells), ADVICE[pad.grade.advice]])
    head = ["Recording", "since the first", "noise", "zero return", "settles in", "lost", ""]
    drawings = [draw.trend(study, one) for one in study.figures]
    pairs = "".join(f"<div>{drawing}</div>" for drawing in drawings if drawing)
    body = f'<p class="result">{escape(study.sentence)}</p>{table(head, rows)}'
    return section(
        f"Pad {study.pad} over the recordings",
        f'<div class="full">{body}{figure(pairs, "", "settle")}</div>',
    )
