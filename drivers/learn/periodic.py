"""Messages of one size: the distance at which bytes repeat, and where in it a message begins.

A byte that always stands at the same place of the period shows the step, not where a message begins. That is
told by chunks where they keep to messages, else by a check, which is nearly always the last thing in one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from drivers.learn.cuts import Cut, filled
from drivers.learn.find_check import Found, find_check
from drivers.learn.recording import Recording

LEAST = 12
"""Messages below which nothing is concluded from a way to cut."""
LONGEST = 160
"""The longest message thought of."""
KEPT_TO = 0.5
"""Share of chunks that begin at one place of the period when chunks keep to messages."""
COMMON, SPACED = 24, 0.75
"""Pairs of bytes looked at, and share of their distances that must be one and the same."""
SHORT, VARIED = 32, 5
"""Size up to which a check is looked for at every place, and values of a last byte that may be one's."""
SURE = 4
TURNING = ("xor", "sum-twos", "sum-ones")


def places_of(data: bytes, word: bytes) -> list[int]:
    """All places where some bytes stand."""
    places, at = [], data.find(word)
    while at >= 0:
        places.append(at)
        at = data.find(word, at + 1)
    return places


def periods(data: bytes) -> list[int]:
    """Distances at which words stand, or at which all bytes repeat themselves best; short ones first.

    Messages of several pads that take turns repeat at a multiple of their size as well, and better.
    """
    return sorted({*_spaced(data), *_repeating(data)})


def _spaced(data: bytes) -> list[int]:
    """Distances at which common pairs of bytes nearly always stand; of the commonest first."""
    pairs = Counter(data[n : n + 2] for n in range(len(data) - 1))
    found: Counter[int] = Counter()
    for word, count in pairs.most_common(COMMON):
        gaps = Counter(b - a for a, b in pairwise(places_of(data, word)))
        gap, times = gaps.most_common(1)[0] if gaps else (0, 0)
        if 3 < gap < LONGEST and times > SPACED * count and count >= LEAST:
            found[gap] += times
    return [gap for gap, _ in found.most_common(2)]


def _repeating(data: bytes) -> list[int]:
    """Distances at which all bytes repeat themselves best, and what divides them."""
    probe = data[: 1 << 13]
    score = {
        period: sum(map(int.__eq__, probe, probe[period:])) / (len(probe) - period)
        for period in range(3, LONGEST)
        if len(probe) > 8 * period
    }
    if not score:
        return []
    best = max(score.values())
    good = [period for period, share in score.items() if share > 0.9 * best]
    smallest = [p for p in good if not any(p % q == 0 and score[p] < 1.03 * score[q] for q in good if q < p)]
    parts = {p // n for p in smallest for n in (2, 3, 4, 5, 6, 8) if p % n == 0 and p // n > 3}
    return [*smallest[:4], *(p for p in parts if score.get(p, 0) > 0.25 * best)]


def periodic(recording: Recording) -> Iterator[Cut]:
    """Yield cuts into messages of one size, likely ones first."""
    for period in periods(recording.data)[:7]:
        words = _anchors(recording.data, period)
        if words:
            yield from _begun(recording, period, words)
        yield Cut(kind="fixed", size=period)


def _anchors(data: bytes, period: int) -> list[bytes]:
    """Bytes and pairs that stand once in each period, pairs first."""
    whole = len(data) / period
    out: list[bytes] = []
    for size in (2, 1):
        counted = Counter(data[n : n + size] for n in range(len(data) - size + 1))
        for word, count in counted.items():
            if 0.6 * whole < count < 1.6 * whole and _steadiness(data, word, period) > 0.75:
                out.append(word)
    return out


def _steadiness(data: bytes, word: bytes, period: int) -> float:
    """Share of the places of some bytes behind which they stand again a period later."""
    places = places_of(data, word)
    return sum(data.startswith(word, at + period) for at in places) / len(places)


def _begun(recording: Recording, period: int, words: list[bytes]) -> Iterator[Cut]:
    """Order the places where a message may begin, each with the start that stands there."""
    word, places = _commonest(recording.data, words, period)
    if len(places) < LEAST:
        return
    begun = _chunks_at(recording, places, period)
    cuts: list[tuple[tuple[float, ...], Cut]] = []
    starts = [_start_at(recording.data, places, shift, words) for shift in range(period)]
    for shift, start in enumerate(starts):
        cut = Cut(kind="fixed", start=start, size=period, step=() if start else (word, shift))
        check = _quick_check(recording.data, places, shift, cut)
        if start or (check is not None and check.at == -check.size):
            trust, run = _trust(check, cut), _begins_run(start, starts[shift - 1])
            order = (trust > SURE, begun[shift] > KEPT_TO, run, trust, begun[shift], len(start))
            cuts.append((order, cut))
    cuts.sort(key=lambda item: item[0], reverse=True)
    told = cuts[0][0][:2] if cuts else ()  # by a check or by chunks: then they begin nowhere else
    yield from [cut for order, cut in cuts if not any(told) or order[:2] == told][:8]


def _begins_run(start: bytes, before: bytes) -> bool:
    """Tell whether bytes that never change begin here; one that is 0 may be the end of a number before."""
    return start[:1] not in (b"", b"\0") and before[:1] in (b"", b"\0")


def _commonest(data: bytes, words: list[bytes], period: int) -> tuple[bytes, list[int]]:
    """The word that stands in most messages, and where; of about equal ones the steadiest."""
    cuts = {word: Cut(kind="fixed", start=word, size=period) for word in words}
    found = {word: [piece.begin for piece in cut.pieces(data)] for word, cut in cuts.items()}
    most = max(map(len, found.values()))
    likely = [word for word in words if len(found[word]) > 0.99 * most]
    word = max(likely, key=lambda word: _steadiness(data, word, period))
    return word, filled(found[word], period)


def _chunks_at(recording: Recording, places: list[int], period: int) -> list[float]:
    """Share of chunks that begin at each place of the period."""
    known = sorted(places)
    counted: Counter[int] = Counter()
    number = 0
    for start in recording.starts:
        while number + 1 < len(known) and known[number + 1] <= start:
            number += 1
        if 0 <= start - known[number] < period:
            counted[start - known[number]] += 1
    return [counted[shift] / max(counted.total(), 1) for shift in range(period)]


def _start_at(data: bytes, places: list[int], shift: int, words: list[bytes]) -> bytes:
    """The longest known word that stands at a place of the period."""
    for word in words:
        good = sum(data.startswith(word, at + shift) for at in places)
        if good > 0.985 * len(places):
            return word
    return b""


def _quick_check(data: bytes, places: list[int], shift: int, cut: Cut) -> Found | None:
    messages = [data[at + shift : at + shift + cut.size] for at in places]
    whole = [message for message in messages if len(message) == cut.size]
    if cut.size > SHORT and len({message[-1] for message in whole}) < VARIED:
        return None  # looking at each place of a long message takes long
    return find_check(whole, cut, anywhere=False)


def _trust(check: Found | None, cut: Cut) -> int:
    """A check that is last in a message and covers all before it tells best where a message begins.

    XOR and sums to a constant tell little: any byte of the message is as good a check of all others, except
    of those that it leaves out.
    """
    if check is None:
        return 0
    last = check.at == -check.size and check.stop == check.at
    if check.kind in TURNING:
        return int(last and 0 < check.first == len(cut.start))
    return 1 + 4 * last + 2 * (check.init == 0) + (check.first <= len(cut.start))
