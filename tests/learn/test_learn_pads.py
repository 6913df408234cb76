"""Streams that were read wrongly, or not at all, once: each made here as bytes, with what must come of it."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.learn.cuts import Cut
from drivers.learn.effort import Effort
from drivers.learn.learn import Outcome, learn
from drivers.learn.recording import Recording, parse_known
from drivers.learn.solve import solve

Encode = Callable[[list[int], bool, int], bytes]
"""Writes a message of the pads' counts, whether they stand still, and the message's number."""


def counts(
    t_s: float, plan: list[tuple[float, float, float]], noise: int, rng: random.Random
) -> tuple[int, bool]:
    """A pad's count and whether it stands still; a plan lists (from, to, count), reached within 1 s."""
    count, still = 0.0, True
    for begin, end, load in plan:
        share = min(max(t_s - begin, 0), 1) - min(max(t_s - end, 0), 1)
        count += load * share
        still = still and not (begin < t_s < begin + 1.3 or end < t_s < end + 1.3)
    return round(count) + (rng.randint(-noise, noise) if still else 0), still


def learnt(
    encode: Encode,
    known: str = "0@0:8 80kg@12:20",
    plans: tuple[list[tuple[float, float, float]], ...] = ([(10.0, 21.0, 800.0)],),
    *,
    rate: float = 10,
    noise: int = 1,
) -> tuple[Outcome, list[dict[str | None, float]], list[list[int]]]:
    """Learn 30 s of a stream; returns the outcome, what its layout reads, and the counts sent."""
    rng = random.Random(5)
    chunks, sent = [], []
    for n in range(int(30 * rate)):
        pads = [counts(n / rate, plan, noise, rng) for plan in plans]
        sent.append([count for count, _ in pads])
        chunks.append((n / rate, encode(sent[-1], all(still for _, still in pads), n)))
    outcome = learn(Recording(chunks), [parse_known(text) for text in known.split()], name="pads")
    read: list[dict[str | None, float]] = []
    if outcome.proven:
        for item in load_layout(outcome.layout, "pads").driver().feed(b"".join(d for _, d in chunks), 0):
            if isinstance(item, Frame) and item.mass_kg is not None:
                read += [{}] if item.raw else []
                read[-1][item.address] = item.mass_kg
    return outcome, read, sent


def right(encode: Encode, step_kg: float, *args: object, **more: object) -> bool:
    """Tell whether every message is read, but the first, each pad as it was sent."""
    outcome, read, sent = learnt(encode, *args, **more)  # type: ignore[arg-type]  # passed on
    assert outcome.proven, outcome.missing
    masses = [[value for _, value in sorted(frame.items(), key=lambda item: str(item[0]))] for frame in read]
    wanted = [[pytest.approx(count * step_kg) for count in pads] for pads in sent]
    return masses in (wanted, wanted[1:])


def test_a_number_beside_it_that_stays_small_is_no_pad() -> None:
    """A battery of 3.9 V is near zero beside 80 kg, and a flag is 0 or 1: neither crosses zero."""
    assert right(lambda c, s, n: f"w={c[0] / 10};stable={s:d};bat={3.95 - n / 5000:.2f}\r\n".encode(), 0.1)


def test_each_pad_has_its_own_sign() -> None:
    """One status byte before each pad's number: bit 7 is its sign."""

    def encode(pads: list[int], still: bool, n: int) -> bytes:
        body = b"".join(bytes([0x80 * (c < 0) | (not still)]) + abs(c).to_bytes(2, "big") for c in pads)
        return b"\xaa\x55" + body + bytes([sum(body) & 255])

    assert right(encode, 0.1, plans=([(10.0, 21.0, 800.0)], [(22.0, 28.0, 700.0)]), noise=3)


