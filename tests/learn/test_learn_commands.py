"""`restpoint learn`, `record` and `try` as a user calls them: exit codes, files, a real pseudo-terminal."""

from __future__ import annotations

import itertools
import json
import os
import pty
import sys
import threading
import time
import tomllib
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

import pytest
from make_streams import make, save

from drivers.layout import load_layout
from logger.cli import main
from logger.journal import Journal, JournalSettings
from logger.line_search import find_line
from logger.model import Chunk


def _args(folder: Path, seed: int) -> tuple[Path, list[str]]:
    stream = make(seed)
    path = save(stream, folder)
    return path, [word for known in stream.known for word in ("--known", known)]


def test_learn_then_try(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0 and a layout whose frames are those of the truth."""
    path, known = _args(tmp_path, 2)
    layout = tmp_path / "x.toml"
    assert main(["learn", str(path), *known, "--out", str(layout), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["proven"]
    assert told["frames"] >= 0.97 * told["of"] > 0
    assert main(["try", str(layout), str(path), "--json"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    frames = [row for row in rows if row["kind"] == "frame"]
    lines = path.with_suffix(".truth.jsonl").read_text().splitlines()
    masses = [reading["mass_kg"] for line in lines for reading in json.loads(line)["readings"]]
    assert len(frames) >= 0.97 * len(masses)
    assert {round(frame["mass_kg"], 6) for frame in frames} <= {round(mass, 6) for mass in masses}
    assert all(isinstance(frame["steady_claim"], bool) for frame in frames)


def test_undecided_is_exit_3_and_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, known = _args(tmp_path, 2)
    layout = tmp_path / "x.toml"
    assert main(["learn", str(path), *known[:2], "--out", str(layout), "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert not told["proven"]
    assert "two different known loads" in told["missing"][0]
    assert not layout.exists()


def test_answers_that_name_nobody_are_not_shared_among_several_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two requests and answers without an address: whose an answer is, nobody can tell."""
    path, known = _args(tmp_path, 2)
    about = path.with_suffix(".about.toml")
    about.write_text(
        'asked = ["A", "B"]\nevery_s = 0.05\n' + about.read_text(encoding="utf-8"), encoding="utf-8"
    )
    assert main(["learn", str(path), *known, "--out", str(tmp_path / "x.toml"), "--json"]) == 3
    assert "record one by itself, with one --ask" in json.loads(capsys.readouterr().out)["missing"][0]
    assert not (tmp_path / "x.toml").exists()
    about.write_text('asked = ["A"]\nevery_s = 0.05\n', encoding="utf-8")
    assert main(["learn", str(path), *known, "--out", str(tmp_path / "x.toml"), "--json"]) == 0
    poll = load_layout(tmp_path / "x.toml").poll
    assert poll is not None
    assert (poll.requests, poll.period_ns) == ((b"A",), 50_000_000)


@pytest.mark.parametrize(
    ("known", "says"), [(["--known", "84.2"], "LOAD@FROM:TO"), ([], "two different known loads")]
)
def test_bad_words_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], known: list[str], says: str
) -> None:
    path, _ = _args(tmp_path, 2)
    path.with_suffix(".about.toml").unlink()
    code = main(["learn", str(path), *known, "--json"])
    shown = capsys.readouterr()
    assert says in shown.out + shown.err
    assert code in (2, 3)


def test_a_recording_without_times_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, known = _args(tmp_path, 2)
    path.with_suffix(".times.csv").unlink()
    assert main(["learn", str(path), *known]) == 2
    assert "times" in capsys.readouterr().err


