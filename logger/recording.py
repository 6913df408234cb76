"""Recordings made by others: a plain CSV in long form, read as samples in order of time.

Columns `t_s,pad,value,unit`, one row a reading, in any order, further ones passed over; blank values and NaN
are readings that are missing, rows of the pads may stand in any order. Without `t_s` a rate has to be given;
without `pad` and `value` every column is a pad.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import floor, isfinite
from pathlib import Path
from statistics import median
from typing import TextIO

from logger.clock import NS
from logger.model import Sample
from logger.units import KG_PER

MISSING = {"", "nan", "na", "n/a", "null", "none", "-", "--", "inf", "+inf", "-inf"}
"""Values that say that there is no reading."""
SPELLINGS = {"lbs": "lb", "kgs": "kg", "kgf": "kg", "lbf": "lb", "n": "N", "kn": "kN"}
"""Other ways units are written, in lower case."""
COARSE_SHARE = 0.2
"""With more rows than this share at the time of the row before, the clock is coarse and rows are spread."""
LONGEST_S = 9.0e9
"""Times (s) beyond this do not fit in 64 bits of nanoseconds."""


LATE_S = 1e6
"""A recording that begins later than this (s) counts from a date: as nanoseconds it would lose digits."""


class RecordingError(ValueError):
    """What is wrong with a recording, with file and line, and what to do."""


@dataclass
class Recording:
    """Samples in order of time and what was said about them.

    `samples` hold kg where the unit is a mass or a force, else the numbers as they are; their time is that of
    the file less `origin_s` (s). `units` maps each pad to its unit as written. `notes` say what was left out.
    """

    samples: list[Sample]
    units: dict[str, str]
    origin_s: float = 0.0
    notes: list[str] = field(default_factory=list)


def known_unit(unit: str) -> str | None:
    """The key of units.KG_PER that a unit as written stands for; None when it is no mass or force."""
    if unit in KG_PER:
        return unit
    lower = unit.lower()
    return lower if lower in KG_PER else SPELLINGS.get(lower)


def kg_per(unit: str) -> float:
    """Kilograms in one of the unit; 1.0 where it is no mass or force, so that numbers pass as they are."""
    known = known_unit(unit)
    return KG_PER[known] if known else 1.0


def read_csv(path: Path, rate_Hz: float | None = None, unit: str | None = None) -> Recording:
    """Read a CSV; RecordingError when it cannot be understood.

    `rate_Hz` is the rate of each pad, needed when there is no `t_s`; `unit` is for files without that column.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig", errors="replace") as file:
            return _Reader(path, file, rate_Hz, unit).read()
    except csv.Error as fault:
        raise RecordingError(f"{path}: not a CSV: {fault}") from fault
    except OSError as fault:
        raise RecordingError(f"{path}: {fault.strerror}") from fault


@dataclass
class _Rows:
    """One pad's readings as they stand in the file."""

    unit: str
    t_s: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)


