"""What was not excluded: which doubts could make a wrong mass later, and the one experiment that decides."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from drivers.learn.against import ends_in_digit, ones_seen, signs_doubled, twos_seen
from drivers.learn.answer import Series, travel
from drivers.learn.below_zero import unsaid_sign
from drivers.learn.pads import GROSS, NET, label, told
from drivers.learn.readings import Reading, Source, overlap
from drivers.learn.recording import Known
from drivers.learn.shapes import Shape
from drivers.learn.solve import Solution
from drivers.learn.switched import switched
from drivers.learn.value import Value
from drivers.learn.write import PLAIN_LIMITS
from drivers.wire import COUNTS

STILL = 0.9
"""Share of readings with one and the same last digit from which on it may not be a digit at all."""
SEVERAL = 8
"""Different numbers that must have been seen of a coded integer."""

MANY = 25
"""Different numbers whose last digits tell that they are no sign."""
LEAST_ALIKE = 3
"""Numbers that came several times, each with a byte of its own, of a check."""
STIRRING, STIRRING_BITS = 4, 8
"""Codes of a claim that all say moving, and values of a byte whose bits do: so many may be digits."""
EMPTY = 0.02
"""Share of the known load that a number may show when empty and still be called zero."""
MOST_BESIDE = 4
"""Bits of another field that may stand above a number in its bytes, though they were never seen set."""


def half_range(solution: Solution) -> tuple[float, float] | None:
    """Lowest and highest number that mean the same however a sign is sent; None when the sign is known."""
    value, reading = solution.value, solution.value.reading
    if reading.coding not in ("binary", "hex", "bcd") or any(role.kind == "sign" for role in solution.roles):
        return None
    words = [word for role in solution.roles for word in (*role.bits.values(), *role.map.values())]
    if any("minus" in word for word in words):
        return None
    seen = [v for _, values in value.groups.values() for v in values]
    if reading.coding == "bcd":
        return _without_first_digit(value, seen)
    damaged = 0 if solution.shape.check else 1 + len(seen) // 250
    half = 1 << (_bits(solution.shape, value.source, reading, sorted(seen)[-1 - damaged]) - 1)
    if reading.form in ("", "unsigned"):
        return (0, half - 1) if sum(v >= half for v in seen) <= damaged else None
    if reading.form in ("offset", *COMPLEMENTS) and min(seen) >= 0:
        return (0, half - 1)
    return None


def _without_first_digit(value: Value, seen: list[float]) -> tuple[float, float] | None:
    """A first digit that was always 0 may be a sign that was never set."""
    assert isinstance(value.source, tuple)
    most = 10 ** (2 * value.source[1] - 1) - 1
    return (0, most) if value.reading.form in ("", "unsigned") and max(seen) <= most else None


def _bits(shape: Shape, source: Source, reading: Reading, most: float) -> int:
    """Bits of a number; of one that shares its bytes with something else as few as may be its own."""
    if reading.mask and isinstance(source, tuple):
        least = max(8 * source[1] - MOST_BESIDE, int(most).bit_length() + 1)
        return min(reading.mask.bit_count(), least)
    if isinstance(source, int):
        return 4 * max(min(len(cell) for cell in shape.column(source)), 1)
    odd = source[1] % 2 if reading.coding == "hex" and reading.order != "little" else 0
    other = odd and set(shape.column((source[0], 1))) == {b"0"}  # a single digit ahead may be another field
    return (4 if reading.coding == "hex" else 8) * (source[1] - int(bool(other)))


def safe_limits(solution: Solution) -> tuple[float, float]:
    """Limits (kg, or counts) within which a layout means one thing, and no number is absurd."""
    value = solution.value
    counted = value.verdict.unit == COUNTS
    half = half_range(solution)
    if half is not None:
        per = value.verdict.factor_kg()
        if counted:
            return float(half[0]), float(half[1])
        return max(half[0] * per, PLAIN_LIMITS[0]), min(half[1] * per, PLAIN_LIMITS[1])
    return (-8388608.0, 8388607.0) if counted else PLAIN_LIMITS


def doubts(solution: Solution, knowns: Sequence[Known]) -> tuple[list[str], list[str]]:
    """Return what forbids a layout, each with the experiment that decides, and what is harmless."""
    missing = _check_doubt(solution.shape) + _too_few(solution) + _conflicts(solution)
    missing += _two_pluses(solution) + _sign_digit(solution.value) + _outside(solution) + _led(solution)
    missing += _goes_on(solution) + _stirs(solution) + _complement(solution) + switched(solution)
    missing += unsaid_sign(solution, knowns) + _check_unknown(solution)
    notes = [note for note in solution.notes if not note.startswith("undecided")]
    missing += [note for note in solution.notes if note.startswith("undecided")]
    for rival in _apart(solution):
        said = _against(solution, rival)
        (missing if said.startswith("undecided") else notes).append(said)
    missing += [
        f"undecided: {role.evidence}. It may be the sign. To decide, record again with readings on both "
        "sides of zero: tare with a load on the pad, then take it off"
        for role in solution.roles
        if role.kind == "maybe sign"
    ]
    half = half_range(solution)
    if half is not None:
        limits = safe_limits(solution)
        unit = "counts" if solution.value.verdict.unit == COUNTS else "kg"
        notes.append(
            f"a negative reading was not seen: only {limits[0]:.6g} to {limits[1]:.6g} {unit} is accepted, "
            "which means the same however a sign is sent. To widen it, record with a reading below zero too: "
            "tare with a load on the pad, then take it off"
        )
    off = abs(solution.value.verdict.off)
    if off > 0.003 and solution.value.verdict.unit != COUNTS:
        notes.append(
            f"it shows {solution.value.verdict.off:+.1%} of the known load beside it; a matter of calibration"
        )
    return missing, list(dict.fromkeys(notes))


def _check_doubt(shape: Shape) -> list[str]:
    """A check that agrees with another one on all that came, and would not on other numbers."""
    if shape.check is None or not shape.check.rival:
        return []
    return [
        f"undecided: the check fits {shape.check.name} and {shape.check.rival} alike, for too few different "
        "numbers came. To decide, record again and put the load on slowly, through many readings"
    ]


def _check_unknown(solution: Solution) -> list[str]:
    """A byte right behind a binary number that follows from it, in messages without a check, is one.

    Then messages are cut in a wrong place, or it is a sum that is not known.
    """
    value, shape = solution.value, solution.shape
    if shape.check is not None or shape.size is None or value.reading.coding != "binary":
        return []
    places = {role.source for role in solution.roles if role.kind in ("free", "code", "steady")}
    for source in value.sources.values():
        at = sum(source) if isinstance(source, tuple) else 0
        if (at, 1) in places and _follows(shape.column(source), shape.column((at, 1))):
            return [
                f"undecided: the byte at {at} follows from the number before it, as a check does, though "
                "none was found: messages may begin elsewhere. To decide, record again, longer, with a load "
                "on each pad in turn"
            ]
    return []


def _follows(numbers: list[bytes], beside: list[bytes]) -> bool:
    """Tell whether a byte is the same for equal numbers and another for others, as hardly any field is."""
    by_number: dict[bytes, Counter[bytes]] = {}
    for number, byte in zip(numbers, beside, strict=True):
        by_number.setdefault(number, Counter())[byte] += 1
    often = [counted for counted in by_number.values() if counted.total() > 1]
    total = sum(counted.total() for counted in often)
    same = sum(counted.most_common(1)[0][1] for counted in often)
    kinds = {counted.most_common(1)[0][0] for counted in often}
    alike = len(often) >= LEAST_ALIKE and same > STILL * total
    return alike and len(kinds) == len(often) and len(set(beside)) > MANY


def _too_few(solution: Solution) -> list[str]:
    """Coded integers of which few were seen may be read in many ways that agree on those few."""
    value = solution.value
    seen = {number for _, numbers in value.groups.values() for number in numbers}
    if value.reading.coding in ("text", "float") or len(seen) >= SEVERAL:
        return []
    return [
        f"undecided: only {len(seen)} different numbers were seen, too few to tell how they are coded. "
        "To decide, record again and put the load on slowly, through many readings"
    ]


def _outside(solution: Solution) -> list[str]:
    """A value that the check does not vouch for: messages may have been cut in the wrong place."""
    shape, covered = solution.shape, solution.shape.covered()
    places = [source for source in solution.value.sources.values() if isinstance(source, tuple)]
    if shape.size is None or all(set(range(at, at + size)) <= covered for at, size in places):
        return []
    return [
        "undecided: the check does not cover every value, so messages may begin elsewhere. To decide, record "
        "again, longer, with a load on each pad in turn"
    ]


COMPLEMENTS = {"twos": twos_seen, "ones": ones_seen}


def _complement(solution: Solution) -> list[str]:
    """Numbers below zero that may be in ones' or in twos' complement: each is one apart."""
    value, shape = solution.value, solution.shape
    if value.reading.coding not in ("binary", "hex") or value.reading.form not in COMPLEMENTS:
        return []
    if COMPLEMENTS[value.reading.form](shape, list(value.sources.values()), value.reading):
        return []
    return [
        "undecided: numbers below zero may be in ones' or in twos' complement, for -1 never came. To decide, "
        "record again with many readings on both sides of zero: tare with a load on the pad, then take it "
        "off slowly"
    ]


def _led(solution: Solution) -> list[str]:
    """A number that is not zero when empty, behind a constant byte that may be its highest."""
    value, shape = solution.value, solution.shape
    far = abs(value.answer.empty) > EMPTY * value.answer.reach and value.verdict.unit != COUNTS
    if value.reading.coding not in ("binary", "bcd") or value.reading.order == "swapped" or not far:
        return []
    for source in value.sources.values():
        assert isinstance(source, tuple)
        before = source[0] - 1 if value.reading.order != "little" else sum(source)
        beside = set(shape.column((before, 1))) if (before, 1) in shape.sources() else set()
        if len(beside) == 1 and not beside <= {b"\0", b"\xff"}:
            return [
                f"undecided: it is not zero when empty, and the byte at {before} may be its highest. To "
                "decide, set the indicator to zero with nothing on the pads, and record again"
            ]
    return []


def _goes_on(solution: Solution) -> list[str]:
    """A digit right beside a number in text, without a meaning of its own, may be one of its own."""
    value, shape = solution.value, solution.shape
    if value.reading.coding != "text" or shape.size is None:
        return []
    free = {role.source for role in solution.roles if role.kind in ("free", "code")}
    for source in value.sources.values():
        assert isinstance(source, tuple)
        for at in (source[0] - 1, sum(source)):
            if (at, 1) in free and all(cell.isdigit() for cell in shape.column((at, 1))):
                which = "first" if (at < source[0]) != value.reading.backwards else "last"
                return [
                    f"undecided: the digit at byte {at} may be the number's {which} one. To decide, record "
                    "again and put the load on slowly, through many readings"
                ]
    return []


def _stirs(solution: Solution) -> list[str]:
    """A claim right beside the only number that takes many values may be digits of the number.

    Where several pads share a message one byte may hold the claims of all.
    """
    spans = [span for span in solution.value.sources.values() if isinstance(span, tuple)]
    if len(spans) != 1:
        return []
    beside = ((spans[0][0] - 1, 1), (sum(spans[0]), 1))
    for role in solution.roles:
        if role.kind == "steady" and role.source in beside:
            moving = sum(word == "moving" for word in role.map.values())
            if moving >= STIRRING or len(set(solution.shape.column(role.source))) >= STIRRING_BITS:
                return [
                    f"undecided: the byte at {role.source[0]} claims steadiness by more values than claims "
                    "need: it may be digits of the number. To decide, record again and put the load on "
                    "slowly, through many readings"
                ]
    return []


def _sign_digit(value: Value) -> list[str]:
    """A last decimal digit that hardly ever changes may be a sign, not a digit of the number."""
    if value.reading.coding != "bcd":
        return []
    every = [abs(round(number)) for _, numbers in value.groups.values() for number in numbers]
    last = Counter(number % 10 for number in every)
    odd = not ends_in_digit((b"%d" % number for number in set(every)), backwards=False)
    often = {number for number, count in last.items() if count > 1 + len(every) // 250}
    if len(set(every)) >= MANY and not odd and often <= {0, 5}:
        return []
    if len(set(every)) >= MANY and not odd and last.most_common(1)[0][1] < STILL * last.total():
        return []
    likeliest = last.most_common(2)
    two = sum(count for _, count in likeliest) > 0.97 * last.total() and {n for n, _ in likeliest} != {0, 5}
    if likeliest[0][1] < STILL * last.total() and not two and not odd:
        return []
    return [
        "undecided: the last decimal digit hardly ever changes; it may be a sign. To decide, record again "
        "with many readings on both sides of zero: tare with a load on the pad, then take it off slowly"
    ]


def _two_pluses(solution: Solution) -> list[str]:
    """Sign nibbles of several pads of which two mean plus elsewhere: one of them means minus here."""
    value = solution.value
    if value.reading.coding != "bcd" or not signs_doubled(
        solution.shape, list(value.sources.values()), value.reading
    ):
        return []
    return [
        "undecided: the packed decimals have two signs that both mean plus elsewhere, so one of them means "
        "minus. No layout can say which; the indicator may have another format to choose"
    ]


def _conflicts(solution: Solution) -> list[str]:
    """Another reading of the same bytes that is as good in all respects and gives other masses in between."""
    value = solution.answered
    ours = value.masses_kg()
    far = 0.02 * value.answer.reach * value.per_read_kg()
    for rival in solution.rivals:
        same = any(overlap(rival.source, source) for source in value.sources.values())
        if not same or rival.address != value.address or not _as_good(rival, value):
            continue
        apart = sum(abs(a - b) > far for a, b in zip(ours, rival.masses_kg(), strict=False))
        if apart > 0.02 * len(ours):
            return [
                f"undecided: the same bytes read as {rival.reading.told()} in {rival.verdict.unit} answer as "
                "well. To decide, record again and put the load on slowly, through many readings"
            ]
    return []


def _as_good(rival: Value, value: Value) -> bool:
    """Tell whether a reading agrees, fits its unit and zero, and runs as smoothly as another."""
    ours, theirs = value.answer, rival.answer
    if value.reading.coding == "text" or rival.reading.mask or rival.verdict.unit == COUNTS:
        return False
    agrees = theirs.share > ours.share - 0.005 and theirs.within > ours.within - 0.002
    fits = abs(rival.verdict.off) < abs(value.verdict.off) + 0.0005
    zero = abs(theirs.empty) / theirs.reach < abs(ours.empty) / ours.reach + 0.02
    return agrees and fits and zero and _roughness(rival) < 1.05 * _roughness(value)


def _roughness(value: Value) -> float:
    return sum(travel(numbers) for _, numbers in value.groups.values()) / value.answer.reach


def _apart(solution: Solution) -> list[Value]:
    """Rivals in other places, one for each place, the likeliest."""
    taken: list[Source] = list(solution.value.sources.values())
    out: list[Value] = []
    for rival in solution.rivals:
        if rival.verdict.unit == COUNTS or rival.address != solution.value.address:
            continue
        if abs(rival.answer.empty) > max(EMPTY * rival.answer.reach, 3 * rival.answer.step):
            continue
        if not any(overlap(rival.source, source) for source in taken):
            taken.append(rival.source)
            out.append(rival)
    return out


def _against(solution: Solution, rival: Value) -> str:
    """Compare another field that answers: in another unit it is the same number twice."""
    value, place = solution.answered, told(solution.shape, rival.source)
    ours, theirs = value.masses_kg(), rival.masses_kg()
    step = max(value.answer.step * value.verdict.factor_kg(), rival.answer.step * rival.verdict.factor_kg())
    step = step if value.places == 0 else value.answer.step * value.per_read_kg()
    common = [abs(a - b) for a, b in zip(ours, theirs, strict=False)]
    alike = sum(gap <= 1.1 * step + 0.002 * max(ours) for gap in common) / max(len(common), 1)
    if rival.verdict.unit != value.verdict.unit and alike > 0.95:
        return f"{place} shows the same mass in {rival.verdict.unit}"
    if _is_sum(solution, rival):
        return f"{place} is the sum of the pads"
    ours_said, theirs_said = (label(solution.shape, s).lower() for s in (value.source, rival.source))
    if ours_said in GROSS and theirs_said in NET and alike > 0.98:
        return (
            f"{place} is the net by its name {theirs_said!r}, the same without a tare; {ours_said!r} is read"
        )
    how = (
        "the same number in every frame"
        if alike > 0.98
        else "the same load, though not always the same number"
    )
    return (
        f"undecided: {place} shows {how}; one may be gross, net, a peak or a total. To decide, record again "
        "and tare with a load on the pad, take it off, and load another pad if there is one"
    )


def _is_sum(solution: Solution, rival: Value) -> bool:
    """Tell whether a field is the sum of several pads' fields."""
    if len(solution.value.sources) < 2:
        return False
    groups: list[Series] = list(solution.value.groups.values())
    total: list[float] = [sum(row) for row in zip(*(values for _, values in groups), strict=False)]
    theirs = next(iter(rival.groups.values()))[1]
    step = max(solution.value.answer.step, 1e-9)
    near = sum(abs(a - b) <= 2.1 * step for a, b in zip(total, theirs, strict=False))
    return near > 0.95 * max(len(total), 1)
