"""`restpoint doctor`: what ails a bay, since when, and what to do; repairs what can be repaired."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from logger.cli import mute


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "-c", "--config", type=Path, required=True, metavar="FILE", help="the bay's TOML file"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object instead of the tree")
    parser.add_argument(
        "--repair", action="store_true", help="first mend journal, dataset and ledger (daemon stopped)"
    )


def run(args: argparse.Namespace) -> int:
    """Print the tree; 0 when all is well, 1 when something is ill, 2 when the config has faults."""
    from logger.config import load
    from logger.doctor import examine, mend
    from logger.doctor_text import as_json, as_tree
    from logger.typed_toml import ConfigError

    try:
        loaded = load(args.config)
    except ConfigError as error:
        print("\n".join(error.faults), file=sys.stderr)
        return 2
    if args.repair and not mend(loaded, _tell):
        print("the daemon runs and mends by itself at its start; stop it to repair now", file=sys.stderr)
        return 1
    found = examine(loaded)
    text = json.dumps(as_json(found), indent=1) if args.json else "\n".join(as_tree(found))
    try:
        print(text, flush=True)
    except BrokenPipeError:  # who asked has read enough; what was found stands
        mute()
    return int(found.worst == "ill")


def _tell(event: str, detail: str) -> None:
    print(f"{event.replace('_', ' ')}: {detail}", file=sys.stderr)
