"""Finding the value: every place and every way to read it, kept when it answers to the known loads."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, pairwise

from drivers.learn import readings
from drivers.learn.against import (
    around_middle,
    blanks_fit,
    ended_by_constant,
    ends_in_digit,
    even_step,
    few_below,
    fills,
    half_of,
    in_thousands,
    led_by_another,
    led_by_constant,
    lowest_is_another,
    mantissa_is_another,
    ones_seen,
    sign_seen,
    signs_doubled,
    smooth,
    zigzags,
)
from drivers.learn.answer import MANY, Answer, Series, answer, step_of, window
from drivers.learn.candidates import NUMERIC, candidates
from drivers.learn.effort import CALL, Effort
from drivers.learn.probe import few_rows, probe, rises, with_common_addresses
from drivers.learn.readings import Reading, Source
from drivers.learn.recording import Known
from drivers.learn.shapes import Row, Shape
from drivers.learn.units import unit_word
from drivers.learn.value import UNREADABLE, Value, judge, last_place, number_in, series, settled
from drivers.learn.verdict import READABLE
from drivers.wire import COUNTS

AGREEING = 0.93
"""Share of frames at known loads that must agree with a reading."""
WITHIN = 0.96
"""Share of all frames that must lie about where the known loads lie."""
FINE = 40
"""Steps that the largest known load must span: a coarser field cannot be told from chance."""
LIVELY = 10
"""Changes of a byte above which it is no slow number such as a battery's."""
DEAD = 2
"""How many times the known load a display shows at most with nothing on; only converter counts show more."""
DRIFT = 8
"""How far a slow number may go from one message to the next, where seconds are held back between them."""
STEPS_OF_TEN = ({0x00, 0x50}, {0x00, 0x20, 0x40, 0x60, 0x80})
"""Last bytes of packed decimals that step by 50 or 20."""
FIGURES = NUMERIC - frozenset(b" +-")
FILLED = ("twos", "ones")
"""Sign forms whose highest bytes are all ones below zero."""
OVERLAP = 0.5
"""A place answers by itself when its bytes at two known loads agree in less than this share."""


