"""`restpoint ledger`: the weigh-ins kept, and what each came to."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("what", choices=("list", "show"), help="list weigh-ins, or show the last one")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the bay's data folder")


def run(args: argparse.Namespace) -> int:
    """Print the list or the result; 1 when there is none."""
    from logger.outcome import ledger_lines, show_lines
    from logger.report.gather import NoWeighIn
    from logger.typed_toml import ConfigError
    from logger.weighin.ledger import LedgerError

    try:
        lines = ledger_lines(args.folder) if args.what == "list" else show_lines(args.folder)
        print("\n".join(lines))
    except (NoWeighIn, ConfigError, LedgerError, ValueError, OSError) as why:
        print(f"restpoint ledger: {why}", file=sys.stderr)
        return 1
    return 0
