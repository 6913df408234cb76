"""A pad's grade: each criterion beside the published limit, and one sentence. Not for trade, no verification.

Limits of OIML R 76-1:2006 and R 60-1:2021 as in the table of known values beside the tests; e is the
verification interval chosen in the configuration (by default the pad's resolution).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

R76_BANDS_E: dict[str, tuple[float, float, float]] = {
    "I": (50_000.0, 200_000.0, float("inf")),
    "II": (5_000.0, 20_000.0, 100_000.0),
    "III": (500.0, 2_000.0, 10_000.0),
    "IIII": (50.0, 200.0, 1_000.0),
}
"""Upper edges, in e, of the loads that take 0.5, 1.0 and 1.5 e: R 76-1:2006, 3.5.1 Table 6."""
R60_BANDS_V: dict[str, tuple[float, float, float]] = {
    "A": (50_000.0, 200_000.0, float("inf")),
    "B": (5_000.0, 20_000.0, 100_000.0),
    "C": (500.0, 2_000.0, 10_000.0),
    "D": (50.0, 200.0, 1_000.0),
}
"""Upper edges, in v, for load cells: R 60-1:2021, 5.3.2 Table 4."""
CREEP_30_MIN_E, CREEP_15_30_E, ZERO_RETURN_E = 0.5, 0.2, 0.5
"""Largest creep within 30 min, between 15 and 30 min, and zero return: R 76-1:2006, 3.9.4."""
ZERO_PER_5_C_E = 1.0
"""Largest change of zero per 5 °C, classes II to IIII: R 76-1:2006, 3.9.2.3."""


def tolerance_e(load_e: float, accuracy_class: str = "III") -> float:
    """Maximum permissible error, in e, at a load in e; an edge belongs to the smaller error.

    ValueError for an unknown class or a load beyond the class's last band.
    """
    return _band(abs(load_e), R76_BANDS_E, accuracy_class)


def cell_tolerance_v(load_v: float, cell_class: str = "C", share: float = 0.7) -> float:
    """Maximum permissible error of a load cell, in v, at a load in v, with apportioning factor `share`."""
    return share * _band(abs(load_v), R60_BANDS_V, cell_class)


def cell_creep_v(load_v: float, cell_class: str = "C", share: float = 0.7) -> tuple[float, float]:
    """Largest creep of a load cell, in v: over 30 min, and between 20 and 30 min (R 60-1:2021, 5.5.1)."""
    tolerance = cell_tolerance_v(load_v, cell_class, share)
    return 0.7 * (tolerance / share), 0.15 * (tolerance / share)


def _band(load: float, bands: dict[str, tuple[float, float, float]], name: str) -> float:
    if name not in bands:
        raise ValueError(f"class {name!r} is not one of {', '.join(bands)}")
    for edge, error in zip(bands[name], (0.5, 1.0, 1.5), strict=True):
        if load <= edge:
            return error
    raise ValueError(f"a load of {load:g} intervals is beyond class {name} (at most {bands[name][-1]:g})")


@dataclass(frozen=True, kw_only=True)
class Measures:
    """What a recording shows of one pad (kg, s); None where it does not tell.

    `creep_30min_kg` is measured where a rest lasted 30 minutes, else extrapolated (then
    `creep_extrapolated`).
    `repeatability_kg` is the range of repeated rests at one load; `load_kg` the typical load, `warm_up_s`
    the time until drift fell to half.
    """

    pad: str
    resolution_kg: float
    noise_kg: float
    load_kg: float
    settle_s: float | None = None
    creep_30min_kg: float | None = None
    creep_15_30_kg: float | None = None
    creep_extrapolated: bool = False
    zero_return_kg: float | None = None
    drift_kg_per_h: float | None = None
    zero_kg_per_C: float | None = None
    repeatability_kg: float | None = None
    warm_up_s: float | None = None
    samples: int = 0
    lost: int = 0
    longest_gap_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One line of a grade: value and limit in `unit`; `met` None where the recording does not tell."""

    name: str
    value: float | None
    limit: float
    unit: str
    met: bool | None
    source: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Grade:
    """The verdict on one pad."""

    pad: str
    criteria: tuple[Criterion, ...]
    advice: str
    """trust, warm up, swap or service."""
    sentence: str


