"""The judge on recordings made by others, through the pipeline, as table, JSON and page."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from report.reading import assert_self_contained, read
from report.test_replay_segments import write
from support import shared_data
from support.small_bay import CONFIG

from drivers.sim.sessions import session
from logger.cli import main
from logger.judge.page import render_verdicts
from logger.judge.rocks import Repeats
from logger.judge.source import judge_path
from logger.judge.text import two_digits, verdict_json, verdict_table
from logger.judge.trend import trends
from logger.judge.verdict import Verdict

STAIRS = ("hx711_staircase", "swing_run1_serial.csv")


def only(source: Path, pads: set[str], to: Path, until_s: float = 1e9) -> Path:
    """Copy some pads' rows of a recording, so that a test judges no more than it asks about."""
    with source.open() as rows, to.open("w", newline="") as out:
        kept = csv.writer(out)
        for row in csv.reader(rows):
            if row[0] == "t_s" or (row[1] in pads and float(row[0]) <= until_s):
                kept.writerow(row)
    return to


@pytest.fixture(scope="module")
def stairs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return only(shared_data(*STAIRS), {"LC1", "LC2"}, tmp_path_factory.mktemp("judge") / "stairs.csv")


@pytest.fixture(scope="module")
def verdict(stairs: Path) -> Verdict:
    (one,) = judge_path(stairs)
    return one


@pytest.mark.parametrize(("pad", "back"), [("LC1", 24), ("LC2", 8)])
def test_staircase_is_judged_as_its_author_loaded_it(verdict: Verdict, pad: str, back: int) -> None:
    judged = next(p for p in verdict.pads if p.pad == pad)
    assert len(judged.seen.stood) == 9
    assert len(judged.settles) == 8
    assert judged.unit == "counts"
    zero_return = judged.measures.zero_return_kg
    assert zero_return is not None
    u = np.hypot(judged.seen.stood[0].u_kg, judged.seen.stood[-1].u_kg)
    assert abs(zero_return - back) < 3 * u
    with shared_data("hx711_staircase", "truth_plateaus.csv").open() as rows:
        spreads = [float(r["sd_counts"]) for r in csv.DictReader(rows) if r["pad"] == pad]
    assert judged.wander_kg == pytest.approx(np.sqrt(np.mean(np.square(spreads))), rel=0.25)
    assert judged.grade.advice == "trust"


def test_a_bridge_creeps_and_is_not_refused(tmp_path: Path) -> None:
    source = shared_data("bridge_force", "ReferenceState.csv")
    (verdict,) = judge_path(only(source, {"FRC-01"}, tmp_path / "bridge.csv", until_s=330))
    (pad,) = verdict.pads
    assert pad.unit == "kN"
    assert pad.seen.rate_Hz == pytest.approx(100, rel=0.01)
    assert pad.longest is not None
    slope_kN_per_s = pad.own(pad.longest.per_s)
    assert slope_kN_per_s == pytest.approx(0.00172, rel=0.4)  # truth_plateaus.csv, plateau_half
    assert pad.allan is not None
    assert pad.allan.drift_per_s is not None


def test_table_has_a_line_and_a_sentence_for_every_pad(verdict: Verdict) -> None:
    text = verdict_table(verdict)
    for pad in verdict.pads:
        assert f"\n{pad.pad}  10 Hz" in text
        assert pad.grade.sentence in text
    assert "counts" in text


def test_json_is_plain_and_in_the_recording_s_unit(verdict: Verdict) -> None:
    told = json.loads(json.dumps(verdict_json([verdict]), allow_nan=False))
    pad = told["recordings"][0]["pads"][0]
    assert (told["schema"], pad["pad"], pad["unit"]) == (1, "LC1", "counts")
    assert len(pad["settles"]) == 8
    assert {c["met"] for c in pad["criteria"]} <= {True, False, None}
    assert all(c["source"] for c in pad["criteria"])


def test_page_is_whole_and_names_the_source_of_every_limit(verdict: Verdict) -> None:
    html = render_verdicts([verdict], version="0", written="2026-01-01T00:00:00Z")
    reader = read(html)
    assert_self_contained(reader)
    for pad in verdict.pads:
        assert pad.grade.sentence in reader.text
    for words in ("OIML R 76-1:2006, 3.9.4.2", "Allan deviation", "what the fit leaves", "Not for trade"):
        assert words in reader.text
    assert html.count('<svg class="chart"') == 6 * len(verdict.pads)
    assert len(html) < 400_000


MONTH_NS = round(30.44 * 86400e9)


def later(verdict: Verdict, months: float, noise_by: float) -> Verdict:
    """The same recording, months later, with another noise."""
    pads = tuple(
        replace(p, measures=replace(p.measures, noise_kg=p.measures.noise_kg * noise_by))
        for p in verdict.pads[:1]
    )
    return replace(verdict, name=f"{months} later", pads=pads, began_ns=round(months * MONTH_NS))


def test_several_recordings_of_one_pad_show_a_trend(verdict: Verdict) -> None:
    """Noise grows by a tenth of itself a month, with a little chance; nothing else changes."""
    several = [later(verdict, m, 1 + 0.1 * m + 0.01 * (-1) ** m) for m in (4, 0, 1, 2, 6)]  # in any order
    (study,) = trends(several)
    assert study.months == pytest.approx((0, 1, 2, 4, 6))
    told = {f.name: f.per_step for f in study.figures}
    assert told["noise"] == pytest.approx(0.1 * verdict.pads[0].measures.noise_kg, rel=0.15)
    assert all(per is None for name, per in told.items() if name != "noise")
    assert study.sentence.startswith("Pad LC1 over 5 recordings in 6.0 months: noise grows by ")
    assert study.sentence.endswith("counts a month.")
    text = read(render_verdicts(several, version="0", written="")).text
    assert study.sentence in text
    assert "over the recordings" not in read(render_verdicts([verdict], version="0", written="")).text
    assert verdict_json(several)["trends"][0]["sentence"] == study.sentence