class _Reader:
    """Reads one file; what it leaves out is counted by reason, with the line of the first."""

    def __init__(self, path: Path, file: TextIO, rate_Hz: float | None, unit: str | None) -> None:
        self.path, self.rate_Hz, self.default_unit = path, rate_Hz, unit
        if rate_Hz is not None and not (isfinite(rate_Hz) and rate_Hz > 0):
            raise RecordingError(f"--rate {rate_Hz:g}: a rate is readings a second, above zero")
        self.pads: dict[str, _Rows] = {}
        self.left_out: Counter[str] = Counter()
        self.first_line: dict[str, int] = {}
        self.rows = 0
        self.line = 0
        self.seen: Counter[str] = Counter()
        """Rows of each pad, missing readings included: the place in time of a file without times."""
        self.odd_unit: RecordingError | None = None
        """A unit that does not fit its pad: a fault, unless its row is the last, cut short."""
        self._file = file

    def read(self) -> Recording:
        names, lines = self._header()
        header = [name.lower() for name in names]
        if "value" in header:
            self._long(header, lines)
        else:
            self._wide(names, header, lines)
        if self.odd_unit is not None:
            self.leave_out("rows cut short")
        return self._recording()

    def fail(self, what: str) -> RecordingError:
        return RecordingError(f"{self.path}:{self.line}: {what}")

    def leave_out(self, reason: str) -> None:
        self.left_out[reason] += 1
        self.first_line.setdefault(reason, self.line)

    def _header(self) -> tuple[list[str], Iterator[list[str]]]:
        """Find the header, behind blank lines and comments, and the rows behind it."""
        text = ""
        while not text.strip() or text.startswith("#"):
            text = self._file.readline()
            self.line += 1
            if not text:
                raise self.fail("the file is empty")
        delimiter = max(",;\t", key=text.count)
        header = [name.strip() for name in next(csv.reader([text], delimiter=delimiter))]
        if all(_number(name) is not None for name in header):
            raise self.fail("no header; the first line has to name the columns t_s,pad,value,unit")
        return header, csv.reader(self._file, delimiter=delimiter)

    def _long(self, header: list[str], lines: Iterator[list[str]]) -> None:
        value = header.index("value")
        time = self._time_column(header)
        pad = header.index("pad") if "pad" in header else None
        unit = header.index("unit") if "unit" in header else None
        if unit is not None and self.default_unit is not None:
            raise self.fail("the file has its own column unit; leave --unit away")
        needed = max(i for i in (time, pad, value, unit) if i is not None)
        first = self.line
        for row in lines:
            self.line = first + lines.line_num  # type: ignore[attr-defined]  # csv.reader has it
            if not row or row[0].startswith("#"):
                continue
            self.rows += 1
            if len(row) <= needed:
                self.leave_out("rows cut short")
                continue
            self._reading(
                row[pad].strip() if pad is not None else "pad",
                row[time] if time is not None else None,
                row[value],
                row[unit].strip() if unit is not None else self.default_unit or "",
            )

    def _wide(self, names: list[str], header: list[str], lines: Iterator[list[str]]) -> None:
        """A column a pad, perhaps with t_s: accepted where nothing has to be guessed."""
        pads = [(i, name) for i, name in enumerate(names) if name and header[i] != "t_s"]
        odd = [
            name
            for _, name in pads
            if name.lower() in ("t", "time", "timestamp", "ms", "pad", "unit", "date")
        ]
        if odd or not pads:
            raise self.fail(
                f"no column 'value' among {', '.join(header)}; columns have to be t_s,pad,value,unit "
                "(t_s in seconds), or t_s and one column a pad"
            )
        time = self._time_column(header)
        first = self.line
        for row in lines:
            self.line = first + lines.line_num  # type: ignore[attr-defined]  # csv.reader has it
            if not row or row[0].startswith("#"):
                continue
            self.rows += 1
            if len(row) < len(header):
                self.leave_out("rows cut short")
                continue
            for i, pad in pads:
                self._reading(pad, row[time] if time is not None else None, row[i], self.default_unit or "")

    def _time_column(self, header: list[str]) -> int | None:
        if "t_s" in header:
            if self.rate_Hz is not None:
                raise self.fail("the file has its own times in t_s; leave --rate away")
            return header.index("t_s")
        if self.rate_Hz is None:
            raise self.fail(
                f"no column t_s among {', '.join(header)}; times are not guessed: give the rate of each "
                "pad with --rate HZ"
            )
        return None

    def _reading(self, pad: str, time: str | None, value: str, unit: str) -> None:
        if self.odd_unit is not None:
            raise self.odd_unit
        self.seen[pad] += 1
        if not pad:
            return self.leave_out("rows without a pad")
        t_s = (self.seen[pad] - 1) / self.rate_Hz if time is None and self.rate_Hz else _number(time or "")
        if t_s is None or not abs(t_s) < LONGEST_S:
            return self.leave_out("rows without a time")
        number = _number(value)
        if number is None:
            missing = value.strip().lower() in MISSING
            return self.leave_out("missing values" if missing else "values that are no number")
        rows = self.pads.get(pad)
        if rows is None:
            rows = self.pads[pad] = _Rows(unit)
        if unit != rows.unit:
            return self._other_unit(pad, rows, t_s, number, unit)
        rows.t_s.append(t_s)
        rows.value.append(number)
        return None

    def _other_unit(self, pad: str, rows: _Rows, t_s: float, number: float, unit: str) -> None:
        """A reading in another unit than its pad's first: converted where both are known."""
        if not unit:
            return self.leave_out("rows without a unit")
        if not (known_unit(unit) and known_unit(rows.unit)):
            self.odd_unit = self.fail(
                f"pad {pad} is in {unit!r} here and in {rows.unit!r} before; these do not convert"
            )
            return None
        rows.t_s.append(t_s)
        rows.value.append(number * kg_per(unit) / kg_per(rows.unit))
        return None

    def _recording(self) -> Recording:
        readings = sum(len(rows.t_s) for rows in self.pads.values())
        bad = self.left_out["values that are no number"] + self.left_out["rows cut short"]
        if readings == 0 or bad > readings:
            what = "; ".join(self._notes()) or "there are no rows"
            raise RecordingError(f"{self.path}: no recording to read: {what}")
        first_s = min(min(rows.t_s) for rows in self.pads.values())
        origin_s = float(floor(first_s)) if first_s < 0 or first_s > LATE_S else 0.0
        notes = self._notes()
        samples: list[Sample] = []
        for pad, rows in self.pads.items():
            if any(a > b for a, b in pairwise(rows.t_s)):
                pairs = sorted(zip(rows.t_s, rows.value, strict=True), key=lambda pair: pair[0])
                rows.t_s, rows.value = [t for t, _ in pairs], [value for _, value in pairs]
                notes.append(f"pad {pad}: rows were out of order in time and have been sorted")
            if sum(a == b for a, b in pairwise(rows.t_s)) > COARSE_SHARE * len(rows.t_s):
                rows.t_s = _spread(rows.t_s)
                notes.append(f"pad {pad}: times are coarse; rows of equal time are spread up to the next")
            samples += _samples(pad, rows, origin_s)
        samples.sort(key=lambda sample: sample.t_mono_ns)
        return Recording(samples, {pad: rows.unit for pad, rows in self.pads.items()}, origin_s, notes)

    def _notes(self) -> list[str]:
        return [
            f"{count} {reason} left out, the first at line {self.first_line[reason]}"
            for reason, count in self.left_out.items()
        ]


