"""Invent streams of indicators that nobody has: features put together at random from a seed, with the truth.

Each stream is what somebody who learns a layout has: bytes as they came with their times, and what stood on
the pads when. The truth says for every message where it ended, and pad, mass, unit and steady claim of its
readings. A second part, `later`, is the same indicator in use: heavier loads and readings below zero.
Streams marked `undecidable` cannot be learnt by anybody from what is given.

    python tools/make_streams.py FOLDER [SEED …]      write x.bin, x.times.csv, x.truth.jsonl, about.toml
"""

from __future__ import annotations

import json
import random
import sys
from fractions import Fraction
from pathlib import Path

from stream_binary import binary, binary_together
from stream_kit import Design, Plan, State, Stream, in_turn, states, stream_of, wire
from stream_text import text_fixed, text_hex, text_keyed, text_sign_apart, text_together, text_variable

from drivers import checks


def undecidable(rng: random.Random) -> Design:
    """Streams that nobody could tell: gross and net alike, or numbers that do not answer."""
    kind = rng.choice(("twins", "no answer", "off"))
    factor = {"twins": 1.0, "no answer": 0.0, "off": 1.13}[kind]

    def encode(made: list[State]) -> bytes:
        state = made[0]
        number = round(state.count * factor)
        if kind == "twins":
            return f"{number / 10:8.1f} {number / 10:8.1f}\r\n".encode()
        if kind == "no answer":
            return f"{'S' if state.steady else 'M'} {37 + state.seq % 7:6d} kg\r\n".encode()
        return (
            b"\xaa\x55"
            + (number & 0xFFFF).to_bytes(2, "big")
            + bytes([checks.xor((number & 0xFFFF).to_bytes(2, "big"))])
        )

    return Design(
        shape=f"undecidable {kind}",
        unit="kg",
        step=Fraction(1, 10),
        pads=[""],
        together=False,
        encode=encode,
        undecidable=True,
    )


FAMILIES = (
    text_fixed,
    text_fixed,
    text_sign_apart,
    text_variable,
    text_keyed,
    text_together,
    text_hex,
    binary,
    binary,
    binary,
    binary_together,
    undecidable,
)


def make(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream from its seed, of at least so many seconds."""
    rng = random.Random(seed)
    design = FAMILIES[seed % len(FAMILIES)](rng)
    load = Fraction(rng.choice(("84.2", "71.4", "63.85", "92.6")))
    plans, known, seconds = _session(rng, design, load)
    rate = rng.choice((8, 10, 10, 12.5, 20)) * (1 if design.together else max(len(design.pads) * 0.7, 1))
    if len(known) == 2 and seconds > 25 and rng.random() < 0.5:
        known.append(f"0@{seconds - 5:g}:{seconds - 0.5:g}")
        for plan in plans:
            plan.append((seconds - 9, 0.0))
    made = states(rng, design, plans, rate, max(seconds, least_s))
    recorded = wire(rng, design, made, damage=0 if rng.random() < 0.3 else 2e-4)
    used = [
        [
            (0.0, 0.0),
            (3.0, rng.uniform(90, 290)),
            (8.0, rng.uniform(-18, -4)),
            (12.0, rng.uniform(20, 290)),
            (17.0, 0.0),
        ]
        for _ in plans
    ]
    later = wire(rng, design, states(rng, design, used, rate, 20.0), damage=0)
    return stream_of(f"s{seed:05d}", design, known, recorded, later, design.features)


def _session(rng: random.Random, design: Design, load: Fraction) -> tuple[list[Plan], list[str], float]:
    """Loads by pad, what is known, and how long: 20 s for one pad; pads together are loaded in turn."""
    plans: list[Plan] = [[(0.0, 0.0)] for _ in design.pads]
    known = ["0@0:8"]
    if design.together or (len(plans) > 1 and rng.random() < 0.5):
        loaded, seconds = in_turn(plans, float(load))
        return plans, known + loaded, seconds
    plans[rng.randrange(len(plans))].append((9.0, float(load)))
    known.append(f"{float(load):g}kg@12:20")
    return plans, known, 20.0 if rng.random() < 0.5 else 30.0


def save(stream: Stream, folder: Path) -> Path:
    """Write a stream as files; returns the path of its bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{stream.name}.bin"
    path.write_bytes(b"".join(data for _, data in stream.chunks))
    at, rows = 0, ["offset,t_s"]
    for t_s, data in stream.chunks:
        rows.append(f"{at},{t_s:.4f}")
        at += len(data)
    path.with_suffix(".times.csv").write_text("\n".join(rows) + "\n")
    lines = [
        json.dumps({"end": end, "readings": [vars(r) for r in readings]})
        for end, readings in stream.truth.items()
    ]
    path.with_suffix(".truth.jsonl").write_text("\n".join(lines) + "\n")
    about = [
        f'shape = "{stream.shape}"',
        f"known = {json.dumps(stream.known)}",
        f'check = "{stream.check}"',
        f"features = {json.dumps(stream.features)}",
        'origin = "invented, written by tools/make_streams.py"',
    ]
    path.with_suffix(".about.toml").write_text("\n".join(about) + "\n")
    return path


if __name__ == "__main__":
    for one in [int(word) for word in sys.argv[2:]] or range(48):
        print(save(make(one), Path(sys.argv[1])))
