"""Several pads: in turn by address, or side by side in one message; and messages that are of another kind."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise, product

from drivers.learn.against import (
    blanks_fit,
    ends_in_digit,
    led_by_constant,
    lowest_is_another,
    mantissa_is_another,
    ones_seen,
    sign_seen,
    zigzags,
)
from drivers.learn.answer import Series, answer, step_of
from drivers.learn.ranking import rank
from drivers.learn.readings import Reading, Source, overlap
from drivers.learn.recording import Known
from drivers.learn.shapes import Row, Shape
from drivers.learn.units import unit_word
from drivers.learn.value import UNREADABLE, Value, judge, last_place, series, settled
from drivers.learn.values import AGREEING, WITHIN, Search
from drivers.learn.verdict import UNIT_WORDS
from drivers.wire import COUNTS

GROSS, NET = ("gross", "brutto"), ("net", "netto")
"""Names by which a stream tells all that stands on a pad from the same less a tare."""
NUMBER = re.compile(rb" *[-+]? *\d+(?:[.,]\d+)? *[-+]?")
"""Another number, such as a signal's, may stand still for each pad."""
MANY, ALIKE, MOSTLY, OFTEN = 99, 0.98, 0.5, 0.5
ALIKE_SLOPE = 0.1
"""How far pads' fields may differ in how steeply they rise; the others' wandering zeros are in it."""
STEPS_OFF = 10
"""Steps from zero within which a pad that was never loaded stands."""
NEAR_ZERO = 0.05
"""An unloaded pad shows less than this share of the known load."""


def kinds(shape: Shape, value: Value, knowns: Sequence[Known]) -> tuple[Value, list[Row], list[str]]:
    """Tell pads from other kinds of message among the addresses; only pads' rows are kept."""
    if value.address is None:
        return value, shape.rows, []
    notes: list[str] = []
    base = min(range(len(knowns)), key=lambda k: knowns[k].mass_kg)
    reach = value.answer.reach
    loaded = [n for n, levels in value.answer.levels.items() if max(levels) - levels[base] > 0.2 * reach]
    pads = set(loaded)
    for name, levels in value.answer.levels.items():
        if name in pads:
            continue
        empty = all(abs(level) < NEAR_ZERO * reach for level in levels)
        often = len(value.groups[name][1]) > OFTEN * min(
            len(value.groups[pad][1]) for pad in loaded or [name]
        )
        odd = _unlike(shape, value, name, loaded) if empty and often else MANY
        plain = value.reading.coding == "text" and odd == 0
        if plain or (odd <= 1 and _wavers(value, name, loaded)):
            pads.add(name)
            notes.append(f"pad {name!r} was never loaded; it reads like the others")
        else:
            notes.append(f"messages with {name!r} where pads have their address are of another kind")
    address = value.address
    rows = [row for row in shape.rows if shape.get(row, address).decode("latin-1") in pads]
    groups = {name: value.groups[name] for name in value.groups if name in pads}
    found = answer(groups, knowns, last_place(value.reading, value.places)) or value.answer
    return replace(value, groups=groups, answer=found), rows, notes


def _wavers(value: Value, name: str, loaded: list[str]) -> bool:
    """Tell whether numbers of a name are whole steps, and mostly few from 0, as an empty pad's are."""
    numbers = value.groups[name][1]
    sent = last_place(value.reading, value.places)
    step = max((step_of(value.groups[pad][1], sent) for pad in loaded), default=0.0)
    if not step:
        return False
    steps = [number / step for number in numbers]
    near = [n for n in steps if abs(n) <= STEPS_OFF]  # it may be loaded later, with what nobody knows
    whole = [n == 0 or (round(n) != 0 and abs(n - round(n)) < 0.01) for n in near]
    return sum(whole) > max(ALIKE * len(near), MOSTLY * len(steps))


