"""`restpoint weigh FILE.csv`: files that are wrong, contradict themselves or cannot be read."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mechanics.worlds import PADS, STATE, weighing
from mechanics.written import CAR, HEADER, rows_of, session

from logger.mechanics.solve import solve
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Known
from logger.typed_toml import ConfigError
from logger.units import LB_KG
from logger.weigh_file import read_weighings


def test_three_wheels_are_left_out_and_said_or_refused(solved, run):
    rows = session()
    got = solved(rows[:3] + rows[4:])
    assert any("3 wheels on pads, RR missing" in n and "left out" in n for n in got["notes"])
    assert len(got["runs"]) == 5
    code, _, err = run(rows[:3])
    assert code == 2
    assert "three wheels do not tell" in err


def test_a_run_that_faces_both_ways_is_named_as_such(run):
    rows = rows_of(weighing())
    code, _, err = run([*rows[:2], *(row.replace(",out,", ",back,") for row in rows[2:])])
    assert code == 2
    assert "a.csv:2: run 1 faces out for LF and RF and back for LR and RR: a car faces one way" in err


def test_a_blank_value_counts_as_not_weighed(solved):
    rows = session()
    cells = rows[3].split(",")
    cells[5] = ""
    got = solved([*rows[:3], ",".join(cells), *rows[4:]])
    assert any("Line 5 has no value" in n for n in got["notes"])
    assert any("RR missing" in n for n in got["notes"])


def test_duplicates_are_counted_once_and_seconds_are_runs(solved, run):
    rows = session()
    once, twice = solved(rows), solved([*rows, *rows[:4]])
    assert twice["total"] == once["total"]
    assert any("stands twice in the file" in n and "counted once" in n for n in twice["notes"])
    other = rows_of(weighing(noise=0.05), run="1")
    got = solved([*rows, *other])
    assert len(got["runs"]) == 7
    assert any("taken as separate runs" in n for n in got["notes"])
    code, _, err = run([*rows, other[0]])
    assert code == 2
    assert "a.csv:26: run 1 out has LF a second time" in err


def test_impossible_loads_leave_the_others_standing(solved, run):
    bad = rows_of(weighing(noise=np.array([0, 0, -400, 0])), run="neg")
    got = solved([*session(), *bad])
    assert any("a wheel cannot pull" in n and "left out" in n for n in got["notes"])
    code, _, err = run(rows_of(weighing(state=STATE * 12 / 968)))
    assert code == 2
    assert "a total of 11.99 kg is not a car's" in err
    code, _, err = run(session(), CAR + "[pads]\ncapacity_kg = 200\n")
    assert code == 2
    assert err.count("above its capacity of 200 kg") >= 12


def test_pounds_typed_as_kilograms_are_noticed_though_they_are_above_the_capacity(solved):
    rows = session()
    pounds = []
    for row in (row.split(",") for row in rows[:4]):
        row[0], row[5] = "9", f"{float(row[5]) / LB_KG:.2f}"
        pounds.append(",".join(row))
    told = solved([*rows, *pounds], CAR + "[pads]\ncapacity_kg = 400\n")
    (hint,) = [note for note in told["notes"] if "entered as kg" in note]
    assert hint.startswith("Run 9: the total of ")
    assert "were values in lb entered as kg? Then correct the unit." in hint
    assert any("run 9" in note and "above its capacity" in note for note in told["notes"])


def test_pads_and_spots_written_twice(run):
    rows = [r.replace("P2", "P1") for r in rows_of(weighing())]
    code, _, err = run(rows)
    assert code == 2
    assert "pad P1 under two wheels" in err


def test_pounds_among_kilograms_and_pads_swapped_are_pointed_out(solved):
    rows = session()
    wrong = [r.replace(",kg,", ",lb,") for r in rows[:4]]
    got = solved([*wrong, *rows[4:]])
    assert any("kilograms were taken as pounds" in n and "set aside" in n for n in got["notes"])
    assert got["total"]["value"] == pytest.approx(968, abs=0.3)
    a, b = (rows[i].split(",") for i in (0, 3))
    a[5], b[5] = b[5], a[5]
    got = solved([",".join(a), *rows[1:3], ",".join(b), *rows[4:]])
    assert any("stood under each other's corner" in n for n in got["notes"])


def test_a_whole_run_in_another_unit_is_named_by_its_total(solved):
    out = weighing("out", PADS)
    back = weighing("back", PADS[::-1])
    pounds = [row.replace(",lb,", ",kg,") for row in rows_of(back, unit="lb", run="2")]
    told = solved([*rows_of(out, run="1"), *pounds])
    assert any("run 1" in n and "were values in lb entered as kg?" in n for n in told["notes"])


@pytest.mark.parametrize(
    ("header", "row", "sentence"),
    [
        ("run,facing,spot,corner,pad,vaule,unit", "1,out,S1,LF,P1,285,kg", "vaule: did you mean value?"),
        (
            "run,facing,spot,corner,pad,value,unit,unit",
            "1,out,S1,LF,P1,285,kg,kg",
            "column unit stands there twice",
        ),
        (HEADER, "1,out,S1,LF,P1,285,kg,0.1,-5", "0 to 100 mm"),
        (HEADER, "1,out,S1,LF,P1,285,kg,0.1,5000", "0 to 100 mm"),
    ],
)
def test_columns_and_shims_that_cannot_be_meant(run, header, row, sentence):
    code, _, err = run([row], CAR, header=header)
    assert code == 2
    assert sentence in err


def test_spots_that_contradict_the_facing(solved):
    turned = weighing("back", PADS[::-1], run="b")
    rows = [
        *rows_of(weighing()),
        *(r.replace(",S4,LF", ",S1,LF").replace(",S1,RR", ",S4,RR") for r in rows_of(turned)),
    ]
    got = solved(rows)
    assert any("its spots are not those of a half turn" in n for n in got["notes"])


def test_every_unreadable_row_at_once(run):
    rows = session()
    rows[0] = rows[0].replace(",LF,", ",XF,")
    rows[1] = rows[1].replace(",out,", ",sideways,")
    rows[2] = rows[2].replace(",kg,", ",stone,")
    rows[3] = rows[3].replace(",P4,", ",P4,about ")
    code, _, err = run(rows)
    assert code == 2
    for line, words in (
        (2, "corner 'XF'"),
        (3, "facing 'sideways'"),
        (4, "unit 'stone'"),
        (5, "is not a number"),
    ):
        assert f"a.csv:{line}: {words}" in err or (f"a.csv:{line}: " in err and words in err)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("run,facing,spot\n1,out,S1\n", "no column corner, pad, value, unit"),
        (HEADER + "\n", "nothing to solve"),
        (HEADER + "\n1,out,S1,LF,P1,300,kg,-0.1,0\n", "u '-0.1' is negative"),
        (HEADER + "\n,out,S1,LF,P1,inf,kg,0.1,0\n", "run is blank"),
    ],
)
def test_files_that_are_no_weigh_in(tmp_path, text, sentence):
    file = tmp_path / "a.csv"
    file.write_text(text)
    with pytest.raises(ConfigError, match=sentence):
        read_weighings(file, Known())


def test_files_that_are_not_there_or_not_text(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        read_weighings(tmp_path / "none.csv", Known())
    (tmp_path / "b.csv").write_bytes(b"run,\xff\xfe")
    with pytest.raises(ConfigError, match="not UTF-8"):
        read_weighings(tmp_path / "b.csv", Known())


@settings(deadline=None, max_examples=60)
@given(st.lists(st.text(max_size=40), max_size=8), st.booleans())
def test_no_text_breaks_the_reader(tmp_path_factory, lines, with_header):
    """Anything at all: weighings or a list of faults, never another error."""
    file = tmp_path_factory.mktemp("any") / "a.csv"
    file.write_text("\n".join([HEADER] * with_header + lines), encoding="utf-8")
    with pytest.raises(ConfigError):
        read_weighings(file, Known())


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 23), st.integers(0, 8), st.text(max_size=12))
def test_any_one_cell_replaced_is_solved_or_refused_in_words(tmp_path_factory, line, cell, text):
    rows = session()
    cells = rows[line].split(",")
    cells[cell] = text
    file = tmp_path_factory.mktemp("cell") / "a.csv"
    file.write_text("\n".join([HEADER, *rows[:line], ",".join(cells), *rows[line + 1 :]]), encoding="utf-8")
    faults = []
    try:
        readings = read_weighings(file, Known())
        solve(readings.weighings, Geometry(), u_assumed=readings.u_assumed)
    except ConfigError as error:
        faults = error.faults
    assert all("a.csv" in fault for fault in faults)


def test_heights_of_spots_that_no_weighing_names_are_said_not_to_be_used(solved):
    got = solved(session(), CAR + "[floor]\nheights_mm = { S1 = 0, S2 = 4, s3 = 1 }\n")
    assert any(
        "Heights are stated of S1, S2, s3 and none of S3, S4, where the car stood" in n for n in got["notes"]
    )
    plain = solved(session())
    assert got["cross"] == plain["cross"]
