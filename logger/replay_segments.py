"""A recording as a list to read: what happened, one line each, and then every pad's own rests.

Rests are numbered; between two of them stands what happened meanwhile: a car on or off, a rock, a person, a
step with its size on every pad, or a movement that left the load as it was. Values are in the recording's
unit with twice their standard uncertainty, times in its own seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from math import hypot

from logger.judge.breathing import Breath, breathing
from logger.judge.measures import lost
from logger.judge.seen import Seen
from logger.judge.text import two_digits
from logger.model import (
    ALL_PADS,
    Boarding,
    CarOff,
    CarOn,
    Condition,
    Gap,
    Knock,
    PadCondition,
    Rock,
    ZeroCheck,
)
from logger.recording import kg_per, known_unit
from logger.replay import Replayed
from logger.stands import (
    Line,
    Part,
    Stand,
    Told,
    car_track,
    hyphen,
    pad_tracks,
    plus,
    short,
    signed,
    told_by,
    value_text,
)

GAP_S = 1.0
"""A gap shorter than this is only counted."""
NEAR_S = 1.0
"""Events are told up to so long after the rest that they lead to began."""
EMPTY_SHARE, EMPTY_KG = 0.03, 25.0
"""Where no zero is known, pads with less than this, and than this share of their largest load, are bare."""
PERSON_IN, PERSON_OUT = "person aboard", "person out"
SAME_PERSON = 0.05
"""Somebody who gets out weighs what he weighed getting in, within this share: he may carry something."""
UNMOVED = "moved"
"""What a movement is called that left the load as it was."""
SAME_U = 3.0
"""A step below so many standard uncertainties left the load as it was."""


def segment_lines(recording: Replayed) -> Iterator[str]:
    """The whole list, heads and foot included, as lines of text."""
    told = told_by(recording)
    pads = told.watch.pads()
    yield f"{'from':>10} {'to':>10}  s               values ± 2u"
    tracks = pad_tracks(recording, told, pads)
    car = car_track(recording, told)
    for line in sorted(_story(recording, told, car, tracks), key=lambda line: (line.from_s, line.to_s)):
        yield str(line)
    if car:
        for pad, stands in tracks.items():
            yield from ("", f"{pad} by itself")
            yield from (str(line) for line in _stand_lines(stands, recording.units.get(pad, recording.unit)))
    yield from _foot(pads)


def _story(
    recording: Replayed, told: Told, car: Sequence[Stand], tracks: dict[str, list[Stand]]
) -> Iterator[Line]:
    """The main list: of the whole car where it rests, else of every pad; and what else happened."""
    if car:
        yield from _car_lines(recording, told, car)
    else:
        for pad, stands in tracks.items():
            name = f"{pad} " if len(tracks) > 1 else ""
            yield from _stand_lines(stands, recording.units.get(pad, recording.unit), name)
    yield from _disturbances(recording, told)
    yield from _zero_lines(recording, told)


# -- lines of one pad ----------------------------------------------------------------------------------------


def _stand_lines(stands: Sequence[Stand], unit: str, name: str = "") -> Iterator[Line]:
    before: Stand | None = None
    for stand in stands:
        step = (
            ""
            if before is None
            else f"   step from {before.number}: {_size(before.parts[0], stand.parts[0], unit)}"
        )
        text = f"{value_text(stand.value, stand.u, unit)}{_creep(stand, unit)}{step}"
        yield Line(from_s=stand.from_s, to_s=stand.to_s, what=f"{name}rest {stand.number}", text=text)
        before = stand


def _size(before: Stand | Part, after: Stand | Part, unit: str) -> str:
    return signed(after.value - before.value, hypot(before.u, after.u), unit)


def _creep(stand: Stand, unit: str) -> str:
    if stand.per_min is None:
        return ""
    return f"   moves {hyphen(two_digits(stand.per_min, f'{unit}/min'))}"


# -- lines of the car ----------------------------------------------------------------------------------------


def _car_lines(recording: Replayed, told: Told, stands: Sequence[Stand]) -> Iterator[Line]:
    unit = recording.unit
    for stand in stands:
        parts = "   ".join(f"{p.pad} {short(p.value, p.u)}" for p in stand.parts)
        text = f"{value_text(stand.value, stand.u, unit)}   {parts}"
        yield Line(from_s=stand.from_s, to_s=stand.to_s, what=f"rest {stand.number}", text=text)
    rocks = [_rock_line(recording, told, rock) for rock in told.others if isinstance(rock, Rock)]
    aboard: list[float] = []
    for before, after in pairwise(stands):
        change = _change(recording, told, stands, before, after)
        if change.what == PERSON_OUT and not _was_aboard(aboard, before, after):
            change = replace(change, what="step", text=f"{change.text}   (a person's size)")
        elif change.what == PERSON_IN:
            aboard.append(after.value - before.value)
        mine = [r for r in rocks if before.to_s - NEAR_S <= r.from_s <= after.declared_s]
        if mine and change.what == UNMOVED:
            rocks = [r for r in rocks if r not in mine]
            change = replace(change, what="rock", text=f"{mine[-1].text}; {change.text}")
        yield change
    yield from rocks


def _was_aboard(aboard: list[float], before: Stand, after: Stand) -> bool:
    """Take off the list who got in and is as heavy as what came off; False when nobody is."""
    gone = before.value - after.value
    near = max(SAME_PERSON * gone, SAME_U * hypot(before.u, after.u))
    match = next((size for size in aboard if abs(size - gone) <= near), None)
    if match is not None:
        aboard.remove(match)
    return match is not None


def _change(recording: Replayed, told: Told, stands: Sequence[Stand], before: Stand, after: Stand) -> Line:
    """What lay between two rests of the car, and its size on every pad."""
    what = _kind(recording, told, stands, before, after)
    sizes = "   ".join(
        f"{a.pad} {plus(a.value - b.value, hypot(a.u, b.u))}"
        for b, a in zip(before.parts, after.parts, strict=True)
    )
    text = f"from rest {before.number} to {after.number}: {_size(before, after, recording.unit)}   {sizes}"
    if what in (PERSON_IN, PERSON_OUT):
        text += _breath_text(recording, told, after if what == PERSON_IN else before)
    return Line(from_s=before.to_s, to_s=after.from_s, what=what, text=text)


def _kind(recording: Replayed, told: Told, stands: Sequence[Stand], before: Stand, after: Stand) -> str:
    clock = told.watch.clock

    def here(kind: type[CarOn] | type[CarOff] | type[Boarding]) -> bool:
        times = (clock.s(r.t_mono_ns) for r in told.others if isinstance(r, kind))
        return any(before.to_s - NEAR_S <= t <= after.from_s + NEAR_S for t in times)

    size = after.value - before.value
    bare = _bare(recording, stands)
    if here(CarOn) or (bare(before) and not bare(after) and size > 0):
        return "car on"
    if here(CarOff) or (bare(after) and not bare(before) and size < 0):
        return "car off"
    if here(Boarding):
        return PERSON_IN if size > 0 else PERSON_OUT
    return "step" if abs(size) > SAME_U * hypot(before.u, after.u) else UNMOVED


class _bare:
    """Says of a rest whether all pads are bare; only of masses."""

    def __init__(self, recording: Replayed, stands: Sequence[Stand]) -> None:
        per = kg_per(recording.unit)
        loads = [[abs(p.value) for p in stand.parts] for stand in stands]
        most = [max(column) for column in zip(*loads, strict=True)]
        mass = known_unit(recording.unit) is not None
        self.limits = [min(EMPTY_SHARE * m, EMPTY_KG / per) if mass else -1.0 for m in most]

    def __call__(self, stand: Stand) -> bool:
        return all(abs(p.value) <= limit for p, limit in zip(stand.parts, self.limits, strict=True))


def _rock_line(recording: Replayed, told: Told, rock: Rock) -> Line:
    clock, per = told.watch.clock, kg_per(recording.unit)
    speed = "" if rock.frequency_Hz is None else f" at {rock.frequency_Hz:.2g} Hz"
    damping = "not told (not let swing freely)"
    if rock.damping_ratio is not None:
        damping = f"{rock.damping_ratio:.2g}"
    size = two_digits(rock.amplitude_kg / per, recording.unit)
    text = f"{rock.swings} swings{speed}, up to {size}; damping {damping}"
    return Line(from_s=clock.s(rock.t_from_mono_ns), to_s=clock.s(rock.t_to_mono_ns), what="rock", text=text)


def _breath_text(recording: Replayed, told: Told, stand: Stand) -> str:
    per = kg_per(recording.unit)
    names = {part.pad for part in stand.parts}
    loads = [seen.between(stand.declared_s, stand.to_s) for seen in told.watch.pads() if seen.pad in names]
    found: Breath | None = breathing(loads)
    if found is None:
        return "   (no breathing to be seen)"
    return f"   breathing at {found.frequency_Hz:.2f} Hz, ± {found.amplitude_kg / per:.1g} {recording.unit}"


# -- what else happened --------------------------------------------------------------------------------------


def _disturbances(recording: Replayed, told: Told) -> Iterator[Line]:
    clock = told.watch.clock
    for record in told.others:
        match record:
            case Knock():
                unit = recording.units.get(record.pad, recording.unit)
                t = clock.s(record.t_mono_ns)
                size = two_digits(record.amplitude_kg / kg_per(unit), unit)
                text = f"{record.pad} {hyphen(size)}, the load as before"
                yield Line(from_s=t, to_s=t, what="knock", text=text)
            case Gap():
                a, b = clock.s(record.t_from_mono_ns), clock.s(record.t_to_mono_ns)
                if b - a >= GAP_S:
                    count = "" if record.count is None else f", about {record.count} readings"
                    why = record.cause.replace("_", " ")
                    yield Line(from_s=a, to_s=b, what="gap", text=f"{_who(record.pad)}: {why}{count}")
            case PadCondition(condition=Condition.OVERLOADED | Condition.GARBLED):
                t = clock.s(record.since_mono_ns)
                text = f"{record.pad} {record.condition}" + (f": {record.reason}" if record.reason else "")
                yield Line(from_s=t, to_s=t, what="trouble", text=text)


def _who(pad: str) -> str:
    return "all pads" if pad == ALL_PADS else pad


def _zero_lines(recording: Replayed, told: Told) -> Iterator[Line]:
    """Zero checks, those of one stretch of empty pads together: the last of each pad."""
    clock = told.watch.clock
    groups: list[list[ZeroCheck]] = []
    loaded = sorted(clock.s(r.t_mono_ns) for r in told.others if isinstance(r, CarOn | CarOff))
    for check in told.others:
        if not isinstance(check, ZeroCheck):
            continue
        t = clock.s(check.t_mono_ns)
        last = clock.s(groups[-1][-1].t_mono_ns) if groups else None
        if last is None or any(last < moved <= t for moved in loaded):
            groups.append([])
        groups[-1].append(check)
    for group in groups:
        by_pad = {check.pad: check for check in group}
        unit = recording.unit
        per = kg_per(unit)
        zeros = "   ".join(
            f"{pad} {plus(check.zero_kg / per, check.u_kg / per)}" for pad, check in sorted(by_pad.items())
        )
        times = [clock.s(check.t_mono_ns) for check in group]
        yield Line(from_s=min(times), to_s=max(times), what="zero checked", text=f"{zeros}   {unit}")


def _foot(pads: Sequence[Seen]) -> Iterator[str]:
    yield ""
    for seen in pads:
        left = ", ".join(f"{n} {reason}" for reason, n in seen.left_out.items())
        missing = lost(seen)
        text = f"{seen.pad}: {len(seen.t_s)} readings"
        text += f"; left out {left}" if left else ""
        yield text + (f"; about {missing} missing" if missing else "")
