"""Finding the check of messages: where it stands, how it is written, which sum it is, what it covers.

A check is believed when it holds for nearly all messages and takes many values in those; what was damaged
on the line then shows as messages that fail it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from random import Random

from drivers import checks
from drivers.checks import Check, Sum, ordered
from drivers.learn.cuts import Cut
from drivers.learn.find_span import NUMERIC, spots

PROBE = 28
"""Messages looked at first; a wrong sum passes 8 bits once in 256, so 28 of them exclude chance."""
DISTINCT = 5
"""Different values needed in messages that pass: a byte that only damage changes agrees with many sums."""
PASSING = 0.8
"""Share of messages that must pass; more damage than that is no stream to learn from."""
DAMAGED = 0.55
"""Share of distinct messages that may be damaged: good ones repeat themselves and count once."""
OTHERS, MOST_KINDS = 0.3, 2
"""Share of distinct messages of another kind from which they are left out, and how many such are tried."""
STRICT = 8
"""Of the first so many, which came more than once where any did, three may be wrong."""
MAIN = 0.6
"""Share of messages that have one size where a check is looked for at any place."""
MADE_UP = 200
"""Messages put together from bytes seen, to tell checks apart that agree on all that came."""
WRITTEN = ("binary", "hex", "decimal")


@dataclass(frozen=True, kw_only=True)
class Found:
    """A check that holds; positions as in layouts, `passing` of `of` messages pass."""

    kind: str
    crc: str = ""
    coding: str = "binary"
    order: str = "big"
    at: int
    size: int
    first: int
    stop: int
    init: int = 0
    mask: int = 0
    passing: int = 0
    of: int = 0
    rival: str = ""
    """Another check that passes as well and would differ on other messages."""

    def check(self) -> Check:
        """The check as drivers compute it."""
        if self.crc:
            compute, bits = checks.crc(self.crc)
        else:
            bits = 4 * self.size if self.coding == "hex" else 8 * self.size
            compute = checks.summing(self.kind, self.init, bits)
        mask = self.mask or ((1 << bits) - 1 if self.coding != "decimal" else 0xFF)
        return Check(
            name=self.crc or self.kind,
            compute=compute,
            at=self.at,
            size=self.size,
            first=self.first,
            stop=self.stop,
            coding=self.coding,
            order=self.order,
            mask=mask,
        )

    @property
    def name(self) -> str:
        """Its name as records give it."""
        return self.crc or self.kind

    def lines(self) -> list[str]:
        """Write [check]."""
        out = ["[check]", f'kind = "{self.kind}"']
        out += [f'crc = "{self.crc}"'] if self.crc else []
        out += [f'coding = "{self.coding}"'] if self.coding != "binary" else []
        out += [f"size = {self.size}"]
        out += [f'order = "{self.order}"'] if self.order != "big" else []
        out += [f"at = {self.at}", f"from = {self.first}"]
        out += [f"to = {self.stop}"] if self.stop != self.at else []
        out += [f"init = {self.init}"] if self.init else []
        return out + ([f"mask = 0x{self.mask:X}"] if self.mask else [])


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a check may stand and how it may be written; `values` are the probe's numbers there."""

    at: int
    size: int
    coding: str
    order: str
    values: tuple[int | None, ...]


Sums = Callable[[list[bytes], _Place, int, int], Iterator[Found]]


def find_check(messages: Sequence[bytes], cut: Cut, *, anywhere: bool = True) -> Found | None:
    """Find the check that most messages pass; None when there is none that is known.

    `anywhere` looks at unusual places, too, when the usual ones hold none.
    """
    found = _found_in(messages, messages, cut)
    for kind in () if found else _kinds(messages):
        found = found or _found_in(kind, messages, cut)
    return found or (_anywhere(messages, cut) if anywhere else None)


def _kinds(messages: Sequence[bytes]) -> list[list[bytes]]:
    """Messages less those that a byte tells to be few, but many different ones: of another kind."""
    distinct = set(messages)
    if len(set(map(len, distinct))) != 1:
        return []
    size = len(next(iter(distinct)))
    found: dict[tuple[bool, ...], tuple[int, list[bytes]]] = {}
    for at in range(size):
        byte, count = Counter(message[at] for message in messages).most_common(1)[0]
        others = Counter(message[at] for message in distinct if message[at] != byte)
        if not PASSING * len(messages) < count < len(messages):
            continue
        other, times = others.most_common(1)[0]  # the rest is damaged
        if times > OTHERS * len(distinct) and times > PASSING * others.total():
            kept = [message for message in messages if message[at] != other]
            found[tuple(message[at] == other for message in distinct)] = (times, kept)
    return [kept for _, kept in sorted(found.values(), key=lambda item: -item[0])[:MOST_KINDS]]


