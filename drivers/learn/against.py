"""What speaks against a reading that answers: a sign that was seen set, steps of no indicator, roughness."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import floor, gcd, log10

from drivers.learn.answer import Answer, Series, travel
from drivers.learn.readings import Reading, Source
from drivers.learn.shapes import Shape
from drivers.learn.value import number_in
from drivers.learn.verdict import READABLE
from drivers.numbers import BCD_SIGNS, Reader

JUMP = 0.15
"""Share of the known load's answer by which neighbouring numbers differ where something happens."""
LEAP = 1.3
"""How far a number may go from one message to the next, of the known load's answer or half of all it went."""
STAYS, AGREEING = 0.1, 0.7
"""How near a leap comes to a whole digit, of the known load's answer, and the share of leaps that do."""
TO_AND_FRO = 0.4
"""Share of such jumps that may go back at once: of a load that goes up or down none does."""
LONG = 150
"""Messages of which one damaged one may have passed a weak check."""
FEW_LOWEST, MANY_ABOVE = 8, 40
"""Values of a lowest byte and of what stands above it: steps up to 500 leave 16 in the byte at least."""
LONGEST = 4
"""Bytes of the longest integer that is looked for."""
FLOAT = 4
"""Bytes of the shortest float whose halves are looked at by themselves."""
QUIET = 4
"""Times that a load turns back which hardly wavers."""
ENOUGH = 25
"""Different numbers from which their last digits tell the step."""


