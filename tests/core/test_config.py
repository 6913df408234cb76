"""A bay's configuration: what a good file becomes, and every fault of a bad one at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.cli import main
from logger.config import load
from logger.typed_toml import ConfigError

GOOD = """\
schema = 1
[bay]
name = "barn"
car = "wagtail.toml"
[[port]]
name = "receiver"
device = "socket://127.0.0.1:9"
layout = "four-in-one"
"""
PADS = "".join(
    f'[[pad]]\nid = "P{n}"\nport = "receiver"\naddress = "P{n}"\nspot = "S{n}"\n' for n in range(1, 5)
)
CAR = 'name = "Wagtail"\nwheelbase_in = 95.67\ntrack_front_m = 1.405\ntrack_rear_m = 1.395\n'


@pytest.fixture
def write(tmp_path: Path):
    (tmp_path / "wagtail.toml").write_text(CAR)

    def write(text: str) -> Path:
        path = tmp_path / "bay.toml"
        path.write_text(text)
        return path

    return write


def faults(path: Path, **more: bool) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(path, **more)
    return [row.removeprefix(f"{path.parent}/") for row in caught.value.faults]


def test_a_good_file_loads_with_its_car_and_a_stable_id(write) -> None:
    loaded = load(write(GOOD + PADS))
    assert loaded.car.name == "Wagtail"
    assert loaded.car.geometry.wheelbase_m == pytest.approx(2.430, abs=0.001)
    assert loaded.pad_on_spot == {"S1": "P1", "S2": "P2", "S3": "P3", "S4": "P4"}
    assert loaded.pads_of("receiver") == {"P1": "P1", "P2": "P2", "P3": "P3", "P4": "P4"}
    assert loaded.id == load(write(GOOD + PADS)).id
    assert loaded.id != load(write(GOOD + PADS + "# note\n")).id
    assert set(loaded.snapshot()) == {"config.toml", "wagtail.toml"}


def test_every_fault_at_once(write) -> None:
    text = GOOD.replace("barn", "barn").replace("schema = 1", "schema = 1\nshchema = 2")
    text = text.replace("[bay]\n", '[bay]\nunit = "stone"\n').replace("four-in-one", "four-in-two")
    pads = PADS.replace('port = "receiver"\naddress = "P4"', 'port = "recevier"\naddress = "P4"')
    rows = faults(write(text + pads))
    assert any("unknown key; did you mean 'schema'?" in row for row in rows)
    assert any("bay.unit: should be one of 'kg', 'lb', not 'stone'" in row for row in rows)
    assert any("'four-in-two'" in row and "four-in-one" in row for row in rows)
    assert any("there is no [[port]] named 'recevier'; named are: receiver" in row for row in rows)
    assert all(row.startswith("bay.toml:") for row in rows)
    assert len(rows) == 4


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('id = "P2"', 'id = "P1"', "'P1' stands on more than one [[pad]]"),
        ('address = "P2"\n', "", "its pads need an address each"),
        ('spot = "S4"\n', "", "no pad stands on S4"),
        (PADS, "", "no [[pad]] names this port"),
        ('car = "wagtail.toml"', 'car = "wagtial.toml"', "wagtial.toml: cannot be read"),
        ("[bay]", "[bay", "is not TOML"),
        ('device = "socket://127.0.0.1:9"\n', "", "'device' is missing"),
    ],
)
def test_one_fault_in_plain_words(write, old: str, new: str, says: str) -> None:
    assert any(says in row for row in faults(write((GOOD + PADS).replace(old, new, 1))))


def test_an_absent_device_is_a_fault_only_when_asked(write) -> None:
    text = (GOOD + PADS).replace("socket://127.0.0.1:9", "/dev/not-there")
    load(write(text))
    assert any("/dev/not-there is not there" in row for row in faults(write(text), devices=True))


def test_faults_of_the_car_are_told_with_its_own_file(write, tmp_path: Path) -> None:
    path = write(GOOD + PADS)
    (tmp_path / "wagtail.toml").write_text('name = "Wagtail"\nwheelbase_m = 2430\n')
    assert any(row.startswith("wagtail.toml:2") for row in faults(path))


def test_the_command_prints_faults_and_starts_nothing(write, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "-c", str(write(GOOD))]) == 2
    told = capsys.readouterr().err
    assert "no [[pad]] names this port" in told
    assert "nothing was started" in told
    assert main(["run", "-c", str(write(GOOD + PADS)), "--check"]) == 0
