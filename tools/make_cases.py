"""Write the conformance cases of tests/drivers/cases anew: invented streams with the frames they must give.

    .venv/bin/python tools/make_cases.py [NAME …]

Streams are written by plain formatting, never by the code under test; the truth comes from the same numbers.
A case with a layout of its own keeps it as `layout.toml` in its folder; others name a shipped driver.
"""

from __future__ import annotations

import json
import random
import sys
import tomllib

import case_binary  # noqa: F401 - importing a module of cases registers them
import case_polled  # noqa: F401
import case_shipped  # noqa: F401
import case_stuffed  # noqa: F401
import case_text  # noqa: F401
from case_kit import CASES, MAKERS, Stream


def write(name: str, stream: Stream) -> None:
    """Write a case's folder."""
    folder = CASES / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "recording.bin").write_bytes(b"".join(data for data, _ in stream.pieces))
    lines = [json.dumps(told, sort_keys=True) + "\n" for _, frames in stream.pieces for told in frames]
    (folder / "expected.jsonl").write_text("".join(lines), encoding="utf-8")
    about = [f"did = {json.dumps(stream.did)}", 'origin = "invented, written by tools/make_cases.py"']
    about += [f'driver = "{stream.driver or "layout.toml"}"', f'integrity = "{stream.integrity}"']
    (folder / "about.toml").write_text("\n".join(about) + "\n", encoding="utf-8")
    if stream.layout:
        tomllib.loads(stream.layout)
        (folder / "layout.toml").write_text(stream.layout, encoding="utf-8")


def main(names: list[str]) -> int:
    """Write the cases named, or all."""
    for name in names or sorted(MAKERS):
        write(name, MAKERS[name](random.Random(name)))
        print(name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
