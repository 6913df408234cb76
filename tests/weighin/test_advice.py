"""What is said beyond the readings: the next step that pays and why, and a name by its place."""

from __future__ import annotations

from msgspec.structs import replace
from weighin.afternoons import GEOMETRY, afternoon

from logger.car_file import Car
from logger.guide.live import LiveGuide
from logger.mechanics.weighing import Allowances, Known
from logger.weighin.advice import naming_text, next_text
from logger.weighin.results import WeighInResult, weigh_in_result
from logger.weighin.standing import Spots

CAR = Car(name="Wagtail", geometry=GEOMETRY, known=Known(), allowances=Allowances())
CAPTURES, CHANGES = afternoon()
SPOTS = Spots(pads={f"S{n}": f"P{n}" for n in range(1, 5)})


def result(count: int) -> WeighInResult:
    found = weigh_in_result(CAPTURES[:count], CHANGES, CAR)
    assert found is not None
    return found


def test_the_next_step_comes_with_its_reason() -> None:
    guide = LiveGuide(CAR, SPOTS, "kg")
    text = next_text(guide.advise(CAPTURES[:4], result(4).solutions[result(4).latest], SPOTS, 7))
    assert text.startswith("Best next: ")
    assert "Why: cross ±" in text
    assert "→" in text


def test_a_change_nobody_named_is_proposed_a_name_by_its_place() -> None:
    unnamed = CHANGES[:1]
    said = "Not named yet. By its place: part, behind the rear axle, centre."
    assert naming_text(result(4), unnamed, GEOMETRY) == said
    assert naming_text(result(4), [replace(unnamed[0], name="spare wheel")], GEOMETRY) == ""
    assert naming_text(result(2), [], GEOMETRY) == ""