def _unlike(shape: Shape, value: Value, name: str, loaded: list[str]) -> int:
    """In how many constants messages of a name differ from those of a pad that answered; MANY if in more."""
    assert value.address is not None
    address = value.address
    ours = [row for row in shape.rows if shape.get(row, address).decode("latin-1") == name]
    theirs = [row for row in shape.rows if shape.get(row, address).decode("latin-1") in loaded]
    if value.reading.coding == "text" and _places_sent(shape, value, ours).isdisjoint(
        _places_sent(shape, value, theirs)
    ):
        return MANY
    odd, covered = 0, shape.covered()
    for source in shape.sources():
        if isinstance(source, tuple) and source[0] not in covered:
            continue  # a question before the answer
        if source == address or any(_inside(source, s) for s in value.sources.values()):
            continue
        a = Counter(shape.get(row, source) for row in ours)
        b = Counter(shape.get(row, source) for row in theirs)
        if len(b) == 1 and len(a) == 1 and set(a) != set(b):
            mine, other = next(iter(a)), next(iter(b))
            if other.decode("latin-1").lower() in UNIT_WORDS:
                return MANY
            repeated = mine == shape.get(ours[0], address)
            odd += not mine.isalnum() and not NUMBER.fullmatch(mine) and not repeated
    return odd


def _places_sent(shape: Shape, value: Value, rows: list[Row]) -> set[int]:
    """How many decimal places the numbers of some rows have."""
    read = value.reader()
    found = set()
    for row in rows:
        with suppress(*UNREADABLE):
            found.add(read(shape.get(row, value.source))[1])
    return found


def _inside(source: Source, span: Source) -> bool:
    if isinstance(source, tuple) and isinstance(span, tuple):
        return span[0] <= source[0] < span[0] + span[1]
    return source == span


def pad_names(shape: Shape, sources: Sequence[Source]) -> list[str]:
    """Name pads by their keys, by names beside them or by the words before them, else by number."""
    number = [str(n + 1) for n in range(len(sources))]
    if shape.kind == "keyed":
        return [shape.keys[source] for source in sources]  # type: ignore[index]  # cells
    if shape.kind == "json":
        found = _beside_names(shape, sources) or _path_names([shape.keys[s] for s in sources])  # type: ignore[index]  # cells
        return found or number
    words = [label(shape, source) for source in sources]
    return words if all(words) and len(set(words)) == len(words) else number


def _beside_names(shape: Shape, sources: Sequence[Source]) -> list[str]:
    """Names that stand in the same object as each pad's number: {"id": "A", "kg": 1.2}."""
    inside = [shape.keys[source].rpartition(".")[0] for source in sources]  # type: ignore[index]  # cells
    for word in ("id", "name", "pad", "ch", "addr", "address", "no", "n"):
        cells = [shape.keys.index(key) for path in inside if (key := f"{path}.{word}") in shape.keys]
        names = [shape.rows[0].cells[cell].decode("latin-1") for cell in cells]
        constant = all(len({row.cells[cell] for row in shape.rows}) == 1 for cell in cells)
        if len(set(names)) == len(sources) and constant:
            return names
    return []


def _path_names(paths: list[str]) -> list[str]:
    steps = [path.split(".") for path in paths]
    if len({len(step) for step in steps}) != 1:
        return []
    differing = [column for column in zip(*steps, strict=True) if len(set(column)) == len(column)]
    if not differing:
        return []
    return [str(int(name) + 1) if name.isdigit() else name for name in differing[0]]


def label(shape: Shape, source: Source) -> str:
    """The word that names a field: its key, or what stands right before it in text; "" when there is none."""
    if shape.keys and isinstance(source, int):
        return shape.keys[source].rpartition(".")[2]
    if isinstance(source, tuple):
        if shape.cut.unwraps:
            return ""
        before = shape.rows[0].message[shape.body[0] : source[0]]
    elif shape.kind == "columns":
        before = shape.rows[0].cells[source - 1] if source else b""
    else:
        row = shape.rows[0]
        before = b"".join(gap + cell for gap, cell in zip(row.gaps, row.cells[:source], strict=False))
    found = re.search(rb"([A-Za-z][A-Za-z0-9_]{0,11})[ :=,;|\t/+-]*$", before[-24:])
    return found[1].decode() if found else ""


