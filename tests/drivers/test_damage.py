"""A short seeded form of tools/bench_layouts.py: no changed byte passes a check, and the rates are told."""

from __future__ import annotations

import importlib.util
from types import ModuleType

import pytest
from support import ROOT


def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_layouts", ROOT / "tools" / "bench_layouts.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def test_no_changed_byte_passes_a_check(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench().main(["--frames", "0", "--mutations", "6000", "--seed", "3"]) == 0
    out = capsys.readouterr().out
    assert "stx-etx-xor" in out
    assert "no exception" in out


def test_speed_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench().main(["--frames", "2000", "--mutations", "0", "--case", "line-plain"]) == 0
    row = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("line-plain"))
    assert float(row.split()[2].replace(",", "")) > 20_000
