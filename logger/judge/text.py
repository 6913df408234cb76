"""A verdict on pads as a table for the terminal and as plain objects for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from typing import Any

from logger.judge.measures import Settle, swing_Hz, tail_s
from logger.judge.trend import PadTrend, trends
from logger.judge.verdict import PadVerdict, Verdict
from logger.model import SCHEMA
from logger.report.markup import true_minus
from logger.settling.allan import AllanCurve

MARKS = {True: "● met", False: "▲ not met", None: "○ not told"}
"""A criterion's outcome: a shape and a word."""


def two_digits(value: float | None, unit: str = "") -> str:
    """Write a measure of spread or drift with two significant digits and its unit; "–" for None."""
    if value is None or not isfinite(value):
        return "–"
    places = 1 - int(f"{value:.1e}".partition("e")[2])
    text = f"{round(value, places):.{max(places, 0)}f}" if value else "0"
    return true_minus(f"{text} {unit}".rstrip())


def verdict_table(verdict: Verdict) -> str:
    """Set one recording's pads as lines: what was measured of each, then its sentence."""
    head = ("pad", "rate", "noise", "d", "settles in", "drift", "zero return", "creep", "lost")
    rows = [head, *(row_of(pad) for pad in verdict.pads)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    sentences = [pad.grade.sentence for pad in verdict.pads]
    sentences += [verdict.repeats.sentence] if verdict.repeats is not None else []
    notes = [f"note: {note}" for note in verdict.notes]
    return "\n".join([verdict.name, *lines, "", *sentences, *notes])


def row_of(pad: PadVerdict) -> tuple[str, ...]:
    """A pad in one line: id, rate, noise, d, time to settle, drift, zero return, creep, lost frames."""
    m, unit = pad.measures, pad.unit

    def mass(value_kg: float | None, per: str = "") -> str:
        return two_digits(None if value_kg is None else value_kg / pad.per_unit_kg, unit + per)

    return (
        pad.pad,
        two_digits(pad.seen.rate_Hz, "Hz"),
        mass(m.noise_kg),
        mass(m.resolution_kg),
        two_digits(m.settle_s, "s"),
        true_minus(pad.own_text(pad.drift, "/h")),
        true_minus(pad.own_text(pad.zero_return)),
        mass(m.creep_30min_kg, "/30 min" + (" extrapolated" if m.creep_extrapolated else "")),
        str(m.lost),
    )


def verdict_json(verdicts: Sequence[Verdict]) -> dict[str, Any]:
    """Give verdicts as plain objects: numbers in each pad's own unit, times in s, None where not told."""
    return {
        "schema": SCHEMA,
        "recordings": [_recording(v) for v in verdicts],
        "trends": [_trend(study) for study in trends(verdicts)],
    }


def _trend(study: PadTrend) -> dict[str, Any]:
    return {
        "pad": study.pad,
        "recordings": list(study.names),
        "months": study.months,
        "sentence": study.sentence,
        "figures": [asdict(one) for one in study.figures],
    }


def _recording(verdict: Verdict) -> dict[str, Any]:
    return {
        "recording": verdict.name,
        "notes": list(verdict.notes),
        "rocks": len(verdict.rocks),
        "repeats": None if verdict.repeats is None else asdict(verdict.repeats),
        "pads": [_pad(pad) for pad in verdict.pads],
    }


def _pad(pad: PadVerdict) -> dict[str, Any]:
    m, per = pad.measures, pad.per_unit_kg

    def own(value_kg: float | None) -> float | None:
        return None if value_kg is None else value_kg / per

    return {
        "pad": pad.pad,
        "unit": pad.unit,
        "rate_Hz": pad.seen.rate_Hz,
        "duration_s": pad.seen.duration_s,
        "samples": m.samples,
        "left_out": pad.seen.left_out,
        "lost_frames": m.lost,
        "longest_gap_s": m.longest_gap_s,
        "resolution": own(m.resolution_kg),
        "noise": own(m.noise_kg),
        "wander": own(pad.wander_kg),
        "settle_s": m.settle_s,
        "drift_per_h": own(m.drift_kg_per_h),
        "u_drift_per_h": None if pad.drift is None else own(pad.drift.u),
        "zero_return": own(m.zero_return_kg),
        "u_zero_return": None if pad.zero_return is None else own(pad.zero_return.u),
        "creep_30min": own(m.creep_30min_kg),
        "creep_15_30min": own(m.creep_15_30_kg),
        "creep_20_30min": own(m.creep_20_30_kg),
        "creep_extrapolated": m.creep_extrapolated,
        "zero_per_C": own(m.zero_kg_per_C),
        "repeatability": own(m.repeatability_kg),
        "e": own(pad.e_kg),
        "advice": pad.grade.advice,
        "sentence": pad.grade.sentence,
        "criteria": [
            {
                "name": c.name,
                "value": c.value,
                "limit": c.limit,
                "unit": c.unit,
                "met": c.met,
                "source": c.source,
            }
            for c in pad.grade.criteria
        ],
        "gaps": [asdict(hole) for hole in pad.seen.holes],
        "settles": [_settle(s, per) for s in pad.settles],
        "zeros": [
            {"t_s": z.t_s, "zero": z.zero_kg / per, "u": z.u_kg / per, "temperature_C": z.temperature_C}
            for z in pad.seen.zeros
        ],
        "allan": None if pad.allan is None else _allan(pad.allan, per),
    }


def _allan(curve: AllanCurve, per: float) -> dict[str, Any]:
    return {
        "tau_s": curve.tau_s,
        "deviation": [d / per for d in curve.deviation],
        "noise": curve.noise / per,
        "floor": curve.floor / per,
        "floor_s": curve.floor_s,
        "drift_per_s": None if curve.drift_per_s is None else curve.drift_per_s / per,
    }


def _settle(settle: Settle, per: float) -> dict[str, Any]:
    curve = settle.curve
    told = {"t_step_s": settle.t_step_s, "value": settle.stood.level_kg / per, "u": settle.stood.u_kg / per}
    if curve is None:
        return told | {"fit": None}
    loss, u_loss = curve.friction_per_swing, curve.u_friction_per_swing
    fit = {
        "overshoot": curve.overshoot,
        "decay": curve.decay,
        "frequency_Hz": swing_Hz(curve),
        "u_frequency_Hz": curve.u_frequency_Hz,
        "damping_ratio": curve.damping_ratio,
        "u_damping_ratio": curve.u_damping_ratio,
        "friction_per_swing": None if loss is None else loss / per,
        "u_friction_per_swing": None if u_loss is None else u_loss / per,
        "tail": curve.tail / per,
        "u_tail": None if curve.u_tail is None else curve.u_tail / per,
        "tail_s": tail_s(curve),
        "u_tail_s": curve.u_tail_s,
        "creep_per_s": curve.creep_per_s / per,
        "u_creep_per_s": curve.u_creep_per_s / per,
        "settle_s": settle.settle_s,
        "residual": curve.residual / per,
    }
    return told | {"fit": fit}
