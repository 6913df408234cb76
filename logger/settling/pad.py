# cython: annotation_typing=False, auto_pickle=False, boundscheck=False
"""One pad: its samples, its cells, its rests with zero taken off, its steps, gaps and condition."""

from __future__ import annotations

import math

from logger.model import (
    FLAG_STALE,
    FLAG_WILD,
    Condition,
    Gap,
    GapCause,
    Knock,
    PadCondition,
    Record,
    Rest,
    Sample,
    Step,
    ZeroCheck,
)
from logger.settling.blocks import GAP_NS
from logger.settling.cells import Cell
from logger.settling.channel import Channel
from logger.settling.intake import HELD, WILD, Intake, Readings
from logger.settling.kept import Kept
from logger.settling.level import Level
from logger.settling.prior import TailPrior
from logger.settling.restate import PadRests
from logger.settling.settings import Settling
from logger.settling.zero import Check, ZeroKeeper

EMPTY, CREEPING, MOVING, RESTING = (
    Condition.EMPTY,
    Condition.CREEPING,
    Condition.MOVING,
    Condition.RESTING,
)
"""At hand, because they are asked for at every frame: an enum looks its members up slowly."""


class Pad(Kept):
    """State of one pad in the pipeline."""

    kept = (
        *("name", "settings", "intake", "channel", "zero", "cell", "origin_ns", "rest", "wall_offset_ns"),
        *("condition", "silent", "temperature_C", "_held", "_seen_ns", "_overloads", "_rests", "_checked_s"),
    )

    def __init__(self, name: str, settings: Settling, prior: TailPrior, capacity_kg: float | None) -> None:
        self.name = name
        self.settings = settings
        self.intake = Intake(settings)
        self.channel = Channel(settings, prior)
        self.zero = ZeroKeeper(settings, capacity_kg)
        self.cell: Cell | None = None
        """The cell closed last, for the car to take."""
        self.origin_ns: int | None = None
        self.rest: Rest | None = None
        """The rest told last, open or closed."""
        self.wall_offset_ns = 0
        self.condition: Condition | None = None
        self.silent = False
        self.temperature_C: float | None = None
        self._held: Sample | None = None
        self._seen_ns = -1
        self._overloads = 0
        self._rests = PadRests(self)
        """Rests read since the last zero check; restated when the next one comes."""
        self._checked_s = float("-inf")

    # -- samples ---------------------------------------------------------------------------------------

    def take(self, sample: Sample) -> list[Record]:
        """Take a sample; return it corrected (or the one kept back before it), and a gap before it."""
        x, t = sample.mass_wire_kg, sample.t_mono_ns
        intake = self.intake
        reason = intake.refuse(x, t, sample.flags)
        if reason:
            return [*self._gap(t), *self._refused(sample, reason)]
        assert x is not None
        self.wall_offset_ns = sample.t_wall_ns - t
        if sample.resolution_kg is not None:
            self._stated(sample.resolution_kg)
        if sample.temperature_C is not None:
            self.temperature_C = sample.temperature_C
        out: list[Record] = self._gap(t) if t - self._seen_ns > GAP_NS else []
        self._seen_ns = t
        self._overloads = 0
        code = intake.add(x, t)
        if self._held is not None:
            out.append(self._out(self._held, FLAG_WILD if code & WILD else 0))
            self._held = None
        if code & HELD:
            self._held = sample
        else:
            out.append(self._out(sample, 0))
        return out

    def take_many(self, readings: Readings, lo: int, hi: int) -> None:
        """Take ordinary readings, from `lo` to before `hi`; the same as one by one, and none returned."""
        self.intake.add_many(readings, lo, hi)
        self._held = None
        self._seen_ns = int(readings.t_ns[hi - 1])
        self._overloads = 0
        self.wall_offset_ns = int(readings.wall_offset_ns[hi - 1])

    def _out(self, sample: Sample, flag: int) -> Sample:
        """The sample with zero taken off and our flag set."""
        zero = self.zero.zero_kg
        wire = sample.mass_wire_kg
        mass = None if wire is None else wire - zero
        if not flag and mass == sample.mass_kg:
            return sample
        return Sample(
            pad=sample.pad,
            t_mono_ns=sample.t_mono_ns,
            t_wall_ns=sample.t_wall_ns,
            mass_wire_kg=wire,
            mass_kg=mass,
            flags=sample.flags | flag,
            resolution_kg=sample.resolution_kg,
            battery_V=sample.battery_V,
            signal_dBm=sample.signal_dBm,
            temperature_C=sample.temperature_C,
        )

    def _refused(self, sample: Sample, reason: str) -> list[Record]:
        out: list[Record] = [self._out(sample, FLAG_STALE if reason == "stale" else 0)]
        if reason == "overload":
            self._seen_ns = sample.t_mono_ns
            self._overloads += 1
            if self._overloads == 2:  # a single one may be a wild value
                out += self._tell(self.channel.break_off())
                out += self._become(Condition.OVERLOADED, sample.t_mono_ns, "")
        return out

    def _stated(self, resolution_kg: float) -> None:
        self.intake.stated_d = resolution_kg

    def _gap(self, t_ns: int) -> list[Record]:
        """A gap in time before a sample, if more than three of its usual intervals are missing."""
        usual = self.intake.interval_s
        gone = (t_ns - self._seen_ns) * 1e-9
        if self._seen_ns < 0 or usual <= 0 or gone < max(4.0 * usual, 0.5):
            return []
        count = max(round(gone / usual) - 1, 1)
        return [
            Gap(
                pad=self.name,
                t_from_mono_ns=self._seen_ns,
                t_to_mono_ns=t_ns,
                cause=GapCause.SILENT,
                count=count,
            )
        ]

    def rejected(self, gap: Gap) -> list[Record]:
        """Bytes arrive but are refused: garbled, if no sample came in between."""
        if (gap.t_to_mono_ns - self._seen_ns) * 1e-9 < self.settings.silent_s:
            return []
        return self._become(Condition.GARBLED, gap.t_from_mono_ns, "its bytes are refused")

    # -- frames ----------------------------------------------------------------------------------------

    def tick(self, end_ns: int, now_ns: int) -> list[Record]:
        """Close the frame that ended at `end_ns`; time has come to `now_ns`."""
        self.cell = None
        if self.origin_ns is None:
            if self._seen_ns < 0:
                return []
            self.origin_ns = self._seen_ns
        intake = self.intake
        cell = self.cell = intake.cell(self.origin_ns)
        out: list[Record] = []
        if cell is not None:
            channel = self.channel
            self.silent = False
            channel.noise.resolution, channel.noise.hold_s = intake.d, intake.resolution.hold_s
            levels = channel.feed(cell, end_ns)
            if channel.noise.variance is not None:
                intake.know_noise(math.sqrt(channel.noise.variance), channel.noise.resolution)
            out = self._tell(levels)
            if levels or self.condition is not RESTING:
                out += self._condition_now(end_ns)
        if not self.silent and self._seen_ns >= 0:
            quiet_s = (now_ns - self._seen_ns) * 1e-9
            if quiet_s > 6.0 * intake.interval_s and quiet_s > self.settings.silent_s:
                out += self._go_silent()
        return out

    def _go_silent(self) -> list[Record]:
        self.silent = True
        self.intake.drop_held()
        out = self.last_held(FLAG_WILD)
        out += self._tell(self.channel.end("silenced"))
        return out + self._become(Condition.SILENT, self._seen_ns, "no samples")

    def last_held(self, flag: int = FLAG_WILD) -> list[Record]:
        """Let the sample kept back go, when none follows."""
        held, self._held = self._held, None
        self.intake.drop_held()
        return [] if held is None else [self._out(held, flag)]

    def finish(self) -> list[Record]:
        """End of a recording."""
        return self._tell(self.channel.end("ended"))

    # -- rests -----------------------------------------------------------------------------------------

    def _tell(self, levels: list[Level]) -> list[Record]:
        out: list[Record] = []
        for level in levels:
            out += self._check_zero(level)  # first, so that the present rest is the one told last
            before = self.rest
            rest = self._rest(level)
            self.rest = rest
            out.append(rest)
            if level.change == "declared":
                out += self._step(before, rest)
            if level.change == "reopened":
                out += self._knock()
            self._rests.keep(rest)
        return out

    def _rest(self, level: Level) -> Rest:
        """The record of a level: zero taken off, uncertainties put together."""
        middle_s = self._seconds((level.from_ns + level.to_ns) // 2)
        zero, u_zero = self.zero.at(middle_s)
        old = self.rest if self.rest is not None and self.rest.t_from_mono_ns == level.from_ns else None
        if old is None:
            declared, declared_u = level.declared - zero, (level.declared_u**2 + u_zero**2) ** 0.5
        else:
            declared, declared_u = old.declared_mass_kg, old.declared_u_kg
        return Rest(
            pad=self.name,
            t_from_mono_ns=level.from_ns,
            t_from_wall_ns=level.from_ns + self.wall_offset_ns,
            t_declared_mono_ns=level.declared_ns,
            t_to_mono_ns=level.to_ns,
            declared_mass_kg=declared,
            declared_u_kg=declared_u,
            mass_kg=level.value - zero,
            u_kg=(level.u**2 + u_zero**2) ** 0.5,
            slope_kg_per_s=level.slope,
            n=level.n,
            zero_kg=zero,
            u_zero_kg=u_zero,
            open=level.open,
            revision=0 if old is None else old.revision + 1,
        )

    def _seconds(self, t_ns: int) -> float:
        return (t_ns - (self.origin_ns or 0)) * 1e-9

    def _step(self, before: Rest | None, after: Rest) -> list[Record]:
        """The step from the rest before to this one."""
        if before is None or before.open:
            return []
        u = max(before.u_kg**2 - before.u_zero_kg**2, 0.0) + max(after.u_kg**2 - after.u_zero_kg**2, 0.0)
        wire = after.mass_kg + after.zero_kg - before.mass_kg - before.zero_kg
        return [
            Step(
                pad=self.name,
                t_from_mono_ns=before.t_to_mono_ns,
                t_to_mono_ns=after.t_from_mono_ns,
                before_kg=before.mass_kg,
                after_kg=after.mass_kg,
                size_kg=wire,
                u_kg=u**0.5,
            )
        ]

    def _knock(self) -> list[Record]:
        """What interrupted a rest and left the level as it was, if it is worth a word."""
        noise, s = self.channel.noise, self.settings
        if self.channel.knock < max(s.knock_bands * noise.band(), s.knock_d * noise.resolution):
            return []
        return [Knock(pad=self.name, t_mono_ns=self.channel.knock_ns, amplitude_kg=self.channel.knock)]

    # -- zero ------------------------------------------------------------------------------------------

    def _check_zero(self, level: Level) -> list[Record]:
        """Log a zero check if this level is the empty pad's, and restate what was read since the last."""
        t_s, noise = self._seconds(level.to_ns), self.channel.noise
        due = t_s - self._checked_s >= self.settings.zero_every_s or not level.open
        if not (due and t_s > self._checked_s):
            return []
        check = Check(t_s, level.value, level.u, self.temperature_C)
        stood_s = (level.to_ns - level.from_ns) * 1e-9
        e_kg = max(noise.resolution, 3.0 * (noise.variance or 0.0) ** 0.5)  # what one reading can tell
        if not self.zero.takes(check, stood_s, level.slope, noise.resolution, e_kg):
            return []
        self._checked_s = t_s
        self.zero.add(check)
        told = ZeroCheck(pad=self.name, t_mono_ns=level.to_ns, zero_kg=level.value, u_kg=level.u, n=level.n)
        again = self._rests.again()
        if self.rest is not None:
            self.rest = next((r for r in again if r.t_from_mono_ns == self.rest.t_from_mono_ns), self.rest)
        return [told, *again]

    # -- condition -------------------------------------------------------------------------------------

    def _condition_now(self, t_ns: int) -> list[Record]:
        level = self.channel.level
        if level is None:
            return self._become(MOVING, t_ns, "")
        if self.zero.is_empty(level.value, self.channel.noise.resolution, self._seconds(level.to_ns)):
            if self.condition is EMPTY:
                return []  # asked at every frame: spares the text
            return self._become(EMPTY, level.from_ns, self.zero.drift_text())
        horizon = self.settings.creep_horizon_s
        creeps = (
            abs(level.slope) > 4.0 * level.u_slope
            and abs(level.slope) * 20.0 * horizon > self.channel.noise.band()
        )
        reason = "" if self.zero.known else "zero not known: the pad was not seen empty"
        if creeps:
            if self.condition is CREEPING:
                return []
            return self._become(CREEPING, level.from_ns, f"{level.slope * 60:+.2g} kg/min {reason}".strip())
        return self._become(RESTING, level.from_ns, reason)

    def _become(self, condition: Condition, since_ns: int, reason: str) -> list[Record]:
        if condition is self.condition:
            return []
        self.condition = condition
        return [PadCondition(pad=self.name, condition=condition, since_mono_ns=since_ns, reason=reason)]
