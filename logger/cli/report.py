"""`restpoint report`: one self-contained HTML file about a weigh-in."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the bay's data folder")
    parser.add_argument("--weigh-in", type=int, metavar="N", help="which one (default: the last)")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to (default: report.html in the folder)"
    )
    parser.add_argument(
        "--plan", type=Path, metavar="PLAN.toml", help="add a section on what is planned, worked out now"
    )


def run(args: argparse.Namespace) -> int:
    """Write it and print its path; 1 when there is nothing to report."""
    from logger.outcome import write_report
    from logger.typed_toml import ConfigError
    from logger.weighin.ledger import NoWeighIn
    from logger.weighin.refusal import LedgerError

    try:
        print(write_report(args.folder, args.weigh_in, args.out, args.plan))
    except (NoWeighIn, ConfigError, LedgerError, ValueError, OSError) as why:
        print(f"restpoint report: {why}", file=sys.stderr)
        return 1
    return 0
