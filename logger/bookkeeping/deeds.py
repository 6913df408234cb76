"""What a person does to a ledger, each a deed that can be undone: name, correct, discard, merge, add.

References: w3 a weigh-in, w3.1 its first change, w3.c2 its second capture, e12 a fact, car:NAME a car.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from msgspec.structs import replace

from logger.bookkeeping.source import histories, row_of
from logger.car_file import Car
from logger.mechanics.plausible import off_the_car
from logger.model import CORNERS, Capture, Change, Facing
from logger.quantity import Quantity
from logger.weighin.facts import (
    CarFact,
    Fact,
    NoteFact,
    PartFact,
    PhotoFact,
    WeighInFact,
    kind_of,
    withdrawn,
)
from logger.weighin.ledger import Ledger
from logger.weighin.placements import SPOT_OF
from logger.weighin.refusal import LedgerError

N = TypeVar("N", Capture, Change)

ROUGH = 0.05
"""u of a mass typed in without its ±, as a share of it: a guess by hand is good to a tenth (own estimate)."""
ROUGH_M = 0.1
"""u of a place typed in without its ±, m: measured by eye from the axle (own estimate)."""


@dataclass(frozen=True, kw_only=True)
class Ref:
    """What a reference names; the fields that do not apply are None."""

    text: str
    weigh_in: int | None = None
    change: int | None = None
    capture: int | None = None
    fact: int | None = None
    car: str | None = None


def read_ref(text: str) -> Ref:
    """Read a reference; LedgerError says how one looks."""
    if text.startswith("car:"):
        return Ref(text=text, car=text.removeprefix("car:"))
    if found := re.fullmatch(r"e(\d+)", text):
        return Ref(text=text, fact=int(found[1]))
    if found := re.fullmatch(r"w(\d+)(?:\.(c?)(\d+))?", text):
        number = int(found[3]) if found[3] else None
        capture, change = (number, None) if found[2] else (None, number)
        return Ref(text=text, weigh_in=int(found[1]), change=change, capture=capture)
    raise LedgerError(
        f"{text!r} is no reference; write w3 (a weigh-in), w3.1 (a change), w3.c2 (a capture), e12 (a fact) "
        "or car:NAME"
    )


def name(ledger: Ledger, ref: Ref, to: str | None, t_wall_ns: int) -> str:
    """Give a change, fact or car a name; None takes the name proposed for a change. Return what was done."""
    if ref.change is not None:
        change = _change(ledger, ref)
        to = to or _proposed(ledger, ref)
        with ledger.doing(f"name {ref.text} {to!r}", t_wall_ns) as deed:
            ledger.put_change(_weigh_in(ref), replace(change, name=to), t_wall_ns, deed=deed)
        return f"{ref.text} is now {to!r}" + (f" (was {change.name!r})" if change.name else "")
    if to is None:
        raise LedgerError(f"{ref.text}: only a change has a proposed name; give one")
    if ref.car is not None:
        fact = _car_fact(ledger, ref.car)
        with ledger.doing(f"rename car {ref.car!r} to {to!r}", t_wall_ns) as deed:
            ledger.put_fact(replace(fact, name=to), deed)
            for part in ledger.facts():
                if isinstance(part, PartFact) and part.car == ref.car:
                    ledger.put_fact(replace(part, car=to), deed)
        return f"car {ref.car!r} is now {to!r}; its old name still finds it"
    known = _fact(ledger, ref)
    if not hasattr(known, "name"):
        raise LedgerError(f"{ref.text} is a {kind_of(known)}; it has no name")
    with ledger.doing(f"rename {ref.text} {to!r}", t_wall_ns) as deed:
        ledger.put_fact(replace(known, name=to), deed)
    return f"{ref.text} is now {to!r} (was {known.name!r})"


def add(ledger: Ledger, fact: Fact, t_wall_ns: int) -> str:
    """Write a new fact; what it refers to must be there. Return its reference and what it is."""
    _refuse_nonsense(ledger, fact)
    what = getattr(fact, "name", None) or getattr(fact, "where", None) or getattr(fact, "text", "")
    with ledger.doing(f"add {kind_of(fact)} {what}".rstrip(), t_wall_ns) as deed:
        kept = ledger.put_fact(fact, deed)
    return f"e{kept.id}: {kind_of(kept)} {what}".rstrip()


def add_conditions(ledger: Ledger, weigh_in: int, noted: Mapping[str, Any], t_wall_ns: int) -> str:
    """Note or correct conditions of a weigh-in (None takes one back)."""
    row_of(ledger, weigh_in)
    known = _weigh_in_fact(ledger, weigh_in)
    told = ", ".join(f"{k} = {v}" for k, v in noted.items())
    with ledger.doing(f"note for w{weigh_in}: {told}", t_wall_ns) as deed:
        ledger.put_fact(replace(known, conditions={**known.conditions, **noted}), deed)
    return f"w{weigh_in}: {told}"


def add_car(ledger: Ledger, name: str, car: Car, t_wall_ns: int) -> str:
    """Let a car be as its file says: lengths, floor, springs; all its weigh-ins are solved with them anew."""
    fact = _car_fact(ledger, name)
    with ledger.doing(f"describe car {name!r}", t_wall_ns) as deed:
        ledger.put_fact(replace(fact, car=car), deed)
    return f"car {name!r} is now as its file says"


def correct_fact(ledger: Ledger, ref: Ref, fields: Mapping[str, Any], t_wall_ns: int) -> str:
    """Give a fact other values; only fields it has."""
    known = _fact(ledger, ref)
    strange = [f for f in fields if f not in known.__struct_fields__]
    if strange:
        raise LedgerError(f"{ref.text} is a {kind_of(known)}; it has no {', '.join(strange)}")
    fresh = replace(known, **fields)
    _refuse_nonsense(ledger, fresh)
    with ledger.doing(f"correct {ref.text}: {', '.join(fields)}", t_wall_ns) as deed:
        ledger.put_fact(fresh, deed)
    return f"{ref.text} corrected: {', '.join(fields)}"


def correct_capture(
    ledger: Ledger,
    ref: Ref,
    t_wall_ns: int,
    *,
    facing: Facing | None = None,
    build: str | None = None,
    aboard: tuple[str, ...] | None = None,
) -> str:
    """Put right what a capture was taken as: facing (loads change corners), build, or who was aboard."""
    capture = _capture(ledger, ref)
    fresh = capture if facing in (None, capture.facing) else _faced(capture)
    fresh = replace(fresh, build=build or fresh.build, aboard=fresh.aboard if aboard is None else aboard)
    with ledger.doing(f"correct {ref.text}", t_wall_ns) as deed:
        ledger.put_capture(_weigh_in(ref), fresh, t_wall_ns, deed=deed)
    people = " and ".join(fresh.aboard) or "nobody"
    return f"{ref.text}: facing {fresh.facing}, {fresh.build}, {people} aboard"


def discard(ledger: Ledger, ref: Ref, t_wall_ns: int) -> str:
    """Let a capture, change, fact or whole weigh-in count no more; it stays in the ledger."""
    with ledger.doing(f"discard {ref.text}", t_wall_ns) as deed:
        if ref.capture is not None:
            fresh = replace(_capture(ledger, ref), discarded=True)
            ledger.put_capture(_weigh_in(ref), fresh, t_wall_ns, deed=deed)
        elif ref.change is not None:
            _put_none(ledger, ref, t_wall_ns, deed)
        elif ref.fact is not None:
            ledger.put_fact(withdrawn(_fact(ledger, ref)), deed)
        elif ref.weigh_in is not None:
            row_of(ledger, ref.weigh_in)
            ledger.put_fact(replace(_weigh_in_fact(ledger, ref.weigh_in), counts=False), deed)
        else:
            raise LedgerError(f"{ref.text}: a car is not discarded; merge it into another")
    return f"{ref.text} counts no more; `restpoint ledger undo` brings it back"


def merge(ledger: Ledger, one: Ref, other: Ref, t_wall_ns: int) -> str:
    """Let two changes of a weigh-in, two typed parts or two cars be one; the first lends its name."""
    with ledger.doing(f"merge {one.text} and {other.text}", t_wall_ns) as deed:
        if one.change is not None and other.change is not None and one.weigh_in == other.weigh_in:
            first, last = sorted((_change(ledger, one), _change(ledger, other)), key=lambda c: c.number)
            if first.capture_after != last.capture_before:
                raise LedgerError(
                    f"{one.text} and {other.text} do not follow each other; what lies between would "
                    "be counted in"
                )
            whole = replace(
                _change(ledger, one), capture_before=first.capture_before, capture_after=last.capture_after
            )
            whole = replace(whole, build_before=first.build_before, build_after=last.build_after)
            ledger.put_change(_weigh_in(one), whole, t_wall_ns, deed=deed)
            _put_none(ledger, other, t_wall_ns, deed)
        elif one.car is not None and other.car is not None:
            onto, gone = _car_fact(ledger, one.car), _car_fact(ledger, other.car)
            ledger.put_fact(onto, deed)
            ledger.put_fact(replace(gone, merged_into=onto.row), deed)
            for part in ledger.facts():
                if isinstance(part, PartFact) and part.car == other.car:
                    ledger.put_fact(replace(part, car=onto.name), deed)
        elif other.fact is not None:
            _merge_part(ledger, one, other, deed)
        else:
            raise LedgerError(
                "two changes of one weigh-in, two cars, or a typed part into what was weighed can be merged"
            )
    return f"{other.text} is now part of {one.text}"


def _merge_part(ledger: Ledger, one: Ref, other: Ref, deed: int) -> None:
    """A typed part turns out to be a change that was weighed, or another typed part: it counts no more."""
    gone = _fact(ledger, other)
    if not isinstance(gone, PartFact):
        raise LedgerError(f"{other.text} is a {kind_of(gone)}, not a part")
    if one.fact is not None:
        kept = _fact(ledger, one)
        if not isinstance(kept, PartFact) or kept.car != gone.car:
            raise LedgerError(f"{one.text} is no typed part of {gone.car}; a part is merged with a part")
    else:
        _change(ledger, one)
    ledger.put_fact(replace(gone, merged_into=one.text), deed)


def rough(mass: Quantity) -> Quantity:
    """A mass with the ± of a guess where none was given."""
    return Quantity(mass.value, ROUGH * abs(mass.value), "kg") if mass.u is None else mass


def rough_place(place: Quantity | None) -> Quantity | None:
    """A place with the ± of a guess where none was given."""
    return place if place is None or place.u is not None else Quantity(place.value, ROUGH_M, "m")


# -- what a reference names -------------------------------------------------------------------------------


def _weigh_in(ref: Ref) -> int:
    assert ref.weigh_in is not None  # read_ref gives changes and captures their weigh-in
    return ref.weigh_in


def _change(ledger: Ledger, ref: Ref) -> Change:
    return _numbered(ledger, ref, "change", ref.change, ledger.changes(_weigh_in(ref)))


def _capture(ledger: Ledger, ref: Ref) -> Capture:
    if ref.capture is None:
        raise LedgerError(f"{ref.text} is no capture; write w3.c2 for the second of weigh-in 3")
    return _numbered(ledger, ref, "capture", ref.capture, ledger.captures(_weigh_in(ref)))


def _numbered(ledger: Ledger, ref: Ref, what: str, number: int | None, rows: list[N]) -> N:
    row_of(ledger, _weigh_in(ref))
    found = next((r for r in rows if r.number == number), None)
    if found is None:
        count = f"{len(rows)} {what}{'s' if len(rows) != 1 else ''}"
        raise LedgerError(f"{ledger.path}: there is no {ref.text}; w{ref.weigh_in} has {count}")
    return found


def _fact(ledger: Ledger, ref: Ref) -> Fact:
    if ref.fact is None:
        raise LedgerError(f"{ref.text} is not a fact typed in (such as e12)")
    found = next((f for f in ledger.facts() if f.id == ref.fact), None)
    if found is None:
        raise LedgerError(f"{ledger.path}: there is no {ref.text}; `restpoint ledger search` lists facts")
    return found


def _car_fact(ledger: Ledger, name: str) -> CarFact:
    """The fact of this car, made from what the bay noted when nothing was written about it yet."""
    facts = ledger.car_facts()
    known = next((f for f in facts.values() if f.name == name and f.merged_into is None), None)
    row = next((c for c in ledger.cars() if c.name == name and c.row not in facts), None)
    if known is None and row is None:
        names = ", ".join(dict.fromkeys(r.car for r in ledger.weigh_ins()))
        raise LedgerError(f"{ledger.path}: there is no car {name!r}; there are: {names or 'none'}")
    return known if known is not None else CarFact(row=row.row if row else 0, name=name)


def _weigh_in_fact(ledger: Ledger, weigh_in: int) -> WeighInFact:
    found = (f for f in ledger.facts() if isinstance(f, WeighInFact) and f.weigh_in == weigh_in)
    return next(found, WeighInFact(weigh_in=weigh_in))


def _proposed(ledger: Ledger, ref: Ref) -> str:
    for told in histories(ledger).values():
        for step in told.steps:
            if step.ref == ref.text and step.proposed:
                return step.name
    raise LedgerError(f"{ref.text} has a name already, or does not count; give the new one")


def _put_none(ledger: Ledger, ref: Ref, t_wall_ns: int, deed: int) -> None:
    """A change from a build to itself is none."""
    change = _change(ledger, ref)
    none = replace(change, capture_after=change.capture_before, build_after=change.build_before)
    ledger.put_change(_weigh_in(ref), none, t_wall_ns, deed=deed)


def _faced(capture: Capture) -> Capture:
    """The capture facing the other way: pads and spots stay, the corners over them change."""
    other: Facing = "back" if capture.facing == "out" else "out"
    at = {load.spot: (i, load) for i, load in enumerate(capture.loads)}
    picked = [at[SPOT_OF[other][corner]] for corner in CORNERS]
    order = [i for i, _ in picked]
    return replace(
        capture,
        facing=other,
        loads=tuple(replace(load, corner=c) for c, (_, load) in zip(CORNERS, picked, strict=True)),
        covariance_kg2=tuple(capture.covariance_kg2[4 * i + j] for i in order for j in order),
        zero_u_kg=tuple(capture.zero_u_kg[i] for i in order) if capture.zero_u_kg else (),
    )


def _refuse_nonsense(ledger: Ledger, fact: Fact) -> None:
    """What cannot be is refused with a sentence: heavier than the car, below zero, about nothing there is."""
    if isinstance(fact, PhotoFact | NoteFact) and fact.of:
        about = read_ref(fact.of)
        if about.weigh_in is not None:
            row_of(ledger, about.weigh_in)
    weigh_in = getattr(fact, "weigh_in", None)
    if weigh_in is not None:
        row_of(ledger, weigh_in)
    _refuse_place(fact)
    mass = getattr(fact, "mass", None)
    if mass is None:
        return
    if mass.value == 0:
        raise LedgerError(f"a mass of nothing changes nothing; give {fact_name(fact)} its mass")
    if isinstance(fact, PartFact) and fact.car in (told := histories(ledger)):
        total = told[fact.car].states[-1].total
        if abs(mass.value) >= total.value:
            raise LedgerError(
                f"{fact_name(fact)} would weigh {abs(mass.value):.4g} kg, more than the car's "
                f"{total.text()}; check the number and its unit"
            )


def _refuse_place(fact: Fact) -> None:
    """Half a place, and one that no car reaches."""
    x, y = (getattr(fact, axis, None) for axis in ("x", "y"))
    if (x is None) != (y is None):
        there, lacks = ("x", "y") if y is None else ("y", "x")
        raise LedgerError(f"{fact_name(fact)} has {there} and no {lacks}: a place needs both, or neither")
    for place in (x, y):
        if place is not None and (told := off_the_car(place.value)) is not None:
            raise LedgerError(f"{fact_name(fact)}: {told}")


def fact_name(fact: Fact) -> str:
    """What to call a fact in a sentence."""
    return str(getattr(fact, "name", kind_of(fact)))
