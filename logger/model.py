"""The nouns: every record that moves through the program, frozen, with its unit in each field's name.

Monotonic time (`t_mono_ns`) orders and measures; wall time (`t_wall_ns`) labels; both are int nanoseconds.
None means absent or not known; an absent capability is never a zero. Masses are kg on the wheel or pad.
A record encodes to JSON with its `kind`; fields are only ever added, never renamed.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from msgspec import Struct, field

SCHEMA = 1
"""Number carried by everything that leaves the process."""

Corner = Literal["LF", "RF", "LR", "RR"]
CORNERS: tuple[Corner, ...] = ("LF", "RF", "LR", "RR")
"""Corners as seen from the driver's seat, in the one order used everywhere."""

Facing = Literal["out", "back"]
ALL_PADS = "*"
"""Stands for the pad id in records about the whole car."""

FLAG_WILD = 1 << 8
"""Sample flag set by us: a single wild value, left out of every average (lower bits are the stream's)."""
FLAG_STALE = 1 << 9
"""Sample flag set by us: time did not go forward."""


class Record(Struct, frozen=True, kw_only=True, tag_field="kind", gc=False):
    """Base of all records: compares by value, encodes with its kind."""


class Chunk(Record, frozen=True, kw_only=True, tag="chunk"):
    """Bytes as they came from a port, with the time of their arrival; the journal keeps these."""

    port: str
    t_mono_ns: int
    t_wall_ns: int
    data: bytes


class PortEvent(Record, frozen=True, kw_only=True, tag="port_event"):
    """A port opened, lost, refused, idle, flooded; journalled among its chunks so that gaps have a cause."""

    port: str
    t_mono_ns: int
    t_wall_ns: int
    event: Literal["opened", "lost", "refused", "idle", "flooded", "restored"]
    detail: str = ""


class Sample(Record, frozen=True, kw_only=True, tag="sample"):
    """One reading of one pad.

    `mass_wire_kg` is the value as sent, None when the stream sent none (overload); `mass_kg` has the zero
    known at that time taken off. `resolution_kg` is the stream's d, None when it does not say.
    """

    pad: str
    t_mono_ns: int
    t_wall_ns: int
    mass_wire_kg: float | None
    mass_kg: float | None
    flags: int = 0
    resolution_kg: float | None = None
    battery_V: float | None = None
    signal_dBm: float | None = None
    temperature_C: float | None = None


class GapCause(StrEnum):
    """Why samples that should be there are not."""

    SILENT = "silent"
    REJECTED = "rejected"
    LOST_FRAMES = "lost_frames"
    PORT_LOST = "port_lost"
    JOURNAL = "journal"
    SLEPT = "slept"
    """The computer was suspended."""


class Gap(Record, frozen=True, kw_only=True, tag="gap"):
    """Samples that should be there and are not; `count` is how many, None when only the time is known.

    With cause `journal` the count is of journal entries, and the pad may be ALL_PADS.
    """

    pad: str
    t_from_mono_ns: int
    t_to_mono_ns: int
    cause: GapCause
    count: int | None = None


class Condition(StrEnum):
    """What a pad is doing, as far as its stream tells."""

    ABSENT = "absent"
    SILENT = "silent"
    GARBLED = "garbled"
    EMPTY = "empty"
    MOVING = "moving"
    CREEPING = "creeping"
    RESTING = "resting"
    OVERLOADED = "overloaded"


ILL = (Condition.ABSENT, Condition.SILENT, Condition.GARBLED, Condition.OVERLOADED)
"""Conditions in which a pad gives no readings that can be used."""


class PadCondition(Record, frozen=True, kw_only=True, tag="pad_condition"):
    """A pad's condition from a moment on; sent on change only."""

    pad: str
    condition: Condition
    since_mono_ns: int
    reason: str = ""