def told(shape: Shape, source: Source) -> str:
    if isinstance(source, tuple):
        return f"the field at byte {source[0]}"
    return f"the field {shape.keys[source]!r}" if shape.keys else f"text number {source + 1}"


def combined(search: Search) -> list[Value]:
    """Fields that answer to some known loads each and to all of them together: pads loaded in turn."""
    by_reading: dict[tuple[Reading, int], list[Field]] = {}
    for source, reading, levels in search.partial:
        size = source[1] if isinstance(source, tuple) else 0
        by_reading.setdefault((reading, size), []).append((source, levels))
    found: list[tuple[tuple[bool, int, int], Value]] = []
    for (reading, size), fields in sorted(by_reading.items(), key=_plainest):
        plain_as = _plainest(((reading, size), fields))
        if found and found[0][0] != plain_as:
            break
        if reading.form in UNSEEN_SIGN:  # fields that were never below zero were only read without sign
            plain = by_reading.get((replace(reading, form="unsigned"), size), [])
            taken = {source for source, _ in fields}
            fields = fields + [item for item in plain if item[0] not in taken]  # noqa: PLW2901 - the same, wider
        search.effort.spend(len(search.shape.rows))
        value = _together(search.shape, search.knowns, reading, fields)
        if value is not None:
            found.append((plain_as, value))
    return [max((value for _, value in found), key=lambda v: rank(search.shape, v))] if found else []


def of_several(search: Search, value: Value) -> bool:
    """Tell whether a field that answers to all loads may be the sum of others that answer to some each."""
    alike = [
        levels
        for source, reading, levels in search.partial
        if reading == replace(value.reading, decimals=reading.decimals, scale="")
        and not overlap(source, value.source)
    ]
    return len(alike) > 1


def _plainest(item: tuple[tuple[Reading, int], list[Field]]) -> tuple[bool, int, int]:
    """Whole fields before masked ones, long ones before what may be cut out of them."""
    (reading, size), _ = item
    return bool(reading.mask), -size, -reading.mask.bit_count()


Field = tuple[Source, list[float]]
UNSEEN_SIGN = ("twos", "magnitude", "ones")
"""Sign forms under which numbers above zero read as without sign."""


def _together(shape: Shape, knowns: Sequence[Known], reading: Reading, fields: list[Field]) -> Value | None:
    low = min(range(len(knowns)), key=lambda k: knowns[k].mass_kg)
    loaded = [k for k in range(len(knowns)) if knowns[k].mass_kg > knowns[low].mass_kg]
    rises = [[item for item in fields if _answers(item[1], low, k)][:12] for k in loaded]
    weights = [knowns[k].mass_kg - knowns[low].mass_kg for k in loaded]
    slopes = [
        [(field[1][k] - field[1][low]) / weight for field in fields]
        for fields, k, weight in zip(rises, loaded, weights, strict=True)
    ]
    for chosen in _alike_choices(rises, slopes):
        sources = sorted(chosen, key=_place)
        if len(sources) < 2 or _overlapping(sources) or not _linear(list(chosen.values()), knowns, low):
            continue
        value = _value_of(shape, knowns, reading, sources) if _end_alike(shape, reading, sources) else None
        if value is not None:
            return value
    return None


def _alike_choices(
    rises: list[list[Field]], slopes: list[list[float]]
) -> Iterator[dict[Source, list[float]]]:
    """One field for each load, all rising about alike with it, none over another."""
    for (source, levels), slope in zip(rises[0], slopes[0], strict=True):
        left = [
            [
                (field, theirs)
                for field, theirs in zip(fields, steep, strict=True)
                if abs(theirs - slope) < ALIKE_SLOPE * slope
                and (field[0] == source or not overlap(field[0], source))
            ]
            for fields, steep in zip(rises[1:], slopes[1:], strict=True)
        ]
        if all(left):
            for others in product(*left):
                yield {source: levels} | {place: theirs for (place, theirs), _ in others}


