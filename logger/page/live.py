"""What the page knows right now, built from records; asked for it, it gives plain values ready for JSON.

No I/O and no clock: the time of asking is handed in, so that ages are the same in tests as they are live.
"""

from __future__ import annotations

from collections import deque
from math import isfinite, sqrt
from typing import Any

from logger.cautions import CAUTIONS
from logger.clock import NS
from logger.drawing.car import car_svg
from logger.drawing.sheet import Nose
from logger.drawing.view import (
    CarView,
    CovarianceXY,
    WheelLoad,
    centre_covariance,
    centre_of_mass,
    contacts_m,
    span_words,
)
from logger.model import (
    CORNERS,
    Advice,
    Capture,
    CarRest,
    Condition,
    PadCondition,
    Record,
    Rest,
    Sample,
    Say,
    Waiting,
)
from logger.page.views import Results, Standing
from logger.quantity import Quantity
from logger.sentences import in_unit

SENTENCES = 6
"""Sentences kept for a viewer that joins or comes back; older ones are history."""
CAPTURES = 12
"""Captures listed on the page; the ledger has them all."""
STILL = (Condition.RESTING, Condition.CREEPING)
TROUBLE = (Condition.ABSENT, Condition.SILENT, Condition.GARBLED, Condition.OVERLOADED)
MOVING_DIGIT_KG = 1.0
"""Last digit shown while the car moves: what comes behind it is movement."""
DIGIT_KG = 0.1
"""Last digit shown of a reading that is no rest's, unless its stream's resolution is coarser."""
LEAST_CAR_KG = 20.0
"""Lighter than this there is no car on the pads, and no centre of mass (a kart has three times that)."""


