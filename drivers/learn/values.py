"""Finding the value: every place and every way to read it, kept when it answers to the known loads."""

from __future__ import annotations

import re
import struct
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import gcd
from statistics import median

from drivers.learn import readings
from drivers.learn.answer import MANY, Answer, Series, answer, step_of, travel, window
from drivers.learn.candidates import candidates
from drivers.learn.readings import Reading, Source
from drivers.learn.recording import Known
from drivers.learn.shapes import Row, Shape
from drivers.learn.verdict import UNIT_WORDS, Verdict, counts, shown, whole
from drivers.numbers import Reader
from drivers.wire import COUNTS

UNREADABLE = (ValueError, OverflowError, struct.error)
READABLE = 0.97
"""Share of rows that must read; the others may be damaged."""
AGREEING = 0.93
"""Share of frames at known loads that must agree with a reading."""
WITHIN = 0.96
"""Share of all frames that must lie about where the known loads lie."""
FINE = 40
"""Steps that the largest known load must span: a coarser field cannot be told from chance."""
LIVELY = 10
"""Changes of a byte above which it is no slow number such as a battery's."""
PROBE = 24
"""Rows looked at first, of each known load (and pad) and of the rest."""
OVERLAP = 0.5
"""A place answers by itself when its bytes at two known loads agree in less than this share."""


@dataclass(frozen=True, kw_only=True)
class Value:
    """A reading that answers; `sources` are the pads' fields by name ("" for the only one)."""

    sources: dict[str, Source]
    reading: Reading
    address: Source | None
    answer: Answer
    verdict: Verdict
    groups: dict[str, Series]
    unread: int
    places: int

    def reader(self) -> Reader:
        """Reads the field in the units of `answer` and `groups`: without the decimal places found."""
        return replace(self.reading, decimals=None).reader()

    def per_read_kg(self) -> float:
        """Kilograms that one of the number as read, without the decimals found, is."""
        factor = self.verdict.factor_kg()
        pointed = self.places > 0 or self.reading.coding == "float"
        return factor * 10.0 ** (self.verdict.decimals or 0) if pointed else factor

    def masses_kg(self) -> list[float]:
        """All readings in kg, pad by pad."""
        return [v * self.per_read_kg() for _, numbers in self.groups.values() for v in numbers]

    @property
    def source(self) -> Source:
        """Where the value stands that answered first."""
        return next(iter(self.sources.values()))


def series(
    shape: Shape, rows: Sequence[Row], source: Source, reader: Reader, address: Source | None
) -> tuple[dict[str, Series], int, int]:
    """Read a field in rows: series by address, how many rows do not read, and most decimal places sent."""
    groups: dict[str, Series] = {}
    unread = places = 0
    get = shape.get
    for row in rows:
        try:
            number, sent = reader(get(row, source))
        except UNREADABLE:
            unread += 1
            continue
        name = "" if address is None else get(row, address).decode("latin-1")
        times, values = groups.setdefault(name, ([], []))
        times.append(row.t_s)
        values.append(number / 10**sent * shape.factor(row))
        places = max(places, sent)
    return groups, unread, places


