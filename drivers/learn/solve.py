"""From one way to cut a stream to the readings that explain it best."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from drivers.learn import pads
from drivers.learn.chained import keeps_to
from drivers.learn.cuts import Cut, Piece
from drivers.learn.effort import CHECK, Effort, TooMuchError
from drivers.learn.fields import describe
from drivers.learn.find_check import Found, find_check
from drivers.learn.kinds import of_one_kind
from drivers.learn.periodic import LEAST, TURNING
from drivers.learn.ranking import rank
from drivers.learn.readings import Source, overlap, smallest
from drivers.learn.recording import FOLDS, Known, Recording
from drivers.learn.roles import SIGNS, Role, address_places, counters
from drivers.learn.several import in_turn, several
from drivers.learn.shapes import Shape, by_cells, by_marks, by_position, of_a_kind
from drivers.learn.siblings import siblings
from drivers.learn.signs import kept_cells, says_minus
from drivers.learn.units import with_units
from drivers.learn.value import Value
from drivers.learn.values import Search

PLAIN_ENDS = b"\r\n\x03"
NEARLY_ALL, NAMED = 0.95, 0.75
"""Share of messages from which on no other way to see them is tried; the second where keys name what is sent,
and others have other keys."""
LONG, SHORT = 80, 16
"""Bytes of messages in which a check costs most and least to look for."""
COMMON = 0.3
"""Share of messages that must have a size for a check to be sought in those of that size."""


@dataclass(kw_only=True)
class Solution:
    """A shape with its value and roles; `rivals` also answer.

    `answered` is the value before other pads' fields were found beside it. `covered` is the share of bytes
    explained, `framed` that of messages that pass the check (or lead from one to the next), of any kind.
    """

    shape: Shape
    value: Value
    answered: Value
    roles: list[Role]
    rivals: list[Value]
    covered: float = 0.0
    framed: float = 0.0
    fold: int = FOLDS[0]
    """Which of five seconds was held back when it was found."""
    notes: list[str] = field(default_factory=list)


def solve(
    cut: Cut,
    recording: Recording,
    knowns: Sequence[Known],
    *,
    effort: Effort,
    without: frozenset[int] = frozenset(),
) -> tuple[list[Solution], list[str]]:
    """Solve a cut: solutions, and reasons why fields that answer were not taken.

    `without` are whole seconds that are left out. Raises TooMuchError when it would take too long.
    """
    messages, check, wire = _messages(cut, recording, effort, without)
    cut_out = [message for _, message in messages]
    if several(cut_out, check) if cut.kind in ("fixed", "length") else check is None and in_turn(cut_out):
        return [], []
    vouched = check is not None or cut.sizes  # by a check, or by where the next one begins
    framed = wire * len(messages) if vouched else None
    solutions: list[Solution] = []
    reasons: list[str] = []
    for shape in map(with_units, _shapes(cut, check, messages, knowns, solutions)):
        try:
            found, why = _solve_signs(shape, knowns, effort)
        except TooMuchError:
            if not solutions:
                raise
            break  # likely shapes come first
        reasons += why
        if found is not None:
            found.covered = len(found.shape.rows) * wire
            found.framed = found.covered if framed is None else framed
            solutions.append(found)
            if len(found.shape.rows) > (NAMED if found.shape.keys else NEARLY_ALL) * len(messages):
                break
    return solutions, reasons


def _messages(
    cut: Cut, recording: Recording, effort: Effort, without: frozenset[int]
) -> tuple[list[tuple[float, bytes]], Found | None, float]:
    """Messages with their times, their check, and one's share of all bytes; none where nothing tells them."""
    pieces = _pieces(cut, recording)
    if len(pieces) < LEAST:
        return [], None, 0.0
    check = _check(cut, pieces, effort)
    if cut.kind == "fixed" and not cut.start:
        if check is None or check.at != -check.size:
            return [], None, 0.0  # nothing else would tell where a message begins
        pieces = resynchronised(recording.data, pieces, check)
    if cut.kind == "length" and not cut.start and not begins(cut, check, recording):
        return [], None, 0.0
    messages = [(recording.time_at(piece.stop - 1), piece.message) for piece in pieces]
    messages = [item for item in messages if int(item[0]) not in without]
    if check is not None:
        passes = check.check().passes
        messages = [item for item in messages if passes(item[1])]
    wire = sum(piece.stop - piece.begin for piece in pieces) / len(pieces) / len(recording.data)
    return messages, check, wire


def _solve_signs(shape: Shape, knowns: Sequence[Known], effort: Effort) -> tuple[Solution | None, list[str]]:
    """Solve a shape; where loads below zero are told, their sign may stand away from the number."""
    found, reasons = _solve_shape(shape, knowns, effort)
    below = tuple(known for known in knowns if known.value < 0)
    if found is None and below:
        folded = [replace(known, value=abs(known.value)) for known in knowns]
        found, _ = _solve_shape(shape, folded, effort, below)
    return found, reasons


