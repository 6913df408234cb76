"""Invented indicators that nobody would build the same way twice: shapes beside those of the other families.

Written without looking at what learning can do: clocks and counters beside the number, records of several
lines, exponents, a decimals field, half-byte addresses, a change of unit, odd checks, escapes by DLE, eight
bytes, labels of gross and net, bursts of noise, chunks that do not keep to messages.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from stream_far_binary import BINARIES
from stream_far_text import TEXTS
from stream_kit import Design, Plan, Reading, State, Stream, Wire, in_turn, latest, stream_of
from stream_odd_binary import (
    dle,
    eight_bytes,
    float_text,
    half_bytes,
    long_sync,
    modbus_like,
    point_told,
    reversed_bcd,
    signed_bit,
)
from stream_odd_kit import Rng
from stream_odd_text import (
    clocked,
    exponent,
    glued,
    hex_status,
    inner_span,
    kinds,
    labelled,
    letters,
    nested,
    raw_beside,
    several_lines,
    shorter_number,
    table,
    thousands,
    unit_changes,
)

from drivers.wire import KG_PER

ODD = (
    clocked,
    several_lines,
    exponent,
    point_told,
    half_bytes,
    unit_changes,
    eight_bytes,
    dle,
    inner_span,
    kinds,
    labelled,
    glued,
    thousands,
    raw_beside,
    signed_bit,
    reversed_bcd,
    long_sync,
    nested,
    table,
    shorter_number,
    modbus_like,
    float_text,
    letters,
    hex_status,
)
FAR = (*TEXTS, *BINARIES)


def make_odd(seed: int, least_s: float = 0) -> Stream:
    """Invent one odd stream from its seed, recorded in one of several manners."""
    return invented("odd", ODD, seed, least_s)


def make_far(seed: int, least_s: float = 0) -> Stream:
    """Invent one stream of the third family."""
    return invented("far", FAR, seed, least_s)


def invented(family: str, designs: tuple[Callable[[Rng], Design], ...], seed: int, least_s: float) -> Stream:
    """Invent one stream of a family from its seed, of at least so many seconds."""
    rng = random.Random(f"{family} {seed}")
    design = designs[seed % len(designs)](rng)
    load = rng.choice((84.2, 71.4, 63.85, 92.6, 25.0, 101.3))
    plans, known, seconds = _session(rng, design, load)
    rate = rng.choice((6, 10, 10, 15, 25)) * (1 if design.together else max(len(design.pads) * 0.8, 1))
    manner = rng.choice(("quiet", "noise", "sway", "noise"))
    made = _states(rng, design, plans, rate, max(seconds, least_s), manner)
    recorded = _line(rng, design, made, clean=False)
    used = [
        [(0.0, 0.0), (2.0, rng.uniform(90, 290)), (7.0, rng.uniform(-18, -4)), (12.0, 33.0)] for _ in plans
    ]
    later = _line(rng, design, _states(rng, design, used, rate, 18.0, "noise"), clean=True)
    return stream_of(f"{family[0]}{seed:05d}", design, known, recorded, later, [manner])


def _session(rng: Rng, design: Design, load: float) -> tuple[list[Plan], list[str], float]:
    """Loads by pad, what is known, and how long."""
    plans: list[Plan] = [[(0.0, 0.0)] for _ in design.pads]
    known = ["0@0:8"]
    if len(plans) > 1 and (design.together or rng.random() < 0.5):
        loaded, seconds = in_turn(plans, load)
        return plans, known + loaded, seconds
    plan = rng.choice(plans)
    plan.append((9.0, load))
    known.append(f"{load:g}kg@12:20")
    if rng.random() < 0.5:
        plan.append((21.0, 0.0))
        return plans, [*known, "0@24:30"], 30.5
    return plans, known, 20.2


def _load(plan: Plan, t_s: float, ramp_s: float) -> tuple[float, bool]:
    before, now, past_s = latest(plan, t_s)
    share = min(past_s / ramp_s, 1.0)
    return before + (now - before) * share, past_s > ramp_s + 0.3


def _states(
    rng: Rng, design: Design, plans: list[Plan], rate: float, seconds: float, manner: str
) -> list[list[State]]:
    per = float(KG_PER[design.unit] * design.step)
    ramp_s, swing = rng.uniform(1.2, 2.4), rng.uniform(0.1, 0.4)
    zero = [0.0 if manner == "quiet" else rng.uniform(-0.8, 0.8) * per for _ in plans]
    out: list[list[State]] = []
    for n in range(int(seconds * rate)):
        t_s = n / rate
        made = []
        for pad in range(len(plans)) if design.together else (n % len(plans),):
            kg, still = _load(plans[pad], t_s, ramp_s)
            if manner == "sway" and kg > 5:
                kg += swing * rng.choice((-1, 0, 1, 1)) * 0.5
            shake = 0.0 if manner == "quiet" else 0.6 * per * (1 if still else 3)
            made.append(
                State(
                    pad=pad,
                    count=round((kg + zero[pad] + rng.gauss(0, shake)) / per),
                    steady=still,
                    seq=n + 5,
                    t_s=t_s,
                )
            )
        out.append(made)
    return out


def _line(rng: Rng, design: Design, made: list[list[State]], *, clean: bool) -> Wire:
    """Put messages on the line: damage, bursts of noise between them, chunks of the adapter's own."""
    per = float(KG_PER[design.unit] * design.step)
    sizes = rng.choice((0, 0, 62, 16))
    bursts = 0.0 if clean or design.check == "none" else rng.choice((0.0, 0.0, 0.03))
    hurt = 0.0 if clean else rng.choice((0.0, 0.01))
    chunks: list[tuple[float, bytes]] = []
    truth: dict[int, list[Reading]] = {}
    size, skip = 0, 0 if clean else rng.randrange(8)
    for n, together in enumerate(made):
        data, intact = design.encode(together), True
        if n == 0:
            data, intact = data[skip:], skip == 0
        elif rng.random() < hurt:
            at = rng.randrange(len(data))
            data, intact = (
                data[:at] + (b"" if rng.random() < 0.5 else bytes([rng.randrange(256)])) + data[at + 1 :],
                False,
            )
        if rng.random() < bursts:
            noise = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 9)))
            intact = data[0] > 0x7F  # text without a start cannot be told from noise before it
            chunks.append((together[0].t_s, noise))
            size += len(noise)
        size += len(data)
        if intact:
            still = all(s.steady for s in together)
            mass = design.mass_kg or (lambda s: s.count * per)
            truth[size] = [
                Reading(pad=design.pads[s.pad], mass_kg=kg, steady=still, begin=size - len(data))
                for s in together
                if (kg := mass(s)) is not None
            ]
        chunks.append((together[0].t_s, data))
    return _rechunked(chunks, sizes), truth


def _rechunked(chunks: list[tuple[float, bytes]], size: int) -> list[tuple[float, bytes]]:
    """Chunks of one size, each with the time of its last byte; 0 leaves them as they are."""
    if not size:
        return chunks
    out: list[tuple[float, bytes]] = []
    held = b""
    for t_s, data in chunks:
        held += data
        while len(held) >= size:
            out.append((t_s, held[:size]))
            held = held[size:]
    return out + ([(chunks[-1][0], held)] if held else [])
