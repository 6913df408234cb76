"""Files written whole beside their place, made durable and put in it: there is the old one or the new one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

TEMPORARY = ".tmp-"
"""Names of what is being written begin so."""


def write_whole(path: Path, content: bytes) -> None:
    """Put a small file in its place whole and durable, or not at all."""
    with put_in_place(path) as temporary, durable(temporary) as file:
        file.write(content)


@contextmanager
def put_in_place(path: Path) -> Iterator[Path]:
    """A name beside the path, whose file takes the path's place at the end, or is gone where that failed."""
    _make_folder(path.parent)
    temporary = path.with_name(TEMPORARY + path.name)
    try:
        yield temporary
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise
    temporary.rename(path)
    sync_folder(path.parent)


@contextmanager
def durable(path: Path, mode: int = 0o640) -> Iterator[BinaryIO]:
    """A new file to write to; it is on the disk when the block ends."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, mode)
    with os.fdopen(fd, "wb") as file:
        yield file
        file.flush()
        os.fsync(fd)


def _make_folder(folder: Path) -> None:
    """Make a folder and its parents, each durable in the one above."""
    if not folder.exists():
        _make_folder(folder.parent)
        folder.mkdir(exist_ok=True, mode=0o750)
        sync_folder(folder.parent)


def sync_folder(folder: Path) -> None:
    """Make names created or renamed in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