class ZeroCheck(Record, frozen=True, kw_only=True, tag="zero_check"):
    """The pad stood empty and quiet: its zero (kg on the wire) and standard uncertainty at that time."""

    pad: str
    t_mono_ns: int
    zero_kg: float
    u_kg: float
    n: int


class Rest(Record, frozen=True, kw_only=True, tag="rest"):
    """An interval in which one pad stood still enough to be weighed.

    `declared_*` never change after the first revision; `mass_kg` and `u_kg` are refined while `open` and
    restated (next `revision`) when a later zero check tells more. `u_kg` is a standard uncertainty of the
    settled value and includes resolution and zero. (pad, t_from_mono_ns) is the record's identity.
    """

    pad: str
    t_from_mono_ns: int
    t_from_wall_ns: int
    t_declared_mono_ns: int
    t_to_mono_ns: int
    declared_mass_kg: float
    declared_u_kg: float
    mass_kg: float
    u_kg: float
    slope_kg_per_s: float
    n: int
    zero_kg: float
    u_zero_kg: float
    open: bool
    revision: int = 0


class CarRest(Record, frozen=True, kw_only=True, tag="car_rest"):
    """The whole car at rest on all pads: loads in the order of `pads`, and their covariance (kg², row-major).

    Single loads may wander while the total stands (the warp mode settles last), so the covariance is not
    diagonal. `mass_kg` is the total, `u_kg` its standard uncertainty. Identity: t_from_mono_ns.
    """

    pads: tuple[str, ...]
    t_from_mono_ns: int
    t_from_wall_ns: int
    t_declared_mono_ns: int
    t_to_mono_ns: int
    declared_mass_kg: float
    declared_u_kg: float
    mass_kg: float
    u_kg: float
    loads_kg: tuple[float, ...]
    covariance_kg2: tuple[float, ...]
    slope_kg_per_s: float
    n: int
    open: bool
    revision: int = 0


class Step(Record, frozen=True, kw_only=True, tag="step"):
    """The load went from one rest to the next; `pad` may be ALL_PADS for the total."""

    pad: str
    t_from_mono_ns: int
    t_to_mono_ns: int
    before_kg: float
    after_kg: float
    size_kg: float
    u_kg: float


class Rock(Record, frozen=True, kw_only=True, tag="rock"):
    """The car was pushed up and down and let go: swings (half periods) counted, frequency and damping.

    Both are of the free decay; where that is too short to tell, `frequency_Hz` is of all swings and
    `damping_ratio` None.
    """

    t_from_mono_ns: int
    t_to_mono_ns: int
    swings: int
    frequency_Hz: float | None
    damping_ratio: float | None
    amplitude_kg: float


class Boarding(Record, frozen=True, kw_only=True, tag="boarding"):
    """A person got in (positive size) or out (negative): a step of a body's size on a whole car."""

    t_mono_ns: int
    size_kg: float
    u_kg: float


class CarOn(Record, frozen=True, kw_only=True, tag="car_on"):
    """All pads took load after standing empty."""

    t_mono_ns: int
    mass_kg: float


class CarOff(Record, frozen=True, kw_only=True, tag="car_off"):
    """All pads are empty again."""

    t_mono_ns: int


class Knock(Record, frozen=True, kw_only=True, tag="knock"):
    """A short blow that left the load as it was; `t_mono_ns` is when it was largest."""

    pad: str
    t_mono_ns: int
    amplitude_kg: float


class ClockStep(Record, frozen=True, kw_only=True, tag="clock_step"):
    """Wall time jumped against monotonic time."""

    t_mono_ns: int
    wall_before_ns: int
    wall_after_ns: int


class Trouble(Record, frozen=True, kw_only=True, tag="trouble"):
    """Something of the shop PC's own failed or came back (disk, broker, page, port); told on change only."""

    t_mono_ns: int
    t_wall_ns: int
    part: str
    state: Literal["failed", "restored"]
    detail: str


