"""Foreign CSV: what is odd is taken, counted or refused with file, line and next step; nothing is guessed."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import shared_data

from logger.model import Sample
from logger.recording import Recording, RecordingError, kg_per, known_unit, read_csv

LB_KG = 0.45359237  # exact: yard and pound agreement 1959; NIST SP 811
G_N = 9.80665  # exact: 3rd CGPM 1901


def read(tmp_path: Path, text: str, rate_Hz: float | None = None, unit: str | None = None) -> Recording:
    path = tmp_path / "recording.csv"
    path.write_text(text, encoding="utf-8")
    return read_csv(path, rate_Hz, unit)


def rows(recording: Recording) -> list[tuple[str, float, float]]:
    return [(s.pad, s.t_mono_ns / 1e9 + recording.origin_s, _kg(s)) for s in recording.samples]


def _kg(sample: Sample) -> float:
    assert sample.mass_wire_kg is not None
    assert sample.mass_kg == sample.mass_wire_kg
    return sample.mass_wire_kg


def test_pads_in_any_order_come_out_in_order_of_time(tmp_path: Path) -> None:
    text = "t_s,pad,value,unit\n0.2,B,3,kg\n0.1,B,2,kg\n0.1,A,1,kg\n0.3,A,4,kg\n"
    recording = read(tmp_path, text)
    assert rows(recording) == [("B", 0.1, 2.0), ("A", 0.1, 1.0), ("B", 0.2, 3.0), ("A", 0.3, 4.0)]
    assert recording.notes == ["pad B: rows were out of order in time and have been sorted"]


def test_missing_values_are_left_out_and_counted(tmp_path: Path) -> None:
    values = ["", "nan", "NaN", " ", "-", "null", "inf", "1.5"]
    recording = read(
        tmp_path, "t_s,pad,value,unit\n" + "".join(f"{i},A,{v},kg\n" for i, v in enumerate(values))
    )
    assert rows(recording) == [("A", 7.0, 1.5)]
    assert recording.notes == ["7 missing values left out, the first at line 2"]


def test_units_are_converted_and_kept_as_written(tmp_path: Path) -> None:
    text = "t_s,pad,value,unit\n0,A,2,lb\n0,B,3,N\n0,C,4,counts\n0,D,5,g\n0,E,6,kN\n2,A,1,kg\n0,F,8,Lbs\n"
    recording = read(tmp_path, text)
    assert recording.units == {"A": "lb", "B": "N", "C": "counts", "D": "g", "E": "kN", "F": "Lbs"}
    got = {(pad, t): kg for pad, t, kg in rows(recording)}
    assert got["A", 0.0] == pytest.approx(2 * LB_KG, rel=1e-15)
    assert got["B", 0.0] == pytest.approx(3 / G_N, rel=1e-15)
    assert got["C", 0.0] == 4.0
    assert got["D", 0.0] == pytest.approx(0.005, rel=1e-15)
    assert got["E", 0.0] == pytest.approx(6000 / G_N, rel=1e-15)
    assert got["F", 0.0] == pytest.approx(8 * LB_KG, rel=1e-15)
    assert got["A", 2.0] == pytest.approx(1.0, rel=1e-15)


def test_a_unit_is_known_by_its_common_spellings() -> None:
    assert [known_unit(u) for u in ("kg", "KG", "lbs", "kgf", "N", "KN", "counts", "1", "")] == [
        *("kg", "kg", "lb", "kg", "N", "kN"),
        *(None, None, None),
    ]
    assert kg_per("index units") == 1.0


@pytest.mark.parametrize(
    ("text", "rate", "says"),
    [
        ("", None, "recording.csv:1: the file is empty"),
        ("0,A,1,kg\n", None, "no column t_s"),
        ("1,2,3,4\n", None, "no header"),
        ("pad,value,unit\nA,1,kg\n", None, "--rate HZ"),
        ("t_s,pad,value,unit\n0,A,1,kg\n", 10.0, "leave --rate away"),
        ("t_s,pad,value,unit\n", None, "there are no rows"),
        ("t_s,pad,value,unit\n0,A,x,kg\n", None, "1 values that are no number left out, the first at line 2"),
        (
            "t_s,pad,value,unit\n0,A,1,kg\n1,A,1,counts\n2,A,1,kg\n",
            None,
            "recording.csv:3: pad A is in 'counts'",
        ),
        ("time,lc1,lc2\n1,2,3\n", 10.0, "columns have to be t_s,pad,value,unit"),
        ("pad,value\nA,1\n", 0.0, "above zero"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_next_step(
    tmp_path: Path, text: str, rate: float | None, says: str
) -> None:
    with pytest.raises(RecordingError, match=says.replace("(", r"\(")):
        read(tmp_path, text, rate)


def test_without_times_a_rate_makes_them_pad_by_pad(tmp_path: Path) -> None:
    recording = read(tmp_path, "pad,value,unit\nA,1,kg\nA,2,kg\nB,5,kg\nA,,kg\nA,4,kg\n", rate_Hz=4.0)
    assert rows(recording) == [("A", 0.0, 1.0), ("B", 0.0, 5.0), ("A", 0.25, 2.0), ("A", 0.75, 4.0)]


def test_a_column_a_pad_is_read_where_nothing_is_guessed(tmp_path: Path) -> None:
    assert rows(read(tmp_path, "LC1,LC2\n1,2\n3,4\n", rate_Hz=10.0, unit="kg")) == [
        *(("LC1", 0.0, 1.0), ("LC2", 0.0, 2.0)),
        *(("LC1", 0.1, 3.0), ("LC2", 0.1, 4.0)),
    ]
    assert rows(read(tmp_path, "t_s,LC1\n0.5,2\n")) == [("LC1", 0.5, 2.0)]


def test_the_recording_without_times_is_refused_or_read_at_a_stated_rate() -> None:
    path = shared_data("four_cell_recorder", "as_recorded", "LC1432021-235247.csv")
    with pytest.raises(RecordingError, match="--rate HZ"):
        read_csv(path)
    recording = read_csv(path, 10.0)
    assert len(recording.samples) == 176
    assert recording.samples[-1].t_mono_ns == 4_300_000_000


@pytest.mark.parametrize("last", ["9.9", "9.9,A", "9.9,A,24", "9.9,A,240,", "9.9,A,240,k", "9.9,A,,kg"])
def test_a_recording_cut_short_loses_its_last_row_only(tmp_path: Path, last: str) -> None:
    recording = read(tmp_path, "t_s,pad,value,unit\n0,A,1,kg\n0.1,A,2,kg\n" + last)
    assert rows(recording) == [("A", 0.0, 1.0), ("A", 0.1, 2.0)]
    (note,) = recording.notes
    assert note.endswith("left out, the first at line 4")


def test_dialects(tmp_path: Path) -> None:
    plain = rows(read(tmp_path, "t_s,pad,value,unit\n0.5,A,1.25,kg\n"))
    for text in (
        "\ufefft_s,pad,value,unit\r\n0.5,A,1.25,kg\r\n",
        "t_s;pad;value;unit\n0,5;A;1,25;kg\n",
        "t_s\tpad\tvalue\tunit\n0.5\tA\t1.25\tkg\n",
        "# made by hand\n\n T_s , Pad ,Value,unit,note\n0.5,A, 1.25 ,kg,first\n\n# end\n",
        'unit,"value",pad,t_s\nkg,"1.25",A,0.5',
    ):
        assert rows(read(tmp_path, text)) == plain, text


def test_times_before_zero_and_epoch_times_keep_their_second(tmp_path: Path) -> None:
    for t_s in (-3.75, 1_767_225_600.25, 0.0):
        recording = read(tmp_path, f"t_s,pad,value,unit\n{t_s!r},A,1,kg\n{t_s + 1!r},A,1,kg\n")
        assert [t for _, t, _ in rows(recording)] == [t_s, t_s + 1]
        assert recording.samples[0].t_mono_ns >= 0


def test_a_coarse_clock_is_spread_up_to_the_next_time(tmp_path: Path) -> None:
    text = "t_s,pad,value,unit\n" + "".join(f"{i // 4},A,{i},kg\n" for i in range(12)) + "60,A,12,kg\n"
    recording = read(tmp_path, text)
    times = [t for _, t, _ in rows(recording)]
    assert times[:8] == [0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75]
    assert times[8:] == [2.0, 2.375, 2.75, 3.125, 60.0]  # not spread over the pause
    assert "coarse" in recording.notes[0]


@settings(deadline=None, max_examples=60)
@given(
    st.text(alphabet='t_spadvlueni,;\n"0123456789.-+eNkg\0 ü', max_size=200), st.sampled_from([None, 10.0])
)
def test_any_text_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, text: str, rate: float | None
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    for body in (text, "t_s,pad,value,unit\n" + text, "pad,value\n" + text):
        path.write_text(body, encoding="utf-8")
        with suppress(RecordingError):
            times = [sample.t_mono_ns for sample in read_csv(path, rate).samples]
            assert times == sorted(times)


@settings(deadline=None, max_examples=60)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(data)
    with pytest.raises(RecordingError):
        read_csv(path)
