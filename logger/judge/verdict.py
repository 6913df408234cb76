"""What a recording tells about each pad: every settle fitted, noise, drift, zero return, losses, and a grade.

The recording has gone through the very pipeline that runs live; its rests are the ones judged. Values are kg
inside; `unit` and `per_unit_kg` say how the recording wrote them (a unit that is no mass passes as its bare
numbers).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from logger.drawing.numbers import nice_step
from logger.judge import measures as measure
from logger.judge.creep import creep
from logger.judge.line import Slope
from logger.judge.measures import Settle
from logger.judge.returns import drift_per_h, zero_per_C, zero_return
from logger.judge.rocks import Repeats, repeats
from logger.judge.seen import Clock, Seen, Watch, span_of_loads
from logger.model import Record, Rock
from logger.quantity import Quantity
from logger.settling.allan import AllanCurve
from logger.settling.grade import Criterion, Grade, Measures, grade

NOISE_IN_E = 3.0
"""Without an e asked for, limits are told in the next round step above this many standard deviations."""


ALIKE = 3
"""Pads that settle alike show what the car takes."""
COMES_BACK = ("zero return", "repeatability", "drift in an hour")
"""Criteria of which one has to be told and met before a pad is trusted."""


@dataclass(frozen=True, kw_only=True)
class PadVerdict:
    """Everything judged of one pad in one recording.

    `longest` is how the longest rest moved, `wander_kg` the standard deviation of readings in rests about
    straight lines, `e_kg` the interval that limits are told in; None where the recording does not tell.
    """

    seen: Seen
    unit: str
    per_unit_kg: float
    settles: tuple[Settle, ...]
    longest: Slope | None
    allan: AllanCurve | None
    wander_kg: float | None
    e_kg: float
    measures: Measures
    grade: Grade

    @property
    def pad(self) -> str:
        """The pad's id."""
        return self.seen.pad

    @property
    def zero_return(self) -> Quantity | None:
        """What a load left behind (kg); None where the recording does not tell."""
        m = self.measures
        return None if m.zero_return_kg is None else Quantity(m.zero_return_kg, m.u_zero_return_kg, "kg")

    @property
    def drift(self) -> Quantity | None:
        """How far the empty pad moves in an hour (kg); None where the recording does not tell."""
        m = self.measures
        return None if m.drift_kg_per_h is None else Quantity(m.drift_kg_per_h, m.u_drift_kg_per_h, "kg")

    def own(self, value_kg: float) -> float:
        """A value in the recording's unit."""
        return value_kg / self.per_unit_kg

    def own_text(self, quantity: Quantity | None, per: str = "") -> str:
        """A quantity in kg (`per` what) written in the recording's unit with its ±; "–" for None."""
        if quantity is None:
            return "–"
        u = None if quantity.u is None else self.own(quantity.u)
        return Quantity(self.own(quantity.value), u, self.unit + per).text()


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """A whole recording judged; `name` is the file's or the run's, `notes` say what its reader left out.

    `began_ns` is when it began (wall time), None where that is not known.
    """

    name: str
    pads: tuple[PadVerdict, ...]
    rocks: tuple[Rock, ...]
    repeats: Repeats | None
    notes: tuple[str, ...] = ()
    began_ns: int | None = None


def judge(
    name: str,
    records: Iterable[Record],
    units: Callable[[str], tuple[str, float]],
    *,
    clock: Clock | None = None,
    accuracy_class: str = "III",
    e_kg: float | None = None,
    notes: Sequence[str] = (),
    wall: bool = False,
) -> Verdict:
    """Judge every pad of a recording; `units` gives a pad's unit as written and the kg in one of it.

    `records` as the pipeline gave them, in order; `wall` says whether their wall times mean anything.
    ValueError for an unknown accuracy class.
    """
    watch = Watch(clock or Clock())
    for record in records:
        watch.take(record)
    repeated, seen = repeats(watch.car_rests.values(), watch.rocks), watch.pads()
    settled = [tuple(measure.settles(pad)) for pad in seen]
    usual_s = _usual_s([_settle_s(pad, settles) for pad, settles in zip(seen, settled, strict=True)])
    pads = tuple(
        _judged(
            pad, units(pad.pad), _measures(pad, settles, repeated, usual_s), settles, accuracy_class, e_kg
        )
        for pad, settles in zip(seen, settled, strict=True)
    )
    return Verdict(
        name=name,
        pads=pads,
        rocks=tuple(watch.rocks),
        repeats=repeated,
        notes=tuple(notes),
        began_ns=watch.began_ns if wall else None,
    )


def _judged(
    pad: Seen,
    unit: tuple[str, float],
    measures: Measures,
    settles: tuple[Settle, ...],
    accuracy_class: str,
    e_kg: float | None,
) -> PadVerdict:
    e_kg = (
        e_kg or nice_step(max(pad.resolution_kg, NOISE_IN_E * (measures.noise_kg or 0.0)) / unit[1]) * unit[1]
    )
    return PadVerdict(
        seen=pad,
        unit=unit[0],
        per_unit_kg=unit[1],
        settles=settles,
        longest=measure.longest_slope(pad),
        allan=measure.allan_of(pad),
        wander_kg=measure.wander(pad),
        e_kg=e_kg,
        measures=measures,
        grade=_graded(measures, bool(pad.stood), accuracy_class, e_kg),
    )