def probe(shape: Shape, knowns: Sequence[Known], address: Source | None) -> list[Row]:
    """Some rows of every known load, and of the rest; of every pad where there is an address."""
    sets: dict[tuple[int, bytes], list[Row]] = {}
    for row in shape.rows:
        name = b"" if address is None else shape.get(row, address)
        held = [number for number, known in enumerate(knowns) if known.holds(row.t_s)]
        for number in held or [-1]:
            sets.setdefault((number, name), []).append(row)
    chosen = {
        id(row): row for members in sets.values() for row in members[:: max(len(members) // PROBE, 1)]
    }
    return sorted(chosen.values(), key=lambda row: row.t_s)


FEW = 3
"""Rows of each pad at each known load that tell at once whether a reading rises with the load."""


def few_rows(shape: Shape, knowns: Sequence[Known], address: Source) -> list[list[list[Row]]]:
    """For each pad a few rows at each known load, the loads from small to large."""
    pads: dict[bytes, list[list[Row]]] = {}
    order = sorted(knowns, key=lambda known: known.mass_kg)
    for row in shape.rows:
        sets = pads.setdefault(shape.get(row, address), [[] for _ in order])
        for rows, known in zip(sets, order, strict=True):
            if known.holds(row.t_s):
                rows.append(row)
    return [[_inner(rows) for rows in sets] for sets in pads.values() if all(sets)]


def _inner(rows: list[Row]) -> list[Row]:
    """Rows from the middle of an interval, where the load surely stands."""
    return rows[len(rows) // 3 :: max(len(rows) // (2 * FEW), 1)][:FEW]


def rises(shape: Shape, pads: list[list[list[Row]]], source: Source, reader: Reader) -> bool:
    """Tell whether pads together show more at the largest load than at the smallest, and no pad far more."""
    total, most = 0.0, 0.0
    try:
        for sets in pads:
            low, high = (median(reader(shape.get(row, source))[0] for row in sets[n]) for n in (0, -1))
            total += high - low
            most = max(most, abs(high - low))
    except UNREADABLE:
        return True  # damage; the whole of it will tell
    return total > 0 and most < 2 * total


def with_common_addresses(shape: Shape, address: Source) -> Shape:
    """Leave out rows whose address hardly ever comes: it is damaged."""
    counted = Counter(shape.column(address))
    least = 0.012 * len(shape.rows)
    return shape.only([row for row in shape.rows if counted[shape.get(row, address)] > least])


class Search:
    """One shape searched for its value with one address (or none)."""

    def __init__(
        self, shape: Shape, knowns: Sequence[Known], address: Source | None, skip: set[Source]
    ) -> None:
        self.shape = shape if address is None else with_common_addresses(shape, address)
        self.knowns, self.address = knowns, address
        self._skip = skip
        self._probe = probe(self.shape, knowns, address)
        self._few = few_rows(self.shape, knowns, address) if address is not None else []
        self._answers: set[int] | None = None
        self._set: dict[tuple[Source, str, str, int], bool] = {}
        self.partial: list[tuple[Source, Reading, list[float]]] = []
        self.reasons: list[str] = []

    def values(self) -> list[Value]:
        """All readings that answer, in the order tried."""
        found = []
        answering = self._answering()
        for source, reading in candidates(self.shape, self._skip):
            if answering.isdisjoint(_parts(source)):
                continue
            quick = self._try(source, reading, self._probe)
            if quick is not None and (value := self._whole(source, reading)) is not None:
                found.append(value)
        whole = {(value.source, value.reading.order) for value in found if not value.reading.mask}
        return [v for v in found if not v.reading.mask or (v.source, v.reading.order) not in whole]

    def _answering(self) -> set[int]:
        """Places (or cells) whose bytes differ between known loads: a value holds one of them."""
        shape = self.shape
        if self._answers is not None:
            return self._answers
        out: set[int] = set()
        rows = self._probe
        held = [[row for row in rows if known.holds(row.t_s)] for known in self.knowns]
        for source in shape.sources():
            place = source if isinstance(source, int) else source[0]
            seen = [self._by_pad(members, source) for members in held]
            if any(_differ(a[name], b.get(name, Counter())) for a in seen for b in seen for name in a):
                out.add(place)
        self._answers = out
        return out

    def _by_pad(self, rows: list[Row], source: Source) -> dict[bytes, Counter[bytes]]:
        out: dict[bytes, Counter[bytes]] = {}
        for row in rows:
            name = b"" if self.address is None else self.shape.get(row, self.address)
            out.setdefault(name, Counter())[self.shape.get(row, source)] += 1
        return out

    def _counts(self, source: Source, reading: Reading) -> bool:
        """Raw counts are believed where one plain field holds all that answers."""
        plain = reading.form in ("", "unsigned", "twos", "offset") and not reading.mask
        known = self.shape.checked() | {part for used in self._skip for part in _parts(used)}
        return plain and self._answering() - known <= set(_parts(source))

    def _try(self, source: Source, reading: Reading, rows: list[Row]) -> Answer | None:
        """See how a reading answers in some rows."""
        if self._few and not rises(self.shape, self._few, source, reading.reader()):
            return None
        read = self._read(source, reading, rows)
        if read is None:
            return None
        groups, places = read
        found = answer(groups, self.knowns, last_place(reading, places))
        if found is None:
            if len(groups) == 1:
                self._note_partial(source, reading, next(iter(groups.values())))
            return None
        good = found.share >= AGREEING and found.within >= WITHIN
        return found if good and self._ends_in_a_digit(source, reading, found) else None

    def _read(
        self, source: Source, reading: Reading, rows: list[Row]
    ) -> tuple[dict[str, Series], int] | None:
        """Read rows and count decimal places; None when most do not read so, or the sign form is not called for."""
        if reading.form in readings.SIGNED and not self._sign_set(source, reading):
            return None
        reader = reading.reader()
        few = rows[:: max(len(rows) // 12, 1)]
        if series(self.shape, few, source, reader, None)[1] > 0.2 * len(few):
            return None
        groups, unread, places = series(self.shape, rows, source, reader, self.address)
        if unread > (1 - READABLE) * len(rows) + 1 or not groups:
            return None
        if reading.form == "offset" and not _around_middle(groups, reading, self.shape, source):
            return None
        return groups, places

    def _sign_set(self, source: Source, reading: Reading) -> bool:
        """Tell whether the highest bit of an integer was ever seen set: only then has it a sign form."""
        key = (source, reading.coding, reading.order, reading.mask)
        if key not in self._set:
            plain = replace(reading, form="unsigned").reader()
            groups, _, _ = series(self.shape, self.shape.rows, source, plain, None)
            half = _half(self.shape, source, reading)
            self._set[key] = any(value >= half for _, values in groups.values() for value in values)
        return self._set[key]

    def _ends_in_a_digit(self, source: Source, reading: Reading, found: Answer) -> bool:
        """Tell whether the last decimal digits behave as such, and are not another field's."""
        if not isinstance(source, tuple):
            lasts = {self.shape.get(row, source)[-1:] for row in self._probe}
            return reading.coding != "text" or reading.backwards or lasts == {b"0"} or len(lasts) > 1
        if reading.coding != "bcd":
            return True
        if found.reach / 100 < FINE:
            return True  # without its last byte it would be no value
        last = source[0] if reading.order == "little" else source[0] + source[1] - 1
        column = [self.shape.get(row, (last, 1)) for row in self._probe]
        seen = len(set(column))
        return seen >= 8 or {cell[0] for cell in column} in ({0x00, 0x50}, {0x00, 0x20, 0x40, 0x60, 0x80})

    def _note_partial(self, source: Source, reading: Reading, numbers: Series) -> None:
        """Remember a field that answers to some of the known loads only: one pad of several."""
        windows = [window(numbers, known) for known in self.knowns]
        if all(len(values) >= 3 for values in windows) and len(self.knowns) > 2:
            levels = [sorted(values)[len(values) // 2] for values in windows]
            if max(levels) - min(levels) > 5 * max(step_of(numbers[1]), 1e-9):
                self.partial.append((source, reading, levels))

    def _whole(self, source: Source, reading: Reading) -> Value | None:
        """Judge a reading on all rows."""
        groups, unread, places = series(self.shape, self.shape.rows, source, reading.reader(), self.address)
        found = answer(groups, self.knowns, last_place(reading, places))
        if found is None or found.share < AGREEING or unread > (1 - READABLE) * len(self.shape.rows):
            return None
        pointed = places > 0 or reading.coding == "float"
        marked = reading.ignore in (b".", b",")
        if marked and not pointed and not _in_thousands(self.shape.column(source), reading.ignore):
            return None  # a mark of thousands is one only beside a decimal point
        if self._contradicted(source, reading, groups, found, pointed=pointed):
            return None
        verdict = judge(found, self.knowns, reading, places, unit_word(self.shape, source))
        if not isinstance(verdict, str) and verdict.unit == COUNTS and not self._counts(source, reading):
            verdict = "a field answers but its unit is not clear"
        if isinstance(verdict, str):
            self.reasons.append(verdict)
            return None
        return Value(
            sources={"": source},
            reading=settled(reading, verdict, places),
            address=self.address,
            answer=found,
            verdict=verdict,
            groups=groups,
            unread=unread,
            places=places,
        )

    def _beside(self, source: Source) -> set[int]:
        """Places just before and behind a field that belong to nothing known."""
        if not isinstance(source, tuple):
            return set()
        sides = {source[0] - 1, source[0] + source[1]}
        known = self.shape.checked() | {part for used in self._skip for part in _parts(used)}
        return (sides - known) & set(range(self.shape.size or 0))

    def _carries(self, source: Source, reading: Reading) -> bool:
        """Tell whether a byte beside a binary number counts its turns or its parts: then it is cut short."""
        if (
            not isinstance(source, tuple)
            or reading.coding not in ("binary", "bcd")
            or reading.order == "swapped"
        ):
            return False
        before, behind = source[0] - 1, source[0] + source[1]
        high, low = (behind, before) if reading.order == "little" else (before, behind)
        beside = self._beside(source)
        read = reading.reader()
        turn = 100 ** source[1] if reading.coding == "bcd" else 1 << 8 * source[1]
        turns = ones = parts = 0
        for a, b in self._neighbours():
            try:
                step = read(self.shape.get(b, source))[0] - read(self.shape.get(a, source))[0]
            except UNREADABLE:
                continue
            if high in beside and abs(step) > 0.4 * turn:
                turns += a.message[high] != b.message[high]
            if low in beside and abs(step) == 1:
                gone = (b.message[low] - a.message[low]) * step
                ones, parts = ones + 1, parts + (gone < -40)
        return turns > (0 if self.shape.check else 1) or (ones >= 4 and parts > 0.6 * ones)

    def _neighbours(self) -> Iterator[tuple[Row, Row]]:
        """Messages of the same pad that follow one another."""
        last: dict[bytes, Row] = {}
        for row in self.shape.rows:
            name = b"" if self.address is None else self.shape.get(row, self.address)
            if name in last:
                yield last[name], row
            last[name] = row

    def _lively(self, place: int) -> bool:
        """Tell whether a place changes often, as part of a number does; a battery's does not."""
        pads: dict[bytes, list[bytes]] = {}
        for row in self.shape.rows:
            name = b"" if self.address is None else self.shape.get(row, self.address)
            pads.setdefault(name, []).append(self.shape.get(row, (place, 1)))
        return max(sum(a != b for a, b in pairwise(column)) for column in pads.values()) > LIVELY

    def _contradicted(
        self, source: Source, reading: Reading, groups: dict[str, Series], found: Answer, *, pointed: bool
    ) -> bool:
        """Tell whether all rows together speak against a reading that answers."""
        lively = any(self._lively(place) for place in self._beside(source) & self._answering())
        if lively or self._carries(source, reading):
            return True  # it is a piece of a longer number
        if reading.coding != "float" and found.reach < FINE * found.step:
            self.reasons.append("a field answers, in steps too coarse to tell its unit; use a heavier load")
            return True
        distinct = len({value for _, values in groups.values() for value in values})
        # bits are left out of a number only where many numbers that run smoothly bear it out
        few = bool(reading.mask) and (distinct < MANY or not _smooth(groups, found))
        if few or (not pointed and not even_step(groups)):
            return True
        if reading.form == "unsigned":
            return sign_seen(self.shape, source, reading, groups, found)
        return reading.form == "ones" and not dense_below_zero(self.shape, source, groups)


def _in_thousands(column: list[bytes], mark: bytes) -> bool:
    """Tell whether a mark stands before every three digits, and only there: 950 and 1,050."""
    grouped = re.compile(rb" *[-+]? *\d{1,3}(?:" + re.escape(mark) + rb"\d{3})* *[-+]?")
    good = sum(grouped.fullmatch(cell) is not None for cell in column)
    with_mark = sum(mark in cell for cell in column)
    return good > READABLE * len(column) and 0.02 * len(column) < with_mark < 0.98 * len(column)


def _size(source: Source) -> int:
    return source[1] if isinstance(source, tuple) else 1


def last_place(reading: Reading, places: int) -> float | None:
    """One unit in the last place that a reading sends, None for floats."""
    return None if reading.coding == "float" else 10.0**-places


def sign_seen(
    shape: Shape, source: Source, reading: Reading, groups: dict[str, Series], found: Answer
) -> bool:
    """Tell whether the highest bit was set in frames though no known load comes near it: it is a sign."""
    if reading.coding not in ("binary", "hex", "bcd"):
        return False
    half = 10 ** (2 * _size(source) - 1) if reading.coding == "bcd" else _half(shape, source, reading)
    if any(level >= half for levels in found.levels.values() for level in levels):
        return False
    set_in = sum(value >= half for _, values in groups.values() for value in values)
    return set_in > (0 if shape.check else 1 + len(shape.rows) // 250)


def dense_below_zero(shape: Shape, source: Source, groups: dict[str, Series]) -> bool:
    """Tell whether ones' complement was seen: 0 and -1 came, and never the all-ones that would be its -0."""
    numbers = [value for _, values in groups.values() for value in values]
    ones = {b"\xff", b"F", b"f"}
    never = not any({cell[n : n + 1] for n in range(len(cell))} <= ones for cell in shape.column(source))
    return never and numbers.count(0) > 3 and numbers.count(-1) > 3


def _smooth(groups: dict[str, Series], found: Answer) -> bool:
    """Tell whether series hardly travel farther than from load to load, and their noise."""
    noise = 2 * found.step / found.reach * sum(len(values) for _, values in groups.values())
    loads = sum(abs(b - a) for levels in found.levels.values() for a, b in pairwise(levels)) / found.reach
    travelled = sum(travel(values) for _, values in groups.values()) / found.reach
    return travelled < 1.6 * loads + 1.2 + noise


def even_step(groups: dict[str, Series]) -> bool:
    """Tell whether integers step by 1, 2 or 5 times a power of ten, as those of an indicator do."""
    counted = Counter(int(value) for _, values in groups.values() for value in values)
    often = {number for number, count in counted.items() if count > 1}
    numbers = sorted(often if len(often) > 3 else counted)  # one damaged number must not decide
    if len(numbers) < 3:
        return True
    return _is_step(gcd(*(number - numbers[0] for number in numbers)))


def _is_step(step: int) -> bool:
    while step and step % 10 == 0:
        step //= 10
    return step in (1, 2, 4, 5)


def _parts(source: Source) -> range:
    return range(source, source + 1) if isinstance(source, int) else range(source[0], sum(source))


def _differ(a: Counter[bytes], b: Counter[bytes]) -> bool:
    """Tell whether two sets of bytes hardly overlap."""
    both, total = sum((a & b).values()), min(a.total(), b.total())
    return total >= 3 and both < OVERLAP * total


def _half(shape: Shape, source: Source, reading: Reading) -> int:
    """The smallest number whose highest bit is set."""
    if reading.mask:
        return 1 << (reading.mask.bit_count() - 1)
    size = source[1] if isinstance(source, tuple) else max(min(map(len, shape.column(source))), 1)
    return 1 << ((4 if reading.coding == "hex" else 8) * size - 1)


def judge(found: Answer, knowns: Sequence[Known], reading: Reading, places: int, word: str) -> Verdict | str:
    """Find unit and decimals of a reading."""
    if places or reading.coding == "float":
        return shown(found, word)
    digits = reading.coding in ("text", "bcd")
    verdict = whole(found, knowns, word, digits=digits)
    if isinstance(verdict, str) and verdict.endswith("no unit") and not word and not reading.mask:
        return counts(found, knowns)
    return verdict


def settled(reading: Reading, verdict: Verdict, places: int) -> Reading:
    """The reading with the decimals and scale found."""
    if places or reading.coding == "float":
        return reading
    return replace(reading, decimals=verdict.decimals or 0, scale=verdict.scale)


def _around_middle(groups: dict[str, Series], reading: Reading, shape: Shape, source: Source) -> bool:
    """Offset binary counts up from the middle: hardly a reading lies in the lowest quarter."""
    values = [value for _, numbers in groups.values() for value in numbers]
    return sum(value >= -_half(shape, source, reading) / 2 for value in values) > 0.9 * len(values)


def unit_word(shape: Shape, source: Source) -> str:
    """The unit named right behind a value, or anywhere as a word of its own; "" when none is."""
    if shape.units is not None:
        return shape.units.base
    words = _words_behind(shape, source) or []
    found = {UNIT_WORDS[word] for word in words if word in UNIT_WORDS}
    return found.pop() if len(found) == 1 else ""


def _words_behind(shape: Shape, source: Source) -> list[str]:
    row = shape.rows[len(shape.rows) // 2]
    if isinstance(source, tuple):
        after = row.message[source[0] + source[1] :][:8].decode("latin-1")
        text = "".join(c if c.isalpha() else " " for c in after).split()
        near = text[:1] if after.strip(" ,;\t")[:1].isalpha() else []
        return [near[0].lower()] if near and (len(near[0]) > 1 or near[0] in ("g", "t", "N")) else []
    if shape.kind == "pattern":
        cells = row.cells[source + 1 : source + 3]
        words = [cell.decode("latin-1") for cell in cells if cell.isalpha()][:1]
        return [word.lower() for word in words if len(word) > 1 or word in ("g", "t", "N")]
    every = [cell.decode("latin-1").strip() for cell in row.cells]
    return [cell.lower() for cell in every if cell.lower() in UNIT_WORDS]
