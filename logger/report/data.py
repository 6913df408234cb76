"""What a report shows, as plain frozen values: whoever knows the weigh-in fills this in, `render` sets it.

Inside all is SI: kg, m, s, shares as numbers from 0 to 1 (unit "1"); `ReportData.units` alone decides whether
the reader sees kilograms and millimetres or pounds and inches. Every `Quantity` carries its standard
uncertainty (None: not known, and then the report says "±?"). Times are seconds since `ReportData.t_zero`
unless they are text. Corners come in the order of `logger.model.CORNERS`: LF RF LR RR. An empty tuple means
"none"; None means "not known".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from logger.model import Corner, Facing
from logger.quantity import Quantity

Units = Literal["kg", "lb"]


@dataclass(frozen=True, kw_only=True)
class Job:
    """What the report is about; `when` is text for people ("2026-02-14 14:05 to 15:20, local time")."""

    title: str
    when: str
    who: str = ""
    """Who did the weighing; empty: not said."""
    place: str = ""


@dataclass(frozen=True, kw_only=True)
class Car:
    """The car's name and plan, m; None where nobody measured it (then drawn to a middling car)."""

    name: str
    wheelbase_m: float | None
    track_front_m: float | None
    track_rear_m: float | None
    invented: bool = False
    """True for the demo: the report then says that name and figures are invented."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """How the car and the place were; what was not written down is None or empty and shown as "not noted"."""

    tyre_pressures_kPa: tuple[float | None, ...] | None = None
    """Cold gauge pressures in CORNERS order."""
    fuel_L: float | None = None
    fuel_note: str = ""
    temperature_C: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Standing:
    """One corner in a placement: which spot it stood on and which pad was there."""

    corner: Corner
    spot: str
    pad: str
    shim_m: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SpotHeight:
    """A spot's pad top, m: as somebody measured it, and as solved, over the mean of the four."""

    spot: str
    measured: Quantity | None
    solved: Quantity | None


@dataclass(frozen=True, kw_only=True)
class Floor:
    """The floor under the build that opens the report; `terms` as `Solution.floor`; `turned`: both ways."""

    spots: tuple[SpotHeight, ...]
    """Under LF RF LR RR, facing out."""
    terms: Mapping[str, Quantity]
    turned: bool


@dataclass(frozen=True, kw_only=True)
class Placement:
    """One way of standing: four `Standing` in CORNERS order; `number` from 1; `runs` counts its rests."""

    number: int
    facing: Facing
    standings: tuple[Standing, ...]
    runs: int


@dataclass(frozen=True, kw_only=True)
class CaptureRow:
    """One car rest taken, as weighed (not corrected for the floor): four loads in CORNERS order, kg."""

    number: int
    when: str
    """Wall time of day as text."""
    t_s: float
    build: str
    """A label of `BuildResult`."""
    placement: int
    run: int
    loads: tuple[Quantity, ...]
    total: Quantity
    aboard: tuple[str, ...] = ()
    discarded: bool = False
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class BuildResult:
    """What all captures of one build say together.

    `total` in kg; `front`, `left`, `cross` are shares (unit "1"); `x` is metres ahead of the rear axle, `y`
    metres left of the centre line, both None where wheelbase or tracks are not known; `loads` are the four
    solved corner loads in CORNERS order, kg.
    """

    label: str
    total: Quantity
    front: Quantity
    left: Quantity
    cross: Quantity
    x: Quantity | None
    y: Quantity | None
    loads: tuple[Quantity, ...]
    covariance_xy_m2: tuple[float, float, float] | None
    """(var x, cov xy, var y); None: no ellipse is drawn."""
    captures: tuple[int, ...]
    """Numbers of the captures it rests on."""
    aboard: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()
    """Plain words that belong to these figures ("averaging two facings does not remove floor twist …")."""
    cannot_tell_apart: tuple[str, ...] = ()
    """What the placements made so far leave undecided, one whole sentence each."""
    advice: tuple[str, ...] = ()
    """The best next placements and what they would bring, one sentence each; best first."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """The step from one build to the next: a part, person or thing, its own mass (> 0) and where it sat."""

    name: str
    went: Literal["on", "off"]
    what: Literal["part", "person", "thing"]
    mass: Quantity
    x: Quantity | None
    """Metres ahead of the rear axle; None (with `y`): too light to locate, or it left at several places."""
    y: Quantity | None
    covariance_xy_m2: tuple[float, float, float] | None
    before: str
    after: str
    """Labels of the builds it lies between."""
    too_light: bool = False
    """True: the place's ellipse is larger than the car, so none is given."""
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class SettleCurve:
    """One pad's samples round one rest: equally long arrays of s and kg; NaN is a missing sample."""

    pad: str
    label: str
    """What is written at the curve: the corner, or corner and pad."""
    times_s: Sequence[float]
    values_kg: Sequence[float]
    rest_from_s: float
    rest_declared_s: float
    rest_to_s: float
    value: Quantity
    """The rest reading, kg."""


