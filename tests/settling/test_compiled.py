"""Compiled and interpreted, settling says the same to the last bit; what is out of date is passed over."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from support import ROOT, absent

HERE = ROOT / "logger" / "settling"
NAMES = [
    one["name"].rpartition(".")[2]
    for one in tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["ext-modules"]
]
SAID = """
import sys
from importlib import import_module
sys.path[:0] = [{root!r}, {root!r} + "/tools"]
import bench_settling as bench
for name in {names!r}:
    file = import_module("logger.settling." + name).__file__
    print(name, file.rpartition(".")[2], file=sys.stderr)
for traces in (bench.car_traces(9_000), bench.curve_traces(9_000), bench.curve_traces(9_001)):
    print(bench.ours(traces))
"""


def said(root: Path = ROOT, **environment: str) -> tuple[str, set[str]]:
    """What three sessions' rests are, every digit, and the files' suffixes that said it."""
    code = SAID.format(root=str(root), names=NAMES)
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout, {line.split()[1] for line in done.stderr.splitlines()}


@pytest.fixture(scope="module")
def interpreted() -> str:
    told, suffixes = said(RESTPOINT_INTERPRETED="1")
    assert suffixes == {"py"}
    assert told.count("Told(") > 80
    return told


def test_compiled_and_interpreted_say_the_same_to_the_last_bit(interpreted: str) -> None:
    if not all(list(HERE.glob(f"{name}.*.so")) for name in NAMES):
        absent("compiled settling (a C compiler and Python's headers, then tools/setup dev)")
    told, suffixes = said()
    assert suffixes == {"so"}, "run tools/setup dev: what is compiled is older than its source"
    assert told == interpreted


def test_what_is_older_than_its_source_is_passed_over(tmp_path: Path, interpreted: str) -> None:
    for part in ("logger", "drivers", "tools"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__", "*.so"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    old = tmp_path / "logger" / "settling" / f"{NAMES[0]}.so"
    old.write_bytes(b"no library at all")
    os.utime(old, (1, 1))
    told, suffixes = said(tmp_path)
    assert suffixes == {"py"}
    assert told == interpreted
    os.utime(old)
    with pytest.raises(subprocess.CalledProcessError):
        said(tmp_path)


def test_every_compiled_module_has_its_types_and_is_optional() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    for one in project["ext-modules"]:
        (source,) = one["sources"]
        assert source == one["name"].replace(".", "/") + ".py"
        assert (ROOT / source).with_suffix(".pxd").exists()
        assert one["optional"] is True
        assert "-ffp-contract=off" in one["extra-compile-args"]
