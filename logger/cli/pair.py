"""`restpoint pair`: let a phone in, list who was let in, let nobody in under that number any more."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "-c", "--config", type=Path, required=True, metavar="FILE", help="the bay's TOML file"
    )
    parser.add_argument("--watch", action="store_true", help="the device may watch, not command")
    parser.add_argument("--name", default="", help="what to call the device in the list")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--list", action="store_true", help="list the paired devices")
    what.add_argument("--revoke", type=int, metavar="N", help="let this device in no more")


def run(args: argparse.Namespace) -> int:
    """Show a code or do as asked; 1 when that cannot be done, 2 when the config has faults."""
    from logger.config import load
    from logger.pair_text import listed, offered, revoked
    from logger.pairing import PairingRefused
    from logger.typed_toml import ConfigError

    try:
        loaded = load(args.config)
        if args.list:
            lines = listed(loaded)
        elif args.revoke is not None:
            lines = revoked(loaded, args.revoke)
        else:
            lines = offered(loaded, "watch" if args.watch else "command", args.name)
        print("\n".join(lines))
    except ConfigError as error:
        print("\n".join(error.faults), file=sys.stderr)
        return 2
    except (PairingRefused, OSError) as why:
        print(f"restpoint pair: {why}", file=sys.stderr)
        return 1
    return 0
