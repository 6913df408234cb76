"""What the list of a recording is made of: numbered rests of a pad or the whole car, lines, numbers set.

Values are in the recording's unit, times in its own seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from logger.judge.line import slope
from logger.judge.seen import Clock, Seen, Watch
from logger.model import (
    Boarding,
    CarOff,
    CarOn,
    CarRest,
    Gap,
    Knock,
    PadCondition,
    Record,
    Rest,
    Rock,
    ZeroCheck,
)
from logger.quantity import Quantity, decimals, rounded
from logger.recording import kg_per
from logger.replay import Replayed

KEPT = (Boarding, CarOn, CarOff, Knock, Gap, PadCondition, Rock, ZeroCheck)


@dataclass(frozen=True, kw_only=True)
class Part:
    """A pad's share: value and standard uncertainty, in the unit written."""

    pad: str
    value: float
    u: float


@dataclass(frozen=True, kw_only=True)
class Stand:
    """One numbered rest of a track: from, declared, to (s), value and u, slope a minute (None: not to be
    told), loads by pad."""

    number: int
    from_s: float
    declared_s: float
    to_s: float
    value: float
    u: float
    per_min: float | None
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of the list."""

    from_s: float
    to_s: float
    what: str
    text: str

    def __str__(self) -> str:
        """Set it in columns."""
        return f"{self.from_s:10.2f} {self.to_s:10.2f}  {self.what:<15} {self.text}".rstrip()


@dataclass
class Told:
    """Everything a recording told: readings and rests in `watch`, each pad's rests, and what happened."""

    watch: Watch
    others: list[Record] = field(default_factory=list)
    rests: dict[tuple[str, int], Rest] = field(default_factory=dict)


def told_by(recording: Replayed) -> Told:
    """Play a recording and keep what the list needs; of a rest its last revision."""
    told = Told(Watch(Clock(start_ns=recording.start_ns, origin_s=recording.origin_s)))
    for record in recording.records:
        told.watch.take(record)
        if isinstance(record, Rest):
            told.rests[record.pad, record.t_from_mono_ns] = record
        elif isinstance(record, KEPT):
            told.others.append(record)
    return told


def pad_tracks(recording: Replayed, told: Told, pads: Sequence[Seen]) -> dict[str, list[Stand]]:
    """Every pad's own rests; their one part is the level on the wire, without the zero's doubt, for steps."""
    out: dict[str, list[Stand]] = {seen.pad: [] for seen in pads}
    by_name = {seen.pad: seen for seen in pads}
    for (pad, _), rest in sorted(told.rests.items()):
        per = kg_per(recording.units.get(pad, recording.unit))
        own_u = max(rest.u_kg**2 - rest.u_zero_kg**2, 0.0) ** 0.5
        wire = Part(pad=pad, value=(rest.mass_kg + rest.zero_kg) / per, u=own_u / per)
        stands = out.setdefault(pad, [])
        stand = _stand(told, rest, len(stands) + 1, rest.u_kg / per, per, (wire,))
        stands.append(replace(stand, per_min=_per_min(by_name[pad], stand, per)))
    return out


def car_track(recording: Replayed, told: Told) -> list[Stand]:
    """The rests of the whole car, with the loads of its pads."""
    per = kg_per(recording.unit)
    out = []
    for number, t in enumerate(sorted(told.watch.car_rests), 1):
        rest = told.watch.car_rests[t]
        width = len(rest.pads)
        parts = tuple(
            Part(pad=pad, value=load / per, u=max(rest.covariance_kg2[k * width + k], 0.0) ** 0.5 / per)
            for k, (pad, load) in enumerate(zip(rest.pads, rest.loads_kg, strict=True))
        )
        out.append(_stand(told, rest, number, rest.u_kg / per, per, parts))
    return out


def _stand(
    told: Told, rest: Rest | CarRest, number: int, u: float, per: float, parts: tuple[Part, ...]
) -> Stand:
    clock = told.watch.clock
    return Stand(
        number=number,
        from_s=clock.s(rest.t_from_mono_ns),
        declared_s=clock.s(rest.t_declared_mono_ns),
        to_s=clock.s(rest.t_to_mono_ns),
        value=rest.mass_kg / per,
        u=u,
        per_min=None,
        parts=parts,
    )


def _per_min(seen: Seen, stand: Stand, per: float) -> float | None:
    """How a level moved a minute, by its own readings; None where that does not stand out of its ±."""
    line = slope(*seen.between(stand.declared_s, stand.to_s))
    if line is None or abs(line.per_s) < 3 * line.u_per_s:
        return None
    return 60 * line.per_s / per


def value_text(value: float, u: float, unit: str) -> str:
    """Write a value with ±2u and unit."""
    return Quantity(value, u, unit).text()


def signed(value: float, u: float, unit: str) -> str:
    """Write a difference with its sign."""
    text = Quantity(value, u, unit).text()
    return text if text.startswith("-") else f"+{text}"


def hyphen(text: str) -> str:
    """Columns of figures keep to the keyboard's minus, which programs can read."""
    return text.replace("\N{MINUS SIGN}", "-")


def short(value: float, u: float) -> str:
    """Write a value with ±2u, the unit being told elsewhere."""
    spread = 2 * u
    if spread <= 0:
        return f"{value:g}"
    places = decimals(spread)
    return f"{rounded(value, places)} ± {rounded(spread, places)}"


def plus(value: float, u: float) -> str:
    """Write a difference with its sign, the unit being told elsewhere."""
    text = short(value, u)
    return text if text.startswith("-") else f"+{text}"
