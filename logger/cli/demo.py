"""`restpoint demo`: the main job with simulated pads."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "--out", type=Path, default=Path("demo-out"), metavar="FOLDER", help="made anew (default: demo-out)"
    )
    parser.add_argument("--unit", choices=("kg", "lb"), default="kg", help="unit shown and said")


def run(args: argparse.Namespace) -> int:
    """Play the demo; 1 when it does not come to its end."""
    from logger.demo import DemoFailed, demo

    try:
        return demo(args.out, args.unit)
    except DemoFailed as why:
        print(f"the demo stopped: {why}", file=sys.stderr)
        return 1