def test_chance_and_two_recordings_are_no_trend(verdict: Verdict) -> None:
    (two,) = trends([later(verdict, 0, 1.0), later(verdict, 3, 2.0)])
    assert two.sentence.endswith("too few to tell a trend.")
    (same,) = trends([later(verdict, m, by) for m, by in ((0, 1.0), (1, 1.1), (2, 0.95), (3, 1.02))])
    assert same.sentence.endswith("nothing changes by more than chance would.")
    (undated,) = trends([replace(later(verdict, m, 1 + 0.1 * m), began_ns=None) for m in range(4)])
    assert undated.months is None
    assert "from one to the next" in undated.sentence


def test_five_figures_of_chance_are_no_trend_either(verdict: Verdict) -> None:
    """Each by itself shows one in twenty; a pad has five, so that one in five had a trend."""
    rng, found = np.random.default_rng(2), 0
    for _ in range(200):
        several = []
        for month in range(5):
            (pad,) = later(verdict, month, 1.0).pads
            noise, back, creep, settle_s = rng.normal(1.0, 0.1, 4).tolist()
            measures = replace(
                pad.measures,
                noise_kg=noise,
                zero_return_kg=back,
                creep_30min_kg=creep,
                settle_s=settle_s,
                lost=int(rng.integers(100)),
            )
            pads = (replace(pad, measures=measures),)
            several.append(replace(later(verdict, month, 1.0), pads=pads))
        (study,) = trends(several)
        found += any(figure.per_step is not None for figure in study.figures)
    assert found <= 18  # 10 are expected of 200, 42 were


def test_command_prints_and_writes(stairs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    short = only(stairs, {"LC1"}, tmp_path / "short.csv", until_s=60)
    page = tmp_path / "out.html"
    assert main(["judge", str(short), "--json", "--html", str(page), "--e", "500"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["recordings"][0]["pads"][0]["e"] == 500
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_class_and_e_come_from_the_configuration(stairs: Path, tmp_path: Path) -> None:
    short = only(stairs, {"LC1"}, tmp_path / "short.csv", until_s=40)
    config = tmp_path / "bay.toml"
    config.write_bytes(CONFIG + b'\n[judge]\naccuracy_class = "IIII"\ne_kg = 250.0\n')

    def limits(**more: str) -> tuple[float, str]:
        (pad,) = judge_path(short, config=config, **more)[0].pads  # type: ignore[arg-type]
        cell = next(c for c in pad.grade.criteria if c.name == "creep in 30 min, load cell")
        return pad.e_kg, cell.note

    assert limits() == (250.0, "class D, p_LC 0.7")
    assert limits(accuracy_class="II") == (250.0, "class B, p_LC 0.7")


def test_command_says_what_is_wrong_with_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("a,b\n1,2\n")
    assert main(["judge", str(bad)]) == 2
    assert str(bad) in capsys.readouterr().err
    assert main(["judge", str(tmp_path / "none.csv")]) == 2
    assert "no such file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("value", "text"),
    [(9.999, "10 s"), (0.0123, "0.012 s"), (1234.0, "1200 s"), (-0.5, "−0.50 s"), (0, "0 s"), (None, "–")],
)
def test_spreads_have_two_digits(value: float | None, text: str) -> None:
    assert two_digits(value, "s") == text


def test_page_shows_what_repeated_rests_tell(verdict: Verdict) -> None:
    study = Repeats(
        pads=("LC1", "LC2", "LC3", "LC4"),
        rests=5,
        mean_kg=970.0,
        total_kg=0.1,
        pads_kg=(1.5, 1.6, 1.4, 1.5),
        pattern=("LC1", "LC4"),
        shared_kg=1.5,
        own_kg=(0.05, 0.04, 0.03, 0.06),
        own_range_kg=(0.1, 0.1, 0.1, 0.1),
    )
    text = read(render_verdicts([replace(verdict, repeats=study)], version="0", written="")).text
    assert "LC1 and LC4 against the others: the suspension sticks, the pads do not." in text
    assert "Standard deviations over 5 rests" in text


@pytest.mark.parametrize("seed", [3, 9])
def test_simulated_pads_are_judged_by_what_is_true_of_them(tmp_path: Path, seed: int) -> None:
    """Zero return and lost readings against the simulator's own truth, noise against what it was given."""
    one = session(seed)
    (verdict,) = judge_path(write(one, tmp_path / "session.csv"), capacity_kg=500)
    early, rate = int(3 * one.scenario.rate_Hz), one.scenario.rate_Hz
    for k, pad in enumerate(verdict.pads):
        back = pad.zero_return
        assert (back is None) == (pad.seen.stood[-1].level_kg > 100)  # it did not rest again after the load
        assert back is None or back.u is not None
        assert (
            back is None or abs(back.value - (one.truth[-1][3][k] - one.truth[early][3][k])) <= 2.5 * back.u
        )
        got = sum(name == pad.pad for _, name, _, _ in one.samples)
        assert pad.measures.lost == pytest.approx(len(one.truth) - got, abs=3)
        spec = one.scenario.pads[pad.pad]
        given = (spec.noise_kg**2 / spec.average + spec.resolution_kg**2 / 12) ** 0.5
        assert pad.measures.noise_kg == pytest.approx(given, rel=0.45)
        assert pad.seen.rate_Hz == pytest.approx(rate, rel=0.02)
