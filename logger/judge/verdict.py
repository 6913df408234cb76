"""What a recording tells about each pad: every settle fitted, noise, drift, zero return, losses, and a grade.

The recording has gone through the very pipeline that runs live; its rests are the ones judged. Values are kg
inside; `unit` and `per_unit_kg` say how the recording wrote them (a unit that is no mass passes as its bare
numbers).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from logger.drawing.numbers import nice_step
from logger.judge import measures as measure
from logger.judge.measures import Settle, Slope
from logger.judge.rocks import Repeats, repeats
from logger.judge.seen import Clock, Seen, Watch
from logger.model import Record, Rock
from logger.quantity import Quantity
from logger.settling.allan import AllanCurve
from logger.settling.grade import Grade, Measures, grade

NOISE_IN_E = 3.0
"""Without an e asked for, limits are told in the next round step above this many standard deviations."""


COMES_BACK = ("zero return", "repeatability", "drift in an hour")
"""Criteria of which one has to be told and met before a pad is trusted."""


@dataclass(frozen=True, kw_only=True)
class PadVerdict:
    """Everything judged of one pad in one recording.

    `longest` is how the longest rest moved, `wander_kg` the standard deviation of readings in rests about
    straight lines, `zero_return` the last zero less the first (kg), `e_kg` the interval that limits are told
    in; None where the recording does not tell.
    """

    seen: Seen
    unit: str
    per_unit_kg: float
    settles: tuple[Settle, ...]
    longest: Slope | None
    allan: AllanCurve | None
    wander_kg: float | None
    zero_return: Quantity | None
    e_kg: float
    measures: Measures
    grade: Grade

    @property
    def pad(self) -> str:
        """The pad's id."""
        return self.seen.pad

    def own(self, value_kg: float) -> float:
        """A value in the recording's unit."""
        return value_kg / self.per_unit_kg

    def own_text(self, quantity: Quantity | None) -> str:
        """A quantity in kg written in the recording's unit with its ±; "–" for None."""
        if quantity is None:
            return "–"
        u = None if quantity.u is None else self.own(quantity.u)
        return Quantity(self.own(quantity.value), u, self.unit).text()


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
    repeated = repeats(watch.car_rests.values())
    pads = tuple(_judged(pad, units(pad.pad), repeated, accuracy_class, e_kg) for pad in watch.pads())
    return Verdict(
        name=name,
        pads=pads,
        rocks=tuple(watch.rocks),
        repeats=repeated,
        notes=tuple(notes),
        began_ns=watch.began_ns if wall else None,
    )


def _judged(
    pad: Seen, unit: tuple[str, float], repeated: Repeats | None, accuracy_class: str, e_kg: float | None
) -> PadVerdict:
    settles = tuple(measure.settles(pad))
    longest = measure.longest_slope(pad)
    measures = _measures(pad, settles, repeated)
    e_kg = (
        e_kg or nice_step(max(pad.resolution_kg, NOISE_IN_E * (measures.noise_kg or 0.0)) / unit[1]) * unit[1]
    )
    return PadVerdict(
        seen=pad,
        unit=unit[0],
        per_unit_kg=unit[1],
        settles=settles,
        longest=longest,
        allan=measure.allan_of(pad),
        wander_kg=measure.wander(pad),
        zero_return=measure.zero_return(pad),
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
    if graded.advice == "trust" and not any(c.met for c in graded.criteria if c.name in COMES_BACK):
        sentence = (
            f"{pad}: nothing speaks against it, but the recording does not show whether it comes back to "
            "zero; record it empty, loaded and empty again."
        )
        return replace(graded, advice="not judged", sentence=sentence)
    creeps = [c for c in graded.criteria if c.name.startswith("creep") and c.met is False]
    if measures.creep_extrapolated and creeps and creeps[0].name in graded.sentence:
        sentence = (
            f"{pad}: it still moves under load; if that goes on, {creeps[0].name} is {creeps[0].value:.2g} "
            f"{creeps[0].unit} against {creeps[0].limit:g}; let a load stand for half an hour to be sure."
        )
        return replace(graded, advice="not judged", sentence=sentence)
    return graded


def _measures(pad: Seen, settles: Sequence[Settle], repeated: Repeats | None) -> Measures:
    settled = sorted(s.settle_s for s in settles if s.settle_s is not None)
    creep, back = measure.creep(pad), measure.zero_return(pad)
    return Measures(
        pad=pad.pad,
        resolution_kg=pad.resolution_kg,
        noise_kg=measure.noise(pad),
        load_kg=measure.span_of_loads(pad.stood),
        settle_s=settled[len(settled) // 2] if settled else None,
        creep_30min_kg=creep.in_30min_kg,
        creep_15_30_kg=creep.from_15_to_30min_kg,
        creep_20_30_kg=creep.from_20_to_30min_kg,
        creep_extrapolated=creep.extrapolated,
        zero_return_kg=None if back is None else back.value,
        drift_kg_per_h=measure.drift_per_h(pad),
        zero_kg_per_C=measure.zero_per_C(pad.zeros),
        repeatability_kg=_range(pad.pad, repeated),
        samples=len(pad.t_s),
        lost=measure.lost(pad),
        longest_gap_s=max((hole.to_s - hole.from_s for hole in pad.holes), default=0.0),
    )


def _range(pad: str, repeated: Repeats | None) -> float | None:
    """A pad's own range over rests of one load: what a sticking suspension does is taken off."""
    if repeated is None or pad not in repeated.pads:
        return None
    return repeated.own_range_kg[repeated.pads.index(pad)]
