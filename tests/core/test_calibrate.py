"""Calibrating a pad that sends counts: dialogue over a real line, the stored file, and kg in the bay."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from drivers.calibration import CalibrationRefused
from drivers.sim.player import Line
from logger import calibration_file
from logger.assembly import make_bay
from logger.calibrating import CannotRead, calibrate
from logger.clock import NS
from logger.config import load
from logger.model import Chunk, Sample
from logger.typed_toml import ConfigError

LAYOUT = """\
about = "a line of counts"
limits_counts = [-8000000, 8000000]
[frame]
kind = "line"
end = "<LF>"
max = 20
[body]
kind = "pattern"
pattern = '(?P<value>-?\\d+)'
[fields]
value = { decimals = 0 }
unit = "counts"
"""


class CountingPad:
    """Sends counts for the load on it: 12,000 empty and 410.5 for each kilogram, one count of noise."""

    def __init__(self) -> None:
        self.line = Line()
        self.mass_kg = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> CountingPad:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.line.unplug()

    def _run(self) -> None:
        n = 0
        while not self._stop.wait(0.005):
            n += 1
            self.line.write(f"{round(12000 + 410.5 * self.mass_kg + n % 3 - 1)}\n".encode())


def config(tmp_path: Path, device: str) -> Path:
    (tmp_path / "counts.toml").write_text(LAYOUT)
    path = tmp_path / "bay.toml"
    path.write_text(
        f'[bay]\nname = "barn"\n[[port]]\nname = "a"\ndevice = "{device}"\nlayout = "counts"\n'
        '[[pad]]\nid = "P1"\nport = "a"\n'
    )
    return path


def test_the_dialogue_finds_the_line_and_the_bay_then_weighs_in_kg(tmp_path: Path) -> None:
    with CountingPad() as pad:
        path = config(tmp_path, pad.line.device)
        answers = iter(["", "20", "forty", "88.18490487395103 lb", ""])

        def ask(_: str) -> str:
            answer = next(answers)
            pad.mass_kg = {"20": 20.0, "88.18490487395103 lb": 40.0}.get(answer, pad.mass_kg)
            threading.Event().wait(0.05)
            return answer

        calibrate(path, "P1", 0.3, 0.001, ask)
    loaded = load(path)
    assert loaded.calibrations["P1"].slope == pytest.approx(410.5, rel=2e-3)
    assert calibration_file.NAME in loaded.snapshot()
    records = make_bay(loaded).feed(Chunk(port="a", t_mono_ns=NS, t_wall_ns=NS, data=b"\n20210\n"))
    (sample,) = [record for record in records if isinstance(record, Sample)]
    assert sample.mass_wire_kg == pytest.approx(20.0, abs=0.1)
    assert sample.resolution_kg == pytest.approx(1 / 410.5, rel=1e-2)


def test_a_load_that_was_not_on_the_pad_is_refused_and_nothing_stored(tmp_path: Path) -> None:
    with CountingPad() as pad:
        path = config(tmp_path, pad.line.device)
        answers = iter(["", "20", ""])
        with pytest.raises(CalibrationRefused, match="was the load on this pad"):
            calibrate(path, "P1", 0.2, 0.0, lambda _: next(answers))
    assert not (tmp_path / calibration_file.NAME).exists()


def test_a_pad_that_is_not_there_or_says_nothing(tmp_path: Path) -> None:
    with Line() as line:
        path = config(tmp_path, line.device)
        with pytest.raises(CannotRead, match="0 readings of P1"):
            calibrate(path, "P1", 0.1, 0.0, lambda _: "")
        with pytest.raises(CannotRead, match="has no pad 'P9'; it has P1"):
            calibrate(path, "P9", 0.1, 0.0, lambda _: "")


def test_a_stored_file_with_absurd_loads_is_a_fault_of_the_config(tmp_path: Path) -> None:
    path = config(tmp_path, "socket://127.0.0.1:9")
    entry = '[[calibration]]\npad = "P1"\ndate = "2026-01-01"\n'
    load_row = "[[calibration.load]]\nmass_kg = {}\ncounts = 5.0\nu_counts = 1.0\n"
    (tmp_path / calibration_file.NAME).write_text(entry + load_row.format(0.0) + load_row.format(20.0))
    with pytest.raises(ConfigError, match=r"calibrations\.toml:1.*pad P1: the counts moved by 0"):
        load(path)