class Live:
    """The present state of the page; `unit` is the unit of masses on it."""

    def __init__(self, unit: str, stale_after_s: float) -> None:
        self._unit = unit
        self._stale_after_s = stale_after_s
        self._samples: dict[str, Sample] = {}
        self._conditions: dict[str, PadCondition] = {}
        self._rests: dict[str, Rest] = {}
        self._car_rest: CarRest | None = None
        self._standing: Standing | None = None
        self._waiting: Waiting | None = None
        self._advice: Advice | None = None
        self._results: Results | None = None
        self._captures: dict[int, Capture] = {}
        self._sentences: deque[dict[str, Any]] = deque(maxlen=SENTENCES)
        self._said = 0

    def put(self, record: Record | Standing | Results) -> None:
        """Take a record in; those that the page does not show are ignored."""
        match record:
            case Sample():
                self._samples[record.pad] = record
            case PadCondition():
                self._put_condition(record)
            case Rest() if _is_present(record, self._rests.get(record.pad)):
                self._rests[record.pad] = record
            case CarRest() if _is_present(record, self._car_rest):
                self._car_rest = record if record.open else None
            case Standing():
                self._standing = record
            case _:
                self._put_weigh_in(record)

    def _put_weigh_in(self, record: Record | Results) -> None:
        match record:
            case Say():
                self._said += 1
                self._sentences.append({"n": self._said, "text": record.text, "urgency": record.urgency})
            case Waiting():
                self._waiting = record
            case Advice():
                self._advice = record
            case Capture():
                self._captures[record.number] = record
            case Results():
                self._results = record

    def _put_condition(self, record: PadCondition) -> None:
        self._conditions[record.pad] = record
        if record.condition not in STILL:
            self._rests.pop(record.pad, None)

    def snapshot(self, now_mono_ns: int, noses: set[Nose]) -> dict[str, Any]:
        """Return everything the page shows, drawings under a key for each nose asked for (`plan-up` …)."""
        standing = self._standing
        state: dict[str, Any] = {
            "car": None if standing is None else _car_text(standing),
            "said": list(self._sentences),
            "waiting": self._waiting_part(),
            "advice": self._advice and advice_part(self._advice, self._unit, self._cautions()),
            "pads": self._pad_lines(now_mono_ns),
            "taken": [self._capture_line(capture) for capture in list(self._captures.values())[-CAPTURES:]],
        }
        view = None if standing is None else self.plan(standing, now_mono_ns)
        for nose in noses:
            state[f"plan-{nose}"] = view and car_svg(view, nose=nose, units=self._unit)
            state[f"results-{nose}"] = self._results_part(nose)
        return state

    def plan(self, standing: Standing, now_mono_ns: int) -> CarView:
        """Draw together what the four pads under the car say now."""
        lf, rf, lr, rr = (self._wheel(pad, now_mono_ns) for pad in standing.pads)
        wheels = (lf, rf, lr, rr)
        total, x, y, covariance = self._whole(standing, wheels)
        return CarView(
            wheelbase_m=standing.wheelbase_m,
            track_front_m=standing.track_front_m,
            track_rear_m=standing.track_rear_m,
            loads=wheels,
            total=total,
            x_m=x,
            y_m=y,
            covariance_xy_m2=covariance,
            to_scale=standing.to_scale,
        )

    def _wheel(self, pad: str, now_mono_ns: int) -> WheelLoad:
        sample = self._samples.get(pad)
        known = self._conditions.get(pad)
        condition = known.condition if known else Condition.ABSENT if sample is None else Condition.MOVING
        if sample is None:
            return WheelLoad(load=None, condition=condition)
        age_s = (now_mono_ns - sample.t_mono_ns) / NS
        moves = condition not in (*STILL, Condition.EMPTY)
        return WheelLoad(
            load=self._load(sample, still=condition in STILL),
            condition=condition,
            digit_kg=max(sample.resolution_kg or 0.0, MOVING_DIGIT_KG if moves else DIGIT_KG),
            age_s=age_s if age_s > self._stale_after_s else None,
        )

    def _load(self, sample: Sample, still: bool) -> Quantity | None:
        """The best known of a pad's load: of a rest while it is still, else the last sample."""
        if still and (car := self._car_rest) is not None and sample.pad in car.pads:
            place = car.pads.index(sample.pad)
            variance = car.covariance_kg2[place * len(car.pads) + place]
            return Quantity(car.loads_kg[place], sqrt(max(variance, 0.0)), "kg")
        rest = self._rests.get(sample.pad)
        if still and rest is not None and rest.open:
            return Quantity(rest.mass_kg, rest.u_kg, "kg")
        if sample.mass_kg is None or not isfinite(sample.mass_kg):
            return None
        return Quantity(sample.mass_kg, None, "kg")

    def _whole(
        self, standing: Standing, wheels: tuple[WheelLoad, ...]
    ) -> tuple[Quantity | None, float | None, float | None, CovarianceXY | None]:
        """Total and centre of mass with covariance; None where a load is missing or no car is there."""
        loads = [wheel.load.value for wheel in wheels if wheel.load is not None and wheel.age_s is None]
        if len(loads) < len(CORNERS) or sum(loads) < LEAST_CAR_KG:
            return None, None, None, None
        contacts = contacts_m(standing.wheelbase_m, standing.track_front_m, standing.track_rear_m)
        rest = self._car_rest
        if rest is None or set(rest.pads) != set(standing.pads):
            return Quantity(sum(loads), None, "kg"), *centre_of_mass(contacts, loads), None
        places = [rest.pads.index(pad) for pad in standing.pads]
        loads = [rest.loads_kg[place] for place in places]
        width = len(rest.pads)
        covariance = [rest.covariance_kg2[i * width + j] for i in places for j in places]
        centre = centre_of_mass(contacts, loads)
        return (
            Quantity(rest.mass_kg, rest.u_kg, "kg"),
            *centre,
            centre_covariance(contacts, centre, sum(loads), covariance),
        )

    def _cautions(self) -> tuple[int, ...]:
        return () if self._waiting is None else self._waiting.cautions

    def _waiting_part(self) -> dict[str, Any] | None:
        waiting = self._waiting
        if waiting is None:
            return None
        return {
            "text": waiting.text,
            "stage": waiting.stage,
            "cautions": [CAUTIONS[number] for number in waiting.cautions],
        }

    def _results_part(self, nose: Nose) -> dict[str, Any] | None:
        results = self._results
        if results is None:
            return None
        return {
            "title": results.title,
            "figures": results.figures,
            "notes": results.notes,
            "cautions": [CAUTIONS[number] for number in results.cautions if number not in self._cautions()],
            "plan": results.plan and car_svg(results.plan, nose=nose, units=self._unit),
        }

    def _pad_lines(self, now_mono_ns: int) -> list[str]:
        """A line for each pad that needs somebody: what it is, for how long, why."""
        return [
            f"{pad} {known.condition} for {span_words((now_mono_ns - known.since_mono_ns) / NS)}"
            + (f": {known.reason}" if known.reason else "")
            for pad, known in sorted(self._conditions.items())
            if known.condition in TROUBLE
        ]

    def _capture_line(self, capture: Capture) -> dict[str, Any]:
        total = Quantity(capture.mass_kg, capture.u_kg, "kg").shown_in(self._unit).text()
        name = capture.name or capture.build
        aboard = f", {' and '.join(capture.aboard)} aboard" if capture.aboard else ""
        return {
            "number": capture.number,
            "text": f"{name}{aboard}, facing {capture.facing}",
            "total": total,
            "discarded": capture.discarded,
        }


def _is_present(rest: Rest | CarRest, known: Rest | CarRest | None) -> bool:
    """False for an earlier rest that is restated after a zero check: it is history here."""
    return known is None or rest.t_from_mono_ns >= known.t_from_mono_ns


def _car_text(standing: Standing) -> str:
    invented = ", an invented car" if standing.invented else ""
    return f"{standing.car}{invented}, facing {standing.facing}"


def advice_part(told: Advice, unit: str, said: tuple[int, ...]) -> dict[str, Any]:
    """What to do next as the page shows it: action, reason, how the car is to stand, other steps.

    Cautions `said` stand above it already.
    """
    best = 0 if told.wants == "nothing" else 1
    return {
        "aim": told.aim,
        "wants": told.wants,
        "action": told.action,
        "why": told.why,
        "facing": told.facing,
        "stand": [
            [
                at.corner,
                at.pad,
                at.spot,
                in_unit(f"{1e3 * at.shim_m:g} mm", unit) + " shim" if at.shim_m else "",
            ]
            for at in told.stand
        ],
        "others": [f"{step.action} {step.why}" for step in told.steps[best:]],
        "cautions": [CAUTIONS[number] for number in told.cautions if number not in said],
        "may_skip": told.wants != "nothing" and bool(told.steps),
        "moves": any(step.kind.startswith(("exchange", "shim")) for step in told.steps[:best]),
    }