def sign_seen(
    shape: Shape, source: Source, reading: Reading, groups: dict[str, Series], found: Answer
) -> bool:
    """Tell whether the highest bit was set in frames though no known load comes near it: it is a sign."""
    if reading.coding not in ("binary", "hex", "bcd"):
        return False
    half = 10 ** (2 * size_of(source) - 1) if reading.coding == "bcd" else half_of(shape, source, reading)
    if any(level >= half for levels in found.levels.values() for level in levels):
        return False
    set_in = sum(value >= half for _, values in groups.values() for value in values)
    return set_in > (0 if shape.check else 1 + len(shape.rows) // 250)


def ones_seen(shape: Shape, sources: Sequence[Source], reading: Reading) -> bool:
    """Tell whether numbers (of several pads) are in ones' complement: all-ones, its -0, never came.

    Beside, all must be steps from zero where steps are larger than 1; else some pad showed both 0 and -1.
    """
    found = [_by_sign(shape, source, reading) for source in sources]
    step, many = _step_above(found)
    if not any(below for _, below, _ in found) or any(ones in below for _, below, ones in found):
        return False
    if step > 1:
        return many and all((ones - plain) % step == 0 for _, below, ones in found for plain in below)
    return any(above[0] > 3 and below[ones - 1] > 3 for above, below, ones in found)


def twos_seen(shape: Shape, sources: Sequence[Source], reading: Reading) -> bool:
    """Tell whether no number was below zero, or one was that is none in ones' complement."""
    found = [_by_sign(shape, source, reading) for source in sources]
    step, _ = _step_above(found)
    negative = [(plain, ones) for _, below, ones in found for plain in below]
    whole = step > 1 and all((ones + 1 - plain) % step == 0 for plain, ones in negative)
    return not negative or whole or any(plain == ones for plain, ones in negative)


def _step_above(found: Sequence[tuple[Counter[int], Counter[int], int]]) -> tuple[int, bool]:
    """What numbers above zero step by, and whether many came."""
    numbers = {number for above, _, _ in found for number in above}
    return gcd(*numbers), len(numbers) >= ENOUGH


def _by_sign(shape: Shape, source: Source, reading: Reading) -> tuple[Counter[int], Counter[int], int]:
    """Numbers as without sign, those without and those with the highest bit, and all-ones.

    Where no check vouches for them, those that came once may be damaged.
    """
    read, half = replace(reading, form="unsigned", decimals=None).reader(), half_of(shape, source, reading)
    counted = Counter(shape.column(source))
    least = 0 if shape.check else 1
    numbers = {cell: _plain(read, cell) for cell, count in counted.items() if count > least}
    sets = Counter({int(n): counted[cell] for cell, n in numbers.items() if n is not None})
    above = Counter({number: count for number, count in sets.items() if number < half})
    return above, sets - above, 2 * half - 1


def _plain(read: Reader, cell: bytes) -> float | None:
    try:
        return read(cell)[0]
    except ValueError:
        return None


def smooth(groups: dict[str, Series], found: Answer) -> bool:
    """Tell whether series hardly travel farther than from load to load, and their noise."""
    noise = 2 * found.step / found.reach * sum(len(values) for _, values in groups.values())
    loads = sum(abs(b - a) for levels in found.levels.values() for a, b in pairwise(levels)) / found.reach
    travelled = sum(travel(values) for _, values in groups.values()) / found.reach
    return travelled < 1.6 * loads + 1.2 + noise


def zigzags(groups: dict[str, Series], found: Answer, *, checked: bool, weak: bool) -> bool:
    """Tell whether numbers jump to and fro where they move, as no load does; damage is allowed for.

    `weak` checks of 8 bits let one damaged message in 256 pass.
    """
    jumps = turns = dips = leaps = total = 0
    far = JUMP * found.reach
    for name, (_, values) in groups.items():
        total += len(values)
        most = LEAP * max(found.reach, 0.5 * (max(values) - min(values)))
        floor = min(found.levels.get(name, [0.0])) - far
        for a, b, c in zip(values, values[1:], values[2:], strict=False):
            jumps += abs(b - a) > far
            leaps += abs(b - a) > most
            turns += (b - a) * (b - c) > 0 and min(abs(b - a), abs(b - c)) > far
            dips += b < floor < min(a, c) and min(a, c) - b > far
    odd = int(weak and total >= LONG) if checked else 3 + total // 60
    if dips > odd or leaps > 2 * odd:  # for one message to below what empty pads show; farther than any load
        return True
    return turns > (3 if checked else 5 + total // 30) and turns > TO_AND_FRO * jumps


def led_by_another(groups: dict[str, Series], found: Answer) -> bool:
    """Tell whether decimal numbers leap by a whole highest digit and stay there: it is another field's.

    What stands below goes on as before, which no load does: 77.02, 1077.04.
    """
    near = max(3 * found.step, STAYS * found.reach)
    leaps = clean = 0
    for _, values in groups.values():
        for a, b, c in zip(values, values[1:], values[2:], strict=False):
            if abs(b - a) > LEAP * found.reach and abs(c - b) < JUMP * found.reach:
                digit = 10.0 ** floor(log10(abs(b - a) + near))
                leaps += 1
                clean += abs(abs(b - a) - digit * round(abs(b - a) / digit)) < near
    return leaps > 1 and clean > AGREEING * leaps


def ends_in_digit(cells: Iterable[bytes], *, backwards: bool) -> bool:
    """Tell whether last digits of decimal text are those of steps of 1, 2, 5 or 10, where enough came.

    Numbers with a point may be few, and sent without trailing zeros: two are suspect.
    """
    numbers = [digits for cell in set(cells) if (digits := cell.strip(b" +-"))]
    lasts = Counter(digits[:1] if backwards else digits[-1:] for digits in numbers)
    if lasts.total() < ENOUGH:
        return True
    seen = {digit for digit, count in lasts.items() if count > 1}
    if any(b"." in digits or b"," in digits for digits in numbers):
        return len(seen) != 2 or seen == {b"0", b"5"}  # a code of two values right behind the last digit
    return seen <= {b"0", b"5"} or len(seen) > 5 or (len(seen) > 2 and seen <= {b"0", b"2", b"4", b"6", b"8"})


def even_step(groups: dict[str, Series]) -> bool:
    """Tell whether integers step by 1, 2 or 5 times a power of ten, as those of an indicator do."""
    counted = Counter(int(value) for _, values in groups.values() for value in values)
    often = {number for number, count in counted.items() if count > 1}
    numbers = sorted(often if len(often) > 3 else counted)  # one damaged number must not decide
    if len(numbers) < 3:
        return True
    step = gcd(*(number - numbers[0] for number in numbers))
    if sum(map(_turns, groups.values())) <= QUIET * len(groups):
        for part in (3, 7, 11, 13):  # an even ramp without any noise goes by a step of its own
            while step and step % part == 0:
                step //= part
    return _is_step(step)


def _turns(series: Series) -> int:
    """How often a series turns back; one that wavers turns all the time."""
    gone = [b - a for a, b in pairwise(series[1]) if a != b]
    return sum(a * b < 0 for a, b in pairwise(gone))


def _is_step(step: int) -> bool:
    while step and step % 10 == 0:
        step //= 10
    return step in (1, 2, 4, 5)


def blanks_fit(cells: Iterable[bytes]) -> bool:
    """Tell whether blanks stand between figures as marks of thousands do, or between all of them."""
    found = [_BLANKS.fullmatch(cell) is not None for cell in cells if _APART.search(cell)]
    return sum(found) >= READABLE * len(found)


_APART = re.compile(rb"\d +\d|[.,] +\d")
_BLANKS = re.compile(rb"[ +-]*(?:\d{1,3}(?: \d{3})*(?:[.,]\d+)?|\d(?: ?[.,]? \d)*)[ +-]*")


def in_thousands(column: list[bytes], mark: bytes) -> bool:
    """Tell whether a mark stands before every three digits, and only there: 950 and 1,050."""
    grouped = re.compile(rb" *[-+]? *\d{1,3}(?:" + re.escape(mark) + rb"\d{3})* *[-+]?")
    good = sum(grouped.fullmatch(cell) is not None for cell in column)
    with_mark = sum(mark in cell for cell in column)
    return good > READABLE * len(column) and 0.02 * len(column) < with_mark < 0.98 * len(column)


def led_by_constant(shape: Shape, source: Source, reading: Reading, groups: dict[str, Series]) -> bool:
    """Tell whether an integer's highest byte (digit, bit) is always the same and not 0: another field's."""
    unit = highest_unit(shape, source, reading)
    return bool(unit) and any(_always_led(values, unit) for _, values in groups.values())


def ended_by_constant(shape: Shape, source: Source, reading: Reading, groups: dict[str, Series]) -> bool:
    """Tell whether an integer's lowest byte (hexadecimal digit) never changes: it is another field's."""
    if reading.coding == "bcd" and isinstance(source, tuple):
        lowest = source[0] if reading.order == "little" else sum(source) - 1
        return source[1] > 1 and set(shape.column((lowest, 1))) == {b"\0"}
    if reading.coding not in ("binary", "hex") or reading.mask:
        return False
    below = 16 if reading.coding == "hex" else 256
    numbers = [value for _, values in groups.values() for value in values if value >= 0]
    last, count = Counter(value % below for value in numbers).most_common(1)[0] if numbers else (0, 0)
    return count > READABLE * len(numbers) and (last > 0 or len(set(numbers)) > 2)


def signs_doubled(shape: Shape, sources: Sequence[Source], reading: Reading) -> bool:
    """Tell whether two sign nibbles of packed decimals would mean the same: then one of them means minus.

    `sources` are the numbers of all pads: one pad may have been below zero where another was not.
    """
    if not reading.form.startswith("sign"):
        return False
    first = (reading.form == "sign-first") != (reading.order == "little")
    high = (reading.form == "sign-first") != reading.backwards
    places = [source[0] if first else sum(source) - 1 for source in sources if isinstance(source, tuple)]
    least = 0 if shape.check else 1
    cells = (cell for at in places for cell in shape.column((at, 1)))
    counted = Counter(cell[0] >> 4 if high else cell[0] & 0x0F for cell in cells)
    signs = [BCD_SIGNS.get(nibble) for nibble, count in counted.items() if count > least]
    return len(signs) > len(set(signs))


def lowest_is_another(reading: Reading, groups: dict[str, Series]) -> bool:
    """Tell whether an integer's lowest byte takes few values while those above take many: it is no part."""
    base = {"binary": 256, "bcd": 100}.get(reading.coding, 0)
    if not base or reading.mask or reading.order == "swapped":
        return False
    numbers = {abs(int(value)) for _, values in groups.values() for value in values}
    lowest, above = {n % base for n in numbers}, {n // base for n in numbers}
    if base == 100 and (lowest <= {0, 50} or lowest <= {0, 20, 40, 60, 80}):
        return False
    return len(lowest) <= FEW_LOWEST and len(above) >= MANY_ABOVE


def mantissa_is_another(shape: Shape, source: Source, reading: Reading) -> bool:
    """Tell whether a float's lower half takes few values and never 0 while its upper takes many: no part."""
    if reading.coding != "float" or not isinstance(source, tuple) or source[1] < FLOAT:
        return False
    half = source[1] // 2
    at = source[0] + half if reading.order == "big" else source[0]
    lower, upper = (set(shape.column((n, half))) for n in (at, 2 * source[0] + half - at))
    return len(lower) <= FEW_LOWEST and bytes(half) not in lower and len(upper) >= MANY_ABOVE


def fills(shape: Shape, source: Source, reading: Reading) -> bool:
    """Tell whether the byte above a binary number is all ones below zero, else nothing: it goes on there."""
    if reading.coding != "binary" or not isinstance(source, tuple) or reading.order == "swapped":
        return False
    if source[1] >= LONGEST:
        return False  # no load fills it, and longer integers are not read
    above = (source[0] - 1, 1) if reading.order == "big" else (sum(source), 1)
    if above not in shape.sources():
        return False
    read = replace(reading, mask=0).reader()
    below = [number_in(read, cell) < 0 for cell in shape.column(source)]
    pairs = Counter(zip(below, shape.column(above), strict=True))
    good = pairs[True, b"\xff"] + pairs[False, b"\0"]
    return pairs[True, b"\xff"] > 1 and good > READABLE * pairs.total()


def few_below(column: list[bytes], groups: dict[str, Series]) -> bool:
    """Tell whether a byte below a number takes few values where the number takes many: it is no part."""
    above = len({value for _, values in groups.values() for value in values})
    few = len(set(column))
    return (few <= FEW_LOWEST and above >= MANY_ABOVE) or (2 * few <= FEW_LOWEST and 2 * above >= MANY_ABOVE)


def highest_unit(shape: Shape, source: Source, reading: Reading) -> int:
    """What one is worth in an integer's highest byte (digit, bit); 0 for other numbers."""
    if reading.coding == "bcd":
        return int(100 ** (size_of(source) - 1))
    if reading.coding not in ("binary", "hex"):
        return 0
    below = 1 if reading.mask else 4 if reading.coding == "hex" else 8
    return max(2 * half_of(shape, source, reading) >> below, 1)


def _always_led(values: list[float], unit: int) -> bool:
    first, count = Counter(abs(value) // unit for value in values).most_common(1)[0]
    return first > 0 and count > READABLE * len(values)


def size_of(source: Source) -> int:
    return source[1] if isinstance(source, tuple) else 1


def half_of(shape: Shape, source: Source, reading: Reading) -> int:
    """The smallest number whose highest bit is set."""
    if reading.mask:
        return 1 << (reading.mask.bit_count() - 1)
    size = source[1] if isinstance(source, tuple) else max(min(map(len, shape.column(source))), 1)
    return 1 << ((4 if reading.coding == "hex" else 8) * size - 1)


def around_middle(groups: dict[str, Series], reading: Reading, shape: Shape, source: Source) -> bool:
    """Offset binary counts up from the middle: hardly a reading lies in the lowest quarter."""
    least = -half_of(shape, source, reading) / 2  # what is of another kind may lie anywhere
    return any(sum(value >= least for value in values) > 0.9 * len(values) for _, values in groups.values())
