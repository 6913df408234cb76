"""A pad's grade: each criterion beside the published limit, and one sentence. Not for trade, no verification.

Limits of OIML R 76-1:2006 and R 60-1:2021 as in the table of known values beside the tests; e is the
verification interval chosen in the configuration (by default the pad's resolution).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

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


CELL_CLASS = {"I": "A", "II": "B", "III": "C", "IIII": "D"}
"""Class of load cells that instruments of a class are built with: the same bands (R 76-1 and R 60-1)."""
R76, R60, PRACTICE = "OIML R 76-1:2006, ", "OIML R 60-1:2021, ", "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Grading:
    """What pads are graded against."""

    accuracy_class: Literal["I", "II", "III", "IIII"] = "III"
    """Accuracy class whose limits are compared with; III is that of vehicle and shop scales."""
    e_kg: float | None = None
    """Interval that limits are told in; by default the next round step above d and three times the noise."""


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
    return 0.7 * tolerance, 0.15 * tolerance


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
    `creep_extrapolated`). `repeatability_kg` is the range of repeated rests at one load, `load_kg` the
    typical load, `usual_settle_s` what the pads of the recording take to settle (None: too few). Standard
    uncertainties are 0 where nothing is known of them.
    """

    pad: str
    resolution_kg: float
    noise_kg: float | None
    load_kg: float
    settle_s: float | None = None
    usual_settle_s: float | None = None
    creep_30min_kg: float | None = None
    creep_15_30_kg: float | None = None
    creep_20_30_kg: float | None = None
    creep_extrapolated: bool = False
    zero_return_kg: float | None = None
    u_zero_return_kg: float = 0.0
    drift_kg_per_h: float | None = None
    u_drift_kg_per_h: float = 0.0
    zero_kg_per_C: float | None = None
    repeatability_kg: float | None = None
    u_repeatability_kg: float = 0.0
    samples: int = 0
    lost: int = 0
    longest_gap_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One line of a grade: value, limit and u in `unit`; `met` None where the recording does not tell.

    It tells a fault from 2u beyond the limit on, and that there is none by a u that is within the limit.
    """

    name: str
    value: float | None
    limit: float
    unit: str
    met: bool | None
    source: str
    note: str = ""
    u: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Grade:
    """The verdict on one pad."""

    pad: str
    criteria: tuple[Criterion, ...]
    advice: str
    """trust, warm up, swap or service."""
    sentence: str


def grade(m: Measures, *, accuracy_class: str = "III", e_kg: float | None = None) -> Grade:
    """Grade one pad; `e_kg` defaults to its resolution. ValueError for an unknown class."""
    e = e_kg or m.resolution_kg or 3.0 * (m.noise_kg or 0.0) or 1.0
    criteria = (*_stability(m, e, accuracy_class), *_cell(m, e, accuracy_class), *_practice(m, e))
    advice, why = _advice(criteria)
    return Grade(pad=m.pad, criteria=criteria, advice=advice, sentence=f"Pad {m.pad}: {why}")


def _criterion(
    name: str,
    value: float | None,
    limit: float,
    source: str,
    unit: str = "e",
    note: str = "",
    u: float = 0.0,
) -> Criterion:
    met = None
    if value is not None and (abs(value) - 2.0 * u > limit or max(abs(value), u) <= limit):
        met = abs(value) <= limit
    return Criterion(name=name, value=value, limit=limit, unit=unit, met=met, source=source, note=note, u=u)


def _stability(m: Measures, e: float, accuracy_class: str) -> Iterator[Criterion]:
    """What is asked of a weighing instrument."""
    guessed = "extrapolated, the rests are shorter" if m.creep_extrapolated else ""
    creep, late = _in(m.creep_30min_kg, e), _in(m.creep_15_30_kg, e)
    yield _criterion("creep in 30 min", creep, CREEP_30_MIN_E, R76 + "3.9.4.1", note=guessed)
    yield _criterion("creep 15 to 30 min", late, CREEP_15_30_E, R76 + "3.9.4.1", note=guessed)
    back, u = _in(m.zero_return_kg, e), m.u_zero_return_kg / e
    yield _criterion("zero return", back, ZERO_RETURN_E, R76 + "3.9.4.2", note="less drift", u=u)
    yield _criterion("zero per 5 °C", _in(m.zero_kg_per_C, e / 5), ZERO_PER_5_C_E, R76 + "3.9.2.3")
    error = _or_last(tolerance_e, m.load_kg / e, accuracy_class)
    again, u = _in(m.repeatability_kg, e), m.u_repeatability_kg / e
    yield _criterion("repeatability", again, error, R76 + "3.6.1", note="range of equal loads", u=u)


def _cell(m: Measures, e: float, accuracy_class: str) -> Iterator[Criterion]:
    """What is asked of the load cell inside, v taken as e."""
    guessed = "extrapolated, the rests are shorter" if m.creep_extrapolated else ""
    name = CELL_CLASS.get(accuracy_class, accuracy_class)
    whole = _or_last(lambda load, cell: cell_creep_v(load, cell)[0], m.load_kg / e, name)
    late = _or_last(lambda load, cell: cell_creep_v(load, cell)[1], m.load_kg / e, name)
    note = f"class {name}, p_LC 0.7" + (f"; {guessed}" if guessed else "")
    source = R60 + "5.5.1"
    yield _criterion("creep in 30 min, load cell", _in(m.creep_30min_kg, e), whole, source, "v", note)
    yield _criterion("creep 20 to 30 min, load cell", _in(m.creep_20_30_kg, e), late, source, "v", note)


def _practice(m: Measures, e: float) -> Iterator[Criterion]:
    """What nobody prescribes and everybody wants."""
    lost = 100 * m.lost / (m.samples + m.lost) if m.samples + m.lost else None
    yield _criterion("noise", _in(m.noise_kg, e), 0.5, PRACTICE, note="standard deviation of one reading")
    drift, u = _in(m.drift_kg_per_h, e), m.u_drift_kg_per_h / e
    yield _criterion("drift in an hour", drift, DRIFT_E, PRACTICE, u=u)
    yield _settling(m)
    yield _criterion("lost frames", lost, 2.0, PRACTICE, "%")
    yield _criterion("longest gap", m.longest_gap_s, 2.0, PRACTICE, "s")


def _settling(m: Measures) -> Criterion:
    """Time to settle; where all pads take as long as this one it is the car's and says nothing of the pad."""
    one = _criterion("time to settle", m.settle_s, SETTLE_S, PRACTICE, "s", "to stay within 1 d")
    usual = m.usual_settle_s
    if one.met is not False or usual is None or (m.settle_s or 0.0) > SLOWER * usual:
        return one
    return replace(one, met=None, note="as the other pads: the car settles so")


