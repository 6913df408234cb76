"""The dialogue of `restpoint calibrate`: empty pad, known mass, perhaps more; then the fit and the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from math import sqrt
from pathlib import Path
from statistics import fmean, stdev

from drivers import registry
from drivers.api import Frame
from drivers.calibration import Point, fit
from logger.calibration_file import add
from logger.cautions import CAUTIONS
from logger.config import Loaded, load
from logger.quantity import Quantity
from logger.stream_file import listen
from logger.transports import PortLost, PortRefused
from logger.units import to_kg

LEAST_READINGS = 5
"""Fewer readings than this say nothing about their own scatter."""

Ask = Callable[[str], str]


class CannotRead(RuntimeError):
    """The pad cannot be read; says why and what to do."""


def calibrate(config: Path, pad: str, seconds: float, u_mass_kg: float, ask: Ask = input) -> None:
    """Guide through the loads, fit, show, store; CalibrationRefused or CannotRead if it cannot be done."""
    loaded = load(config)
    print(f"Calibrating {pad}. {CAUTIONS[3]}")
    points: list[Point] = []
    while (mass_kg := _next_load(points, loaded.config.bay.unit, ask)) is not None:
        point = measured(read_counts(loaded, pad, seconds), mass_kg, u_mass_kg if mass_kg else 0.0)
        print(f"  {mass_kg:g} kg: {point.counts:.1f} ± {2 * point.u_counts:.1f} counts")
        points.append(point)
    line = fit(points)
    per_count = Quantity(1 / line.slope, abs(sqrt(line.var_slope) / line.slope**2), "kg")
    heaviest = max(points, key=lambda p: p.mass_kg)
    spread_kg = 2 * line.u_kg(heaviest.counts)
    print(f"One count is {per_count.text()}; at {heaviest.mass_kg:g} kg ± {spread_kg:.2g} kg.")
    path = add(config.parent, pad, datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), points)
    print(f"Stored in {path}. {CAUTIONS[11]}")


def _next_load(points: Sequence[Point], unit: str, ask: Ask) -> float | None:
    """Ask for the next load: its mass in kg, None when there are no more."""
    if not points:
        ask("Empty the pad, wait until nothing moves, press Enter: ")
        return 0.0
    more = ", or only Enter when that was all" if len(points) > 1 else ""
    while True:
        answer = ask(f"Put a known mass on and type it, such as 25 or 25 {unit}{more}: ").strip()
        if not answer and len(points) > 1:
            return None
        try:
            number, _, its_unit = answer.partition(" ")
            return to_kg(float(number.replace(",", ".")), its_unit.strip() or unit)
        except ValueError:
            print(f"  {answer!r} is no mass; type a number and a unit")


def measured(counts: Sequence[int], mass_kg: float, u_mass_kg: float) -> Point:
    """The mean of counts at rest with its standard uncertainty, rounding (1/√12 of a count) included."""
    u_counts = sqrt(stdev(counts) ** 2 / len(counts) + 1 / 12)
    return Point(mass_kg=mass_kg, counts=fmean(counts), u_counts=u_counts, u_mass_kg=u_mass_kg)


def read_counts(loaded: Loaded, pad: str, seconds: float) -> list[int]:
    """Read a pad's counts from its port for a while; CannotRead when there are none."""
    row = next((p for p in loaded.config.pad if p.id == pad), None)
    if row is None:
        known = ", ".join(p.id for p in loaded.config.pad)
        raise CannotRead(f"{loaded.file} has no pad {pad!r}; it has {known}")
    port = next(p for p in loaded.config.port if p.name == row.port)
    driver = registry.find(port.layout, folders=(loaded.file.parent,))()
    frames: list[Frame] = []
    try:
        for t_s, data in listen(port.device, driver, seconds):
            items = driver.feed(data, int((t_s or 0.0) * 1e9))
            frames += [item for item in items if isinstance(item, Frame)]
    except (PortRefused, PortLost) as fault:
        raise CannotRead(f"{fault} (a running daemon holds its ports: stop it first)") from fault
    mine = [f for f in frames if row.address in (None, f.address)]
    counts = [f.counts for f in mine if f.counts is not None]
    if len(counts) < LEAST_READINGS:
        raise CannotRead(
            f"{len(counts)} readings of {pad} in counts in {seconds:g} s; is the pad on, and does layout "
            f"{port.layout!r} give counts? `restpoint try {port.layout} {port.device}` shows what comes"
        )
    return counts
