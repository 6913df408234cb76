"""Input from outside: the cases that tools/fuzz found, and a short run of it, so that it is known to work."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import ROOT
from support.fuzz_targets import CORPUS, TARGETS, seeds

CASES = [
    pytest.param(path.parent.name, path, id=f"{path.parent.name}-{path.name}")
    for path in sorted(CORPUS.glob("*/*"))
]


@pytest.mark.parametrize(("name", "path"), CASES)
def test_a_case_once_found_is_refused_in_words(name: str, path: Path) -> None:
    TARGETS[name][0](path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_what_is_right_and_what_is_nearly_right_never_raises(name: str) -> None:
    target = TARGETS[name][0]
    right = seeds(name) or [b""]
    for content in right:
        target(content)

    @settings(deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
    @given(st.sampled_from(right), st.data())
    def nearly(content: bytes, data: st.DataObject) -> None:
        begin = data.draw(st.integers(0, len(content)))
        end = data.draw(st.integers(begin, min(len(content), begin + 8)))
        target(content[:begin] + data.draw(st.binary(max_size=12)) + content[end:])

    nearly()


def test_the_fuzzer_finds_a_planted_fault_and_keeps_the_case(tmp_path: Path) -> None:
    """A target that fails only behind two steps, which chance alone would hardly find in so few tries."""
    package = tmp_path / "logger"
    package.mkdir()
    (package / "planted.py").write_text(
        "def read(data):\n"
        "    if data[:1] == b'{':\n"
        "        if data[1:2] == b'\"':\n"
        "            raise KeyError('planted')\n"
    )
    code = (
        "import runpy, sys, random, pathlib\n"
        f"tool = runpy.run_path({str(ROOT / 'tools' / 'fuzz')!r})\n"
        f"sys.path.insert(0, {str(tmp_path / 'logger')!r})\n"
        "import planted, support.fuzz_targets as targets\n"
        "targets.TARGETS['planted'] = (planted.read, ())\n"
        "fuzz = tool['fuzz']\n"
        f"fuzz.__globals__.update(OURS=({str(package)!r},), ROOT=pathlib.Path({str(tmp_path)!r}),"
        f" CORPUS=pathlib.Path({str(tmp_path)!r}), seeds=lambda name: [])\n"
        "sys.exit(fuzz('planted', 1.0, random.Random(1)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "KeyError at planted.py:4" in done.stdout
    (kept,) = (tmp_path / "planted").iterdir()
    assert kept.read_bytes().startswith(b'{"')
    assert re.search(r"planted: \d+ inputs, [34] lines of ours reached", done.stdout)
