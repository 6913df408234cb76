"""Calibrations of pads that send converter counts: beside the bay's configuration, by pad id, with dates.

The file `calibrations.toml` is only ever added to; the newest entry of a pad counts, older ones are history.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.calibration import CalibrationRefused, Line, Point, fit
from logger.typed_toml import convert, parse

NAME = "calibrations.toml"
HEAD = "# Written by `restpoint calibrate`; the newest entry of a pad counts. Not for trade.\n"


@dataclass(frozen=True, kw_only=True)
class Loading:
    """One load of a calibration: known mass and mean counts, each with its standard uncertainty."""

    mass_kg: float
    counts: float
    u_counts: float
    u_mass_kg: float = 0.0

    def point(self) -> Point:
        """As the fit takes it."""
        return Point(
            mass_kg=self.mass_kg, counts=self.counts, u_counts=self.u_counts, u_mass_kg=self.u_mass_kg
        )


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """One calibration of one pad; `date` is ISO 8601."""

    pad: str
    date: str
    load: tuple[Loading, ...]

    def line(self) -> Line:
        """Fit the line; CalibrationRefused when the loads are absurd."""
        return fit([load.point() for load in self.load])


@dataclass(frozen=True, kw_only=True)
class _File:
    calibration: tuple[Calibration, ...] = ()


def read(folder: Path) -> Mapping[str, Line]:
    """Read each pad's newest line from a config's folder, {} without a file; ConfigError with all faults."""
    path = folder / NAME
    if not path.exists():
        return {}
    data, faults = parse(path)
    file = convert(data, _File, faults)
    newest = {entry.pad: (n, entry) for n, entry in enumerate(file.calibration)} if file else {}
    lines = {}
    for pad, (n, entry) in newest.items():
        try:
            lines[pad] = entry.line()
        except CalibrationRefused as refused:
            for fault in refused.faults:
                faults.add(("calibration", n), f"pad {pad}: {fault}; run `restpoint calibrate` again")
    faults.check()
    return lines


def add(folder: Path, pad: str, date: str, points: Sequence[Point]) -> Path:
    """Append a calibration that has been found good; returns the file."""
    path = folder / NAME
    text = path.read_text(encoding="utf-8") if path.exists() else HEAD
    text += f'\n[[calibration]]\npad = "{pad}"\ndate = "{date}"\n'
    for p in points:
        text += (
            f"[[calibration.load]]\nmass_kg = {p.mass_kg!r}\ncounts = {p.counts!r}\n"
            f"u_counts = {p.u_counts!r}\nu_mass_kg = {p.u_mass_kg!r}\n"
        )
    path.write_text(text, encoding="utf-8")
    return path