def _or_last(limit: Callable[[float, str], float], load_e: float, name: str) -> float:
    """A limit at a load; more intervals than the class allows take its widest band."""
    last = R76_BANDS_E.get(name, R60_BANDS_V.get(name, (0.0, 0.0, 0.0)))[2]
    return limit(min(abs(load_e), last), name)


def _in(value: float | None, unit: float) -> float | None:
    return None if value is None else abs(value) / unit


SETTLE_S, SLOWER = 10.0, 2.0
"""Longest time to settle; so many times what all pads take is a pad's own (common practice, no source)."""
DRIFT_E, WARM_UP_E = 1.0, 20.0
"""Largest drift in an hour, and the largest that a warm-up mends (common practice, no source)."""
COMES_FIRST = (
    "repeatability",
    "zero return",
    "creep in 30 min",
    "creep 15 to 30 min",
    "creep in 30 min, load cell",
    "creep 20 to 30 min, load cell",
)
"""Failures that no warm-up mends, worst first."""
WARMS, RADIO = ("drift in an hour", "zero per 5 °C"), ("lost frames", "longest gap")
"""Those that one mends, and those of the radio."""


def _advice(criteria: Sequence[Criterion]) -> tuple[str, str]:
    """Choose the one thing to do, worst first."""
    failed = {c.name: c for c in criteria if c.met is False}
    for names, advise in (
        (COMES_FIRST, _of_fault),
        (WARMS, _of_drift),
        (RADIO, _of_radio),
        (failed, _of_rest),
    ):
        for name in names:
            if name in failed:
                c = failed[name]
                return advise(c, f"{name} is {c.value:.2g} {c.unit} against {c.limit:g}")
    told = [c for c in criteria if c.met]
    return "trust", f"trust it: {len(told)} of {len(criteria)} criteria could be judged and all are met."


def _of_fault(c: Criterion, figure: str) -> tuple[str, str]:
    if abs(c.value or 0.0) > 3 * c.limit:
        return "service", f"service it: {figure}."
    return "swap", f"swap it with another to see whether the fault goes along: {figure}."


def _of_drift(c: Criterion, figure: str) -> tuple[str, str]:
    if abs(c.value or 0.0) > WARM_UP_E:
        return "service", f"service it: {figure}, more than a warm-up mends."
    return "warm up", f"trust it after a warm-up and a zero check: {figure}."


def _of_radio(_: Criterion, figure: str) -> tuple[str, str]:
    return "service", f"look after its radio (battery, place of the receiver): {figure}."


def _of_rest(_: Criterion, figure: str) -> tuple[str, str]:
    return "swap", f"usable, but {figure}; compare it with another."
