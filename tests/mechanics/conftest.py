"""The benchmark of tools/bench_mechanics.py importable in these tests, and files of weighings solved."""

from __future__ import annotations

import argparse
import json
import sys

import pytest
from mechanics.written import CAR, HEADER
from support import ROOT

from logger.cli import weigh

sys.path.append(str(ROOT / "tools"))


@pytest.fixture
def run(tmp_path, capsys):
    def go(rows, car=CAR, *words, header=HEADER):
        (tmp_path / "a.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        (tmp_path / "car.toml").write_text(car, encoding="utf-8")
        parser = argparse.ArgumentParser()
        weigh.arguments(parser)
        code = weigh.run(
            parser.parse_args([str(tmp_path / "a.csv"), "--car", str(tmp_path / "car.toml"), *words])
        )
        out, err = capsys.readouterr()
        return code, out, err.replace(str(tmp_path), "")

    return go


@pytest.fixture
def solved(run):
    def go(rows, car=CAR, header=HEADER):
        code, out, err = run(rows, car, "--json", header=header)
        assert (code, err) == (0, "")
        return json.loads(out)

    return go