class Search:
    """One shape searched for its value with one address (or none)."""

    def __init__(
        self,
        shape: Shape,
        knowns: Sequence[Known],
        address: Source | None,
        skip: set[Source],
        effort: Effort,
    ) -> None:
        self.effort = effort
        self.shape = shape if address is None else with_common_addresses(shape, address)
        self.knowns, self.address = knowns, address
        self._skip = skip
        self._probe = probe(self.shape, knowns, address)
        self._few = few_rows(self.shape, knowns, address) if address is not None else []
        self._answers: set[int] | None = None
        self._seen: dict[Source, set[bytes]] = {}
        self._set: dict[tuple[Source, str, str, int], bool] = {}
        self.partial: list[tuple[Source, Reading, list[float]]] = []
        self.reasons: list[str] = []

    def values(self) -> list[Value]:
        """All readings that answer, in the order tried."""
        found = []
        for source, reading in candidates(self.shape, self._skip, self._answering()):
            quick = self._try(source, reading, self._probe)
            if quick is not None and (value := self._whole(source, reading)) is not None:
                found.append(value)
        whole = {(value.source, value.reading.order) for value in found if not value.reading.mask}
        return [v for v in found if not v.reading.mask or (v.source, v.reading.order) not in whole]

    def _answering(self) -> set[int]:
        """Places (or cells) whose bytes differ between known loads: a value holds one of them."""
        if self._answers is None:
            rows, held = self._probe, self._held()
            self.effort.spend(len(rows) * len(self.shape.sources()) // 4)
            self._answers = {
                source if isinstance(source, int) else source[0]
                for source in self.shape.sources()
                if _answers(self.shape.cells(rows, source), held)
            }
        return self._answers

    def _held(self) -> list[list[list[int]]]:
        """By pad, and by known load: which rows of the probe stood under it."""
        pads: dict[bytes, list[list[int]]] = {}
        for number, row in enumerate(self._probe):
            name = b"" if self.address is None else self.shape.get(row, self.address)
            sets = pads.setdefault(name, [[] for _ in self.knowns])
            for known, members in zip(self.knowns, sets, strict=True):
                if known.holds(row.t_s):
                    members.append(number)
        return list(pads.values())

    def _counts(self, source: Source, reading: Reading) -> bool:
        """Raw counts are believed where one plain field holds all that answers."""
        plain = reading.form in ("", "unsigned", "twos", "offset") and not reading.mask
        known = self.shape.checked() | {part for used in self._skip for part in _parts(used)}
        return (
            plain and self._answering() - known <= set(_parts(source)) and self._runs_through(source, reading)
        )

    def _runs_through(self, source: Source, reading: Reading) -> bool:
        """Tell whether lower bytes of a binary integer take as many values as those above them, or nearly."""
        if not isinstance(source, tuple) or reading.coding != "binary":
            return True
        seen = [len(self._cells((at, 1))) for at in _parts(source)]
        seen = seen[::-1] if reading.order == "little" else seen
        return all(2 * low >= high for high, low in pairwise(seen) if high > 1)

    def _try(self, source: Source, reading: Reading, rows: list[Row]) -> Answer | None:
        """See how a reading answers in some rows."""
        if self._few and not rises(self.shape, self._few, source, reading.reader()):
            return None
        self.effort.spend(CALL)
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
        """Read rows and count decimal places; None when most do not read so, or no sign is set."""
        if reading.form in readings.SIGNED and not self._sign_set(source, reading):
            return None
        reader = reading.reader()
        few = rows[:: max(len(rows) // 12, 1)]
        if series(self.shape, few, source, reader, None)[1] > 0.2 * len(few):
            return None
        self.effort.spend(len(rows))
        groups, unread, places = series(self.shape, rows, source, reader, self.address)
        if unread > (1 - READABLE) * len(rows) + 1 or not groups:
            return None
        if reading.form == "offset" and not around_middle(groups, reading, self.shape, source):
            return None
        return groups, places

    def _sign_set(self, source: Source, reading: Reading) -> bool:
        """Tell whether the highest bit of an integer was ever seen set: only then has it a sign form."""
        key = (source, reading.coding, reading.order, reading.mask)
        if key not in self._set:
            read, half = replace(reading, form="unsigned").reader(), half_of(self.shape, source, reading)
            self._set[key] = any(number_in(read, cell) >= half for cell in self._cells(source))
        return self._set[key]

    def _cells(self, source: Source) -> set[bytes]:
        """The different bytes that came at a place."""
        if source not in self._seen:
            self._seen[source] = set(self.shape.column(source))
        return self._seen[source]

    def _ends_in_a_digit(self, source: Source, reading: Reading, found: Answer) -> bool:
        """Tell whether the last decimal digits behave as such, and are not another field's."""
        if reading.coding == "text" and not reading.exponent:
            cells = self.shape.column(source)
            if not ends_in_digit(cells, backwards=reading.backwards):
                return False
        if not isinstance(source, tuple):
            lasts = {self.shape.get(row, source)[-1:] for row in self._probe}
            return reading.coding != "text" or reading.backwards or lasts == {b"0"} or len(lasts) > 1
        if reading.coding != "bcd" or found.reach / 100 < FINE:
            return True  # without its last byte it would be no value
        last = source[0] if reading.order == "little" else source[0] + source[1] - 1
        return _last_digits({self.shape.get(row, (last, 1))[0] for row in self._probe}, reading)

    def _note_partial(self, source: Source, reading: Reading, numbers: Series) -> None:
        """Remember a field that answers to some of the known loads only: one pad of several."""
        windows = [window(numbers, known) for known in self.knowns]
        if all(len(values) >= 3 for values in windows) and len(self.knowns) > 2:
            levels = [sorted(values)[len(values) // 2] for values in windows]
            if max(levels) - min(levels) > 5 * max(step_of(numbers[1]), 1e-9):
                self.partial.append((source, reading, levels))

    def _whole(self, source: Source, reading: Reading) -> Value | None:
        """Judge a reading on all rows."""
        self.effort.spend(3 * len(self.shape.rows))
        groups, unread, places = series(self.shape, self.shape.rows, source, reading.reader(), self.address)
        found = answer(groups, self.knowns, last_place(reading, places))
        if found is None or found.share < AGREEING or unread > (1 - READABLE) * len(self.shape.rows):
            return None
        pointed = places > 0 or reading.coding == "float"
        marked = reading.ignore in (b".", b",")
        if marked and not pointed and not in_thousands(self.shape.column(source), reading.ignore):
            return None  # a mark of thousands is one only beside a decimal point
        apart = reading.ignore == b" " and not blanks_fit(self.shape.column(source))
        if apart or self._contradicted(source, reading, groups, found, pointed=pointed):
            return None
        verdict = judge(found, self.knowns, reading, places, unit_word(self.shape, source))
        if not isinstance(verdict, str):
            counted = verdict.unit == COUNTS
            if not self._counts(source, reading) if counted else abs(found.empty) > DEAD * found.reach:
                verdict = "a field answers but its unit is not clear"
        if isinstance(verdict, str):
            self.reasons.append(verdict)
            return None
        loaded = {name: groups[name] for name in found.carrying()}
        if (
            ended_by_constant(self.shape, source, reading, groups)
            or signs_doubled(self.shape, [source], reading)
            or lowest_is_another(reading, groups)
            or mantissa_is_another(self.shape, source, reading)
            or (verdict.unit != COUNTS and led_by_constant(self.shape, source, reading, loaded))
        ):
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

    def _digits_at(self, place: int) -> bool:
        """Tell whether a place holds digits at times, or nothing but what stands in decimal text.

        A blank or a minus among other marks is one state of a character of bits.
        """
        seen = {cell[0] for cell in self._cells((place, 1))}
        return not FIGURES.isdisjoint(seen) or seen <= NUMERIC

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
        return any(_changes(column) > LIVELY and not _drifts(column) for column in pads.values())

    def _contradicted(
        self, source: Source, reading: Reading, groups: dict[str, Series], found: Answer, *, pointed: bool
    ) -> bool:
        """Tell whether all rows together speak against a reading that answers."""
        beside = self._beside(source)
        if found.step and isinstance(source, tuple) and reading.order in ("big", "little"):
            sides = (source[0] - 1, sum(source))
            high, low = sides if reading.order == "big" else sides[::-1]
            beside -= {high}  # its turns would be counted
            if low in beside and few_below(self.shape.column((low, 1)), groups):
                beside -= {low}
        if reading.coding == "text":
            beside = set(filter(self._digits_at, beside))
        more = any(self._lively(place) for place in beside & self._answering())
        filled = reading.form in FILLED and fills(self._loaded(found), source, reading)
        if more or filled or self._carries(source, reading):
            return True  # it is a piece of a longer number
        if reading.coding != "float" and found.reach < FINE * found.step:
            self.reasons.append("a field answers, in steps too coarse to tell its unit; use a heavier load")
            return True
        check = self.shape.check
        led = reading.coding in ("text", "bcd") and led_by_another(groups, found)
        weak = check is not None and check.check().mask <= 0xFF
        if led or zigzags(groups, found, checked=check is not None, weak=weak):
            return True
        distinct = len({value for _, values in groups.values() for value in values})
        # bits are left out of a number only where many numbers that run smoothly bear it out
        few = bool(reading.mask) and (distinct < MANY or not smooth(groups, found))
        if few or (not pointed and not even_step(groups)):
            return True
        if reading.form == "unsigned":
            return sign_seen(self.shape, source, reading, groups, found)
        return reading.form == "ones" and not ones_seen(self._loaded(found), [source], reading)

    def _loaded(self, found: Answer) -> Shape:
        """The shape with the rows of pads that carried a load: others may be another kind of message."""
        if self.address is None:
            return self.shape
        names = {n.encode("latin-1") for n in found.carrying()}
        return self.shape.only([row for row in self.shape.rows if self.shape.get(row, self.address) in names])


def _last_digits(seen: set[int], reading: Reading) -> bool:
    """Tell whether the lowest bytes of packed decimals are those of digits, and hold no other field."""
    high, low = {byte >> 4 for byte in seen}, {byte & 0x0F for byte in seen}
    if reading.form == "sign-last":
        digits = low if reading.backwards else high
        return len(digits) >= 5 or digits == {0, 5} or _evens(digits)
    if _evens(high if reading.backwards else low):
        return True  # a sign takes two values
    steps = ({0x00, 0x05}, {0, 2, 4, 6, 8}) if reading.backwards else STEPS_OF_TEN
    return len(seen) >= 8 or seen in steps


def _evens(digits: set[int]) -> bool:
    """Tell whether last digits are those of steps by 2."""
    return len(digits) >= 3 and digits <= {0, 2, 4, 6, 8}


def _changes(column: list[bytes]) -> int:
    return sum(a != b for a, b in pairwise(column))


def _drifts(column: list[bytes]) -> bool:
    """Tell whether bytes go one way by little, as a battery's do and a load's do not."""
    gone = [(b[0] - a[0] + 128) % 256 - 128 for a, b in pairwise(column) if a != b]
    up, down = sum(0 < n <= DRIFT for n in gone), sum(-DRIFT <= n < 0 for n in gone)
    return max(up, down) > AGREEING * len(gone)


def _parts(source: Source) -> range:
    return range(source, source + 1) if isinstance(source, int) else range(source[0], sum(source))


def _answers(column: list[bytes], held: list[list[list[int]]]) -> bool:
    """Tell whether bytes of a pad at two known loads hardly overlap."""
    if len(set(column)) == 1:
        return False
    for sets in held:
        seen = [Counter([column[n] for n in members]) for members in sets]
        if any(_differ(a, b) for a, b in combinations(seen, 2)):
            return True
    return False


def _differ(a: Counter[bytes], b: Counter[bytes]) -> bool:
    """Tell whether two sets of bytes hardly overlap."""
    total = min(a.total(), b.total())
    return total >= 3 and sum(min(count, b[cell]) for cell, count in a.items()) < OVERLAP * total
