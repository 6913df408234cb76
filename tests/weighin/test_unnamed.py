"""A change that nobody has named is proposed a name by its place."""

from __future__ import annotations

from msgspec.structs import replace
from weighin.afternoons import GEOMETRY, afternoon

from logger.car_file import Car
from logger.mechanics.weighing import Allowances, Known
from logger.weighin.results import WeighInResult, weigh_in_result
from logger.weighin.unnamed import naming_text

CAR = Car(name="Wagtail", geometry=GEOMETRY, known=Known(), allowances=Allowances())
CAPTURES, CHANGES = afternoon()


def result(count: int) -> WeighInResult:
    found = weigh_in_result(CAPTURES[:count], CHANGES, CAR)
    assert found is not None
    return found


def test_a_change_nobody_named_is_proposed_a_name_by_its_place() -> None:
    unnamed = CHANGES[:1]
    said = "Not named yet. By its place: part, behind the rear axle, centre."
    assert naming_text(result(4), unnamed, GEOMETRY) == said
    assert naming_text(result(4), [replace(unnamed[0], name="spare wheel")], GEOMETRY) == ""
    assert naming_text(result(2), [], GEOMETRY) == ""
