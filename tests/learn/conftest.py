"""The invented streams of tools/make_streams.py, importable in these tests."""

from __future__ import annotations

import sys

from support import ROOT

sys.path.append(str(ROOT / "tools"))
