"""Feeding recordings and made-up readings through the pipeline in tests."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path

from logger.model import CarRest, Record, Rest, Sample
from logger.settling.pipeline import Pipeline

Row = tuple[float, str, float | None]


def sample(t_s: float, pad: str, value: float | None, **more: object) -> Sample:
    """One reading at t_s + 1 s of monotonic time."""
    ns = round(t_s * 1e9) + 1_000_000_000
    return Sample(pad=pad, t_mono_ns=ns, t_wall_ns=ns + 5, mass_wire_kg=value, mass_kg=value, **more)  # type: ignore[arg-type]


def read(path: Path, pads: Iterable[str] | None = None) -> list[Row]:
    """Rows (t_s, pad, value) of a uniform recording, in time order."""
    with path.open() as file:
        rows = [(float(r["t_s"]), r["pad"], float(r["value"])) for r in csv.DictReader(file)]
    keep = None if pads is None else set(pads)
    return sorted((r for r in rows if keep is None or r[1] in keep), key=lambda r: r[0])


def run(
    rows: Iterable[Row], capacity_kg: Mapping[str, float] | None = None, **more: object
) -> tuple[list[Record], Pipeline]:
    """Feed rows one by one and finish."""
    rows = list(rows)
    pads = list(dict.fromkeys(r[1] for r in rows))
    pipeline = Pipeline(pads, capacity_kg=capacity_kg)
    out: list[Record] = []
    for t, pad, value in rows:
        out += pipeline.feed(sample(t, pad, value, **more))
    return out + pipeline.finish(), pipeline


def rests(out: Iterable[Record], pad: str) -> list[Rest | CarRest]:
    """Last revision of each rest of a pad ("*": of the car), in time order; times with the 1 s taken off."""
    last: dict[int, Rest | CarRest] = {}
    for r in out:
        if (isinstance(r, Rest) and r.pad == pad) or (isinstance(r, CarRest) and pad == "*"):
            last[r.t_from_mono_ns] = r
    return [last[k] for k in sorted(last)]


def span(rest: Rest | CarRest) -> tuple[float, float]:
    """From and to in seconds of the recording."""
    return rest.t_from_mono_ns * 1e-9 - 1.0, rest.t_to_mono_ns * 1e-9 - 1.0
