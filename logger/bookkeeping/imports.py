"""Give old notes a home: past weighings from a CSV, or all of another ledger, as weigh-ins of this one."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import replace

from logger.bookkeeping.source import NAME, car_of, histories, opened
from logger.car_file import Car
from logger.clock import NS
from logger.mechanics.plausible import unit_mix_up
from logger.mechanics.statics import square
from logger.mechanics.weighing import Known, Weighing
from logger.model import CORNERS, Capture, Change, CornerLoad
from logger.sentences import counted
from logger.weigh_file import read_weighings
from logger.weighin.facts import CarFact, Fact
from logger.weighin.ledger import Ledger, WeighInRow
from logger.weighin.refusal import LedgerError

_NUMBERED = re.compile(r"build \d+")
"""A build that has only a number lends its change no name."""
APART_NS = 60 * NS
"""Captures of a file carry no time; they are set a minute apart in the file's order."""


def import_csv(
    ledger: Ledger, file: Path, car: Car, day_ns: int, t_wall_ns: int, *, as_it_is: bool = False
) -> list[str]:
    """Take a CSV of weighings in as one weigh-in of this car; builds follow each other in the file's order.

    LedgerError for a file taken in already, or totals that look like another unit than the last weigh-in's
    (`as_it_is` takes them all the same). ConfigError for rows that cannot be read. Nothing is kept then.
    """
    readings = read_weighings(file, car.known)
    source = hashlib.sha256(file.read_bytes()).hexdigest()[:16]
    twin = next((row for row in ledger.weigh_ins() if row.source == source), None)
    if twin is not None and not twin.withdrawn and any(not c.discarded for c in ledger.captures(twin.id)):
        raise LedgerError(f"{file}: was taken in already, as w{twin.id}; nothing was added")
    notes = [*readings.notes]
    if not as_it_is:
        _refuse_other_unit(ledger, file, ledger.present_name(car.name), readings.weighings)
    captures = list(_captures(readings.weighings, day_ns))
    changes = list(_changes(captures))
    with ledger.doing(f"import {file.name}", t_wall_ns) as deed:
        row = ledger.car(car.name, *_lengths(car))
        weigh_in = ledger.begin(row, "from a file", "", "", day_ns, {}, source=source)
        ledger.end(weigh_in, captures[-1].t_wall_ns)
        for capture in captures:
            ledger.put_capture(weigh_in, capture, t_wall_ns, deed=deed)
        for change in changes:
            ledger.put_change(weigh_in, change, t_wall_ns, deed=deed)
        notes += _describe(ledger, weigh_in, row, car, deed)
    builds, name = len(dict.fromkeys(c.build for c in captures)), ledger.present_name(car.name)
    return [f"w{weigh_in}: {name}, {counted(len(captures), 'capture')} in {counted(builds, 'build')}", *notes]


def _refuse_other_unit(ledger: Ledger, file: Path, name: str, weighings: Sequence[Weighing]) -> None:
    told = histories(ledger).get(name)
    if told is None:
        return
    last_kg = told.states[-1].total.value
    for weighing in weighings:
        said = unit_mix_up(sum(weighing.loads_kg), last_kg)
        if said is not None:
            raise LedgerError(
                f"{file}: run {weighing.run}: {said} Nothing was added; correct the unit column, or add "
                "--as-it-is if the car is so."
            )


def _captures(weighings: Sequence[Weighing], day_ns: int) -> Iterator[Capture]:
    placements: list[tuple[str, str]] = []
    names = {w.build for w in weighings}
    states = {w.build: _build_and_people(w.build, names) for w in weighings}
    builds = list(dict.fromkeys(build for build, _ in states.values()))
    ordered = [w for build in builds for w in weighings if states[w.build][0] == build]
    for number, w in enumerate(ordered, 1):
        stood = (w.placement, w.zero_check)  # a capture's placement tells which rests share their zeros
        if stood not in placements:
            placements.append(stood)
        covariance = square(w.covariance_kg2) + np.diag(np.square(w.zero_u_kg))
        t_ns = day_ns + number * APART_NS
        yield Capture(
            number=number,
            t_mono_ns=t_ns,
            t_wall_ns=t_ns,
            t_rest_from_mono_ns=t_ns,
            build=states[w.build][0] or "build 1",
            aboard=states[w.build][1],
            facing=w.facing,
            placement=1 + placements.index(stood),
            run=number,
            loads=tuple(
                CornerLoad(corner=c, spot=s, pad=p, mass_kg=m, u_kg=float(u) ** 0.5, shim_m=shim)
                for c, s, p, m, u, shim in zip(
                    CORNERS, w.spots, w.pads, w.loads_kg, covariance.diagonal(), w.shims_m, strict=True
                )
            ),
            covariance_kg2=tuple(covariance.ravel().tolist()),
            mass_kg=sum(w.loads_kg),
            u_kg=float(covariance.sum()) ** 0.5,
            name=w.run,
            zero_u_kg=w.zero_u_kg if any(w.zero_u_kg) else (),
        )


