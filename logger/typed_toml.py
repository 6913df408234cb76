"""TOML into frozen dataclasses, every fault at once: file, line, key, what is wrong, what would be right.

A walker of our own over msgspec: pydantic reports as well but costs the daemon 18 MB and 0.2 s at start.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import MISSING, Field, fields, is_dataclass
from difflib import get_close_matches
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import msgspec

T = TypeVar("T")
Path_ = tuple[str | int, ...]


class ConfigError(ValueError):
    """A file cannot be used; `faults` holds one line each, ready to print."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Faults:
    """Collects what is wrong with one file, each with its line."""

    def __init__(self, file: Path, text: str) -> None:
        self.file = file
        self.lines = dict(_key_lines(text))
        self.rows: list[str] = []

    def add(self, path: Path_, wrong: str) -> None:
        """Note a fault at a key path; the line is that of the nearest key that stands in the file."""
        line = next((self.lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in self.lines), 1)
        self.rows.append(f"{self.file}:{line}: {_path_text(path)}: {wrong}")

    def check(self) -> None:
        """Raise ConfigError if anything was noted."""
        if self.rows:
            raise ConfigError(self.rows)


def parse(file: Path) -> tuple[dict[str, Any], Faults]:
    """Read a TOML file; ConfigError with file and line when it is not there or not TOML."""
    try:
        text = file.read_text(encoding="utf-8")
        return tomllib.loads(text), Faults(file, text)
    except OSError as error:
        raise ConfigError([f"{file}: cannot be read ({error.strerror}); check the path"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8"]) from error
    except (ValueError, RecursionError) as error:  # also numbers of thousands of digits, brackets without end
        raise ConfigError([f"{file}: is not TOML: {error}"]) from error


def convert(data: object, kind: type[T], faults: Faults, path: Path_ = ()) -> T | None:
    """Make a `kind` (a dataclass) of a TOML table, noting every fault; None when there was one."""
    if not isinstance(data, dict):
        faults.add(path, f"should be a table, not {data!r}")
        return None
    hints = get_type_hints(kind)
    known: dict[str, Field[Any]] = {f.name: f for f in fields(kind) if f.init}  # type: ignore[arg-type]  # T is a dataclass
    before = len(faults.rows)
    for key in data.keys() - known.keys():
        faults.add((*path, key), unknown_key(key, known))
    values: dict[str, Any] = {}
    for name, entry in known.items():
        if name in data:
            values[name] = _value(data[name], hints[name], faults, (*path, name))
        elif entry.default is MISSING and entry.default_factory is MISSING:
            faults.add(path, f"{name!r} is missing")
    return kind(**values) if len(faults.rows) == before else None


def unknown_key(key: str, known: object) -> str:
    """Say that a key is unknown, with the nearest one that is known."""
    names = [str(name) for name in known]  # type: ignore[attr-defined]  # any iterable of names
    near = get_close_matches(key, names, 1, 0.5)
    return f"unknown key; did you mean {near[0]!r}?" if near else f"unknown key; known are {', '.join(names)}"


def _value(value: object, hint: Any, faults: Faults, path: Path_) -> Any:
    inner = _without_none(hint)
    if is_dataclass(inner):
        return convert(value, cast("type[Any]", inner), faults, path)
    parts = get_args(inner)
    if get_origin(inner) is tuple and parts and is_dataclass(parts[0]):
        if not isinstance(value, list):
            faults.add(path, "should be an array of tables, written [[…]]")
            return ()
        return tuple(convert(v, cast("type[Any]", parts[0]), faults, (*path, n)) for n, v in enumerate(value))
    try:
        return msgspec.convert(value, hint, strict=True)
    except msgspec.ValidationError as error:
        if get_origin(inner) is Literal:
            faults.add(path, f"should be one of {', '.join(map(repr, parts))}, not {value!r}")
        else:
            faults.add(path, f"{_plain(str(error))}; the file says {value!r}")
        return None


def _without_none(hint: Any) -> Any:
    if get_origin(hint) in (Union, UnionType):
        rest = [part for part in get_args(hint) if part is not NoneType]
        return rest[0] if len(rest) == 1 else hint
    return hint


def _plain(message: str) -> str:
    words = {
        "`float`": "a number",
        "`int`": "a whole number",
        "`str`": "text in quotes",
        "`bool`": "true or false",
    }
    for type_name, plain in words.items():
        message = message.replace(type_name, plain)
    return message[0].lower() + message[1:]


def _path_text(path: Path_) -> str:
    text = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.lstrip(".") or "top level"


_TABLE = re.compile(r"\s*\[(\[?)\s*([\w\-.\"']+)\s*\]")
_KEY = re.compile(r"\s*([\w\-\"']+)\s*=")


def _key_lines(text: str) -> Iterator[tuple[Path_, int]]:
    """Yield (key path, line) for tables and plain keys; a long value may add harmless extras."""
    table: Path_ = ()
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if match := _TABLE.match(line):
            table = tuple(part.strip("\"'") for part in match[2].split("."))
            if match[1]:
                counts[match[2]] = counts.get(match[2], -1) + 1
                table = (*table, counts[match[2]])
            yield table, number
        elif match := _KEY.match(line):
            yield (*table, match[1].strip("\"'")), number