def begins(cut: Cut, check: Found | None, recording: Recording) -> bool:
    """Tell whether it is sure where messages begin that lead from one to the next.

    By a check that is the last thing in each, or by chunks.
    """
    return keeps_to(cut, recording) or (check is not None and check.at == -check.size)


def promising(cut: Cut, recording: Recording, effort: Effort) -> bool:
    """Tell whether a cut is likely by itself: lines and marked messages, or those that have a check."""
    if cut.kind in ("line", "marked"):
        return cut.end[-1:] in PLAIN_ENDS
    pieces = _pieces(cut, recording)
    return len(pieces) >= LEAST and _check(cut, pieces, effort) is not None


def _pieces(cut: Cut, recording: Recording) -> list[Piece]:
    if cut.kind != "fixed" or cut.start or cut.step:
        return cut.pieces(recording.data)
    data, size = recording.data, cut.size
    return [
        Piece(begin=start, stop=start + size, message=data[start : start + size])
        for start in recording.starts
        if start + size <= len(data)
    ]


def _check(cut: Cut, pieces: list[Piece], effort: Effort) -> Found | None:
    effort.spend(CHECK * (1 + min(len(pieces[0].message), LONG) // SHORT))
    sizes = Counter(len(piece.message) for piece in pieces)
    every = [piece.message for piece in pieces]
    for size in [size for size, count in sizes.most_common(2) if count > COMMON * len(pieces)]:
        found = find_check([message for message in every if len(message) == size], cut)
        if found is not None:
            return found
    return find_check(every, cut)


def resynchronised(data: bytes, pieces: list[Piece], check: Found) -> list[Piece]:
    """Messages of one size without a start: runs that pass the check, those where most pieces begin first.

    Not the first that passes: a XOR holds as well in messages that are cut elsewhere.
    """
    size, begun = pieces[0].stop - pieces[0].begin, {piece.begin for piece in pieces}
    passes = check.check().passes
    runs: list[range] = []
    seen: set[int] = set()
    anywhere = check.kind not in TURNING
    for at in range(len(data)) if anywhere else sorted(begun):
        stop = at
        while stop not in seen and stop + size <= len(data) and passes(data[stop : stop + size]):
            stop += size
        run = range(at, stop, size)
        if len(run) > 1 or (run and anywhere and at in begun):
            runs.append(run)
            seen.update(run)
    taken = bytearray(len(data))
    found: list[int] = []
    for run in sorted(runs, key=lambda run: (len(begun.intersection(run)), len(run)), reverse=True):
        for at in run:
            if not any(taken[at : at + size]):
                taken[at : at + size] = b"\1" * size
                found.append(at)
    return [Piece(begin=at, stop=at + size, message=data[at : at + size]) for at in sorted(found)]


def _shapes(
    cut: Cut,
    check: Found | None,
    messages: list[tuple[float, bytes]],
    knowns: Sequence[Known],
    solutions: list[Solution],
) -> Iterator[Shape]:
    """Ways to see messages as a table, likely ones first; at last one kind of several that look alike.

    Text is looked at once more only while there are no `solutions`.
    """
    positions = list(by_position(cut, check, messages)) if len(messages) >= LEAST else []
    texts: list[Shape] = []
    for shape in _plain_shapes(cut, check, messages, positions):
        texts += [shape] if shape.size is None else []
        yield shape
    for shape in positions:
        yield from of_a_kind(shape, knowns)
    for shape in texts if not solutions else ():
        yield from of_a_kind(shape, knowns)
    if texts:
        yield from by_marks(cut, check, messages, knowns)


def _plain_shapes(
    cut: Cut, check: Found | None, messages: list[tuple[float, bytes]], positions: list[Shape]
) -> Iterator[Shape]:
    if len(messages) < LEAST:
        return
    rows = [len(shape.rows) for shape in positions]
    if rows and max(rows) > 0.9 * len(messages):
        yield from positions
        if not cut.unwraps and cut.kind in ("line", "marked"):
            yield from by_cells(cut, check, messages)
        return
    if not cut.unwraps and cut.kind in ("line", "marked", "length"):
        yield from by_cells(cut, check, messages)
    yield from positions


def _solve_shape(
    shape: Shape, knowns: Sequence[Known], effort: Effort, below: tuple[Known, ...] = ()
) -> tuple[Solution | None, list[str]]:
    """Solve a shape; `below` are loads below zero of which `knowns` hold the magnitude: a sign is needed."""
    effort.spend(len(shape.rows) * len(shape.sources()) // 2)
    counting = counters(shape)
    taken = [role.source for role in counting] + ([shape.units.source] if shape.units else [])
    skip = {place for source in taken for place in smallest(source)}
    search = Search(shape, knowns, None, skip, effort)
    values = _ranked(shape, search.values())
    together = pads.combined(search) if not values or pads.of_several(search, values[0]) else []
    if not values or (together and not _pieces_of(together[0], values[0])):
        values = together
    reasons = search.reasons
    named = shape
    for one, address in () if values else _addressed(shape, skip, effort):
        if values and one.masks:
            break
        search = Search(one, knowns, address, skip | {address}, effort)
        named_by = _ranked(one, [v for v in search.values() if not _follows(one, address, v.source)])
        reasons += search.reasons
        if named_by and (not values or rank(one, named_by[0])[:4] > rank(named, values[0])[:4]):
            values, named = named_by, one
        if values and values[0].answer.share > SURE:
            break
    if not values:
        return None, reasons
    shape = named
    unit = max(knowns, key=lambda known: known.mass_kg).unit
    values = [replace(value, below=below) for value in values] if below else values
    found = _solution(shape, _preferred(shape, values, unit), counting, knowns)
    signless = found is not None and bool(below) and not any(map(says_minus, found.roles))
    return (None if signless else found), reasons


def _pieces_of(several: Value, one: Value) -> bool:
    """Tell whether fields that answer together are parts of a field that answers alone."""
    return all(overlap(source, one.source) for source in several.sources.values())


def _addressed(shape: Shape, skip: set[Source], effort: Effort) -> Iterator[tuple[Shape, Source]]:
    """Places that may name a pad: whole ones first, then halves of a byte."""
    effort.spend(len(shape.rows) * len(shape.sources()) // 4)
    for address in address_places(shape, skip):
        yield shape, address
    if shape.size is None:
        return
    effort.spend(len(shape.rows) * len(shape.sources()))
    halves = [
        replace(shape, masks={source: mask})
        for source in shape.sources()
        if source not in skip and not set(kept_cells(shape, source)) <= SIGNS
        for mask in (0xF0, 0x0F)
    ]
    found = [
        (one, source) for one in halves for source in one.masks if address_places(one, skip, only=source)
    ]
    yield from sorted(found, key=lambda item: _turns(item[0].column(item[1])))[:MOST_HALVES]


def _turns(column: list[bytes]) -> tuple[float, int]:
    """Order what may name a pad: what changes oftenest first, then what takes fewest values."""
    return -round(sum(a != b for a, b in pairwise(column)) / len(column), 1), len(set(column))


MOST_HALVES = 6
"""Halves of bytes tried as an address: each costs a whole search."""
SURE = 0.98
"""Share of agreeing frames with which an address is taken without trying others."""


def _ranked(shape: Shape, values: list[Value]) -> list[Value]:
    return sorted(values, key=lambda value: rank(shape, value), reverse=True)


def _follows(shape: Shape, address: Source, value: Source) -> bool:
    """Tell whether an address is a digit right behind a number in text: the number's last digit."""
    if not isinstance(address, tuple) or not isinstance(value, tuple) or address[0] != value[0] + value[1]:
        return False
    last = (address[0] - 1, 1)
    cells = {*shape.column(address), *shape.column(last)}
    return all(cell.isdigit() for cell in cells)


def _preferred(shape: Shape, values: list[Value], unit: str) -> list[Value]:
    """Of a mass that is sent twice, take what is called gross, and in the unit of the known load."""
    first = next((v for v in values if pads.label(shape, v.source).lower() in pads.GROSS), values[0])
    values = [first, *(value for value in values if value is not first)]
    far = 0.01 * first.answer.reach * first.per_read_kg()
    for value in values:
        if value.verdict.unit == unit != first.verdict.unit and not overlap(value.source, first.source):
            pairs = zip(value.masses_kg(), first.masses_kg(), strict=False)
            if sum(abs(a - b) <= far for a, b in pairs) > 0.97 * len(first.masses_kg()):
                return [value, *(other for other in values if other is not value)]
    return values


def _solution(
    shape: Shape, values: list[Value], counting: list[Role], knowns: Sequence[Known]
) -> Solution | None:
    answered, rows, notes = pads.kinds(shape, values[0], knowns)
    if not rows:
        return None  # what was taken for pads' names shared the load out among many
    shape = shape.only(rows)
    shape, more = of_one_kind(shape, answered, counting)
    notes += more
    value = answered
    if value.address is None:
        value, more = siblings(shape, value)
        notes += more
    counting = [role for role in counting if not any(overlap(role.source, s) for s in value.sources.values())]
    return Solution(
        shape=shape,
        value=value,
        answered=answered,
        roles=describe(shape, value, answered, counting, knowns),
        rivals=values[1:],
        notes=notes,
    )
