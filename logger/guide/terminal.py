"""The guided weigh-in on a terminal: from typed readings, or following a running bay through its ledger."""

from __future__ import annotations

import argparse
import csv
import re
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from logger.bookkeeping.source import car_of, opened
from logger.car_file import read_car
from logger.cautions import CAUTIONS
from logger.guide.steps import (
    Guide,
    advice,
    from_captures,
    like_last,
    other_steps,
    read_heights,
    skipping,
    solved,
    stand_words,
    start,
    with_aim,
    with_heights,
    with_loads,
)
from logger.model import CORNERS, Advice, Capture
from logger.quantity import Quantity
from logger.quantity_text import read_quantity
from logger.units import M_PER, to_kg
from logger.weighin.placements import SPOTS

Ask = Callable[[str], str | None]
"""Shows a prompt and returns what was typed; None at the end of input."""
Say = Callable[[str], None]
HELP = (
    "Type four loads (LF RF LR RR), each with its unit or in the unit asked for; or `heights` with four, S1 "
    "to S4, and their unit; `aim cross 0.1 %`, `skip`, `undo`, `help`, `stop`."
)
LENGTH = {"kg": "mm", "lb": "in"}
"""The unit of heights typed without one, beside that of masses."""
_LOAD = re.compile(r"(-?\d*\.?\d+)\s*([a-zA-Z]*)")


def run_guide(args: argparse.Namespace) -> int:
    """Guide from typed readings (`--car`), or follow the bay in the folder given; 2 when that cannot be."""
    unit = args.unit
    try:
        if args.file is not None:
            return follow(args.file, args.aim, print, unit=unit)
        if args.car is None:
            raise ValueError("a guided weigh-in needs --car CAR.toml, or a bay's folder to follow")
        guide = start(read_car(args.car), args.pads.split(","), args.aim, unit=unit)
        done = typed(guide, _from_terminal, print, unit=unit)
    except (ValueError, LookupError, OSError) as why:
        print(why, file=sys.stderr)
        return 2
    if args.save is not None and done.weighings:
        save(done, args.save)
        print(f"Kept in {args.save}; `restpoint weigh` solves it again.")
    if done.car.known.spot_heights_m != guide.car.known.spot_heights_m:
        told = ", ".join(f"{s} = {1e3 * h:.4g}" for s, h in done.car.known.spot_heights_m.items())
        print(f"For the car's file, under [floor]: heights_mm = {{ {told} }}")
    return 0


def _from_terminal(prompt: str) -> str | None:
    try:
        return input(prompt)
    except EOFError:
        return None


def typed(guide: Guide, ask: Ask, say: Say, *, unit: str) -> Guide:
    """Guide with what is typed in, until it is time to stop or somebody says so."""
    say(HELP)
    warned: set[int] = set()
    came_by = [guide]
    told = advice(guide)
    _tell(told, say, warned, unit)
    while told.wants != "nothing":
        line = ask(f"heights, {LENGTH[unit]}> " if told.wants == "heights" else f"loads, {unit}> ")
        if line is None or line.strip() in ("stop", "quit"):
            break
        if line.strip() == "undo" and len(came_by) == 1:
            say("  There is nothing to undo.")
            continue
        if line.strip() == "undo":
            came_by.pop()
        else:
            fresh, sentences = _next(came_by[-1], line.strip(), unit, told.wants)
            for sentence in sentences:
                say(f"  {sentence}")
            if fresh is came_by[-1]:
                continue
            came_by.append(fresh)
        _summary(came_by[-1], say, unit)
        told = advice(came_by[-1])
        _tell(told, say, warned, unit)
    return came_by[-1]


def _next(guide: Guide, line: str, unit: str, wants: str) -> tuple[Guide, tuple[str, ...]]:
    """The guide after a line typed in, and what to say; the same guide when nothing could be made of it."""
    word, _, rest = line.partition(" ")
    if word == "skip":
        return skipping(guide), ()
    if word in ("help", "?"):
        return guide, (HELP,)
    try:
        if word == "aim":
            return with_aim(guide, rest), ()
        if word == "heights" or (wants == "heights" and not _are_loads(guide, line, unit)):
            return with_heights(guide, read_heights(line.removeprefix("heights"), LENGTH[unit]))
        return with_loads(guide, read_loads(line, unit))
    except ValueError as error:
        return guide, (f"{error}. {HELP}",)


