"""The steps of the developers' page, performed: write a layout for an unknown indicator; write a plug-in."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path

import pytest

from drivers.conformance import DriverConformance, cases, expected_lines
from drivers.registry import find, listing
from logger.cli import main

INDICATOR = b"".join(b"N+%06d g\r" % grams for grams in (0, 10, 84200, 84190, 84200, 10))
"""What an indicator sends that nobody has seen before: grams, a letter before the sign, a carriage return."""

LAYOUT = """\
# N+084200 g<CR>
about = "the shed's indicator"
limits_kg = [-5, 300]

[frame]
kind = "line"
end = "<CR>"
size = 11

[body]
constants = [{ at = 0, text = "N" }, { at = 8, text = " g" }]

[fields]
value = { at = 1, size = 7, decimals = 0 }
unit = "g"
"""


def test_write_a_layout(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 1. record what it sends
    recording = tmp_path / "shed.bin"
    recording.write_bytes(INDICATOR)
    # 2. look at the bytes: a layout that fits nothing draws them
    assert main(["try", "line-plain", str(recording)]) == 1
    assert "4E  2B" in capsys.readouterr().out
    # 3. write the layout, 4. try it
    layout = tmp_path / "shed.toml"
    layout.write_text(LAYOUT, encoding="utf-8")
    assert main(["try", str(layout), str(recording)]) == 0
    shown = capsys.readouterr().out
    assert "84200 g" in shown
    assert "6 frames" in shown
    # 5. make a case of it
    case = tmp_path / "cases" / "shed"
    case.mkdir(parents=True)
    layout.rename(case / "layout.toml")
    recording.rename(case / "recording.bin")
    (case / "about.toml").write_text(
        'did = "empty, a person, empty"\ndriver = "layout.toml"\nintegrity = "none"\n'
    )
    expected = expected_lines(find("layout.toml", [case])(), INDICATOR)
    assert [json.loads(line)["wire_value"] for line in expected.splitlines()] == [
        0,
        10,
        84200,
        84190,
        84200,
        10,
    ]
    (case / "expected.jsonl").write_bytes(expected)
    # 6. hold it to the demands
    suite = DriverConformance()
    suite.cases = cases(tmp_path / "cases")  # type: ignore[misc]  # as the class of a test module does
    suite.make = lambda case: find(case.about["driver"], [case.folder])()
    for name in dir(DriverConformance):
        if name.startswith("test_"):
            getattr(suite, name)()


PLUG_IN = '''
"""A driver for an indicator that sends one byte of whole kilograms."""

from drivers.api import Frame, SerialSettings


class ByteDriver:
    """One byte a reading."""

    name = "byte"
    serial = SerialSettings(baud=1200)

    def feed(self, data, t_mono_ns):
        return [Frame(mass_kg=float(n), raw=bytes([n]), wire_value=float(n), wire_unit="kg") for n in data]

    def pending(self):
        return 0

    def request(self, t_mono_ns):
        return None
'''


def test_write_a_plug_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # 1. a class with the members of drivers.api.Driver, 2. an entry point in group restpoint.drivers
    (tmp_path / "byte_indicator.py").write_text(PLUG_IN, encoding="utf-8")
    info = tmp_path / "byte_indicator-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: byte-indicator\nVersion: 1.0\n", encoding="utf-8"
    )
    (info / "entry_points.txt").write_text(
        "[restpoint.drivers]\nbyte = byte_indicator:ByteDriver\nbroken = byte_indicator:Missing\n",
        encoding="utf-8",
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    # 3. it is listed, and a broken one beside it is named
    known = {item.name: item for item in listing()}
    assert known["byte"].about == "One byte a reading."
    assert known["byte"].fault == ""
    assert "broken" in known["broken"].fault
    # 4. it is found by name and decodes
    driver = find("byte")()
    assert [frame.raw for frame in driver.feed(b"\x05\x06", 0)] == [b"\x05", b"\x06"]
    # 5. a case, and the conformance class
    case = tmp_path / "cases" / "byte"
    case.mkdir(parents=True)
    (case / "recording.bin").write_bytes(bytes(range(40)))
    (case / "about.toml").write_text(
        'did = "counted up"\ndriver = "byte"\nintegrity = "none"\n', encoding="utf-8"
    )
    (case / "expected.jsonl").write_bytes(expected_lines(find("byte")(), bytes(range(40))))
    suite = DriverConformance()
    suite.cases = cases(tmp_path / "cases")  # type: ignore[misc]  # as the class of a test module does
    suite.make = lambda case: find(case.about["driver"])()
    for name in (
        "test_golden_recording",
        "test_any_chunking",
        "test_bytes_conserved",
        "test_arbitrary_bytes",
    ):
        getattr(suite, name)()
    sys.modules.pop("byte_indicator", None)
