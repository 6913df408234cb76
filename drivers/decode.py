"""From one whole message to frames: check it, take it apart, read each pad's fields, refuse what is wrong."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from operator import itemgetter

from msgspec import Struct
from msgspec.structs import replace

from drivers.api import FLAG_UNDERLOAD, Frame, Reason
from drivers.checks import Check
from drivers.codes import Look, Meaning
from drivers.numbers import Ratio, Reader, Scaler
from drivers.parts import Parts, Take
from drivers.wire import COUNTS, KG_PER

UNREADABLE = (ValueError, OverflowError, struct.error)
"""What readers raise when a field is no such number or text."""

NOTHING = (b"", b"null")
"""A number that is none: this pad of several says nothing just now."""
MEMORY = 1024
"""Contexts (status, unit, battery, signal …) remembered by their bytes; then the memory is emptied."""


class Refused(Exception):
    """A message is refused, with the reason."""

    def __init__(self, reason: Reason) -> None:
        self.reason = reason
        super().__init__(reason.value)


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number field: which part, how it reads, and its exact factor and offset."""

    part: int
    read: Reader
    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)


@dataclass(frozen=True, kw_only=True)
class Pad:
    """One pad's fields in a message; `codes` are looked up in order."""

    value: Number
    address: str | None = None
    address_part: int = -1
    address_read: Callable[[bytes], str] | None = None
    unit: str = ""
    codes: tuple[tuple[int, Look, Reason], ...] = ()
    decimals: Number | None = None
    resolution: Fraction | None = None
    battery_V: Number | None = None
    signal_dBm: Number | None = None
    temperature_C: Number | None = None
    seq: Number | None = None
    seq_wraps: int | None = None


Scales = dict[int, tuple[Ratio, Ratio | None, float | None]]


class Context(Struct, frozen=True):
    """What a message says beside value and counter; it changes slowly and is remembered by its bytes."""

    meaning: Meaning
    address: str | None
    unit: str
    places: int
    battery_V: float | None
    signal_dBm: float | None
    temperature_C: float | None
    wire: Scaler
    to_kg: Scaler | None
    scales: Scales
    """By decimal places sent, filled as they come: to the unit sent, to kg (None: the same), step in kg."""


Read = Callable[[Parts, bytes], "Frame | None"]


