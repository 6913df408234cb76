"""Bad input as files: `replay` and `judge` give the right rests, count what they leave out, never raise."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.cli import main

Capture = pytest.CaptureFixture[str]


def still(
    level: float, start: float, end: float, rate: float = 10.0, d: float = 0.1, unit: str = "kg"
) -> list[str]:
    """Rows of a load that stands, with a little noise, on pad A."""
    dice = random.Random(f"{level} {start}")
    times = (start + k / rate for k in range(round((end - start) * rate)))
    return [f"{t:.3f},A,{round((level + dice.gauss(0, d / 2)) / d) * d:.3f},{unit}" for t in times]


def with_rows(rows: list[str], at: int, more: list[str]) -> list[str]:
    return [*rows[:at], *more, *rows[at:]]


def equal() -> list[str]:
    return [f"{k / 10},A,212.5,kg" for k in range(150)]


def one() -> list[str]:
    return ["0,A,212.5,kg"]


def no_numbers() -> list[str]:
    return with_rows(
        still(200, 0, 20), 100, [f"9.9{k},A,{v},kg" for k, v in enumerate(("nan", "inf", "-inf", ""))]
    )


def back_in_time() -> list[str]:
    return with_rows(still(200, 0, 20), 150, still(200, 5, 6))


def vanishing() -> list[str]:
    """Pad A ends at 12 s in the midst of its rest; pad B goes on."""
    return still(200, 0, 12) + [row.replace(",A,", ",B,") for row in still(150, 0, 30)]


def other_unit() -> list[str]:
    return still(200, 0, 15) + still(200 / 0.45359237, 15, 30, d=0.2, unit="lb")


def other_unit_unsaid() -> list[str]:
    return still(200, 0, 15) + still(200 / 0.45359237, 15, 30)


def coarser() -> list[str]:
    return still(200, 0, 20) + still(200, 20, 50, d=0.5)


def saturated() -> list[str]:
    """Loaded beyond its capacity the pad sends 500.0 over and over: a level like any other."""
    return still(300, 0, 12) + [f"{12 + k / 10},A,500.0,kg" for k in range(100)] + still(100, 22, 34)


def spiked() -> list[str]:
    rows = still(200, 0, 20)
    for k, value in ((50, "-8388608"), (90, "8388607"), (140, "-8388608")):
        rows[k] = f"{k / 10},A,{value},kg"
    return rows


def other_rates() -> list[str]:
    return still(200, 0, 10, rate=80) + still(200, 10, 25, rate=4) + still(200, 25, 35, rate=20)


CASES: dict[Callable[[], list[str]], tuple[list[float], str]] = {
    equal: ([212.5], ""),
    one: ([], ""),
    no_numbers: ([200], "4 missing values left out"),
    back_in_time: ([200], "rows were out of order in time and have been sorted"),
    vanishing: ([200], ""),
    other_unit: ([200], ""),
    other_unit_unsaid: ([200, 440.9], ""),
    coarser: ([200], ""),
    saturated: ([300, 500, 100], ""),
    spiked: ([200], ""),
    other_rates: ([200], ""),
}


@pytest.fixture(params=CASES, ids=lambda case: case.__name__)
def case(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, str, list[float], str]:
    """A file, its name, the levels that pad A rests at, and what is said of what was left out."""
    path = tmp_path / f"{request.param.__name__}.csv"
    path.write_text("t_s,pad,value,unit\n" + "\n".join(request.param()) + "\n")
    return path, request.param.__name__, *CASES[request.param]


def test_replay_gives_the_rests_and_says_what_it_left_out(
    case: tuple[Path, str, list[float], str], capsys: Capture
) -> None:
    path, name, levels, said = case
    assert main(["replay", str(path), "--json"]) == 0
    out, err = capsys.readouterr()
    rests = [row for row in map(json.loads, out.splitlines()) if row["kind"] == "rest" and row["pad"] == "A"]
    assert [row["final_value"] for row in rests] == pytest.approx(levels, abs=0.15)
    assert all(row["final_u"] > 0 for row in rests)
    assert said in err
    if name == "vanishing":
        assert rests[0]["t_to_s"] == pytest.approx(11.9)
        assert any('"condition":"silent"' in row and '"pad":"A"' in row for row in out.splitlines())


def test_the_list_counts_what_was_left_out(case: tuple[Path, str, list[float], str], capsys: Capture) -> None:
    path, name, _, _ = case
    assert main(["replay", str(path), "--segments"]) == 0
    foot = next(row for row in capsys.readouterr().out.splitlines() if row.startswith("A: "))
    assert ("left out 3 wild" in foot) is (name == "spiked")
    assert "left out" not in foot or name == "spiked"


def test_judge_raises_nothing(
    case: tuple[Path, str, list[float], str], tmp_path: Path, capsys: Capture
) -> None:
    path, name, levels, _ = case
    page = tmp_path / "page.html"
    assert main(["judge", str(path), "--json", "--html", str(page)]) == 0
    told = json.loads(capsys.readouterr().out)["recordings"][0]["pads"][0]
    assert told["left_out"] == ({"wild": 3} if name == "spiked" else {})
    assert told["advice"] == "not judged" or levels
    assert "nan" not in page.read_text().lower().replace("nance", "")


def test_a_file_without_times_is_taken_with_a_stated_rate_or_refused(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "no-times.csv"
    path.write_text("pad,value,unit\n" + "\n".join(row.split(",", 1)[1] for row in still(200, 0, 20)) + "\n")
    for verb in ("replay", "judge"):
        assert main([verb, str(path)]) == 2
        assert "--rate HZ" in capsys.readouterr().err
        assert main([verb, str(path), "--rate", "10", "--json"]) == 0
        assert '"A"' in capsys.readouterr().out


def test_equal_times_are_spread_and_nothing_is_lost(tmp_path: Path, capsys: Capture) -> None:
    rows = [f"{int(k / 10)},A,{row.split(',')[2]},kg" for k, row in enumerate(still(200, 0, 20))]
    path = tmp_path / "coarse.csv"
    path.write_text("t_s,pad,value,unit\n" + "\n".join(rows) + "\n")
    assert main(["replay", str(path), "--segments"]) == 0
    out, err = capsys.readouterr()
    assert "A: 200 readings" in out
    assert "times are coarse" in err
    assert out.count("  rest ") == 1