def test_pads_that_were_never_loaded_are_read() -> None:
    """Four fields written alike at even distances; a person stood on the second only."""
    plans: tuple[list[tuple[float, float, float]], ...] = ([], [(10.0, 21.0, 800.0)], [], [])
    assert right(lambda c, s, n: b" ".join(b"%+06.1fkg" % (x / 10) for x in c) + b"\r\n", 0.1, plans=plans)


def test_halves_of_one_number_are_no_two_pads() -> None:
    """Low and high byte answer together to 80 kg and 40 kg as the whole does by itself."""
    plan = [(10.0, 21.0, 800.0), (22.0, 29.0, 400.0)]
    known = "0@0:8 80kg@12:20 40kg@24:28"
    assert right(lambda c, s, n: b"\xa5\x5a" + c[0].to_bytes(4, "big", signed=True), 0.1, known, (plan,))


def test_even_steps_below_zero_are_twos_complement() -> None:
    """Steps of 2: read in ones' complement, -2 would be -1, which no step of 2 is."""
    assert right(
        lambda c, s, n: b"\xa5\x5a" + (2 * c[0]).to_bytes(4, "little", signed=True),
        0.02,
        noise=1,
        known="0@0:8 16kg@12:20",
    )


def test_a_heavier_load_than_the_known_one_is_a_load() -> None:
    """A jug of 20 kg is known, and somebody steps on later: offset binary, low byte first."""
    plan = [(10.0, 21.0, 200.0), (22.0, 29.0, 900.0)]
    known = "0@0:8 20kg@12:20"
    assert right(
        lambda c, s, n: b"\xff\xff\x04" + (c[0] + (1 << 31)).to_bytes(4, "little"), 0.1, known, (plan,)
    )


def test_a_status_digit_is_no_decimal_place() -> None:
    """A blank and a digit behind the fraction: " 80.0 4" is 80.0, not 80.04."""

    def encode(pads: list[int], still: bool, n: int) -> bytes:
        return b"W" + b"".join(b" %8.1f %d" % (count / 10, 4 * (not still)) for count in pads) + b"\r\n"

    plans = ([(10.0, 16.0, 800.0)], [(20.0, 26.0, 800.0)])
    outcome, read, sent = learnt(encode, "0@0:8 80kg@12:15 80kg@22:25", plans)
    masses = [value for frame in read for value in frame.values()]
    assert not outcome.proven or masses[-20:] == [pytest.approx(c / 10) for pads in sent for c in pads][-20:]


def test_a_known_load_that_stood_too_shortly_is_left_out() -> None:
    assert right(lambda c, s, n: b"%7.1f kg\r\n" % (c[0] / 10), 0.1, "0@0:8 80kg@12:20 0@28.5:29.7", rate=5)


def test_decimals_behind_a_comma_belong_to_the_number() -> None:
    """The whole kilograms alone answer as well, 1 % off."""
    assert right(
        lambda c, s, n: b"> %s\r\n" % (b"%.2f" % (c[0] / 100)).replace(b".", b","),
        0.01,
        noise=3,
        plans=([(10.0, 21.0, 8000.0)],),
    )


def test_several_messages_are_never_taken_for_one() -> None:
    """A battery's digit once passed for a told length, and two readings of three were lost."""
    dice = random.Random(5)
    loads = [counts(n / 40, [(10.0, 21.0, 900.0)], 1, dice) for n in range(1200)]
    sent = [b"\x02%s%9.1f kg 12.5\x03\r" % (b"S" if still else b"D", count / 10) for count, still in loads]
    recording = Recording([(n / 40, message) for n, message in enumerate(sent)])
    knowns = [parse_known("0@0:8"), parse_known("90kg@12:20")]
    one = len(sent[0])
    assert solve(Cut(kind="fixed", start=b"\x02", size=one), recording, knowns, effort=Effort())[0]
    assert solve(Cut(kind="fixed", start=b"\x02", size=3 * one), recording, knowns, effort=Effort()) == (
        [],
        [],
    )
