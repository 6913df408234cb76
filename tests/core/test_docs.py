"""The documents tell the truth: the example loads, every verb is described, what is named is there."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from support import ROOT

from logger.cautions import CAUTIONS
from logger.cli import VERBS
from logger.config import load

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_example_configuration_loads(tmp_path: Path) -> None:
    block = README[README.index("    [bay]") : README.index("Every fault in the file")]
    text = textwrap.dedent(block)
    for n in (2, 3, 4):
        text += f'[[pad]]\nid = "P{n}"\nport = "receiver"\naddress = "P{n}"\nspot = "S{n}"\n'
    (tmp_path / "bay.toml").write_text(text)
    (tmp_path / "wagtail.toml").write_text((ROOT / "deploy/examples/wagtail.toml").read_text())
    loaded = load(tmp_path / "bay.toml")
    assert loaded.car.name == "Wagtail"
    assert loaded.pad_on_spot["S1"] == "P1"


def test_every_verb_is_described_and_every_one_described_is_there() -> None:
    sentences = {"is", "says"}  # words that follow the name in prose
    named = set(re.findall(r"restpoint ([a-z]+)\b", README)) - sentences
    missing = VERBS.keys() - named - {"demo"}
    assert not missing, f"README does not show: {missing}"
    assert "make demo" in README
    assert named <= VERBS.keys(), named - VERBS.keys()


def test_the_cautions_stand_in_the_readme_word_for_word() -> None:
    flowing = " ".join(README.split())
    for number, text in CAUTIONS.items():
        assert f"{number}. {text}" in flowing


def test_lines_are_no_longer_than_a_window_is_wide() -> None:
    for file in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/GUARD.md"):
        lines = (ROOT / file).read_text(encoding="utf-8").splitlines()
        assert [n for n, line in enumerate(lines, 1) if len(line) > 120] == [], file


def test_every_place_named_is_there() -> None:
    for name in re.findall(r"`((?:logger|drivers|tools|tests|deploy)/[\w./-]+)`", README + DEVELOPERS):
        assert (ROOT / name).exists(), name
