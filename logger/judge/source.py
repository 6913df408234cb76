"""Opens recordings of any kind for the judge: a CSV, our journal or our dataset, through the one replay."""

from __future__ import annotations

from pathlib import Path

from logger.judge.seen import Clock
from logger.judge.verdict import Verdict, judge
from logger.recording import kg_per
from logger.replay import Replayed, make_bay, open_recordings


def judge_path(
    path: Path,
    *,
    config: Path | None = None,
    rate_Hz: float | None = None,
    unit: str | None = None,
    capacity_kg: float | None = None,
    accuracy_class: str = "III",
    e: float | None = None,
) -> list[Verdict]:
    """Judge every recording at a path; `e` in its unit. RecordingError when it cannot be read."""
    played = open_recordings(
        path, make_bay=make_bay, config=config, rate_Hz=rate_Hz, unit=unit, capacity_kg=capacity_kg
    )
    return [_judged(path, one, accuracy_class, e) for one in played]


def _judged(path: Path, played: Replayed, accuracy_class: str, e: float | None) -> Verdict:
    def unit_of(pad: str) -> tuple[str, float]:
        name = played.units.get(pad, played.unit)
        return name, kg_per(name)

    return judge(
        played.name if played.name == path.name else f"{path.resolve().name}, {played.name}",
        played.records,
        unit_of,
        clock=Clock(start_ns=played.start_ns, origin_s=played.origin_s),
        accuracy_class=accuracy_class,
        e_kg=None if e is None else e * kg_per(played.unit),
        notes=played.notes,
    )