class Urgency(StrEnum):
    """How a sentence is to be said."""

    RESULT = "result"
    PROMPT = "prompt"
    WARNING = "warning"


class Say(Record, frozen=True, kw_only=True, tag="say"):
    """A sentence for phone, loudspeaker and bus alike."""

    t_mono_ns: int
    text: str
    urgency: Urgency = Urgency.PROMPT


class CornerLoad(Struct, frozen=True, kw_only=True):
    """One corner's load in a capture; `spot` and `pad` say where and by what it was weighed, on what shim."""

    corner: Corner
    spot: str
    pad: str
    mass_kg: float
    u_kg: float
    shim_m: float = 0.0


class Capture(Record, frozen=True, kw_only=True, tag="capture"):
    """One car rest taken into the weigh-in, with what it means there.

    `build` names the state of the car (base car, person aboard, part out), `placement` counts from 1,
    `run` counts the rests in that placement. `covariance_kg2` is 4 × 4, row-major in CORNERS order. Of it
    `zero_u_kg` is the pads' zeros' part (CORNERS order): all rests of a placement share it. Empty: not told.
    """

    number: int
    t_mono_ns: int
    t_wall_ns: int
    t_rest_from_mono_ns: int
    build: str
    aboard: tuple[str, ...]
    facing: Facing
    placement: int
    run: int
    loads: tuple[CornerLoad, ...]
    covariance_kg2: tuple[float, ...]
    mass_kg: float
    u_kg: float
    discarded: bool = False
    name: str = ""
    zero_u_kg: tuple[float, ...] = ()


class Change(Record, frozen=True, kw_only=True, tag="change"):
    """The step from one build to the next: what came off or went on between two captures.

    `capture_before` and `capture_after` are capture numbers of one placement where possible; `name` is empty
    until somebody names it. A person getting in or out is no change of build and makes none.
    """

    number: int
    t_mono_ns: int
    build_before: str
    build_after: str
    capture_before: int
    capture_after: int
    name: str = ""


Verb = Literal["begin", "take", "discard", "name", "say-again", "stop", "aim", "skip", "heights", "stand"]


class Command(Record, frozen=True, kw_only=True, tag="command"):
    """What a person or a button asks for; `argument` is the verb's own text, empty when it takes none."""

    t_mono_ns: int
    verb: Verb
    argument: str = ""
    origin: str = ""


class Waiting(Record, frozen=True, kw_only=True, tag="waiting"):
    """What the weigh-in waits for next, in words for the page and as a stage for programs."""

    t_mono_ns: int
    stage: str
    text: str
    cautions: tuple[int, ...] = field(default=())
    """Numbers of the cautions that fit, as in logger.cautions."""


class CornerStand(Struct, frozen=True, kw_only=True):
    """Where a corner is to stand: its spot, the pad on that spot, and the shim under the pad."""

    corner: Corner
    spot: str
    pad: str
    shim_m: float = 0.0


class NextStep(Struct, frozen=True, kw_only=True):
    """A step that the weigh-in could take: what to do, what it would buy, and the u of the aim after it."""

    kind: str
    action: str
    why: str
    u: float


class Advice(Record, frozen=True, kw_only=True, tag="advice"):
    """What the guided weigh-in says to do next, and why that is the best next thing.

    `aim` is the figure to sharpen; `u_now` its standard uncertainty in `unit` (kg, m, 1), None before the
    first weighing. `wants` is what comes next: loads, heights of the pad tops, or nothing (time to stop).
    `facing` and `stand` (CORNERS order) are how the car is to stand, None and empty where it is not moved.
    `steps` are all steps still possible, the best first.
    """

    t_mono_ns: int
    aim: str
    u_now: float | None
    unit: str
    wants: Literal["loads", "heights", "nothing"]
    action: str
    why: str
    facing: Facing | None = None
    stand: tuple[CornerStand, ...] = ()
    steps: tuple[NextStep, ...] = ()
    cautions: tuple[int, ...] = ()
