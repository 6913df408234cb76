"""What invented streams are made of: loads over time, checks, the line that damages and delays, the truth."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

from drivers import checks
from drivers.wire import KG_PER


@dataclass(kw_only=True)
class Reading:
    """One true reading: pad, mass, whether it stands still, and where its message begins."""

    pad: str
    mass_kg: float
    steady: bool
    begin: int = 0


@dataclass(kw_only=True)
class Stream:
    """Bytes with times, and the truth by the offset at which a message ended."""

    name: str
    shape: str
    known: list[str]
    chunks: list[tuple[float, bytes]]
    truth: dict[int, list[Reading]]
    later: bytes
    later_truth: dict[int, list[Reading]]
    check: str
    says_steady: bool
    undecidable: bool = False
    features: list[str] = field(default_factory=list)


@dataclass(kw_only=True)
class State:
    """What a message is made from: number of the pad, counts of the last place, whether it stands still."""

    pad: int
    count: int
    steady: bool
    seq: int
    t_s: float


Encode = Callable[[list[State]], bytes]
Plan = list[tuple[float, float]]
"""The load of a pad: from when (s), how much (kg)."""
Wire = tuple[list[tuple[float, bytes]], dict[int, list[Reading]]]
"""Chunks with their times, and the truth by the offset at which a message ended."""


@dataclass(kw_only=True)
class Design:
    """An invented indicator. `encode` makes a whole message of one state (or one of each pad)."""

    shape: str
    unit: str
    step: Fraction
    pads: list[str]
    together: bool
    encode: Encode
    check: str = "none"
    says_steady: bool = True
    chatter: list[bytes] = field(default_factory=list)
    undecidable: bool = False
    features: list[str] = field(default_factory=list)
    mass_kg: Callable[[State], float | None] | None = None
    """The mass that a message says, where it is not the count times the step; None when it says none."""


def profile(t_s: float, plan: Plan) -> tuple[float, bool]:
    """Load (kg) and whether it stands still: a plan lists (from_s, kg), each reached within 1.6 s."""
    now, before = plan[0][1], plan[0][1]
    since = -9.0
    for begin, load in plan:
        if t_s >= begin > 0:
            before, now, since = now, load, begin
    share = min((t_s - since) / 1.6, 1.0)
    return before + (now - before) * share * share * (3 - 2 * share), t_s - since > 2.1


def states(
    rng: random.Random, design: Design, plans: list[Plan], rate: float, seconds: float
) -> list[list[State]]:
    """The states of all messages, in turn or together."""
    out = []
    per = float(KG_PER[design.unit] * design.step)
    noise = rng.choice((0.4, 0.8, 1.5)) * per
    zero = [rng.uniform(-1.2, 1.2) * per for _ in plans]
    seq, t_s, turn = rng.randrange(256), 0.0, 0
    while t_s < seconds:
        which = range(len(plans)) if design.together else (turn % len(plans),)
        made = []
        for pad in which:
            load, still = profile(t_s, plans[pad])
            shake = noise if still else noise + 0.01 * abs(load)
            mass = load + zero[pad] + rng.gauss(0, shake) * (0.4 if still else 1)
            made.append(State(pad=pad, count=round(mass / per), steady=still, seq=seq, t_s=t_s))
        out.append(made)
        seq += 1
        turn += 1
        t_s += 1 / rate
    return out


def latest(plan: Plan, t_s: float) -> tuple[float, float, float]:
    """Load before and after the latest change of a plan (kg), and how long ago it was (s), long at first."""
    now = before = plan[0][1]
    since = -99.0
    for begin, kg in plan:
        if t_s >= begin > 0:
            before, now, since = now, kg, begin
    return before, now, t_s - since


def in_turn(plans: list[Plan], load_kg: float) -> tuple[list[str], float]:
    """Put the load on one pad after the other; returns what is known then, and how long it takes."""
    known, begin = [], 9.0
    for plan in plans:
        plan += [(begin, load_kg), (begin + 7, 0.0)]
        known.append(f"{load_kg:g}kg@{begin + 2.5:g}:{begin + 6.8:g}")
        begin += 8.0
    return known, begin + 1


def stream_of(
    name: str, design: Design, known: list[str], recorded: Wire, used: Wire, manner: list[str]
) -> Stream:
    """A stream of what was recorded for learning and of the same indicator in use."""
    return Stream(
        name=name,
        shape=design.shape,
        known=known,
        chunks=recorded[0],
        truth=recorded[1],
        later=b"".join(data for _, data in used[0]),
        later_truth=used[1],
        check=design.check,
        says_steady=design.says_steady,
        undecidable=design.undecidable,
        features=[design.unit, f"step {float(design.step):g}", f"{len(design.pads)} pads", *manner],
    )


SUMS = ("xor", "sum", "sum-twos", "sum-ones")
CRC8 = ("CRC8-SMBUS", "CRC8-MAXIM-DOW", "CRC8-ROHC", "CRC8-AUTOSAR")
CRC16 = ("CRC16-MODBUS", "CRC16-XMODEM", "CRC16-IBM-3740", "CRC16-KERMIT", "CRC16-ARC", "CRC16-DNP")
CRC32 = ("CRC32-ISO-HDLC", "CRC32-BZIP2", "CRC32-MPEG-2")


def any_check(rng: random.Random, *, text: bool, none: float) -> tuple[str, Callable[[bytes], bytes]]:
    """A check and what writes it for the bytes it covers."""
    if rng.random() < none:
        return "none", lambda _: b""
    kind = rng.choice((*SUMS, "crc8", "crc16", "crc16", "crc32"))
    if kind in SUMS:
        compute, size, name = checks.summing(kind), 1, kind
    else:
        name = rng.choice({"crc8": CRC8, "crc16": CRC16, "crc32": CRC32}[kind])
        compute, bits = checks.crc(name)
        size = bits // 8
    order = rng.choice(("big", "little")) if size > 1 else "big"
    mask = (1 << 8 * size) - 1
    if text:
        return name, lambda data: f"{compute(data) & mask:0{2 * size}X}".encode()
    return name, lambda data: (compute(data) & mask).to_bytes(size, order)  # type: ignore[arg-type]  # one of two


def some_pads(rng: random.Random) -> list[int]:
    return list(range(rng.choice((1, 1, 2, 4))))


def wire(rng: random.Random, design: Design, made: list[list[State]], *, damage: float) -> Wire:
    """Put messages on the line: mid-frame start, chatter, lost bytes, flipped bits."""
    per = float(KG_PER[design.unit] * design.step)
    mass = design.mass_kg or (lambda state: state.count * per)
    chunks: list[tuple[float, bytes]] = []
    truth: dict[int, list[Reading]] = {}
    size = 0
    first = rng.randrange(1, 6)
    for number, together in enumerate(made):
        data = design.encode(together)
        intact = True
        if number == 0:
            data, intact = data[first:], False
        elif damage and rng.random() < damage * len(data):
            data, intact = _damaged(rng, data), False
        size += len(data)
        still = all(state.steady for state in together)  # pads together share one claim
        if intact:
            truth[size] = [
                Reading(pad=design.pads[state.pad], mass_kg=kg, steady=still, begin=size - len(data))
                for state in together
                if (kg := mass(state)) is not None
            ]
        chunks.append((together[0].t_s, data))
        if design.chatter and rng.random() < 0.02:
            line = rng.choice(design.chatter)
            chunks.append((together[0].t_s + 0.01, line))
            size += len(line)
    return _cut_apart(rng, chunks), truth


def _damaged(rng: random.Random, data: bytes) -> bytes:
    if rng.random() < 0.4:
        at = rng.randrange(len(data))
        return data[:at] + data[at + rng.randrange(1, 4) :]
    out = bytearray(data)
    out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut_apart(rng: random.Random, chunks: list[tuple[float, bytes]]) -> list[tuple[float, bytes]]:
    """Let one chunk in eight come in two."""
    out: list[tuple[float, bytes]] = []
    for t_s, data in chunks:
        if len(data) > 4 and rng.random() < 0.125:
            at = rng.randrange(1, len(data))
            out += [(t_s, data[:at]), (t_s + 0.004, data[at:])]
        else:
            out.append((t_s, data))
    return out
