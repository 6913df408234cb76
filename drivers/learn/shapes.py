"""Messages seen as a table: rows are messages of one kind, sources are places where a field may stand.

Messages of one size are read by position. Text of changing length is read by cells: tokens of a pattern,
values of `key=value` pairs or of a JSON object, columns between separators.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from drivers.learn import tokens
from drivers.learn.cuts import Cut
from drivers.learn.find_check import Found
from drivers.learn.readings import Source
from drivers.learn.recording import Known

LEAST_SHARE = 0.06
"""A kind of message rarer than this share of all is not looked into."""


SHARED, SHARED_CHECKED = 0.97, 0.995
"""Share of messages that share a byte from which on the others are damaged, or of another kind."""
MOST_KINDS, KIND_SHARE, ALONE = 3, 0.6, 0.9
"""Other kinds of message of one size, share of the commonest, and of the others that come one by one."""
MOST_WAYS = 4
"""Ways to leave out messages of other kinds that are tried: each costs a whole search."""
MOSTLY = 0.85
"""Share of lines that have the same number of columns where they are read by columns."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One message: when it was whole, its bytes, and its cells where it is read by cells."""

    t_s: float
    message: bytes
    cells: tuple[bytes, ...] = ()
    gaps: tuple[bytes, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Units:
    """A field that names the unit, of which several came: words, and factors to the commonest, `base`."""

    source: Source
    words: dict[bytes, str]
    factors: dict[bytes, float]
    base: str


@dataclass(kw_only=True)
class Shape:
    """Rows of one kind. `keys` name the cells of keyed and JSON text; `body` are the body's edges."""

    kind: str
    cut: Cut
    check: Found | None
    rows: list[Row]
    size: int | None = None
    keys: tuple[str, ...] = ()
    separator: bytes = b""
    assign: bytes = b""
    body: tuple[int, int] = (0, 0)
    others: list[bytes] = field(default_factory=list)
    units: Units | None = None
    masks: dict[Source, int] = field(default_factory=dict)
    """Bits that count where a field shares a byte with another."""

    def factor(self, row: Row) -> float:
        """What turns a row's number into the commonest unit; KeyError when its unit is none."""
        return 1.0 if self.units is None else self.units.factors[self.get(row, self.units.source)]

    def get(self, row: Row, source: Source) -> bytes:
        """The bytes of a field in a row."""
        if isinstance(source, int):
            return row.cells[source]
        cell = row.message[source[0] : source[0] + source[1]]
        return cell if source not in self.masks else bytes([cell[0] & self.masks[source]])

    def cells(self, rows: Sequence[Row], source: Source) -> list[bytes]:
        """The bytes of a field in some rows."""
        if isinstance(source, int):
            return [row.cells[source] for row in rows]
        if source in self.masks:
            return [self.get(row, source) for row in rows]
        at, stop = source[0], source[0] + source[1]
        return [row.message[at:stop] for row in rows]

    def column(self, source: Source) -> list[bytes]:
        """The bytes of a field in all rows."""
        return self.cells(self.rows, source)

    def sources(self) -> list[Source]:
        """The smallest places: single bytes of the body, or cells."""
        if self.size is None:
            return list(range(len(self.rows[0].cells)))
        taken = self.checked()
        return [(n, 1) for n in range(self.body[0], self.size - self.body[1]) if n not in taken]

    def checked(self) -> set[int]:
        """Positions that the check takes."""
        if self.check is None or self.size is None:
            return set()
        at = self.check.at if self.check.at >= 0 else self.size + self.check.at
        return set(range(at, at + self.check.size))

    def covered(self) -> set[int]:
        """Positions that the check vouches for; all where there is none."""
        if self.size is None:
            return set()
        every = range(self.size)
        return set(every[self.check.first : self.check.stop or None]) if self.check else set(every)

    def only(self, rows: list[Row]) -> Shape:
        """The same with fewer rows."""
        return replace(self, rows=rows)


def edges(cut: Cut, check: Found | None) -> tuple[int, int]:
    """Bytes before and after the body: a check that is the last thing in it is not part of it."""
    last = check is not None and check.at == -cut.tail - check.size
    return cut.head, cut.tail + (check.size if check and last else 0)


Timed = Sequence[tuple[float, bytes]]


def by_position(cut: Cut, check: Found | None, messages: Timed) -> Iterator[Shape]:
    """Yield a shape for each size that is common; constants that nearly all rows share must hold in all."""
    sizes = Counter(len(message) for _, message in messages)
    for size, count in sizes.most_common(4):
        if count < max(10, LEAST_SHARE * len(messages)) or size > 200:
            continue
        rows = [Row(t_s=t_s, message=message) for t_s, message in messages if len(message) == size]
        if check is None or check.check().mask <= 0xFF:  # one damaged message in 256 passes a weak check
            rows = _alike(rows, cut.head, size - cut.tail, SHARED if check is None else SHARED_CHECKED)
        if len(rows) >= 10:
            yield Shape(kind="positions", cut=cut, check=check, rows=rows, size=size, body=edges(cut, check))


def _alike(rows: list[Row], head: int, tail: int, share: float) -> list[Row]:
    """Leave out rows that break what nearly all others share: they are damaged, or of another kind."""
    for _ in range(2):
        must = []
        for n in range(head, tail):
            byte, count = Counter(row.message[n] for row in rows).most_common(1)[0]
            if count > share * len(rows):
                must.append((n, byte))
        kept = [row for row in rows if all(row.message[n] == byte for n, byte in must)]
        if len(kept) == len(rows) or len(kept) < 0.8 * len(rows):
            break
        rows = kept
    return rows


def of_a_kind(shape: Shape, knowns: Sequence[Known]) -> Iterator[Shape]:
    """Yield what is left of messages without those that a byte (or cell) tells to be of other kinds.

    These come one by one and as often at each known load, which neither a claim nor a sign does.
    """
    left: dict[tuple[int, ...], list[Row]] = {}
    for source in shape.sources():
        column = shape.column(source)
        (_, count), *others = Counter(column).most_common(MOST_KINDS + 2)
        if count <= KIND_SHARE * len(column) or len(others) > MOST_KINDS:
            continue
        kinds = {kind for kind, _ in others if _comes_alone(shape.rows, [c == kind for c in column], knowns)}
        if kinds:
            kept = [n for n, cell in enumerate(column) if cell not in kinds]
            left.setdefault(tuple(kept), [shape.rows[n] for n in kept])
    likely = sorted(left.values(), key=len)[:MOST_WAYS]  # what tells more of them apart first
    yield from map(shape.only, likely)


def _comes_alone(rows: Sequence[Row], odd: Sequence[bool], knowns: Sequence[Known]) -> bool:
    """Tell whether odd rows come one by one, and as often at each known load as everywhere."""
    alone = sum(now and not after for now, after in pairwise([*odd, False]))
    return alone >= ALONE * sum(odd) and _evenly(rows, odd, knowns)


def _evenly(rows: Sequence[Row], odd: Sequence[bool], knowns: Sequence[Known]) -> bool:
    """Tell whether odd rows are about as common at each known load as everywhere."""
    share = sum(odd) / len(odd)
    for known in knowns:
        held = [flag for row, flag in zip(rows, odd, strict=True) if known.holds(row.t_s)]
        if not share / 3 - 2 / max(len(held), 1) < sum(held) / max(len(held), 1) < 3 * share:
            return False
    return True


def by_cells(cut: Cut, check: Found | None, messages: Timed) -> Iterator[Shape]:
    """Yield shapes of text: JSON, key=value, and tokens in several ways of taking it apart."""
    texts, (head, tail) = _texts(cut, check, messages)
    if len(texts) < 10:
        return
    yield from _json_shapes(cut, check, texts, (head, tail))
    yield from _keyed_shapes(cut, check, texts, (head, tail))
    for points in (".", ",") if any(b"," in text for _, _, text in texts[:50]) else (".",):
        for way in (tokens.fine(points), tokens.coarse(points)):
            yield from _token_shapes(cut, check, texts, (head, tail), way)
    yield from _token_shapes(cut, check, texts, (head, tail), tokens.PHRASES)
    if sum(tokens.APART.search(text) is not None for _, _, text in texts) > 0.05 * len(texts):
        for way in (tokens.IN_THOUSANDS, tokens.WORDS_APART):
            yield from _token_shapes(cut, check, texts, (head, tail), way)
    yield from _column_shapes(cut, check, texts, (head, tail))


def by_marks(cut: Cut, check: Found | None, messages: Timed, knowns: Sequence[Known]) -> Iterator[Shape]:
    """Yield shapes of text in which a mark may stand for a word, as -- for ok; other kinds are left out."""
    texts, body = _texts(cut, check, messages)
    for shape in _token_shapes(cut, check, texts, body, tokens.MARKED):
        for left in [*of_a_kind(shape, knowns)] or [shape]:
            mixed = [cells for source in left.sources() if _mixed(cells := _often(left.column(source)))]
            if mixed and all(len(cells) == 2 for cells in mixed):
                yield left


def _often(column: list[bytes]) -> set[bytes]:
    """What came in a column, less what is so rare that it may be damage."""
    return {cell for cell, count in Counter(column).items() if count > 1 + len(column) // 250}


def _mixed(cells: set[bytes]) -> bool:
    """Tell whether words and marks came."""
    return 0 < sum(cell.isalpha() for cell in cells) < len(cells) and not any(map(bytes.isdigit, cells))


def _texts(cut: Cut, check: Found | None, messages: Timed) -> tuple[Texts, tuple[int, int]]:
    """Messages that are text, and the edges of their bodies."""
    head, tail = edges(cut, check)
    if cut.length is not None:
        head = max(head, cut.length[0] + cut.length[1])  # the text stands behind its told length
    texts = [(t_s, message, message[head : len(message) - tail]) for t_s, message in messages]
    return [item for item in texts if _is_text(item[2])], (head, tail)


ODD = frozenset(b'"{}[]')
"""Characters that no key of a pair has: they speak of JSON."""

Texts = list[tuple[float, bytes, bytes]]


def _is_text(body: bytes) -> bool:
    return bool(body) and all(32 <= byte < 127 or byte in b"\t\r\n" for byte in body)


def _json_shapes(cut: Cut, check: Found | None, texts: Texts, body: tuple[int, int]) -> Iterator[Shape]:
    found: list[tuple[float, bytes, dict[str, bytes]]] = []
    for t_s, message, text in texts:
        if not text.startswith(b"{"):
            continue
        try:
            flat = dict(_flat(json.loads(text, parse_float=str), ""))
        except (ValueError, RecursionError):
            continue
        found.append((t_s, message, flat))
    for names, rows in _with_keys(found, len(texts)):
        yield Shape(kind="json", cut=cut, check=check, rows=rows, keys=names, body=body)


def _with_keys(
    found: Sequence[tuple[float, bytes, dict[str, bytes]]], of: int
) -> Iterator[tuple[tuple[str, ...], list[Row]]]:
    """Yield sets of keys and the rows that have them all, most rows first; other keys may come and go."""
    sets = Counter(tuple(sorted(cells)) for _, _, cells in found)
    likely = [names for names, count in sets.most_common(8) if names and count >= max(4, 0.02 * of)]
    grouped = []
    for names in likely:
        rows = [
            Row(t_s=t_s, message=message, cells=tuple(cells[name] for name in names))
            for t_s, message, cells in found
            if cells.keys() >= set(names)
        ]
        if len(rows) >= max(10, LEAST_SHARE * of):
            grouped.append((names, rows))
    yield from sorted(grouped, key=lambda item: (len(item[1]), len(item[0])), reverse=True)


def _flat(tree: object, path: str) -> Iterator[tuple[str, bytes]]:
    if isinstance(tree, dict | list):
        items = tree.items() if isinstance(tree, dict) else enumerate(tree)
        for key, value in items:
            yield from _flat(value, f"{path}.{key}" if path else str(key))
    elif isinstance(tree, bool) or tree is None:
        yield path, b"null" if tree is None else str(tree).lower().encode()
    else:
        yield path, str(tree).encode()


def _keyed_shapes(cut: Cut, check: Found | None, texts: Texts, body: tuple[int, int]) -> Iterator[Shape]:
    for assign in (b"=", b":"):
        for separator in (b";", b",", b" ", b"\t", b"|", b"&", b"/"):
            found = []
            for t_s, message, text in texts:
                pairs = [cell.partition(assign) for cell in text.split(separator)]
                cells = {key.strip(b" "): value for key, mark, value in pairs if mark and key.strip(b" ")}
                if len(cells) == len(pairs) > 1 and not any(ODD.intersection(key) for key in cells):
                    found.append((t_s, message, {key.decode("latin-1"): cells[key] for key in cells}))
            for names, rows in _with_keys(found, len(texts)):
                yield Shape(
                    kind="keyed",
                    cut=cut,
                    check=check,
                    rows=rows,
                    keys=names,
                    separator=separator,
                    assign=assign,
                    body=body,
                )


def _column_shapes(cut: Cut, check: Found | None, texts: Texts, body: tuple[int, int]) -> Iterator[Shape]:
    """Text between separators, whatever stands there."""
    for separator in (b";", b",", b"\t", b"|"):
        rows = [
            Row(t_s=t_s, message=message, cells=tuple(text.split(separator))) for t_s, message, text in texts
        ]
        count, times = Counter(len(row.cells) for row in rows).most_common(1)[0]
        if count > 2 and times >= max(10, MOSTLY * len(rows)):
            alike = [row for row in rows if len(row.cells) == count]
            yield Shape(kind="columns", cut=cut, check=check, rows=alike, separator=separator, body=body)


def _token_shapes(
    cut: Cut, check: Found | None, texts: Texts, body: tuple[int, int], way: re.Pattern[bytes]
) -> Iterator[Shape]:
    found: dict[tuple[str, ...], list[Row]] = {}
    for t_s, message, text in texts:
        key, cells, gaps = _taken_apart(text, way)
        if len(cells) <= 80:
            found.setdefault(key, []).append(Row(t_s=t_s, message=message, cells=cells, gaps=gaps))
    for rows in sorted(found.values(), key=len, reverse=True)[:3]:
        if len(rows) >= max(10, LEAST_SHARE * len(texts)):
            yield Shape(kind="pattern", cut=cut, check=check, rows=rows, body=body)


def _taken_apart(
    text: bytes, way: re.Pattern[bytes]
) -> tuple[tuple[str, ...], tuple[bytes, ...], tuple[bytes, ...]]:
    """Return the kind of text this is, its cells, and the blanks before each cell and at the end."""
    key: list[str] = []
    cells: list[bytes] = []
    gaps: list[bytes] = []
    blank = b""
    for token in way.finditer(text):
        kind = str(token.lastgroup)
        if kind == "blank":
            blank += token[0]
            continue
        key.append(token[0].decode("latin-1") if kind == "other" else kind)
        cells.append(token[0])
        gaps.append(blank)
        blank = b""
    return tuple(key), tuple(cells), (*gaps, blank)
