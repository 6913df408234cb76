"""The report's section on what is planned: all of the plan's results, in the report's units, for its car."""

from __future__ import annotations

from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from report.reading import assert_self_contained, read
from report.wagtail import wagtail
from support import ROOT

from logger.cautions import CAUTIONS
from logger.outcome import planned
from logger.plan.file import read_plan
from logger.plan.state import base_of
from logger.plan.wanted import PlanFault
from logger.plan.words import sensitivity_lines, target_lines, todo_lines
from logger.plan.work import Planned, work
from logger.report.data import ReportData, Units
from logger.report.markup import number
from logger.report.render import render

EXAMPLES = ROOT / "deploy/examples"
EXAMPLE = EXAMPLES / "wagtail-plan.toml"


def worked(units: Units) -> Planned:
    plan = replace(read_plan(EXAMPLE), unit=units)
    return work(plan, base_of(plan))


@pytest.mark.parametrize("units", ["kg", "lb"])
def test_the_report_tells_the_whole_plan(units: Units) -> None:
    got, section = worked(units), planned(EXAMPLE, wagtail(units))
    for forecast in (got.now, got.then, got.ballasted):
        for q in (forecast.total, forecast.front, forecast.left, forecast.cross):
            assert number(q, units) in section
    assert got.perches is not None
    assert number(got.perches.cross, units) in section
    text = unescape(section)
    lines = (*target_lines(got), *todo_lines(got), *sensitivity_lines(got))
    assert len(lines) > 8
    for line in (*lines, *(CAUTIONS[n] for n in got.cautions)):
        assert f"<li>{line}</li>" in text
    for name in ("passenger seat", "sound mats", "roll cage", "ballast, behind the right seat"):
        assert f'<th scope="row">{name}</th>' in text
    assert ("930 ± 2 kg" if units == "kg" else "2050.3 ± 4.4 lb") in text


def test_pounds_throughout() -> None:
    text = planned(EXAMPLE, wagtail("lb"))
    assert " lb" in text
    assert " kg" not in text


def test_it_stands_behind_what_changed_and_the_report_stays_one_file() -> None:
    data = wagtail()
    whole, without = render(data, planned(EXAMPLE, data)), render(data)
    titles = ["What changed", "The plan", "How the car stood"]
    at = [whole.index(f"<h2>{title}</h2>") for title in titles]
    assert at == sorted(at)
    assert_self_contained(read(whole))
    assert "<h2>The plan</h2>" not in without
    assert whole.count("<svg") == without.count("<svg") + 2


def test_another_cars_plan_is_refused() -> None:
    data: ReportData = wagtail()
    other = replace(data, car=replace(data.car, name="Redstart"))
    with pytest.raises(PlanFault, match="plans 'Wagtail', and the weigh-in is of 'Redstart'"):
        planned(EXAMPLE, other)


def test_a_plan_without_targets_or_changes_says_what_the_car_is(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(
        f'[state]\ncar = "{EXAMPLES / "wagtail.toml"}"\n'
        '[state.loads]\nLF = "285 kg"\nRF = "272 kg"\nLR = "203 kg"\nRR = "208 kg"\n',
        encoding="utf-8",
    )
    section = planned(tmp_path / "plan.toml", wagtail())
    assert "The car now, and as planned" in section
    assert "What is planned" not in section
    assert "What cannot be had" not in section
