"""What a weigh-in came to, on the terminal and as a report file; the demo sets its own truth beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from drivers.sim.scenario import RestTruth
from logger.bookkeeping.source import car_of, opened
from logger.bookkeeping.text import table_lines
from logger.config import load
from logger.journal_folder import find_runs
from logger.plan.file import read_plan
from logger.plan.page import plan_section
from logger.plan.state import base_of
from logger.plan.wanted import PlanFault
from logger.plan.work import work
from logger.report.data import ReportData
from logger.report.gather import gather
from logger.report.render import render
from logger.sentences import in_unit
from logger.units import from_kg
from logger.weighin.ledger import NoWeighIn
from logger.weighin.results import WeighInResult, weigh_in_result
from logger.weighin.views import sentences


def latest(folder: Path) -> tuple[WeighInResult, str]:
    """Solve the last weigh-in in a bay's folder; also the unit to show. NoWeighIn when there is none."""
    with opened(folder) as ledger:
        rows = ledger.weigh_ins()
        captures = ledger.captures(rows[-1].id) if rows else []
        changes = ledger.changes(rows[-1].id) if rows else []
        car = car_of(ledger, rows[-1]) if rows else None
    loaded = load(find_runs(folder)[-1].folder / "config.toml")
    result = weigh_in_result(captures, changes, car) if car else None
    if result is None:
        raise NoWeighIn(f"{folder}: nothing was weighed")
    return result, loaded.config.bay.unit


def truth_lines(truths: Sequence[RestTruth], unit: str) -> Iterator[str]:
    """What the simulation knows: mass and centre of mass of each state, in the order of the rests."""
    seen: set[tuple[float, int]] = set()
    for truth in truths:
        state = (round(truth.mass_kg, 3), len(truth.aboard))
        if truth.facing is None or state in seen:
            continue
        seen.add(state)
        x_m, y_m, _ = truth.centre_m
        yield (
            f"  simulated truth: {from_kg(truth.mass_kg, unit):.2f} {unit}, centre of mass "
            f"{x_m:.3f} m ahead of the rear axle, {y_m:.3f} m left"
        )


def print_outcome(folder: Path, truths: Sequence[RestTruth]) -> None:
    """Print the table of a bay's last weigh-in, the truth beside it, and what is doubtful."""
    result, unit = latest(folder)
    for line in (*table_lines(result, unit), *truth_lines(truths, unit)):
        print(line)
    for sentence in sentences(result):
        print(f"  – {in_unit(sentence, unit)}")


def write_report(
    folder: Path, weigh_in: int | None = None, out: Path | None = None, plan: Path | None = None
) -> Path:
    """Write the report of a weigh-in (default: the last), with a section on the plan, and return its path."""
    data = gather(folder, weigh_in)
    section = "" if plan is None else planned(plan, data)
    path = out or folder / "report.html"
    path.write_text(render(data, section), encoding="utf-8")
    return path


def planned(file: Path, data: ReportData) -> str:
    """The report's section on a plan, in the report's units; PlanFault when it is another car's plan."""
    plan = replace(read_plan(file), unit=data.units)
    base = base_of(plan)
    if base.car.name != data.car.name:
        raise PlanFault(
            f"{file}: plans {base.car.name!r}, and the weigh-in is of {data.car.name!r}; name a plan of that "
            "car, or let [state] car_name pick the car"
        )
    return plan_section(work(plan, base))
