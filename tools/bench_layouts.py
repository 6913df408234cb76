"""Measure layouts: frames a second, and what damaged messages do.

    .venv/bin/python tools/bench_layouts.py [--frames N] [--mutations N] [--case NAME …]

Speed is CPU time of feed alone, the best of three runs, in blocks of 4 KiB and message by message, beside a
bare loop over the same line text that splits, matches a pattern and converts one number: the ratio holds on
any machine. Damage: each mutated message goes through a driver between good ones; a frame that says anything
but the truth is a wrong one. Where there is a check no single changed byte may pass; without one the rate is
printed. Bursts (several bytes changed, lost or doubled, two exchanged) can pass any check of b bits about
once in 2^b, less what fixed places and patterns refuse besides: their rate is printed for all.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.api import Frame
from drivers.conformance import Case, cases, run, values
from drivers.registry import Factory, find

CASES = Path(__file__).resolve().parents[1] / "tests" / "drivers" / "cases"
BLOCK, RUNS = 4096, 3
Mutate = Callable[[bytes, random.Random], bytes]
AROUND = 4
"""Good messages before and behind a damaged one: a driver may need two to be in step again."""


@dataclass
class Damage:
    """What mutated messages did."""

    mutated: int = 0
    wrong: int = 0
    example: bytes = b""

    @property
    def rate(self) -> float:
        """Wrong frames a mutated message."""
        return self.wrong / max(1, self.mutated)


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


def one_byte(message: bytes, rng: random.Random) -> bytes:
    """Change one byte, half of the time into one that occurs in messages."""
    data = bytearray(message)
    at = rng.randrange(len(data))
    data[at] = rng.choice(message) if rng.random() < 0.5 else rng.randrange(256)
    return bytes(data)


def burst(message: bytes, rng: random.Random) -> bytes:
    """Change several bytes, lose or double some, or exchange two neighbours."""
    data = bytearray(message)
    at = rng.randrange(len(data))
    kind = rng.choice(("change", "lose", "double", "exchange"))
    if kind == "change":
        for _ in range(rng.randint(2, 4)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif kind == "lose":
        del data[at : at + rng.randint(1, 6)]
    elif kind == "double":
        data[at:at] = data[at : at + rng.randint(1, 6)]
    else:
        data[at : at + 2] = data[at : at + 2][::-1]
    return bytes(data)


def messages(make: Factory, case: Case) -> list[bytes]:
    """The good messages of a case."""
    return [item.raw for item in run(make(), case.recording) if isinstance(item, Frame) and item.raw]


def damage(make: Factory, case: Case, count: int, mutate: Mutate, rng: random.Random) -> Damage:
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
    parser.add_argument("--mutations", type=int, default=1_500_000, help="mutated messages in all")
    parser.add_argument("--case", nargs="*", default=[], help="only these cases")
    parser.add_argument("--seed", type=int, default=1)
    return parser.parse_args(words)


def print_speed(chosen: list[Case], frames: int) -> None:
    """Print frames a second of each layout."""
    bare = bare_loop(frames)
    print(f"bare loop of one pattern and one float: {bare:,.0f} lines/s")
    print(f"{'layout':<20}{'check':<16}{'4 KiB':>10}{'ratio':>7}{'one by one':>12}")
    for case in chosen:
        make = find(case.about["driver"], [case.folder])
        data = case.recording * max(1, frames // max(1, len(case.expected)))
        single = max(1, len(case.recording) // max(1, len(case.expected)))
        block = max(speed(make, data, BLOCK) for _ in range(RUNS))
        print(
            f"{case.name:<20}{case.about['integrity']:<16}{block:>10,.0f}{block / bare:>7.2f}"
            f"{max(speed(make, data, single) for _ in range(RUNS)):>12,.0f}"
        )


def print_damage(chosen: list[Case], mutations: int, seed: int) -> bool:
    """Print what damaged messages did; True when a changed byte passed a check."""
    failed = False
    total = 0
    print(f"\n{'layout':<20}{'check':<16}", end="")
    print("".join(f"{kind:>10}{'wrong':>7}{'rate':>10}" for kind in ("one byte", "bursts")))
    for case in chosen:
        make = find(case.about["driver"], [case.folder])
        rng = random.Random(f"{seed} {case.name}")
        single = damage(make, case, 2 * mutations // (3 * len(chosen)), one_byte, rng)
        many = damage(make, case, mutations // (3 * len(chosen)), burst, rng)
        total += single.mutated + many.mutated
        checked = case.about["integrity"] != "none"
        failed |= checked and single.wrong > 0
        note = f"  {single.example!r}" if checked and single.wrong else ""
        print(
            f"{case.name:<20}{case.about['integrity']:<16}{single.mutated:>10,}{single.wrong:>7,}{single.rate:>10.1e}"
            f"{many.mutated:>10,}{many.wrong:>7,}{many.rate:>10.1e}{note}"
        )
    print(f"{total:,} mutated messages, no exception")
    return failed


def main(words: Sequence[str] | None = None) -> int:
    """Print both tables; 1 when a changed byte passed a check."""
    args = arguments(words)
    chosen = [case for case in cases(CASES) if not args.case or case.name in args.case]
    if args.frames:
        print_speed(chosen, args.frames)
    return int(print_damage(chosen, args.mutations, args.seed)) if args.mutations else 0


if __name__ == "__main__":
    sys.exit(main())
