"""The benchmark of tools/bench_mechanics.py, importable in these tests."""

from __future__ import annotations

import sys

from support import ROOT

sys.path.append(str(ROOT / "tools"))
