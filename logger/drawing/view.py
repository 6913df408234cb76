"""What a plan of the car shows, as plain numbers, and the words for it; pure.

Corners come in the order of `logger.model.CORNERS`; x is metres ahead of the rear axle, y metres left of the
centre line. The drawing itself is `logger.drawing.car`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, isfinite, log10

from logger.model import CORNERS, Condition, Corner
from logger.quantity import Quantity, decimals, rounded

CovarianceXY = tuple[float, float, float]
"""(var x, cov xy, var y), m²."""
Contacts = tuple[tuple[float, float], ...]
CORNER_NAMES: dict[Corner, str] = {
    "LF": "left front",
    "RF": "right front",
    "LR": "left rear",
    "RR": "right rear",
}


@dataclass(frozen=True, kw_only=True)
class WheelLoad:
    """One contact patch: its load in kg (None: not known) and the condition of the pad under it.

    `digit_kg` is the last digit worth showing while the load has no u. `age_s` is set when the reading is
    older than it should be (None: it is not).
    """

    load: Quantity | None
    condition: Condition
    digit_kg: float = 0.1
    age_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class PartView:
    """Something put on (mass > 0) or taken off (mass < 0), kg, with the place where its weight sat.

    `x_m` ahead of the rear axle, `y_m` left of the centre line; None: no place, and `unplaced` says why.
    """

    name: str
    mass: Quantity
    x_m: float | None = None
    y_m: float | None = None
    covariance_xy_m2: CovarianceXY | None = None
    unplaced: str = "too light to locate"


@dataclass(frozen=True, kw_only=True)
class CarView:
    """What a plan shows; `loads` in CORNERS order, the centre of mass in m as a PartView's place.

    `age_s` is set when all of it is older than it should be; `total` and the centre may be None (not known).
    """

    wheelbase_m: float
    track_front_m: float
    track_rear_m: float
    loads: tuple[WheelLoad, WheelLoad, WheelLoad, WheelLoad]
    total: Quantity | None = None
    x_m: float | None = None
    y_m: float | None = None
    covariance_xy_m2: CovarianceXY | None = None
    parts: tuple[PartView, ...] = ()
    age_s: float | None = None
    to_scale: bool = True
    """False: wheelbase and tracks are stand-ins, and the drawing says so."""

    @property
    def contacts_m(self) -> Contacts:
        """Contact points, m."""
        return contacts_m(self.wheelbase_m, self.track_front_m, self.track_rear_m)


def contacts_m(wheelbase_m: float, track_front_m: float, track_rear_m: float) -> Contacts:
    """Contact points (x, y) in CORNERS order, m."""
    front, rear = track_front_m / 2, track_rear_m / 2
    return ((wheelbase_m, front), (wheelbase_m, -front), (0.0, rear), (0.0, -rear))


def centre_of_mass(contacts: Contacts, loads_kg: Sequence[float]) -> tuple[float, float]:
    """Place (x, y) of the centre of mass, m, of loads with a positive sum (kg, CORNERS order)."""
    x, y = (sum(m * at[axis] for m, at in zip(loads_kg, contacts, strict=True)) for axis in (0, 1))
    return x / sum(loads_kg), y / sum(loads_kg)


def centre_covariance(
    contacts: Contacts,
    centre_m: tuple[float, float],
    total_kg: float,
    covariance_kg2: Sequence[float],
) -> CovarianceXY:
    """Covariance of the centre of mass (m²) from that of the loads (kg², 4 × 4 row-major, CORNERS order).

    Linear propagation (GUM 5.2) with ∂x/∂m = (x_corner − x)/total, and y alike.
    """
    slopes = [[(corner[axis] - centre_m[axis]) / total_kg for corner in contacts] for axis in (0, 1)]

    def between(a: int, b: int) -> float:
        return sum(
            slopes[a][i] * covariance_kg2[4 * i + j] * slopes[b][j] for i in range(4) for j in range(4)
        )

    return between(0, 0), between(0, 1), between(1, 1)


def age_words(age_s: float) -> str:
    """Write an age for people: "4 s old"."""
    return f"{span_words(age_s)} old"


def span_words(span_s: float) -> str:
    """Write a span of time (s) for people: "4 s", "3 min", "2 h", "5 days"."""
    for size_s, unit in ((86400, "days"), (3600, "h"), (60, "min")):
        if span_s >= 2 * size_s:
            return f"{span_s / size_s:.0f} {unit}"
    return f"{span_s:.0f} s"


def load_texts(
    load: Quantity | None, digit_kg: float, unit: str, most_places: int | None = None
) -> tuple[str, str]:
    """Write a load in `unit` as (number, "± spread") with the digits that 2u, or else the digit, supports.

    `most_places` bounds the decimal places (None: no bound); a spread is never written smaller than one of
    the last place.
    """
    if load is None or not isfinite(load.value):
        return "—", ""
    shown, places = load.shown_in(unit), _places(load, digit_kg, unit)
    if most_places is not None:
        places = min(places, most_places)
    spread = ""
    if shown.u is not None and _is_known(shown.u):
        spread = f"± {rounded(max(2 * shown.u, 10.0**-places), places)}"
    return _minus(rounded(shown.value, places)), spread


def corner_texts(view: CarView, unit: str) -> list[tuple[str, str]]:
    """Write the four loads as `load_texts` does, all to the places that the least certain one supports."""
    known = [_places(w.load, w.digit_kg, unit) for w in view.loads if w.load and isfinite(w.load.value)]
    return [load_texts(w.load, w.digit_kg, unit, min(known, default=None)) for w in view.loads]


def total_texts(view: CarView, unit: str) -> tuple[str, str]:
    """Write the total as `load_texts` does; without u it shows the digits of the loads it adds up."""
    return load_texts(view.total, max(wheel.digit_kg for wheel in view.loads), unit)


def _is_known(u: float) -> bool:
    return isfinite(u) and u > 0


def _places(load: Quantity, digit_kg: float, unit: str) -> int:
    shown = load.shown_in(unit)
    if shown.u is not None and _is_known(shown.u):
        return decimals(2 * shown.u)
    digit = Quantity(digit_kg, None, "kg").shown_in(unit).value
    return max(0, ceil(-log10(digit) - 1e-9))


def plan_sentences(view: CarView, units: str) -> list[str]:
    """Say what the plan shows, a sentence a thing; the drawing's text for those who cannot see it."""
    sentences = []
    for corner, wheel, text in zip(CORNERS, view.loads, corner_texts(view, units), strict=True):
        value = f"{' '.join(text).strip()} {units}" if wheel.load else "no reading"
        age = "" if wheel.age_s is None else f", {age_words(wheel.age_s)}"
        sentences.append(f"{CORNER_NAMES[corner].capitalize()} {value}, {wheel.condition}{age}.")
    if view.total is not None:
        number, spread = total_texts(view, units)
        sentences.append(f"Total {number} {spread}".strip() + f" {units}.")
    if view.x_m is not None and view.y_m is not None:
        side = "left" if view.y_m >= 0 else "right"
        sentences.append(
            f"Centre of mass {view.x_m:.3f} m ahead of the rear axle, "
            f"{abs(view.y_m):.3f} m {side} of the centre line."
        )
    sentences += [f"{part_text(number, part, units)}." for number, part in enumerate(view.parts, 1)]
    if view.age_s is not None:
        sentences.append(f"All of this is {age_words(view.age_s)}.")
    return sentences


def part_text(number: int, part: PartView, units: str) -> str:
    """Write a part's line in the legend: its number on the plan, its name, its signed mass."""
    mass = _minus(part.mass.shown_in(units).text())
    sign = "" if part.mass.value < 0 else "+"
    where = "" if part.x_m is not None else f", {part.unplaced}"
    return f"{number} {part.name} {sign}{mass}{where}"


def _minus(text: str) -> str:
    return text.replace("-", "−")
