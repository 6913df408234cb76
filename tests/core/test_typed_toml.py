"""Config faults: all at once, each with file, line, key, what is wrong and what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

from logger.typed_toml import ConfigError, convert, parse


@dataclass(frozen=True, kw_only=True)
class Wheel:
    name: str
    mass_kg: float = 1.0


@dataclass(frozen=True, kw_only=True)
class File:
    unit: Literal["kg", "lb"] = "kg"
    wheel: tuple[Wheel, ...] = ()
    spare: Wheel | None = None


def read(tmp_path: Path, text: str) -> File:
    path = tmp_path / "a.toml"
    path.write_text(text)
    data, faults = parse(path)
    made = convert(data, File, faults)
    faults.check()
    assert made is not None
    return made


def test_a_good_file_becomes_its_dataclass(tmp_path: Path) -> None:
    made = read(tmp_path, 'unit = "lb"\n[[wheel]]\nname = "a"\nmass_kg = 2\n[spare]\nname = "s"\n')
    assert made == File(unit="lb", wheel=(Wheel(name="a", mass_kg=2.0),), spare=Wheel(name="s"))


def test_every_fault_at_once_with_its_line(tmp_path: Path) -> None:
    wheels = '[[wheel]]\nname = "a"\nmass_kg = "2"\n[[wheel]]\nmass_kg = 3\n'
    text = f'unti = "kg"\nunit = "st"\n\n{wheels}[spare]\nname = 4\n'
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, text)
    rows = [row.removeprefix(f"{tmp_path}/") for row in caught.value.faults]
    assert sorted(rows) == [
        "a.toml:10: spare.name: expected text in quotes, got a whole number; the file says 4",
        "a.toml:1: unti: unknown key; did you mean 'unit'?",
        "a.toml:2: unit: should be one of 'kg', 'lb', not 'st'",
        "a.toml:6: wheel[1].mass_kg: expected a number, got text in quotes; the file says '2'",
        "a.toml:7: wheel[2]: 'name' is missing",
    ]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"a = ", "is not TOML: Invalid value"),
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"wheel = 3", "should be an array of tables"),
        (b"spare = 3", "should be a table, not 3"),
    ],
)
def test_files_that_are_no_config(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError, match=says):
        read_bytes(path)


def read_bytes(path: Path) -> None:
    data, faults = parse(path)
    convert(data, File, faults)
    faults.check()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml: cannot be read \(No such file or directory\)"):
        parse(tmp_path / "none.toml")
