"""Finding drivers: by name, by path, in a folder, as plug-ins; a broken one is named and passed over."""

from __future__ import annotations

from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from drivers import registry
from drivers.api import Driver, Frame, Reject, SerialSettings
from drivers.registry import DriverError, find, listing
from drivers.schema import LayoutError


class Whole:
    """A plug-in as short as one can be."""

    name = "whole"
    serial = SerialSettings()

    def feed(self, data: bytes, t_mono_ns: int) -> list[Frame | Reject]:
        return [Frame(mass_kg=1.0, raw=data)] if data else []

    def pending(self) -> int:
        return 0

    def request(self, t_mono_ns: int) -> bytes | None:
        return None


def raises() -> Driver:
    raise RuntimeError("no licence")


def no_driver() -> object:
    return object()


@pytest.fixture
def _plug_ins(monkeypatch: pytest.MonkeyPatch) -> None:
    points = [
        EntryPoint("whole", f"{__name__}:Whole", registry.GROUP),
        EntryPoint("raising", f"{__name__}:raises", registry.GROUP),
        EntryPoint("lacking", f"{__name__}:no_driver", registry.GROUP),
        EntryPoint("missing", "no_such_module_anywhere:Driver", registry.GROUP),
    ]
    loaded = {f"{__name__}:{item.__name__}": item for item in (Whole, raises, no_driver)}

    class Point:
        def __init__(self, point: EntryPoint) -> None:
            self.name, self.value, self._point = point.name, point.value, point

        def load(self) -> object:
            return loaded[self.value] if self.value in loaded else self._point.load()

    monkeypatch.setattr(
        registry, "entry_points", lambda group: [Point(p) for p in points if p.group == group]
    )


@pytest.mark.usefixtures("_plug_ins")
def test_broken_plug_ins_are_named_and_passed_over() -> None:
    known = {item.name: item for item in listing()}
    assert known["whole"].fault == ""
    assert known["whole"].about == "A plug-in as short as one can be."
    assert "no licence" in known["raising"].fault
    assert "lacks members" in known["lacking"].fault
    assert "no_such_module_anywhere" in known["missing"].fault
    assert known["line-plain"].fault == ""
    assert find("whole")().feed(b"x", 0)


@pytest.mark.usefixtures("_plug_ins")
@pytest.mark.parametrize("name", ["raising", "lacking", "missing"])
def test_asking_for_a_broken_one_says_why(name: str) -> None:
    with pytest.raises(DriverError, match=f"plug-in {name} .* "):
        find(name)


def test_unknown_name() -> None:
    with pytest.raises(DriverError, match="did you mean 'line-plain'"):
        find("line-plane")


def test_site_folder_comes_first(tmp_path: Path) -> None:
    text = (registry.SHIPPED / "line-plain.toml").read_text(encoding="utf-8")
    (tmp_path / "line-plain.toml").write_text(text.replace("9600", "4800"), encoding="utf-8")
    assert find("line-plain", [tmp_path])().serial.baud == 4800
    assert find("line-plain")().serial.baud == 9600
    assert find(str(tmp_path / "line-plain.toml"))().serial.baud == 4800
    assert find("line-plain.toml", [tmp_path])().serial.baud == 4800


def test_layout_with_faults_is_listed_with_them(tmp_path: Path) -> None:
    (tmp_path / "odd.toml").write_text("[frame]\nkind = 'x'\n", encoding="utf-8")
    (found,) = [item for item in listing([tmp_path]) if item.name == "odd"]
    assert "frame.kind" in found.fault
    with pytest.raises(LayoutError, match=r"odd\.toml"):
        find("odd", [tmp_path])


def test_layout_file_that_is_not_there() -> None:
    with pytest.raises(DriverError, match="no layout file"):
        find("nowhere.toml")
