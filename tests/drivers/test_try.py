"""`restpoint try`: what it prints of a recording, and what it says when it cannot."""

from __future__ import annotations

import json
import os
import re
import select
import threading
from pathlib import Path

import pytest

from drivers.layout import load_layout
from drivers.picture import picture
from drivers.registry import SHIPPED
from logger.cli import main

CASES = Path(__file__).parent / "cases"


def test_frames_and_summary_as_json(capfdbinary: pytest.CaptureFixture[bytes], tmp_path: Path) -> None:
    data = (CASES / "stx-etx-xor" / "recording.bin").read_bytes()
    (tmp_path / "x.bin").write_bytes(data)
    chunks = range(0, len(data), 100)
    rows = "".join(f"{at},{at / 1000}\n" for at in chunks)
    (tmp_path / "x.times.csv").write_text("offset,t_s\n" + rows, encoding="utf-8")
    assert main(["try", "stx-etx-xor", str(tmp_path / "x.bin"), "--json"]) == 0
    *frames, summary = [json.loads(line) for line in capfdbinary.readouterr().out.splitlines()]
    expected = [
        json.loads(line) for line in (CASES / "stx-etx-xor" / "expected.jsonl").read_text().splitlines()
    ]
    assert [(f["pad"], f["value"], f["unit"]) for f in frames] == [
        (e["address"], e["wire_value"], e["wire_unit"]) for e in expected
    ]
    assert {f["kind"] for f in frames} == {"frame"}
    assert [f["steady_claim"] for f in frames] == [e["flags"] == 1 for e in expected]
    assert frames[0]["t_s"] == 0.0
    assert frames[-1]["t_s"] == chunks[-1] / 1000
    assert [f["t_s"] for f in frames] == sorted(f["t_s"] for f in frames)
    assert summary["rejects"] == {"noise": 1, "check": 1, "truncated": 1}
    assert summary["bytes"] == len(data)


def test_text_with_the_byte_picture(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["try", "four-in-one", str(CASES / "four-in-one"), "--frames", "2"]) == 0
    out = capsys.readouterr().out
    assert "… and 108 more" in out
    assert re.search(r"^1 reject, 16 bytes:\n  noise +1 +first: 99;S", out, re.MULTILINE)
    assert "P4 value" in out
    assert "check sum" in out


def test_nothing_fits(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["try", "line-plain", str(CASES / "slip-float")]) == 1
    assert "longest bytes refused" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["line-plane", "x.bin"], "did you mean 'line-plain'"),
        (["line-plain", "nowhere.bin"], "nowhere.bin: No such file"),
        (["line-plain", "/dev/no-such-tty:0"], "/dev/no-such-tty"),
    ],
)
def test_faults(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["try", *words]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("offset,t_s\n5,0\n", "x.times.csv:2"),
        ("offset,t_s\n0,0\n9999,1\n", "x.times.csv:3"),
        ("offset,t_s\n0,1\n3,0\n", "times never go back"),
        ("a,b\n1,2\n", "a row is offset,t_s"),
        ("offset,t_s\n", "no rows"),
    ],
)
def test_times_that_do_not_fit(
    rows: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "x.bin").write_bytes(b"P1 still 1.00 kg\r\n")
    (tmp_path / "x.times.csv").write_text(rows, encoding="utf-8")
    assert main(["try", "line-plain", str(tmp_path / "x.bin")]) == 2
    assert said in capsys.readouterr().err


def test_a_port_is_asked_and_listened_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    layout = (CASES / "polled-answers" / "layout.toml").read_text(encoding="utf-8")
    (tmp_path / "polled.toml").write_text(layout.replace("rs485 = true\n", ""), encoding="utf-8")
    master, slave = os.openpty()
    ended = threading.Event()

    def answer() -> None:
        asked = b""
        while not ended.is_set():
            if select.select([master], [], [], 0.01)[0]:
                asked += os.read(master, 64)
                if asked.endswith(b"\r"):
                    os.write(master, b"\x06" + asked[-3:-1] + b"S   312.45\r")

    person = threading.Thread(target=answer, daemon=True)
    person.start()
    try:
        device = os.ttyname(slave)
        assert main(["try", str(tmp_path / "polled.toml"), device, "--seconds", "0.5"]) == 0
    finally:
        ended.set()
        person.join(2)
        os.close(master)
        os.close(slave)
    out = capsys.readouterr().out
    assert "01" in out
    assert "312.45 kg" in out


@pytest.mark.parametrize("case", sorted(path.parent.name for path in CASES.glob("*/layout.toml")))
def test_every_layout_can_be_drawn(case: str) -> None:
    layout = load_layout(CASES / case / "layout.toml")
    frames = [item.raw for item in layout.driver().feed((CASES / case / "recording.bin").read_bytes(), 0)]
    drawn = picture(layout, next(raw for raw in reversed(frames) if raw))
    assert "hex" in drawn
    assert "value" in drawn or layout.body.kind == "json"


def test_picture_as_documented() -> None:
    raw = b"\x022 S +00312.45 kg 37 -061 0418\x0349"
    drawn = picture(load_layout(SHIPPED / "stx-etx-xor.toml"), raw).splitlines()
    assert drawn[1] == "   hex  02  32  20  53  20  2B  30  30  33  31  32  2E  34  35  20  6B"
    assert drawn[2] == "  text STX   2       S       +   0   0   3   1   2   .   4   5       k"
    assert drawn[3] == "       |-- |--     |--     |----------------------------------     |--"
    assert drawn[4] == "       |   address status  value                                   unit"
