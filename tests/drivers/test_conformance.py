"""Every case of tests/drivers/cases meets every demand of drivers.conformance."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from drivers.api import Driver
from drivers.conformance import Case, DriverConformance, cases
from drivers.registry import SHIPPED, find

ALL = cases(Path(__file__).parent / "cases")


@pytest.mark.parametrize("case", ALL, ids=repr)
class TestLayouts(DriverConformance):
    """One class for all layouts, shipped ones and those that stand in a case's folder."""

    cases: ClassVar[list[Case]] = ALL

    @pytest.fixture(autouse=True)
    def _one_at_a_time(self, case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(type(self), "cases", [case])

    def make(self, case: Case) -> Driver:
        """Find the driver that the passport names."""
        return find(case.about["driver"], [case.folder])()


def test_every_shipped_layout_has_a_case() -> None:
    assert {path.stem for path in SHIPPED.glob("*.toml")} <= {case.about["driver"] for case in ALL}
