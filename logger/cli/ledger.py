"""`restpoint ledger`: what was weighed, what came off, what people wrote down, and corrections to it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the actions with their arguments."""
    from logger.bookkeeping.arguments import declare

    declare(parser)


def run(args: argparse.Namespace) -> int:
    """Do the action and print what came of it; 1 with the reason when it cannot be done."""
    from logger.bookkeeping.actions import act
    from logger.bookkeeping.source import opened
    from logger.typed_toml import ConfigError
    from logger.weighin.ledger import NoWeighIn
    from logger.weighin.refusal import LedgerError

    try:
        with opened(Path(args.folder), make=args.action == "import") as ledger:
            print("\n".join(act(ledger, args)))
    except (NoWeighIn, ConfigError, LedgerError, ValueError, OSError) as why:
        print(f"restpoint ledger: {why}", file=sys.stderr)
        return 1
    return 0
