"""What root does in a bay's folder, left to whom the folder belongs: the service must be able to go on."""

from __future__ import annotations

import os
import pwd
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CODE = (Path(os.__file__).parent, Path(__file__).parent)
"""What is loaded late lies below these."""


def give_to_owner(path: Path) -> None:
    """Let what root made belong to whom its folder belongs; nothing for another user."""
    if os.geteuid() == 0:
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


@contextmanager
def as_owner(folder: Path) -> Iterator[None]:
    """Let root be, for the block, whom a folder belongs to.

    Who may not read this program's code (in root's own home) cannot run it: then root does the work, and what
    root has in the folder afterwards is given to its owner.
    """
    owner = folder.stat()
    if os.geteuid() != 0 or owner.st_uid == 0:
        yield
        return
    groups, group, mask = os.getgroups(), os.getegid(), os.umask(0o027)
    os.setgroups(_groups(owner))
    os.setegid(owner.st_gid)
    os.seteuid(owner.st_uid)
    if not all(os.access(place, os.R_OK | os.X_OK, effective_ids=True) for place in CODE):
        os.seteuid(0)
    try:
        yield
    finally:
        was_owner = os.geteuid() != 0
        os.seteuid(0)
        os.setegid(group)
        os.setgroups(groups)
        os.umask(mask)
        if not was_owner:
            give_all(folder, owner)


def give_all(folder: Path, owner: os.stat_result) -> None:
    """Give to an owner what root has in a folder, and the folder; no link is followed."""
    for path in (folder, *folder.rglob("*")):
        if path.lstat().st_uid == 0:
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _groups(owner: os.stat_result) -> list[int]:
    """The groups of whom a file belongs to; the file's own where nobody of that number has an account."""
    try:
        return os.getgrouplist(pwd.getpwuid(owner.st_uid).pw_name, owner.st_gid)
    except KeyError:
        return [owner.st_gid]