def test_the_dialogue_on_a_recording_asks_for_times(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = make(2)
    path = save(stream, tmp_path)
    path.with_suffix(".about.toml").unlink()
    monkeypatch.setattr(sys, "stdin", StringIO("nonsense\n" + "\n".join(stream.known) + "\n\n"))
    assert main(["learn", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "What stood on the pads" in shown
    assert "is no known load" in shown
    assert "Written to" in shown


@contextmanager
def _indicator(rate: float) -> Iterator[str]:
    """An indicator on a pseudo-terminal; its load goes from 0 to 84.2 kg after two seconds."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def send() -> None:
        begun, n = time.monotonic(), 0
        while not stop.wait(1 / rate):
            share = min(max((time.monotonic() - begun - 3.0) / 0.8, 0.0), 1.0)
            count = round(842 * share) + n % 3 - 1
            os.write(master, f"{'M' if 0 < share < 1 else 'S'} {count / 10:+08.1f} kg\r\n".encode())
            n += 1

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)


def test_record_keeps_bytes_times_and_passport(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with _indicator(100) as device:
        code = main(
            [
                "record",
                device,
                str(tmp_path / "x"),
                "--seconds",
                "0.6",
                "--did",
                "nothing",
                "--known",
                "0@0:0.6",
            ]
        )
    assert code == 0
    data = (tmp_path / "x.bin").read_bytes()
    assert data.count(b"kg\r\n") > 20
    rows = (tmp_path / "x.times.csv").read_text().splitlines()
    assert rows[0] == "offset,t_s"
    assert all(int(a.split(",")[0]) < int(b.split(",")[0]) for a, b in itertools.pairwise(rows[1:]))
    about = tomllib.loads((tmp_path / "x.about.toml").read_text())
    assert (about["did"], about["known"], about["serial"]["baud"]) == ("nothing", ["0@0:0.6"], 9600)
    assert "bytes in" in capsys.readouterr().out


def test_record_says_why_a_port_does_not_open(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", str(tmp_path / "none"), str(tmp_path / "x"), "--seconds", "0.2"]) == 2
    assert "none" in capsys.readouterr().err


def test_learn_on_a_port_finds_the_line_and_learns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Line settings, listening, learning and proof through a real pseudo-terminal."""
    with _indicator(60) as device:
        layout = tmp_path / "mine.toml"
        words = ["--known", "0@0:1.8", "--known", "84.2kg@3.8:6.4", "--out", str(layout)]
        code = main(["learn", device, *words])
    shown = capsys.readouterr().out
    assert "taken: 9600 8N1" in shown
    assert code == 0, shown
    assert "Written to mine.toml" in shown
    assert (tmp_path / "mine.bin").stat().st_size > 2000


def test_a_silent_line_is_said() -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    said: list[str] = []
    try:
        _, score = find_line(os.ttyname(slave), said.append, listen_s=0.01)
    finally:
        os.close(master)
        os.close(slave)
    assert score == 0
    assert len(said) > 10
    assert all("0 bytes" in line for line in said)


def test_a_bays_journal_is_learnt_and_tried_like_a_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The daemon's own bytes serve, too; of several ports one must be named."""
    stream = make(2)
    journal = Journal(tmp_path / "bay" / "journal", JournalSettings(), lambda _what, _why: None)
    begun = 10**12
    for number, (t_s, data) in enumerate(stream.chunks):
        at = begun + int(t_s * 1e9)
        journal.put(Chunk(port="receiver", t_mono_ns=at, t_wall_ns=at, data=data))
        if number % 9 == 0:
            journal.put(Chunk(port="other", t_mono_ns=at, t_wall_ns=at, data=b"hello\r\n"))
    journal.close()
    bay, layout = str(tmp_path / "bay"), tmp_path / "x.toml"
    known = [word for text in stream.known for word in ("--known", text)]
    assert main(["learn", bay, *known, "--out", str(layout), "--json"]) == 2
    assert "say which port with --port; the last run has other, receiver" in capsys.readouterr().err
    assert main(["learn", bay, "--port", "receiver", *known, "--out", str(layout), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["proven"]
    assert main(["try", str(layout), bay, "--port", "receiver", "--json"]) == 0
    summary = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert summary["frames"] >= 0.97 * len(stream.truth)
    assert main(["try", str(layout), str(tmp_path)]) == 2
    assert "no journal here" in capsys.readouterr().err


def test_an_indicator_that_must_be_asked_is_recorded_and_learnt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--ask sends the request in turn; the layout learnt asks as the recording did."""
    master, slave = pty.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    begun, stop = time.monotonic(), threading.Event()

    def answer() -> None:
        n = 0
        while not stop.is_set():
            if os.read(master, 64).endswith(b"\x05"):
                t_s = time.monotonic() - begun
                grams = 842 if t_s > 1.6 else max(0, int(842 * (t_s - 1.2) / 0.4))
                n += 1
                os.write(
                    master,
                    f"{'S' if not 1.2 < t_s < 1.7 else 'M'} {(grams + n % 3) / 10:7.1f} kg\r\n".encode(),
                )

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    known = ["--known", "0@0:1", "--known", "84.2kg@1.9:3"]
    words = [
        "record",
        os.ttyname(slave),
        str(tmp_path / "x"),
        "--seconds",
        "3.2",
        "--ask",
        "<ENQ>",
        "--every",
        "0.02",
    ]
    assert main([*words, *known]) == 0
    stop.set()
    os.write(slave, b"\x05")
    thread.join(2)
    assert tomllib.loads((tmp_path / "x.about.toml").read_text())["asked"] == ["<ENQ>"]
    capsys.readouterr()
    assert main(["learn", str(tmp_path / "x.bin"), "--json"]) == 0, capsys.readouterr().out
    layout = load_layout(tmp_path / "x.toml")
    assert layout.poll is not None
    assert (layout.poll.requests, layout.poll.period_ns) == ((b"\x05",), 20_000_000)
    os.close(master)
    os.close(slave)
