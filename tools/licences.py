"""Write deploy/LICENCES.md: name, version and licence of each pinned package, as its own metadata says."""

from __future__ import annotations

import re
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PIN = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", re.M)


def licence(name: str) -> str:
    """The licence in a line: the SPDX expression, else the classifiers, else the field's first line."""
    about = metadata(name)
    if expression := about.get("License-Expression"):
        return expression
    classified = [
        c.rpartition(" :: ")[2] for c in about.get_all("Classifier") or [] if c.startswith("License ::")
    ]
    return ", ".join(classified) or (about.get("License") or "not said").strip().splitlines()[0]


def main() -> int:
    """Write the file and tell which packages could not be asked."""
    rows, unknown = [], []
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    built_with = PIN.findall("\n".join(project["build-system"]["requires"]))
    pinned = PIN.findall((ROOT / "deploy/requirements.txt").read_text())
    for name, version in sorted(pinned + built_with, key=lambda pin: pin[0].lower()):
        try:
            rows.append(f"| {name} | {version} | {licence(name)} |")
        except PackageNotFoundError:
            rows.append(f"| {name} | {version} | on other systems only |")
            unknown.append(name)
    head = "# Licences of the pinned packages\n\nWritten by `tools/licences.py` from their own metadata.\n\n"
    table = "| package | version | licence |\n|---|---|---|\n"
    (ROOT / "deploy/LICENCES.md").write_text(head + table + "\n".join(rows) + "\n")
    print("not installed here:", ", ".join(unknown) or "none")
    return 0


if __name__ == "__main__":
    sys.exit(main())
