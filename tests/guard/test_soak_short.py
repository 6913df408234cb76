"""The soak of tools/soak.py for some seconds: every byte arrives, files stay few, the log stays quiet."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

from support import ROOT


def soak_tool() -> Any:
    spec = importlib.util.spec_from_file_location("soak_tool", ROOT / "tools" / "soak.py")
    assert spec is not None
    assert spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    sys.modules["soak_tool"] = tool
    spec.loader.exec_module(tool)
    return tool


def test_some_seconds_of_it(tmp_path: Path) -> None:
    tool = soak_tool()
    looks, log, wrong = tool.feed(tmp_path, hours=0.008, rate_Hz=400.0, segment_s=1.0)
    assert wrong == []
    assert looks[-1].readings >= 2300
    late = looks[len(looks) // 2 :]
    assert max(k.files for k in late) - min(k.files for k in late) <= 4
    assert max(k.rss_bytes for k in late) - min(k.rss_bytes for k in late) < 20 << 20
    assert tool.kinds(log)["other"] <= tool.FEW_LINES
