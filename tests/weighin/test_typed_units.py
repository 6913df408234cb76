"""A mass typed into the ledger in the wrong unit is noticed against what was weighed, and never changed."""

from __future__ import annotations

import shlex
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec.structs import replace
from weighin.afternoons import BEGAN_NS, BODY, DRIVER, SECOND_NS, SPARE, Rest, afternoon, capture

from logger.bookkeeping.source import one_history, opened
from logger.cli import main
from logger.mechanics.plausible import mixed_units
from logger.units import LB_KG
from logger.weighin.ledger import Ledger

DAY_NS = 24 * 3600 * SECOND_NS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A ledger with an afternoon whose spare wheel is named, and another a week later, 20 kg lighter."""
    ledger = Ledger(tmp_path / "ledger.db")
    car = ledger.car("Wagtail", 2.43, 1.405, 1.395)
    captures, changes = afternoon()
    lighter = [capture(1, Rest([BODY, SPARE, (-9.2, 1.18, 0.03), (-20.0, 0.5, 0.0)], "build 1"))]
    for begun_ns, kept in ((BEGAN_NS, captures), (BEGAN_NS + 7 * DAY_NS, lighter)):
        weigh_in = ledger.begin(car, "barn", "b", "c", begun_ns, {})
        for c in kept:
            ledger.put_capture(weigh_in, replace(c, t_wall_ns=begun_ns + c.t_mono_ns), begun_ns)
        for change in changes if begun_ns == BEGAN_NS else []:
            ledger.put_change(weigh_in, replace(change, name=change.name or "spare wheel"), begun_ns)
        ledger.end(weigh_in, begun_ns + 1000 * SECOND_NS)
    ledger.close()
    return tmp_path


def do(folder: Path, line: str, capsys: pytest.CaptureFixture[str]) -> str:
    action, *more = shlex.split(line)
    assert main(["ledger", action, str(folder), *more]) == 0
    return capsys.readouterr().out


def doubts(folder: Path) -> str:
    with opened(folder) as ledger:
        return " ".join(one_history(ledger, None).doubts)


def day(after: int) -> str:
    return datetime.fromtimestamp((BEGAN_NS + after * DAY_NS) / SECOND_NS, UTC).strftime("%Y-%m-%d")


@pytest.mark.parametrize(
    ("typed", "told"), [("38.4 kg", "lb entered as kg"), ("17.4 lb", "kg entered as lb"), ("17.2 kg", "")]
)
def test_a_part_is_held_against_the_same_part_weighed(
    folder: Path, capsys: pytest.CaptureFixture[str], typed: str, told: str
) -> None:
    said = do(folder, f'add part "Spare Wheel" --on --mass "{typed}"', capsys)
    assert ("was typed in as" in said) == bool(told)
    assert told in said
    assert ("w1.1" in said) == bool(told)
    assert told in doubts(folder)


def test_it_is_said_once_and_gone_when_corrected(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = do(folder, 'add part "spare wheel" --on --mass "38.4 kg"', capsys)
    ref = first.partition(":")[0]
    assert "entered as" not in do(folder, 'add part "tow bar" --on --mass "9 ± 1 kg"', capsys)
    assert "entered as" in do(folder, "changes", capsys)
    assert "entered as" not in do(folder, f'correct {ref} --mass "38.4 lb"', capsys)
    assert "entered as" not in doubts(folder)
    again = do(folder, f'correct {ref} --mass "38.4 kg"', capsys)
    assert "38.4 kg" in again
    assert "was lb entered as kg?" in again


def test_in_pounds_it_speaks_of_pounds(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = do(folder, 'add --unit lb part "spare wheel" --on --mass "38.4 kg"', capsys)
    assert "was typed in as 84.7 lb" in said
    assert " kg of" not in said


def test_a_person_is_held_against_what_they_weighed_in_the_car(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "was lb entered as kg?" in do(
        folder, f'add person driver --mass "{DRIVER[0] / LB_KG:.1f} kg"', capsys
    )
    assert "entered as" not in do(folder, 'add person mechanic --mass "156 kg"', capsys)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (["44.1 ± 1 kg"], "it fits if part 0 (e1) was lb entered as kg"),
        (["9.07 ± 0.2 kg"], "it fits if part 0 (e1) was kg entered as lb"),
        (["8 ± 0.2 kg", "26.46 ± 0.4 kg"], "it fits if part 1 (e2) was lb entered as kg"),
        (["20 ± 1 kg"], ""),
        (["31 ± 1 kg"], ""),
    ],
)
def test_parts_between_two_weigh_ins_are_held_against_their_difference(
    folder: Path, capsys: pytest.CaptureFixture[str], typed: list[str], told: str
) -> None:
    for n, mass in enumerate(typed):
        do(folder, f'add part "part {n}" --off --mass "{mass}" --when {day(3)}', capsys)
    assert told in doubts(folder)
    assert doubts(folder).count("entered as") == bool(told)


def test_ratios_that_are_a_unit_and_those_that_are_not() -> None:
    """1 lb = 0.45359237 kg exactly (NIST SP 811)."""
    assert mixed_units(10 / 0.45359237, 10) == ("kg", "lb")
    assert mixed_units(10 * 0.45359237, 10) == ("lb", "kg")
    assert mixed_units(10 * 1.08 / 0.45359237 * 1.01, 10) is None
    assert mixed_units(10, 10) is None
    assert mixed_units(10, 0) is None
