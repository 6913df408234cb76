"""The guided weigh-in: it leads a simulated car to a sharper answer, and keeps its feet on odd input."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from mechanics.worlds import GEOMETRY, STATE, weighing
from weighin.afternoons import BEGAN_NS, SECOND_NS, afternoon

from logger.car_file import Car
from logger.cli import main
from logger.guide.steps import (
    Guide,
    advice,
    read_heights,
    skipping,
    solved,
    stand_words,
    start,
    with_aim,
    with_heights,
    with_loads,
)
from logger.guide.terminal import follow, read_loads, typed
from logger.mechanics.weighing import Allowances, Known
from logger.model import Advice
from logger.weighin.ledger import Ledger
from logger.weighin.placements import SPOTS

CAR = Car(name="Wagtail", geometry=GEOMETRY, known=Known(), allowances=Allowances())
PADS = ("P1", "P2", "P3", "P4")
HEIGHTS = (0.0, 0.004, -0.003, 0.002)
LOADS = (285.0, 272.0, 203.0, 208.0)


def reading(told: Advice, dice: np.random.Generator) -> tuple[float, ...]:
    """What the pads show of the simulated car in this stand: floor, sticking suspension, noise."""
    got = weighing(
        told.facing or "out",
        tuple(at.pad for at in told.stand),
        heights=HEIGHTS,
        noise=0.05 * dice.standard_normal(4),
        kappa=float(0.9 * dice.standard_normal()),
        shims_m=tuple(at.shim_m for at in told.stand),
    )
    return got.loads_kg


@pytest.mark.parametrize("seed", range(4))
def test_it_leads_to_a_sharper_answer_that_holds(seed: int) -> None:
    dice = np.random.default_rng(seed)
    guide, first_u = start(CAR, PADS), None
    for _ in range(12):
        told = advice(guide)
        if told.wants == "nothing":
            break
        if told.wants == "heights":
            heights = dict(zip(SPOTS, np.array(HEIGHTS) + 0.001 * dice.standard_normal(4), strict=True))
            guide, said = with_heights(guide, heights)
            assert said == ()
        else:
            assert told.stand
            guide, said = with_loads(guide, reading(told, dice), 0.05)
            assert said == ()
        solution = solved(guide)
        assert solution is not None
        first_u = first_u or solution.cross.u
    true_cross = (GEOMETRY.spread @ STATE[:3] + STATE[3] * GEOMETRY.warp)[[1, 2]].sum() / STATE[0]
    assert solution.cross.u < 0.75 * first_u
    assert abs(solution.cross.value - true_cross) < 3 * solution.cross.u
    assert abs(solution.total.value - STATE[0]) < 3 * solution.total.u


def test_every_step_the_solver_can_advise_has_a_way_to_stand() -> None:
    seen: set[str] = set()
    for aim in ("cross", "front", "total"):
        guide, _ = with_loads(start(CAR, PADS, aim), LOADS)
        for _ in range(8):
            told = advice(guide)
            if told.wants == "nothing":
                break
            seen.add(told.action.split()[0])
            assert told.wants == "heights" or len(told.stand) == 4
            guide = skipping(guide)
        assert "skipped" in advice(guide).why or "no step" in advice(guide).why
    assert seen >= {"Turn", "Shim", "Roll", "Measure"}


def test_half_a_turn_leaves_every_pad_on_its_spot() -> None:
    guide, _ = with_loads(start(CAR, PADS, aim="front"), LOADS)
    told = advice(guide)
    assert told.action.startswith("Turn the car half round")
    assert told.facing == "back"
    assert [at.spot for at in told.stand] == ["S4", "S3", "S2", "S1"]
    assert [at.pad for at in told.stand] == ["P4", "P3", "P2", "P1"]
    assert "front ±" in told.why
    assert "LF on P4 at S4" in stand_words(told, "kg")


def test_enough_is_enough() -> None:
    guide, _ = with_loads(start(CAR, PADS, aim="total", enough=1.0), LOADS)
    told = advice(guide)
    assert told.wants == "nothing"
    assert "as you wanted" in told.why


def test_an_aim_says_how_sharp_is_enough_in_any_unit() -> None:
    guide, _ = with_loads(start(CAR, PADS), LOADS)
    assert with_aim(guide, "front").aim == "front"
    assert with_aim(guide, "cross ±0.2 %").enough == pytest.approx(0.001)
    assert with_aim(guide, "total 1 lb").enough == pytest.approx(0.45359237 / 2)
    assert advice(with_aim(guide, "total 2 kg")).wants == "nothing"
    for text, why in (("wedge", "no figure to aim at"), ("cross 1", "no unit"), ("cross 0 %", "above zero")):
        with pytest.raises(ValueError, match=why):
            with_aim(guide, text)


def test_heights_are_read_in_any_unit_and_never_guessed() -> None:
    assert read_heights("0 1.5, -0.5; 6 mm") == pytest.approx(
        {"S1": 0, "S2": 0.0015, "S3": -0.0005, "S4": 0.006}
    )
    assert read_heights("0 0.06 -0.02 0.24in")["S4"] == pytest.approx(0.24 * 0.0254)
    for text, why in (
        ("0 1 2 3", "no unit"),
        ("0 1 2 mm", "not 3"),
        ("low high", "should be four heights"),
        ("0 1.5 0.5 6 m", "do not differ by"),
        ("0 1 2 3 ells", "not one of"),
    ):
        with pytest.raises(ValueError, match=why):
            read_heights(text)


def test_pounds_in_the_sentences_where_pounds_are_shown() -> None:
    guide, _ = with_loads(start(CAR, PADS, aim="total", unit="lb"), LOADS)
    assert " lb → " in advice(guide).why
    assert " kg" not in advice(guide).why


def test_what_cannot_be_a_car_is_not_taken() -> None:
    guide = start(CAR, PADS)
    same, said = with_loads(guide, (285.0, -3.0, 203.0, 208.0))
    assert same is guide
    assert "a wheel cannot pull" in said[0]
    guide, _ = with_loads(guide, LOADS)
    same, said = with_loads(guide, tuple(2.20462 * load for load in LOADS))
    assert same is guide
    assert "were values in lb entered as kg?" in said[0]
    with pytest.raises(ValueError, match="four different pads"):
        start(CAR, ("P1", "P1", "P2", "P3"))


def script(lines: list[str], unit: str = "kg") -> tuple[Guide, str]:
    said: list[str] = []
    guide = typed(start(CAR, PADS), lambda _: lines.pop(0) if lines else None, said.append, unit=unit)
    return guide, "\n".join(said)


def test_a_typed_session_takes_mixed_units_undo_skip_and_nonsense() -> None:
    guide, said = script(
        [
            "285 272 203 208",
            "628lb 600 lb 448 lb 458.5 lb",
            "undo",
            "one two",
            "285kg 272kg",
            "skip",
            "undo",
            "undo",
            "undo",
        ]
    )
    assert guide.weighings == ()
    for words in (
        "After 1 weighing: total 968.0 ±",
        "After 2 weighings",
        "is not a load",
        "four loads are needed, not 2",
        "There is nothing to undo.",
        "Or: ",
    ):
        assert words in said, words
    assert said.count("Not for trade") == 1
    guide, said = script(["628.3 599.7 447.5 458.6", "stop"], unit="lb")
    assert sum(guide.weighings[0].loads_kg) == pytest.approx(2134.1 * 0.45359237)
    assert "total 2134.1 ±" in said
    assert read_loads("285kg, 272 kg; 447.5 lb 208", "kg")[2] == pytest.approx(202.98, abs=0.01)


def test_heights_typed_in_are_used_and_a_second_levelling_is_averaged() -> None:
    guide, said = script(["285 272 203 208", "heights 0 6 -9 0", "heights 10 16 1 12", "heights 1 2"])
    heights = guide.car.known.spot_heights_m
    assert heights["S4"] - heights["S1"] == pytest.approx(0.001)
    assert guide.car.known.height_u_m == pytest.approx(0.001 / 2**0.5)
    assert "four heights are needed, S1 to S4, not 2" in said


def test_heights_that_contradict_the_first_count_alone_and_undo_takes_them_back() -> None:
    guide, said = script(["285 272 203 208", "0 6 -9 0", "heights 0 26 -9 0 mm"])
    assert "differ from those before by up to 15 mm; these count alone" in said
    assert guide.car.known.spot_heights_m["S2"] == pytest.approx(0.026)
    guide, said = script(["285 272 203 208", "0 6 -9 0", "heights 0 26 -9 0 mm", "undo", "undo"])
    assert guide.car.known.spot_heights_m == {}
    assert len(guide.weighings) == 1


def test_loads_typed_where_heights_are_asked_for_are_loads() -> None:
    guide, said = script(["285 272 203 208", "286 271 204 207", "help", "1203 1201 1199 1205"])
    assert len(guide.weighings) == 2
    assert said.count("Type four loads") == 2
    assert guide.car.known.spot_heights_m["S4"] == pytest.approx(1.205)
    in_pounds, _ = script(["628 600 448 459", "0 0.06 -0.02 0.24"], unit="lb")
    assert in_pounds.car.known.spot_heights_m["S4"] == pytest.approx(0.24 * 0.0254)


def test_it_follows_a_bay_by_its_ledger(tmp_path: Path) -> None:
    captures, changes = afternoon()
    ledger = Ledger(tmp_path / "ledger.db")
    weigh_in = ledger.begin(ledger.car("Wagtail", 2.43, 1.405, 1.395), "barn", "b", "c", BEGAN_NS, {})
    said: list[str] = []
    waits = iter(range(3))

    def meanwhile(_: float) -> None:
        round_ = next(waits)
        if round_ < 2:
            ledger.put_capture(weigh_in, captures[round_], BEGAN_NS)
        else:
            ledger.end(weigh_in, BEGAN_NS + SECOND_NS)

    assert follow(tmp_path, "cross", said.append, unit="kg", rounds=9, wait=meanwhile) == 0
    ledger.close()
    text = "\n".join(said)
    assert text.index("After 1 weighing: total 968") < text.index("After 2 weighings")
    assert text.endswith("The weigh-in is stopped.")
    assert text.count("▸") == 2
    assert "Facing back: LF on P4 at S4" in text or "Shim test" in text
    assert changes


def test_the_command_keeps_what_was_typed_as_a_file_that_solves(
    tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    car = tmp_path / "car.toml"
    car.write_text('name = "Wagtail"\nwheelbase_m = 2.43\ntrack_front_m = 1.405\ntrack_rear_m = 1.395\n')
    monkeypatch.setattr("sys.stdin", io.StringIO("285 272 203 208\nheights 0 6 -9 0\n286 271 202 209\n"))
    out = tmp_path / "typed.csv"
    assert main(["weigh", "--guide", "--car", str(car), "--save", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "heights_mm = { S1 = 0, S2 = 6, S3 = -9, S4 = 0 }" in printed
    assert main(["weigh", str(out), "--car", str(car)]) == 0
    assert "total  968" in capsys.readouterr().out
    assert main(["weigh", "--guide"]) == 2
    assert "needs --car" in capsys.readouterr().err
    assert main(["weigh", "--guide", str(tmp_path)]) == 2
    assert "ledger.db is not there" in capsys.readouterr().err
    assert main(["weigh", "--car", str(car)]) == 2
    assert "name the CSV" in capsys.readouterr().err
