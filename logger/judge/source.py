"""Opens recordings of any kind for the judge: a CSV, our journal or our dataset, through the one replay."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from logger.journal_folder import find_runs
from logger.judge.seen import Clock
from logger.judge.verdict import Verdict, judge
from logger.recording import kg_per
from logger.replay import Replayed, make_bay, open_recordings
from logger.settling.grade import Grading


def judge_path(
    path: Path,
    *,
    config: Path | None = None,
    rate_Hz: float | None = None,
    unit: str | None = None,
    capacity_kg: float | None = None,
    accuracy_class: str | None = None,
    e: float | None = None,
) -> list[Verdict]:
    """Judge every recording at a path; `e` in its unit. RecordingError when it cannot be read.

    Class and e that are not given are those of the configuration (section `judge`), where there is one.
    """
    played = open_recordings(
        path, make_bay=make_bay, config=config, rate_Hz=rate_Hz, unit=unit, capacity_kg=capacity_kg
    )
    against = _against(path, config)
    if accuracy_class is not None:
        against = replace(against, accuracy_class=accuracy_class)  # type: ignore[arg-type]  # judge says what is wrong
    return [_judged(path, one, against, e) for one in played]


def _against(path: Path, config: Path | None) -> Grading:
    """What pads are graded against by the configuration: the one named, else that of a journal's last run."""
    if config is None and path.is_dir():
        runs = [run.folder / "config.toml" for run in find_runs(path)]
        config = next((file for file in reversed(runs) if file.exists()), None)
    if config is None:
        return Grading()
    from logger.config import load  # noqa: PLC0415  a CSV needs no configuration

    return load(config).config.judge


def _judged(path: Path, played: Replayed, against: Grading, e: float | None) -> Verdict:
    def unit_of(pad: str) -> tuple[str, float]:
        name = played.units.get(pad, played.unit)
        return name, kg_per(name)

    return judge(
        played.name if played.name == path.name else f"{path.resolve().name}, {played.name}",
        played.records,
        unit_of,
        clock=Clock(start_ns=played.start_ns, origin_s=played.origin_s),
        accuracy_class=against.accuracy_class,
        e_kg=against.e_kg if e is None else e * kg_per(played.unit),
        notes=played.notes,
        wall=played.wall,
    )