def grade(
    m: Measures,
    *,
    accuracy_class: str = "III",
    e_kg: float | None = None,
    load_return_kg: float | None = None,
) -> Grade:
    """Grade one pad; `e_kg` defaults to its resolution, `load_return_kg` overrides the measured zero
    return."""
    e = e_kg or m.resolution_kg or 3.0 * m.noise_kg or 1.0
    back = m.zero_return_kg if load_return_kg is None else load_return_kg
    try:
        error = tolerance_e(m.load_kg / e, accuracy_class)
    except ValueError:
        error = 1.5  # more intervals than the class allows: its widest band
    lost = m.lost / (m.samples + m.lost) if m.samples + m.lost else None
    creep_note = "extrapolated, the rests are shorter" if m.creep_extrapolated else ""
    rows: Sequence[tuple[str, float | None, float, str, str, str]] = (
        (
            "noise",
            m.noise_kg / e,
            0.5,
            "e",
            "common practice, no source",
            "standard deviation of one reading",
        ),
        (
            "creep in 30 min",
            _in(m.creep_30min_kg, e),
            CREEP_30_MIN_E,
            "e",
            "OIML R 76-1:2006, 3.9.4.1",
            creep_note,
        ),
        (
            "creep 15 to 30 min",
            _in(m.creep_15_30_kg, e),
            CREEP_15_30_E,
            "e",
            "OIML R 76-1:2006, 3.9.4.1",
            creep_note,
        ),
        ("zero return", _in(back, e), ZERO_RETURN_E, "e", "OIML R 76-1:2006, 3.9.4.2", ""),
        ("zero per 5 °C", _in(m.zero_kg_per_C, e / 5), ZERO_PER_5_C_E, "e", "OIML R 76-1:2006, 3.9.2.3", ""),
        (
            "repeatability",
            _in(m.repeatability_kg, e),
            error,
            "e",
            "OIML R 76-1:2006, 3.6.1",
            "range of equal loads",
        ),
        ("drift in an hour", _in(m.drift_kg_per_h, e), 1.0, "e", "common practice, no source", ""),
        ("time to settle", m.settle_s, 10.0, "s", "common practice, no source", "to stay within 1 d"),
        ("lost frames", None if lost is None else 100 * lost, 2.0, "%", "common practice, no source", ""),
        ("longest gap", m.longest_gap_s, 2.0, "s", "common practice, no source", ""),
    )
    criteria = tuple(
        Criterion(
            name=name,
            value=value,
            limit=limit,
            unit=unit,
            met=None if value is None else abs(value) <= limit,
            source=source,
            note=note,
        )
        for name, value, limit, unit, source, note in rows
    )
    advice, why = _advice(criteria)
    return Grade(pad=m.pad, criteria=criteria, advice=advice, sentence=f"Pad {m.pad}: {why}")


def _in(value: float | None, unit: float) -> float | None:
    return None if value is None else abs(value) / unit


def _advice(criteria: Sequence[Criterion]) -> tuple[str, str]:
    """Choose the one thing to do, worst first."""
    failed = {c.name: c for c in criteria if c.met is False}

    def figure(name: str) -> str:
        c = failed[name]
        return f"{c.value:.2g} {c.unit} against {c.limit:g}"

    for name in ("repeatability", "zero return", "creep in 30 min", "creep 15 to 30 min"):
        if name in failed:
            worst = abs(failed[name].value or 0.0) > 3 * failed[name].limit
            if worst:
                return "service", f"service it: {name} is {figure(name)}."
            return (
                "swap",
                f"swap it with another to see whether the fault goes along: {name} is {figure(name)}.",
            )
    for name in ("drift in an hour", "zero per 5 °C"):
        if name in failed:
            return "warm up", f"trust it after a warm-up and a zero check: {name} is {figure(name)}."
    for name in ("lost frames", "longest gap"):
        if name in failed:
            return (
                "service",
                f"look after its radio (battery, place of the receiver): {name} is {figure(name)}.",
            )
    if failed:
        name = next(iter(failed))
        return "swap", f"usable, but {name} is {figure(name)}; compare it with another."
    told = [c for c in criteria if c.met]
    return "trust", f"trust it: {len(told)} of {len(criteria)} criteria could be judged and all are met."