def _number(text: str) -> float | None:
    """A finite number, a decimal comma allowed; None when it is none."""
    try:
        number = float(text)
    except ValueError:
        try:
            number = float(text.replace(",", "."))
        except ValueError:
            return None
    return number if isfinite(number) else None


def _samples(pad: str, rows: _Rows, origin_s: float) -> Iterator[Sample]:
    factor = kg_per(rows.unit)
    for t_s, value in zip(rows.t_s, rows.value, strict=True):
        t_ns = round((t_s - origin_s) * NS)
        mass = value * factor
        yield Sample(pad=pad, t_mono_ns=t_ns, t_wall_ns=t_ns, mass_wire_kg=mass, mass_kg=mass)


def _spread(t_s: Sequence[float]) -> list[float]:
    """Spread rows of equal time (in order) evenly up to the next time, over no pause longer than usual."""
    begins = [i for i in range(len(t_s)) if i == 0 or t_s[i] != t_s[i - 1]]
    ends = [*begins[1:], len(t_s)]
    steps = [(t_s[end] - t_s[begin]) / (end - begin) for begin, end in pairwise(begins)]
    usual = median(steps) if steps else 0.0
    out: list[float] = []
    for begin, end, step in zip(begins, ends, [*steps, usual], strict=True):
        out += [t_s[begin] + k * min(step, 1.5 * usual) for k in range(end - begin)]
    return out