class PadReader:
    """Reads one pad's fields; made once a driver, because it remembers contexts and steps."""

    def __init__(
        self, pad: Pad, integrity: str, limits: tuple[float, float] | None, *, several: bool = False
    ) -> None:
        self._several = several
        self._pad, self._integrity = pad, integrity
        self._low, self._high = limits if limits else (float("-inf"), float("inf"))
        self._scalers: dict[str, tuple[Scaler, Scaler | None, Scales]] = {}
        self._contexts: dict[object, Context] = {}
        self._count = _counter(pad.seq) if pad.seq else None
        slow = _slow_parts(pad)
        self._key: Callable[[Parts], object] = itemgetter(*slow) if slow else _nothing

    def reader(self) -> Read:
        """Make the function that reads the pad's frame from a message's parts.

        It returns None when the codes say that the pad is absent, or its number among others' is blank or
        null, and raises Refused or one of UNREADABLE. A
        closure, because its names are looked up faster than attributes: this is the path of every frame.
        """
        contexts, key, learn, scale = self._contexts, self._key, self._context, self._scale
        value, part, count, integrity = (
            self._pad.value.read,
            self._pad.value.part,
            self._count,
            self._integrity,
        )
        low, high = self._low, self._high

        def read(parts: Parts, raw: bytes) -> Frame | None:
            context = contexts.get(key(parts)) or learn(parts)
            said = context.meaning
            if said.absent:
                return None
            if said.void:
                return self._without_number(context, parts, raw)
            try:
                number, places = value(parts[part])
            except UNREADABLE:
                return self._unread(context, parts, raw)
            if said.minus:
                number = -abs(number)
            places += context.places
            if context.unit == COUNTS:
                return self._counted(number, places, context, parts, raw)
            unit_ratio, kg_ratio, step_kg = context.scales.get(places) or scale(context, places, number)
            if isinstance(number, float):
                wire = context.wire(number, places)
                mass_kg = wire if context.to_kg is None else context.to_kg(number, places)
            else:
                top, add, bottom = unit_ratio
                mass_kg = wire = (number * top + add) / bottom
                if kg_ratio is not None:
                    top, add, bottom = kg_ratio
                    mass_kg = (number * top + add) / bottom
            if not low <= mass_kg <= high:
                raise Refused(Reason.RANGE)
            return Frame(
                address=context.address,
                mass_kg=mass_kg,
                resolution_kg=step_kg,
                flags=said.flags,
                battery_V=context.battery_V,
                signal_dBm=context.signal_dBm,
                temperature_C=context.temperature_C,
                seq=None if count is None else count(parts),
                integrity=integrity,
                raw=raw,
                wire_value=wire,
                wire_unit=context.unit,
            )

        return read

    def _unread(self, context: Context, parts: Parts, raw: bytes) -> Frame | None:
        """What a number that does not read means: underload, a pad of several that is absent, or damage."""
        if context.meaning.flags & FLAG_UNDERLOAD:
            return self._without_number(context, parts, raw)
        if self._several and parts[self._pad.value.part].strip(b" ") in NOTHING:
            return None
        raise Refused(Reason.PATTERN)

    def _counted(self, number: int | float, places: int, context: Context, parts: Parts, raw: bytes) -> Frame:
        if places or isinstance(number, float):
            raise Refused(Reason.PATTERN)
        if not self._low <= number <= self._high:
            raise Refused(Reason.RANGE)
        frame = self._without_number(context, parts, raw)
        return replace(frame, counts=number, wire_value=float(number))

    def _without_number(self, context: Context, parts: Parts, raw: bytes) -> Frame:
        return Frame(
            address=context.address,
            flags=context.meaning.flags,
            battery_V=context.battery_V,
            signal_dBm=context.signal_dBm,
            temperature_C=context.temperature_C,
            seq=None if self._count is None else self._count(parts),
            integrity=self._integrity,
            raw=raw,
            wire_unit=context.unit,
        )

    def _context(self, parts: Parts) -> Context:
        """Read everything but value and counter, and remember it."""
        pad = self._pad
        said = Meaning(unit=pad.unit)
        for part, look, reason in pad.codes:
            code = look(parts[part])
            if code is None:
                raise Refused(reason)
            said = code | said
        wire, to_kg, scales = self._scaling(said.unit)
        context = Context(
            meaning=said,
            address=pad.address if pad.address_read is None else pad.address_read(parts[pad.address_part]),
            unit=said.unit,
            places=_places(pad.decimals, parts),
            battery_V=_scaled(pad.battery_V, parts),
            signal_dBm=_scaled(pad.signal_dBm, parts),
            temperature_C=_scaled(pad.temperature_C, parts),
            wire=wire,
            to_kg=to_kg,
            scales=scales,
        )
        if len(self._contexts) >= MEMORY:
            self._contexts.clear()
        self._contexts[self._key(parts)] = context
        return context

    def _scaling(self, unit: str) -> tuple[Scaler, Scaler | None, Scales]:
        """Scalers to the unit sent and to kg (None: the same), and what was made of them; one set a unit."""
        if unit not in self._scalers:
            number = self._pad.value
            if unit not in KG_PER and unit != COUNTS:
                raise Refused(Reason.UNIT)
            factor = KG_PER.get(unit, Fraction(1))
            kg = None if factor == 1 else Scaler(number.factor * factor, number.offset * factor)
            self._scalers[unit] = (Scaler(number.factor, number.offset), kg, {})
        return self._scalers[unit]

    def _scale(
        self, context: Context, places: int, number: int | float
    ) -> tuple[Ratio, Ratio | None, float | None]:
        """Ratios and step for so many decimal places, remembered."""
        to_kg = None if context.to_kg is None else context.to_kg.ratio(places)
        found = context.wire.ratio(places), to_kg, self._step(context.unit, places, number)
        context.scales[places] = found
        return found

    def _step(self, unit: str, places: int, number: int | float) -> float | None:
        """The layout's resolution, else one unit in the last place sent (a lower bound of d), in kg."""
        if self._pad.resolution is not None:
            return float(self._pad.resolution * KG_PER[unit])
        if isinstance(number, float):
            return None
        return float(abs(self._pad.value.factor) * KG_PER[unit] / Fraction(10) ** places)