def _build_and_people(name: str, names: Collection[str]) -> tuple[str, tuple[str, ...]]:
    """A file's build as build and people: "as bought + driver" is "as bought" where that was weighed too."""
    build, *people = name.split(" + ")
    return (build, tuple(people)) if build in names else (name, ())


def _changes(captures: Sequence[Capture]) -> Iterator[Change]:
    """From each build to the next, between captures with the same people aboard where there are such."""
    steps = []
    for last, after in pairwise(captures):
        if last.build != after.build:
            same = [c for c in captures if c.build == last.build and c.aboard == after.aboard]
            steps.append((same[-1] if same else last, after))
    for number, (before, after) in enumerate(steps, 1):
        yield Change(
            number=number,
            t_mono_ns=after.t_mono_ns,
            build_before=before.build,
            build_after=after.build,
            capture_before=before.number,
            capture_after=after.number,
            name="" if _NUMBERED.fullmatch(after.build) else after.build,
        )


def _lengths(car: Car) -> tuple[float | None, float | None, float | None]:
    g = car.geometry
    return g.wheelbase_m, g.track_front_m, g.track_rear_m


def _describe(ledger: Ledger, weigh_in: int, row: int, car: Car, deed: int) -> list[str]:
    """Keep the car's file with the ledger unless the car is known better, and say where they differ."""
    own = next(r for r in ledger.weigh_ins() if r.id == weigh_in)
    known = car_of(ledger, own)
    if row not in ledger.car_facts() and known.known == Known():
        ledger.put_fact(CarFact(row=row, name=own.car, car=car), deed)
        return []
    if known.geometry != car.geometry:
        return [
            f"The file's wheelbase and tracks are not those the ledger has for {own.car}; the ledger's are "
            "used. `restpoint ledger add LEDGER car CAR.toml` corrects them."
        ]
    return []


def import_ledger(ledger: Ledger, file: Path, t_wall_ns: int) -> list[str]:
    """Take in another ledger's weigh-ins (those not here yet) and facts, each in its latest revision."""
    if not file.is_file():
        raise LedgerError(f"{file} is not there; name the other ledger's file ({NAME})")
    have = {_identity(row) for row in ledger.weigh_ins()}
    lines: list[str] = []
    with opened(file) as other, ledger.doing(f"import {file.name}", t_wall_ns) as deed:
        taken: dict[int, int] = {}
        for row in other.weigh_ins():
            if row.withdrawn or _identity(row) in have:
                continue
            taken[row.id] = _copy(ledger, other, row, t_wall_ns, deed)
            lines.append(f"w{taken[row.id]}: {row.car}, was w{row.id}")
        facts = [moved for f in other.facts() if (moved := _moved(f, taken)) is not None]
        known = {_plain(f) for f in ledger.facts()}
        fresh = [f for f in facts if _plain(f) not in known]
        for fact in fresh:
            ledger.put_fact(fact, deed)
    count = len(fresh)
    return [*lines, f"{len(taken)} weigh-ins and {count} facts taken in"]


def _identity(row: WeighInRow) -> tuple[str, int, str]:
    return row.boot_id, row.begun_wall_ns, row.source


def _copy(ledger: Ledger, other: Ledger, row: WeighInRow, t_wall_ns: int, deed: int) -> int:
    car = car_of(other, row)
    number = ledger.car(row.car, *_lengths(car))
    weigh_in = ledger.begin(
        number,
        row.bay,
        row.boot_id,
        row.config_id,
        row.begun_wall_ns,
        row.conditions,
        source=row.source,
    )
    if row.ended_wall_ns is not None:
        ledger.end(weigh_in, row.ended_wall_ns)
    for capture in other.captures(row.id):
        ledger.put_capture(weigh_in, capture, t_wall_ns, deed=deed)
    for change in other.changes(row.id):
        ledger.put_change(weigh_in, change, t_wall_ns, deed=deed)
    _describe(ledger, weigh_in, number, car, deed)
    return weigh_in


def _moved(fact: Fact, taken: dict[int, int]) -> Fact | None:
    """A fact with its references as they are here; None for one about a weigh-in or car that stays there."""
    if isinstance(fact, CarFact):
        return None  # the car was described with its weigh-ins
    more: dict[str, Any] = {"id": 0}
    if hasattr(fact, "weigh_in"):
        if fact.weigh_in not in taken:
            return None
        more["weigh_in"] = taken[fact.weigh_in]
    for field in ("of", "merged_into"):
        ref = getattr(fact, field, None)
        found = re.match(r"w(\d+)", ref) if isinstance(ref, str) else None
        if ref is not None and found:
            if int(found[1]) not in taken:
                return None
            more[field] = f"w{taken[int(found[1])]}{ref[found.end() :]}"
    return replace(fact, **more)


def _plain(fact: Fact) -> str:
    return repr(replace(fact, id=0))
