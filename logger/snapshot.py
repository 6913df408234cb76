"""What a run was configured with, kept beside its segments, and hashes that tell whether it still is that.

A flipped digit in a kept configuration would make another dataset of the same bytes, without a word.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from logger.whole import write_whole

SUMS = "snapshot.sha256"
"""The hashes, as sha256sum(1) writes and checks them; the last line, a comment, has that of those before."""


def sums(files: Mapping[str, bytes]) -> bytes:
    """Write the hashes of files, by name."""
    lines = "".join(f"{_hash(content)}  {name}\n" for name, content in files.items()).encode()
    return lines + f"# {_hash(lines)}\n".encode()


def changed(folder: Path) -> dict[str, str]:
    """The files in a run's folder that are not as they were kept, with the hash that each had.

    Empty where none was kept, by an earlier program, or where the hashes themselves are damaged.
    """
    found = {}
    for name, was in _told(folder).items():
        content = b""
        with suppress(OSError):
            content = (folder / name).read_bytes()
        if _hash(content) != was:
            found[name] = was
    return found


def fault(folder: Path) -> str:
    """Which files of a run's folder are not as they were kept, in words; empty when all are."""
    names = ", ".join(changed(folder))
    return names and f"not as the run had it: {names}; put back what {SUMS} names, from a backup"


def put_back(folder: Path, tell: Callable[[str, str], None]) -> None:
    """Take what is damaged in a run's folder from another run that had the same; each is told."""
    for name, was in changed(folder).items():
        for other in sorted(folder.parent.glob(f"run-*/{name}"), reverse=True):
            content = other.read_bytes()
            if _hash(content) == was:
                write_whole(folder / name, content)
                tell("journal_config_mended", f"{folder / name}: was damaged; taken from {other}")
                break


def _told(folder: Path) -> dict[str, str]:
    """Name → hash; empty where there is no list, or none that is whole."""
    try:
        *lines, last = (folder / SUMS).read_bytes().splitlines(keepends=True)
        if last != f"# {_hash(b''.join(lines))}\n".encode():
            return {}
        return {line[66:-1].decode(): line[:64].decode() for line in lines}
    except (OSError, ValueError):
        return {}


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