@dataclass(frozen=True, kw_only=True)
class SettleFigure:
    """The curves of all pads for one capture."""

    title: str
    curves: tuple[SettleCurve, ...]
    rocks: tuple[tuple[float, float], ...] = ()
    """(from, to) of rocks seen, s."""
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ZeroRow:
    """One zero check of one pad; `zero` in kg on the wire."""

    pad: str
    when: str
    t_s: float
    zero: Quantity


@dataclass(frozen=True, kw_only=True)
class ConditionSpan:
    """A pad's condition over a time, s."""

    condition: str
    """A value of `logger.model.Condition`."""
    from_s: float
    to_s: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class GapRow:
    """Samples that should be there and are not; `count` None: only the time is known."""

    from_s: float
    to_s: float
    cause: str
    count: int | None = None


@dataclass(frozen=True, kw_only=True)
class PadStory:
    """What one pad did during the session."""

    pad: str
    conditions: tuple[ConditionSpan, ...]
    samples: int
    lost_frames: int | None
    """Frames known to be missing; None: the stream cannot tell."""
    rejects: tuple[tuple[str, int], ...] = ()
    """(reason, count) of bytes refused."""
    wild: int = 0
    """Single wild values left out."""
    gaps: tuple[GapRow, ...] = ()
    resolution_kg: float | None = None
    noise_kg: float | None = None
    """Standard deviation of single samples at rest; None: no rest long enough."""
    battery_V: float | None = None
    """Lowest seen; None: the stream does not say."""
    signal_dBm: float | None = None
    """Weakest seen; None: the stream does not say."""


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One journal segment: file name without folder, SHA-256 in hex, bytes."""

    name: str
    sha256: str
    size_bytes: int | None = None


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where the numbers come from."""

    bay: str
    config_id: str
    version: str
    generated_at: str
    segments: tuple[Segment, ...]
    boot_id: str = ""
    schema: int | None = None


@dataclass(frozen=True, kw_only=True)
class ReportData:
    """Everything a report shows; `builds` in the order weighed, the last one is what the car is now."""

    job: Job
    car: Car
    builds: tuple[BuildResult, ...]
    captures: tuple[CaptureRow, ...]
    placements: tuple[Placement, ...]
    provenance: Provenance
    conditions: Conditions = field(default_factory=Conditions)
    floor: Floor | None = None
    """None: wheelbase or tracks are not known, or nothing was weighed."""
    headline: str | None = None
    """Label of the build that the report opens with; None: the last."""
    t_zero: str = ""
    """Wall time at second 0 of all `_s` fields, as text."""
    changes: tuple[Change, ...] = ()
    settles: tuple[SettleFigure, ...] = ()
    zeros: tuple[ZeroRow, ...] = ()
    pads: tuple[PadStory, ...] = ()
    doubts: tuple[str, ...] = ()
    """What is doubtful about the whole session and why, one sentence each; a build has its own."""
    cautions: tuple[int, ...] = ()
    """Numbers of `logger.cautions.CAUTIONS`; those of every weigh-in are added by the report itself."""
    units: Units = "kg"