def _found_in(some: Sequence[bytes], messages: Sequence[bytes], cut: Cut) -> Found | None:
    """Find a check in some messages at a usual place that most of all pass."""
    counted = Counter(some)
    distinct = list(counted)
    twice = [message for message in distinct if counted[message] > 1]  # what came twice is not damaged
    once = [message for message in distinct if counted[message] == 1]
    probe = _some(twice, PROBE)
    probe += _some(once, 2 * PROBE - len(probe)) if len(probe) < PROBE else []
    if len(probe) < 8:
        return None
    places = list(_places(probe, cut))
    likely = next(_holding(_crcs, probe, places, cut, messages), None)
    if likely is not None:
        return likely
    for sums in (_plain_sums, _sums_from):
        found = list(_holding(sums, probe, places, cut, messages))
        if found:
            return _best(found, distinct)
    return None


def _some(messages: list[bytes], count: int) -> list[bytes]:
    """At most so many messages, from all over the recording."""
    return messages[:: max(-(-len(messages) // count), 1)]


def _anywhere(messages: Sequence[bytes], cut: Cut) -> Found | None:
    """A XOR or sum over some part of messages of one size."""
    size, count = Counter(map(len, messages)).most_common(1)[0]
    if count < MAIN * len(messages):
        return None
    for spot in spots([message for message in messages if len(message) == size], cut.head, cut.tail):
        found = Found(
            kind=spot.kind,
            coding=spot.coding,
            at=spot.at - size,
            size=spot.size,
            first=spot.first,
            stop=spot.stop - size,
            init=spot.init,
        )
        if proven := _proven(found, messages):
            return proven
    return None


def _holding(
    sums: Sums, probe: list[bytes], places: list[_Place], cut: Cut, messages: Sequence[bytes]
) -> Iterator[Found]:
    """Checks of a family that most messages pass."""
    again = _begun_again(probe)
    for place in places:
        for first, stop in _spans(place, cut, min(map(len, probe)), again):
            for found in sums(probe, place, first, stop):
                if proven := _proven(found, messages):
                    yield proven


def _best(found: list[Found], distinct: list[bytes]) -> Found:
    """The check that most messages pass; of equal ones the first, with the name of one that would differ."""
    most = max(item.passing for item in found)
    equal = [item for item in found if item.passing == most]
    best = equal[0]
    others = _made_up([message for message in distinct if best.check().passes(message)])
    for other in equal[1:]:
        if (
            other.name != best.name
            and (other.at, other.size) == (best.at, best.size)
            and _differs(best, other, others)
        ):
            return replace(best, rival=other.name)
    return best


def _made_up(messages: list[bytes]) -> list[bytes]:
    """Messages that may come one day: each varying byte takes what it had in any message."""
    random = Random(3)
    size = Counter(map(len, messages)).most_common(1)[0][0]
    rows = [message for message in messages if len(message) == size]
    return [bytes(random.choice(rows)[n] for n in range(size)) for _ in range(MADE_UP)]


def _differs(a: Found, b: Found, messages: list[bytes]) -> bool:
    one, other = a.check(), b.check()
    return any(one.expected(message) != other.expected(message) for message in messages)


def _proven(found: Found, messages: Sequence[bytes]) -> Found | None:
    """The check with its count; None when too few pass, or when those that pass hardly differ in it."""
    check = found.check()
    passing = [message for message in messages if check.passes(message)]
    if len(passing) < PASSING * len(messages) or len(set(map(check.expected, passing))) < DISTINCT:
        return None
    return replace(found, passing=len(passing), of=len(messages))


def _places(probe: list[bytes], cut: Cut) -> Iterator[_Place]:
    shortest = min(map(len, probe))
    body_end = -cut.tail
    ends = [-cut.trail + n for n in (0, 1, 2)] if cut.trail and not cut.unwraps else []
    ends = [end for end in ends if end < 0]
    for size in (1, 2, 4, 3, 8):
        behind = [body_end - size, body_end - size - 1, body_end - size - 2, *ends, cut.head]
        for at in dict.fromkeys(behind):
            if (at >= 0 and (size > 2 or cut.trail)) or -at > shortest - 3 or (at < 0 and at + size > 0):
                continue
            for coding in WRITTEN:
                yield from _written(probe, at, size, coding)


def _written(probe: list[bytes], at: int, size: int, coding: str) -> Iterator[_Place]:
    if (
        (coding == "hex" and size % 2)
        or (coding == "decimal") != (size == 3)
        or (coding == "binary" and size > 4)
    ):
        return
    for order in _orders(size, coding):
        where = slice(at, at + size if at >= 0 or at + size < 0 else None)
        values = tuple(_number(message[where], coding, order) for message in probe)
        numeric = sum(set(message[where]) <= NUMERIC for message in probe)
        digits = coding == "binary" and numeric > 0.9 * len(probe)  # the others are damaged
        if not digits and len(set(values)) >= DISTINCT and values.count(None) <= DAMAGED * len(values):
            yield _Place(at=at, size=size, coding=coding, order=order, values=values)


def _orders(size: int, coding: str) -> tuple[str, ...]:
    if size == 1 or coding == "decimal":
        return ("big",)
    return ("big", "swapped", "little") if coding == "hex" and size in (4, 8) else ("big", "little")


def _number(sent: bytes, coding: str, order: str) -> int | None:
    sent = ordered(sent, order)
    if coding == "binary":
        return int.from_bytes(sent, "big")
    try:
        return int(sent, 16 if coding == "hex" else 10) if sent.isalnum() else None
    except ValueError:
        return None


def _begun_again(probe: list[bytes]) -> list[int]:
    """Where an answer begins behind its question in messages of one size: it repeats it, or is a line."""
    size = len(probe[0])
    if any(len(message) != size for message in probe):
        return []
    lines = [n for n in range(2, size - 3) if all(m[n - 1] in b"\r\n" and m[n] not in b"\r\n" for m in probe)]
    return lines + [n for n in range(4, size - 3) if all(m[n : n + 2] == m[:2] for m in probe)][:2]


def _spans(place: _Place, cut: Cut, shortest: int, again: list[int]) -> Iterator[tuple[int, int]]:
    firsts = dict.fromkeys((cut.head, 0, 1, 2, 3, 4, *again))
    if place.at >= 0:
        yield from ((place.at + place.size, stop) for stop in dict.fromkeys((-cut.tail, 0)))
        return
    stops = dict.fromkeys((place.at, place.at - 1, place.at - 2, place.at - 3, place.at - len(cut.end)))
    for stop in stops:
        yield from ((first, stop) for first in firsts if first < shortest + stop - 1)


def _matches(compute: Sum, mask: int, spans: list[bytes], values: tuple[int | None, ...]) -> bool:
    wrong = 0
    allowed = DAMAGED * len(spans)
    for number, (span, value) in enumerate(zip(spans, values, strict=True)):
        if value is None or compute(span) & mask != value & mask:
            wrong += 1
            if wrong > allowed or (number < STRICT and wrong > 3):
                return False
    return True


def _sliced(probe: list[bytes], first: int, stop: int) -> list[bytes]:
    return [message[first : stop or None] for message in probe]


def _bits(place: _Place) -> int:
    if place.coding == "decimal":
        return 8
    return (4 if place.coding == "hex" else 8) * place.size


def _plain_sums(probe: list[bytes], place: _Place, first: int, stop: int) -> Iterator[Found]:
    bits = _bits(place)
    spans = _sliced(probe, first, stop)
    for kind in ("xor", "sum", "sum-twos", "sum-ones", "fletcher"):
        if bits not in {"xor": (8,), "fletcher": (16, 32)}.get(kind, (8, 16)):
            continue
        for mask in ((1 << bits) - 1, 0x7F) if bits == 8 and place.coding == "binary" else ((1 << bits) - 1,):
            if _matches(checks.summing(kind, bits=bits), mask, spans, place.values):
                seven = mask == 0x7F
                if not seven or max(value or 0 for value in place.values) < 0x80:
                    yield _found(place, kind, first, stop, mask=0x7F if seven else 0)


def _sums_from(probe: list[bytes], place: _Place, first: int, stop: int) -> Iterator[Found]:
    """Sums that begin at another number than 0."""
    bits = _bits(place)
    if bits > 8 or stop != place.at:
        return
    spans = _sliced(probe, first, stop)
    for kind in ("xor", "sum"):
        compute = checks.summing(kind)
        begun = [
            (value ^ compute(span) if kind == "xor" else value - compute(span)) & 0xFF
            for span, value in zip(spans, place.values, strict=True)
            if value is not None
        ]
        init = max(set(begun), key=begun.count)
        if begun.count(init) >= (1 - DAMAGED) * len(probe):
            yield _found(place, kind, first, stop, init=init)


def _crcs(probe: list[bytes], place: _Place, first: int, stop: int) -> Iterator[Found]:
    bits = _bits(place)
    if place.coding == "decimal" or bits not in (8, 16, 24, 32):
        return
    spans = _sliced(probe, first, stop)
    for name, compute in _catalogue(bits):
        if _matches(compute, (1 << bits) - 1, spans, place.values):
            yield _found(place, "crc", first, stop, crc=name)


def _found(
    place: _Place, kind: str, first: int, stop: int, *, crc: str = "", init: int = 0, mask: int = 0
) -> Found:
    return Found(
        kind=kind,
        crc=crc,
        coding=place.coding,
        order=place.order,
        at=place.at,
        size=place.size,
        first=first,
        stop=stop,
        init=init,
        mask=mask,
    )


@cache
def _catalogue(bits: int) -> list[tuple[str, Sum]]:
    """CRCs of a width, the commonest names first."""
    common = (
        "CRC8-SMBUS",
        "CRC8-MAXIM-DOW",
        "CRC16-MODBUS",
        "CRC16-ARC",
        "CRC16-XMODEM",
        "CRC16-IBM-3740",
        "CRC32-ISO-HDLC",
    )
    names = [*(name for name in common if name in checks.catalogue()), *checks.catalogue()]
    found = []
    for name in dict.fromkeys(names):
        compute, width = checks.crc(name)
        if width == bits:
            found.append((name, compute))
    return found