def _end_alike(shape: Shape, reading: Reading, sources: Sequence[Source]) -> bool:
    """Tell whether numbers in text end before alike bytes: else one has its sign within and another not."""
    behind = [(sum(s), 1) for s in sources if isinstance(s, tuple) and (sum(s), 1) in shape.sources()]
    sets = [set(shape.column(place)) for place in behind]
    return reading.coding != "text" or not sets or bool(set.intersection(*sets))


def _linear(levels: list[list[float]], knowns: Sequence[Known], low: int) -> bool:
    """Tell whether fields together rise in proportion to the known loads."""
    slopes = [
        sum(row[k] - row[low] for row in levels) / (known.mass_kg - knowns[low].mass_kg)
        for k, known in enumerate(knowns)
        if known.mass_kg > knowns[low].mass_kg
    ]
    return min(slopes) > 0 and max(slopes) - min(slopes) < 0.02 * max(slopes)


def _value_of(shape: Shape, knowns: Sequence[Known], reading: Reading, sources: list[Source]) -> Value | None:
    groups: dict[str, Series] = {}
    most = 0
    for number, source in enumerate(sources):
        got, unread, places = series(shape, shape.rows, source, reading.reader(), None)
        if (
            not _reads_well(shape, source, reading)
            or unread > 0.03 * len(shape.rows)
            or led_by_constant(shape, source, reading, got)
        ):
            return None
        if lowest_is_another(reading, got) or mantissa_is_another(shape, source, reading):
            return None
        groups[str(number)] = got[""]
        most = max(most, places)
    found = answer(groups, knowns, 10.0**-most)
    if found is not None and reading.form == "unsigned":
        signs = (
            sign_seen(shape, source, reading, {"": groups[str(n)]}, found) for n, source in enumerate(sources)
        )
        found = None if any(signs) else found
    if found is None or found.share < AGREEING or found.within < WITHIN:
        return None
    checked, weak = shape.check is not None, shape.check is not None and shape.check.check().mask <= 0xFF
    unsigned = reading.form == "ones" and not ones_seen(shape, sources, reading)
    if unsigned or zigzags(groups, found, checked=checked, weak=weak):
        return None
    verdict = judge(found, knowns, reading, most, unit_word(shape, sources[0]))
    if isinstance(verdict, str) or verdict.unit == COUNTS:
        return None
    names = pad_names(shape, sources)
    return Value(
        sources=dict(zip(names, sources, strict=True)),
        reading=settled(reading, verdict, most),
        address=None,
        answer=replace(found, levels=dict(zip(names, found.levels.values(), strict=True))),
        verdict=verdict,
        groups=dict(zip(names, groups.values(), strict=True)),
        unread=0,
        places=most,
    )


def _reads_well(shape: Shape, source: Source, reading: Reading) -> bool:
    """Tell whether text has blanks where numbers have them, and ends in a digit."""
    column = shape.column(source)
    if reading.ignore == b" " and not blanks_fit(column):
        return False
    decimal = reading.coding == "text" and not reading.exponent
    return not decimal or ends_in_digit(column, backwards=reading.backwards)


def _answers(levels: list[float], low: int, k: int) -> bool:
    """Tell whether a field carries all of a load: it rises most there, and falls nowhere."""
    top = max(levels) - levels[low]
    return top > 0 and levels[k] - levels[low] > 0.7 * top and min(levels) >= levels[low] - 0.05 * top


def _place(source: Source) -> tuple[int, ...]:
    return source if isinstance(source, tuple) else (source,)


def _overlapping(sources: Sequence[Source]) -> bool:
    spans = [source for source in sources if isinstance(source, tuple)]
    return any(a[0] + a[1] > b[0] for a, b in pairwise(spans))