def _counter(number: Number) -> Callable[[Parts], int]:
    read, part = number.read, number.part
    return lambda parts: int(read(parts[part])[0])


def _nothing(_: Parts) -> object:
    return None


def _slow_parts(pad: Pad) -> list[int]:
    numbers = (pad.decimals, pad.battery_V, pad.signal_dBm, pad.temperature_C)
    slow = [part for part, _, _ in pad.codes] + [number.part for number in numbers if number]
    return slow if pad.address_read is None else [*slow, pad.address_part]


def _scaled(number: Number | None, parts: Parts) -> float | None:
    if number is None:
        return None
    return Scaler(number.factor, number.offset)(*number.read(parts[number.part]))


def _places(number: Number | None, parts: Parts) -> int:
    found = _scaled(number, parts) or 0
    if not -9 <= found <= 9:
        raise ValueError(f"{found} decimal places")
    return int(found)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a message is made of; `unwrap` undoes escapes, `shortest` is what check and body need at least."""

    take: Take
    pads: tuple[Pad, ...]
    check: Check | None = None
    limits: tuple[float, float] | None = None
    shortest: int = 1
    empty: int = 0
    unwrap: Callable[[bytes], bytes] | None = None


def decoder(plan: Plan) -> Callable[[bytes], list[Frame] | Reason]:
    """Make the function that decodes whole messages: their frames, or why they are refused."""
    name = plan.check.name if plan.check else "none"
    several = len(plan.pads) > 1
    reads = [PadReader(pad, name, plan.limits, several=several).reader() for pad in plan.pads]
    one = reads[0] if len(reads) == 1 else None
    passes = plan.check.passes if plan.check else None
    take, unwrap, shortest, empty = plan.take, plan.unwrap, plan.shortest, plan.empty

    def decode(raw: bytes) -> list[Frame] | Reason:
        try:
            message = raw if unwrap is None else unwrap(raw)
            if len(message) < shortest:
                return Reason.NOISE if len(message) <= empty else Reason.PATTERN
            if passes is not None and not passes(message):
                return Reason.CHECK
            parts = take(message)
            if one is None:
                return _several(reads, parts, raw)
            frame = one(parts, raw)
            return Reason.NOISE if frame is None else [frame]
        except Refused as refused:
            return refused.reason
        except UNREADABLE:
            return Reason.PATTERN

    return decode


def gister(plan: Plan) -> Callable[[bytes], tuple[bytes, ...] | None]:
    """Make the function that tells what of a whole message its frames are made of; None where the message is
    refused before any field is read."""
    passes = plan.check.passes if plan.check else None
    take, unwrap, shortest = plan.take, plan.unwrap, plan.shortest

    def gist(raw: bytes) -> tuple[bytes, ...] | None:
        try:
            message = raw if unwrap is None else unwrap(raw)
            if len(message) < shortest or (passes is not None and not passes(message)):
                return None
            return tuple(take(message))
        except (Refused, *UNREADABLE):
            return None

    return gist


def _several(reads: list[Read], parts: Parts, raw: bytes) -> list[Frame] | Reason:
    frames: list[Frame] = []
    for read in reads:
        frame = read(parts, b"" if frames else raw)
        if frame is not None:
            frames.append(frame)
    return frames or Reason.NOISE
