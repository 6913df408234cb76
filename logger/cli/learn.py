"""`restpoint learn PORT|RECORDING`: write the layout of a stream that nobody here has seen before."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "source", help="x.bin with x.times.csv beside it, a bay's folder (its journal), or a port's device"
    )
    parser.add_argument("--port", default="", help="which of a journal's ports, where it has several")
    parser.add_argument(
        "--known",
        action="append",
        default=[],
        metavar="LOAD@FROM:TO",
        help="a load and when it stood on the pads (s): 0@0:8, 84.2kg@12:20; two or more",
    )
    parser.add_argument("--out", type=Path, help="the layout to write (default: beside the recording)")
    parser.add_argument("--json", action="store_true", help="print one JSON object with what was found")


def run(args: argparse.Namespace) -> int:
    """Learn; 0 when the layout is proven, 3 when it cannot be decided, 2 when the input cannot be used."""
    from logger.learning import Refused, learn_port, learn_recording, terminal

    path, mouth = Path(args.source), terminal(as_json=args.json)
    try:
        if ":" in args.source or path.is_char_device():
            return learn_port(args.source, args.known, args.out, as_json=args.json, mouth=mouth)
        return learn_recording(path, args.known, args.out, as_json=args.json, mouth=mouth, port=args.port)
    except Refused as why:
        print(why, file=sys.stderr)
        return 2