def _graded(measures: Measures, stood: bool, accuracy_class: str, e_kg: float) -> Grade:
    """Grade a pad, but trust it only when it was seen to come back, and send none away on a guess."""
    pad = f"Pad {measures.pad}"
    if not stood:
        sentence = f"{pad}: it never stood still long enough to be judged; record it at rest."
        return Grade(pad=measures.pad, criteria=(), advice="not judged", sentence=sentence)
    graded = grade(measures, accuracy_class=accuracy_class, e_kg=e_kg)
    guess = next((c for c in graded.criteria if c.name.startswith("creep") and c.met is False), None)
    if guess is not None and measures.creep_extrapolated:
        sure = replace(measures, creep_30min_kg=None, creep_15_30_kg=None, creep_20_30_kg=None, settle_s=None)
        known = grade(sure, accuracy_class=accuracy_class, e_kg=e_kg)
        if known.advice != "trust":  # no guess hides what was measured; what creeps settles late, too
            return replace(known, criteria=graded.criteria)
        sentence = (
            f"{pad}: it still moves under load; if that goes on, {guess.name} is {guess.value:.2g} "
            f"{guess.unit} against {guess.limit:g}; let a load stand for half an hour to be sure."
        )
        return replace(graded, advice="not judged", sentence=sentence)
    back = [c for c in graded.criteria if c.name in COMES_BACK]
    unsure = any(c.name == "zero return" and c.met is None and c.value is not None for c in back)
    if graded.advice == "trust" and (unsure or not any(c.met for c in back)):
        return replace(graded, advice="not judged", sentence=f"{pad}: {_not_shown(back)}")
    return graded


def _not_shown(back: Sequence[Criterion]) -> str:
    """Why a pad against which nothing speaks is not trusted."""
    unsure = next((c for c in back if c.met is None and c.value is not None), None)
    if unsure is not None:
        return (
            f"nothing speaks against it for certain, but {unsure.name} is {unsure.value:.2g} ± "
            f"{2 * unsure.u:.2g} {unsure.unit} against {unsure.limit:g}; record it again, with longer rests."
        )
    return (
        "nothing speaks against it, but the recording does not show whether it comes back to zero; record it "
        "empty, loaded and empty again."
    )


def _settle_s(pad: Seen, settles: Sequence[Settle]) -> float | None:
    """Typical time to settle under load (an empty pad has no tyre on it); None where no settle tells.

    What had not settled when it was moved on, or after all that is fitted, took as long as that at least.
    """
    half, fitted = span_of_loads(pad.stood) / 2, [s for s in settles if s.curve is not None]
    loaded = [s for s in fitted if abs(s.stood.level_kg - pad.stood[0].level_kg) > half]
    took_s = [float(s.t_s[-1]) - s.t_step_s if s.settle_s is None else s.settle_s for s in loaded or fitted]
    return median(took_s) if took_s else None


def _usual_s(settled_s: Sequence[float | None]) -> float | None:
    """What the pads of a recording take to settle; None for fewer than ALIKE that tell."""
    told = [one for one in settled_s if one is not None]
    return median(told) if len(told) >= ALIKE else None


def _measures(
    pad: Seen, settles: Sequence[Settle], repeated: Repeats | None, usual_settle_s: float | None
) -> Measures:
    again, u_again = _range(pad.pad, repeated)
    crept, back, drift = creep(pad), zero_return(pad), drift_per_h(pad)
    return Measures(
        pad=pad.pad,
        resolution_kg=pad.resolution_kg,
        noise_kg=measure.noise(pad),
        load_kg=span_of_loads(pad.stood),
        settle_s=_settle_s(pad, settles),
        usual_settle_s=usual_settle_s,
        creep_30min_kg=crept.in_30min_kg,
        creep_15_30_kg=crept.from_15_to_30min_kg,
        creep_20_30_kg=crept.from_20_to_30min_kg,
        creep_extrapolated=crept.extrapolated,
        zero_return_kg=None if back is None else back.value,
        u_zero_return_kg=0.0 if back is None else back.u or 0.0,
        drift_kg_per_h=None if drift is None else drift.value,
        u_drift_kg_per_h=0.0 if drift is None else drift.u or 0.0,
        zero_kg_per_C=zero_per_C(pad.zeros),
        repeatability_kg=again,
        u_repeatability_kg=u_again,
        samples=len(pad.t_s),
        lost=measure.lost(pad),
        longest_gap_s=max((hole.to_s - hole.from_s for hole in pad.holes), default=0.0),
    )


def _range(pad: str, repeated: Repeats | None) -> tuple[float | None, float]:
    """A pad's own range over rests of one load, and its u: what a sticking suspension does is taken off.

    Of another pad's scatter a quarter is not told from this one's for certain.
    """
    if repeated is None or pad not in repeated.pads:
        return None, 0.0
    ranges, k = repeated.own_range_kg, repeated.pads.index(pad)
    return ranges[k], 0.25 * max(max((*ranges[:k], *ranges[k + 1 :])) - ranges[k], 0.0)
