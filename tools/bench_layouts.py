"""Measure layouts: frames a second, and what damaged messages do.

    .venv/bin/python tools/bench_layouts.py [--frames N] [--mutations N] [--case NAME …]

Speed is CPU time of feed alone, in blocks of 4 KiB and message by message, beside a bare loop over the same
line text that splits, matches a pattern and converts one number: the ratio holds on any machine. Damage:
each mutated message (bytes changed, lost, doubled, ends included) goes through a driver between good ones; a
frame that says anything but the truth is a wrong one. With a check none is allowed; without, the rate is
printed.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.api import Frame
from drivers.conformance import Case, cases, run, values
from drivers.registry import Factory, find

CASES = Path(__file__).resolve().parents[1] / "tests" / "drivers" / "cases"
BLOCK = 4096
AROUND = 4
"""Good messages before and behind a damaged one: a driver may need two to be in step again."""


@dataclass
class Damage:
    """What mutated messages did."""

    mutated: int = 0
    accepted_true: int = 0
    wrong: int = 0
    example: bytes = b""


def speed(make: Factory, data: bytes, block: int) -> float:
    """Frames a second of CPU time when fed blocks of this size."""
    driver = make()
    pieces = [data[at : at + block] for at in range(0, len(data), block)]
    begun = time.process_time()
    found = sum(len(driver.feed(piece, 0)) for piece in pieces)
    return found / (time.process_time() - begun)


def bare_loop(frames: int) -> float:
    """Lines a second of the barest loop that reads numbers from text."""
    data = b"P3 still      312.45 kg\r\n" * frames
    match = re.compile(rb"P(\d) (\w+) +(-?\d+\.\d\d) (kg|lb)").fullmatch
    out = []
    begun = time.process_time()
    for line in data.split(b"\r\n"):
        found = match(line)
        if found is not None:
            out.append((found[1], found[2], float(found[3]), found[4]))
    return len(out) / (time.process_time() - begun)


def mutate(message: bytes, rng: random.Random) -> bytes:
    """Damage one message: one byte changed mostly, else several, lost or doubled ones."""
    data = bytearray(message)
    luck = rng.random()
    at = rng.randrange(len(data))
    if luck < 0.5:
        data[at] ^= rng.randint(1, 255)
    elif luck < 0.7:
        for _ in range(rng.randint(2, 4)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif luck < 0.8:
        del data[at : at + rng.randint(1, 6)]
    elif luck < 0.9:
        data[at:at] = data[at : at + rng.randint(1, 6)]
    else:
        data[at] = rng.choice(message)
    return bytes(data)


def messages(make: Factory, case: Case) -> list[bytes]:
    """The good messages of a case."""
    return [item.raw for item in run(make(), case.recording) if isinstance(item, Frame) and item.raw]


def damage(make: Factory, case: Case, count: int, rng: random.Random) -> Damage:
    """Send `count` mutated messages, one at a time, each among good ones."""
    good = messages(make, case)
    before, behind = good[:AROUND], good[AROUND : 2 * AROUND]
    around = set(values(run(make(), b"".join([*before, *before]))))
    around |= set(values(run(make(), b"".join([*behind, *behind]))))
    true = {raw: around | set(values(run(make(), b"".join([*before, raw, *behind])))) for raw in good}
    found = Damage()
    driver = make()
    for _ in range(count):
        raw = rng.choice(good)
        bad = mutate(raw, rng)
        if bad == raw:
            continue
        found.mutated += 1
        got = values(driver.feed(b"".join([*before, bad, *behind]), 0))
        wrong = [value for value in got if value not in true[raw]]
        if wrong:
            found.wrong += 1
            found.example = found.example or bad
    return found


def arguments(words: Sequence[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Measure layouts.")
    parser.add_argument("--frames", type=int, default=100_000, help="frames to time each layout with")
    parser.add_argument("--mutations", type=int, default=1_000_000, help="mutated messages in all")
    parser.add_argument("--case", nargs="*", default=[], help="only these cases")
    parser.add_argument("--seed", type=int, default=1)
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    """Print both tables; 1 when a wrong frame passed a check."""
    args = arguments(words)
    chosen = [case for case in cases(CASES) if not args.case or case.name in args.case]
    bare = bare_loop(args.frames)
    print(f"bare loop of one pattern and one float: {bare:,.0f} lines/s")
    print(f"{'layout':<20}{'check':<16}{'4 KiB':>10}{'ratio':>7}{'one by one':>12}")
    for case in chosen:
        make = find(case.about["driver"], [case.folder])
        data = case.recording * max(1, args.frames // max(1, len(case.expected)))
        single = max(1, len(case.recording) // max(1, len(case.expected)))
        block = speed(make, data, BLOCK)
        print(
            f"{case.name:<20}{case.about['integrity']:<16}{block:>10,.0f}{block / bare:>7.2f}"
            f"{speed(make, data, single):>12,.0f}"
        )
    failed = False
    print(f"\n{'layout':<20}{'check':<16}{'mutated':>10}{'wrong':>8}{'rate':>11}")
    for case in chosen:
        make = find(case.about["driver"], [case.folder])
        rng = random.Random(f"{args.seed} {case.name}")
        found = damage(make, case, args.mutations // len(chosen), rng)
        checked = case.about["integrity"] != "none"
        failed |= checked and found.wrong > 0
        rate = found.wrong / max(1, found.mutated)
        note = f"  {found.example!r}" if checked and found.wrong else ""
        print(
            f"{case.name:<20}{case.about['integrity']:<16}{found.mutated:>10,}{found.wrong:>8,}{rate:>11.2e}{note}"
        )
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
