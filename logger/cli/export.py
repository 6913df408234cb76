"""`restpoint export FOLDER`: the dataset as plain files for other tools, or made again from the journal."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("folder", type=Path, help="a bay's folder (it holds journal and dataset)")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--to", choices=["csv", "parquet", "json"], help="write the tables in this format")
    what.add_argument("--rebuild", action="store_true", help="make the dataset again from the journal")
    parser.add_argument("--out", type=Path, help="folder to write to (default: export in the bay's folder)")


def run(args: argparse.Namespace) -> int:
    """Export and name the files; 2 when there is nothing to export."""
    from logger.export import export
    from logger.rebuild import bay_name, make_again
    from logger.replay import make_bay
    from logger.store import DATASET

    if args.rebuild:
        try:
            count = make_again(args.folder, bay_name(args.folder), make_bay, _tell)
        except ValueError as fault:
            print(fault, file=sys.stderr)
            return 2
        print(f"{count} segments made again from the journal")
        return 0
    dataset = args.folder / DATASET
    if not dataset.is_dir():
        print(f"{args.folder}: no folder `{DATASET}` in it; name the bay's folder", file=sys.stderr)
        return 2
    for path in export(dataset, args.out or args.folder / "export", args.to):
        print(path)
    return 0


def _tell(event: str, detail: str) -> None:
    print(f"{event}: {detail}", file=sys.stderr)
