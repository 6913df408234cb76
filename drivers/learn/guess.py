"""Ways to cut a stream that its bytes suggest: ends, starts and ends, escapes, told lengths, a period.

Nothing is decided here: each way is tried, and the one whose messages are explained best wins.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

from drivers import escapes
from drivers.learn.chained import CODINGS, chained
from drivers.learn.cuts import Cut, Piece, told_size, with_hex
from drivers.learn.periodic import LEAST, LONGEST, periodic, places_of
from drivers.learn.recording import Recording
from drivers.learn.records import records

ENDS = (b"\r\n", b"\n\r", b"\n", b"\r")
PUNCTUATION = b";/#!*|)>]}$@&=~?:(<[{%"
PUNCTUATION_ENDS = (b">", b")", b"]", b";", b"#", b"!", b"|", b"/")
TEXTUAL = frozenset(range(32, 127)) | frozenset(b"\r\n\t\x01\x02\x03\x04\x05\x06\x17\x15")
LOOKED_AT = 1 << 15
"""Bytes in which told lengths are looked for."""
CONTROLS = bytes(range(32))


def guess(recording: Recording) -> Iterator[Cut]:
    """Yield ways to cut, likely ones first."""
    data = recording.data
    plain = sum(byte in TEXTUAL for byte in data) / max(len(data), 1)
    if plain > 0.97:  # text of one size has an end or a start all the same
        ways = [_delimited(recording), _told(recording), _linked(recording)]
    else:
        sure, linked = chained(recording)
        ways = [_escaped(data), iter(sure), _told(recording), periodic(recording), iter(linked)]
        ways.insert(2 if plain > 0.85 else len(ways), _delimited(recording))
    seen: set[Cut] = set()
    for way in ways:
        for cut in way:
            if cut not in seen:
                seen.add(cut)
                yield cut


def _linked(recording: Recording) -> Iterator[Cut]:
    """Messages that tell their length and have no start."""
    for cuts in chained(recording):
        yield from cuts


def _delimited(recording: Recording) -> Iterator[Cut]:
    """Lines and marked messages."""
    data = recording.data
    yield from _between(data)
    for end in _likely_ends(recording):
        cut = Cut(kind="line", end=end)
        pieces = cut.pieces(data)
        if len(pieces) < LEAST:
            continue
        cut = _with_end(cut, pieces)
        marked = _with_start(cut, pieces, data)
        lettered = None if marked else _with_letter(cut, pieces)
        if lettered:
            yield with_hex(lettered)
        for way in (marked, cut) if marked else (cut,):
            if _hexadecimal(way, pieces):
                yield with_hex(way)
            yield way
        if end in ENDS:
            yield from records(recording, end)


def _likely_ends(recording: Recording) -> list[bytes]:
    """Ends of lines; without any, bytes that recur, those that chunks end with first."""
    data = recording.data
    found = [end for end in ENDS if data.count(end) >= LEAST]
    if b"\r\n" in found and data.count(b"\n") <= 1.1 * data.count(b"\r\n"):
        found = [b"\r\n"]
    singles = [bytes([byte]) for byte in CONTROLS + PUNCTUATION if byte not in b"\r\n\0"]
    closing = Counter(data[start - 1 : start] for start in recording.starts[1:])
    counted = [(closing[end], data.count(end), end) for end in singles if data.count(end) >= LEAST]
    return found or [end for _, _, end in sorted(counted, reverse=True)]


def _with_start(cut: Cut, pieces: list[Piece], data: bytes) -> Cut | None:
    """The same with a start, when nearly all messages begin with a byte that stands nowhere else."""
    firsts = Counter(piece.message[:1] for piece in pieces)
    first, count = firsts.most_common(1)[0]
    if first.isalnum() or first in (b" ", b"+", b"-", b".", b"{") or count < 0.6 * len(pieces):
        return None
    return replace(cut, kind="marked", start=first) if data.count(first) <= 1.1 * count + 2 else None


def _with_letter(cut: Cut, pieces: list[Piece]) -> Cut | None:
    """Hexadecimal characters behind a letter that is none of theirs."""
    first, _ = Counter(piece.message[:1] for piece in pieces).most_common(1)[0]
    start = replace(cut, kind="marked", start=first)
    return start if first.isalpha() and not _is_hex(first) and _hexadecimal(start, pieces) else None


def _with_end(cut: Cut, pieces: list[Piece]) -> Cut:
    """The same with a longer end, when a byte of punctuation stands before it in nearly all messages."""
    tails = Counter(piece.message[-len(cut.end) - 1 : -len(cut.end)] for piece in pieces)
    tail, count = tails.most_common(1)[0]
    odd = bool(tail) and (tail in PUNCTUATION_ENDS or tail[0] in CONTROLS)
    return replace(cut, end=tail + cut.end) if odd and count > 0.9 * len(pieces) else cut


def _hexadecimal(cut: Cut, pieces: list[Piece]) -> bool:
    bodies = [piece.message[len(cut.start) : len(piece.message) - len(cut.end)] for piece in pieces]
    good = [body for body in bodies if len(body) % 2 == 0 and len(body) >= 6 and _is_hex(body)]
    return len(good) > 0.6 * len(bodies)


def _is_hex(body: bytes) -> bool:
    return not body.translate(None, b"0123456789ABCDEFabcdef")


def _between(data: bytes) -> Iterator[Cut]:
    """A start and an end that both recur, with some bytes (a check) after the end."""
    starts = [byte for byte in CONTROLS + b"$:=(<[#!@" if byte not in b"\r\n" and data.count(byte) >= LEAST]
    for byte in starts:
        parts = data.split(bytes([byte]))[1:]
        likely = [part for part in parts if 3 <= len(part) <= LONGEST]
        if len(likely) < max(LEAST, 0.5 * len(parts)):
            continue
        for (end, trail), count in _ends_within(likely).most_common(2):
            if count > 0.7 * len(likely):
                yield from _grown(data, bytes([byte]), end, trail)


def _ends_within(parts: list[bytes]) -> Counter[tuple[int, int]]:
    """Count (end byte, bytes behind it) over messages without their start."""
    found: Counter[tuple[int, int]] = Counter()
    for part in parts:
        for trail in range(min(9, len(part) - 2)):
            byte = part[-1 - trail]
            if byte in b"\x03\x04\x17\x19" or (byte in CONTROLS and trail < 7):
                found[byte, trail] += 1
    best = [(item, count) for item, count in found.items() if item[0] in b"\x03\x04\x17\x19"]
    return Counter(dict(best)) if best and max(c for _, c in best) > 0.7 * len(parts) else Counter()


def _grown(data: bytes, start: bytes, end: int, trail: int) -> Iterator[Cut]:
    """Let bytes behind the end that are always the same belong to it, as CR LF behind an ETX."""
    cut = Cut(kind="marked", start=start, end=bytes([end]), trail=trail)
    pieces = cut.pieces(data)
    if len(pieces) < LEAST:
        return
    tails = Counter(piece.message[len(piece.message) - trail :] for piece in pieces) if trail else Counter()
    if tails:
        tail, count = tails.most_common(1)[0]
        if count > 0.9 * len(pieces) and tail in ENDS:
            cut = replace(cut, end=cut.end + tail, trail=0)
    yield cut


def _escaped(data: bytes) -> Iterator[Cut]:
    starts, ends = data.count(escapes.DLE_START), data.count(escapes.DLE_END)
    if min(starts, ends) >= LEAST and len(Cut(kind="dle").pieces(data)) > 0.8 * max(starts, ends):
        yield Cut(kind="dle")
    for kind, end in escapes.ENDS.items():
        if data.count(end) < LEAST:
            continue
        parts = [part for part in data.split(end)[1:-1] if part]
        cut = Cut(kind=kind)
        if kind in ESCAPED and not _escapes(data, *ESCAPED[kind]):
            continue
        good = Counter(len(piece.message) for piece in cut.pieces(data) if len(piece.message) >= 3)
        if good and good.most_common(1)[0][1] > 0.4 * len(parts) and good.total() > 0.75 * len(parts):
            yield cut


ESCAPED = {"slip": (b"\xdb", b"\xdc\xdd"), "hdlc": (b"\x7d", b"\x5d\x5e")}
"""The byte that escapes, and what stands behind it where only what must be is escaped."""


def _escapes(data: bytes, mark: bytes, behind: bytes) -> bool:
    """Tell whether a byte escapes others: wherever it stands, one of few stands behind it."""
    after = [data[at + 1 : at + 2] for at in places_of(data, mark)]
    good = sum(byte in behind or (mark == b"\x7d" and byte[0] ^ 0x20 in CONTROLS) for byte in after if byte)
    return good >= WELL_ESCAPED * len(after)


WELL_ESCAPED = 0.8
"""Share of escapes that must be good; others may be damaged."""


FIGURES = frozenset(b" +-.,0123456789")
"""What stands in numbers of text: no length in binary."""


def _syncs(data: bytes) -> list[bytes]:
    """Bytes and pairs that recur as a sync would: pairs first, the commoner ones first."""
    pairs = Counter(data[n : n + 2] for n in range(len(data) - 1))
    singles = Counter(data[n : n + 1] for n in range(len(data)))
    least = max(LEAST, len(data) // (2 * LONGEST))
    most = len(data) // 4
    found = [pair for pair, count in pairs.most_common(40) if least <= count <= most]
    return found[:12] + [byte for byte, count in singles.most_common(40) if least <= count <= most][:12]


def _told(recording: Recording) -> Iterator[Cut]:
    """Messages of several lengths, each told by a byte (or two characters) near its start."""
    data = recording.data[:LOOKED_AT]
    starts = [start for start in recording.starts if start < len(data)]
    found: list[tuple[float, Cut]] = []
    for sync in _syncs(data):
        places = places_of(data, sync)
        for at in range(len(sync), len(sync) + 4):
            for size, coding in CODINGS:
                plus, share, kinds = _told_plus(data, places, (at, size, coding, 0))
                told = [data[n + at] for n in places[:-1] if n + at < len(data)]
                figures = coding == "binary" and FIGURES.issuperset(told)
                if not figures and share > 0.7 and kinds > 1:
                    cut = Cut(kind="length", start=sync, length=(at, size, coding, plus))
                    covered = sum(piece.stop - piece.begin for piece in cut.pieces(data))
                    begun = sum(data.startswith(sync, start) for start in starts)
                    found.append((covered / len(data) + begun / len(starts), cut))
    found.sort(key=lambda item: (round(item[0], 1), len(item[1].start), item[0]), reverse=True)
    yield from [cut for share, cut in found if share > 0.5][:3]


def _told_plus(data: bytes, places: list[int], length: tuple[int, int, str, int]) -> tuple[int, float, int]:
    """Return the constant between told and real length, how often it holds, and how many lengths occur."""
    found: Counter[int] = Counter()
    sizes: dict[int, Counter[int]] = {}
    for number, place in enumerate(places[:-1]):
        told = told_size(data, place, length)
        for later in places[number + 1 : number + 4]:
            plus = later - place - told
            if told and -2 <= plus <= 12 and later - place <= LONGEST:
                found[plus] += 1
                sizes.setdefault(plus, Counter())[later - place] += 1
    if not found:
        return 0, 0.0, 0
    plus, count = found.most_common(1)[0]
    kinds = sum(1 for seen in sizes[plus].values() if seen >= 0.02 * count)
    return plus, count / max(len(places) - 1, 1), kinds