def _are_loads(guide: Guide, line: str, unit: str) -> bool:
    """Whether a line typed where heights are asked for holds loads: by its units, or by what was weighed."""
    units = re.findall("[a-zA-Z]+", line)
    return not all(u in M_PER for u in units) if units else like_last(guide, _numbers(line, unit))


def _numbers(line: str, unit: str) -> list[float]:
    return [to_kg(float(value), unit) for value, _ in _LOAD.findall(line)]


def read_loads(line: str, unit: str) -> list[float]:
    """Read four loads, each with its own unit or in `unit`, into kg; ValueError says what is wrong."""
    rest = _LOAD.sub("", line).strip(" ,;")
    if rest:
        raise ValueError(f"{rest!r} is not a load")
    loads = [
        read_quantity(f"{value} {own}", "mass").value if own else to_kg(float(value), unit)
        for value, own in _LOAD.findall(line)
    ]
    if len(loads) != 4:
        raise ValueError(f"four loads are needed, not {len(loads)}")
    return loads


def follow(
    place: Path,
    aim: str,
    say: Say,
    *,
    unit: str,
    rounds: int | None = None,
    wait: Callable[[float], None] = time.sleep,
) -> int:
    """Follow the bay in this folder: after each capture say what is known and what to do next.

    Ends when the weigh-in is stopped; `rounds` bounds how often the ledger is looked at (None: no bound).
    """
    seen: tuple[Capture, ...] | None = None
    warned: set[int] = set()
    while rounds is None or rounds > 0:
        rounds = None if rounds is None else rounds - 1
        with opened(place) as ledger:
            rows = [row for row in ledger.weigh_ins() if not row.withdrawn]
            captures = tuple(ledger.captures(rows[-1].id)) if rows else ()
            car = car_of(ledger, rows[-1]) if rows else None
        if captures != seen and car is not None and captures:
            seen = captures
            first = {load.spot: load.pad for load in captures[0].loads}
            guide = from_captures(start(car, [first[s] for s in SPOTS], aim, unit=unit), captures)
            if guide.weighings:
                _summary(guide, say, unit)
                _tell(advice(guide), say, warned, unit)
        if rows and rows[-1].ended_wall_ns is not None:
            say("The weigh-in is stopped.")
            return 0
        wait(1.0)
    return 0


def _tell(told: Advice, say: Say, warned: set[int], unit: str) -> None:
    """Say an advice; a caution is said in full the first time and by no more than that."""
    say("")
    say(f"▸ {told.action}")
    if told.stand:
        say(f"  Facing {told.facing}: {stand_words(told, unit)}.")
    say(f"  Why: {told.why}.")
    for other in other_steps(told):
        say(f"  Or: {other.action} {other.why}")
    for number in told.cautions:
        if number not in warned:
            warned.add(number)
            say(f"  ! {CAUTIONS[number]}")


def _summary(guide: Guide, say: Say, unit: str) -> None:
    told = solved(guide)
    if told is None:
        return
    figures: Iterable[tuple[str, Quantity]] = (
        ("total", told.total.shown_in(unit)),
        ("front", told.front.shown_in("%")),
        ("left", told.left.shown_in("%")),
        ("cross", told.cross.shown_in("%")),
    )
    count = len(guide.weighings)
    say(
        f"  After {count} weighing{'s' if count > 1 else ''}: "
        + ", ".join(f"{n} {q.text()}" for n, q in figures)
    )


def save(guide: Guide, path: Path) -> None:
    """Write the weighings as the CSV that `restpoint weigh` reads."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("run", "facing", "spot", "corner", "pad", "value", "unit", "shim_mm"))
        for w in guide.weighings:
            for corner, spot, pad, load, shim in zip(
                CORNERS, w.spots, w.pads, w.loads_kg, w.shims_m, strict=True
            ):
                writer.writerow((w.run, w.facing, spot, corner, pad, f"{load:.10g}", "kg", f"{1e3 * shim:g}"))
