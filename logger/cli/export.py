"""`restpoint export FOLDER`: the dataset as plain files, checked, made again; backup and restore."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("folder", type=Path, help="a bay's folder (it holds journal and dataset)")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--to", choices=["csv", "parquet", "json"], help="write the tables in this format")
    what.add_argument("--rebuild", action="store_true", help="make the dataset again from the journal")
    what.add_argument("--check", action="store_true", help="compare all that is sealed with its hashes")
    what.add_argument("--all", action="store_true", help="back up everything into one archive (.tar.gz)")
    what.add_argument("--restore", type=Path, metavar="ARCHIVE", help="make the folder anew from a backup")
    parser.add_argument(
        "--out",
        type=Path,
        help="folder, or archive, to write to (default: in the bay's folder, or beside it)",
    )


def run(args: argparse.Namespace) -> int:
    """Do as asked; 1 when a check finds faults, 2 when there is nothing to export."""
    from logger.store import DATASET

    if args.rebuild:
        return _rebuild(args.folder)
    if args.all or args.restore:
        return _backup(args)
    dataset = args.folder / DATASET
    if not dataset.is_dir():
        print(f"{args.folder}: no folder `{DATASET}` in it; name the bay's folder", file=sys.stderr)
        return 2
    return (
        _check(args.folder) if args.check else _export(dataset, args.out or args.folder / "export", args.to)
    )


def _export(dataset: Path, out: Path, form: Any) -> int:
    from logger.export import export

    try:
        for path in export(dataset, out, form):
            print(path)
    except ValueError as fault:
        print(f"restpoint export: {fault}", file=sys.stderr)
        return 2
    return 0


def _backup(args: argparse.Namespace) -> int:
    from logger.backup import BackupError, back_up, restore

    folder = args.folder.absolute()
    archive = args.restore or args.out or folder.with_name(f"{folder.name}-backup.tar.gz")
    try:
        if args.all and not folder.is_dir():
            raise BackupError(f"{folder}: no such folder")
        count = back_up(folder, archive) if args.all else restore(archive, folder)
    except (BackupError, OSError) as fault:
        print(f"restpoint export: {fault}", file=sys.stderr)
        return 2
    print(f"{count} files; {archive if args.all else folder}")
    return 0


def _rebuild(folder: Path) -> int:
    from logger.owner import as_owner
    from logger.rebuild import bay_name, make_again
    from logger.replay import make_bay

    try:
        name = bay_name(folder)
        with as_owner(folder):
            count = make_again(folder, name, make_bay, _tell)
    except ValueError as fault:
        print(fault, file=sys.stderr)
        return 2
    print(f"{count} segments made again from the journal")
    return 0


def _check(folder: Path) -> int:
    from logger.rebuild import verify

    found = list(verify(folder))
    print(*found or ["all sealed files are as they were sealed"], sep="\n")
    return 1 if found else 0


def _tell(event: str, detail: str) -> None:
    print(f"{event}: {detail}", file=sys.stderr)
