"""Zero, rest detection, settle curves and grades; pure.

What is run most is compiled where a C compiler was at hand when the program was installed. The same source
runs as it stands where none was, in a working copy whose compiled files are older than it, and with
RESTPOINT_INTERPRETED=1, with the same result to the last bit.
"""

from __future__ import annotations

import os
import sys
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path

_HERE = Path(__file__).parent


class _Source:
    """Finds the modules of this package by their source only."""

    def find_spec(self, name: str, *_: object) -> ModuleSpec | None:
        file = _HERE / f"{name.rpartition('.')[2]}.py"
        ours = name.rpartition(".")[0] == __name__ and file.exists()
        return spec_from_file_location(name, file) if ours else None


def _stale() -> bool:
    """Is what was compiled older than its source or any types? Asked in a working copy only: elsewhere
    nobody edits, and the files' times are those of the installation."""
    if not (_HERE.parents[1] / "pyproject.toml").exists():
        return False
    types = max((file.stat().st_mtime_ns for file in _HERE.glob("*.pxd")), default=0)
    for compiled in _HERE.glob("*.so"):
        source = _HERE / f"{compiled.name.partition('.')[0]}.py"
        if not source.exists() or compiled.stat().st_mtime_ns < max(source.stat().st_mtime_ns, types):
            return True
    return False


if os.environ.get("RESTPOINT_INTERPRETED") or _stale():
    sys.meta_path.insert(0, _Source())
