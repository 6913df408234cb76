"""`restpoint record PORT OUT`: keep a stream's bytes with their times, and a passport of what was done."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("port", help="a port's device, as `restpoint ports` lists it")
    parser.add_argument(
        "out", type=Path, help="x or x.bin; x.times.csv and x.about.toml are written beside it"
    )
    parser.add_argument("--seconds", type=float, help="how long (default: until Ctrl-C)")
    parser.add_argument("--baud", type=int, default=9600)
    parser.add_argument("--bytesize", type=int, default=8, choices=(5, 6, 7, 8))
    parser.add_argument("--parity", default="N", choices=tuple("NEOMS"))
    parser.add_argument("--stopbits", type=float, default=1.0, choices=(1.0, 1.5, 2.0))
    parser.add_argument("--did", default="", help="what is done meanwhile, for the passport")
    parser.add_argument(
        "--known",
        action="append",
        default=[],
        metavar="LOAD@FROM:TO",
        help="a true load and when it stood (s from the beginning), for the passport",
    )
    parser.add_argument(
        "--ask",
        action="append",
        default=[],
        metavar="BYTES",
        help='what to send to an indicator that answers only when asked, as in layouts: "<ENQ>01<CR>"; '
        "several are sent in turn",
    )
    parser.add_argument("--every", type=float, default=0.1, help="seconds between requests (default 0.1)")


def run(args: argparse.Namespace) -> int:
    """Record; 0 when bytes came, 1 when none did, 2 when the port cannot be opened."""
    from drivers.api import SerialSettings
    from drivers.learn.recording import parse_known
    from drivers.wire import to_bytes
    from logger.stream_record import Asking, Ear, save

    try:
        for text in args.known:
            parse_known(text)
        for text in args.ask:
            to_bytes(text)
    except ValueError as fault:
        print(fault, file=sys.stderr)
        return 2
    line = SerialSettings(baud=args.baud, bytesize=args.bytesize, parity=args.parity, stopbits=args.stopbits)
    asking = Asking(requests=tuple(args.ask), every_s=args.every)
    ear = Ear(args.port, line, asking)
    try:
        if why := ear.opened():
            print(why, file=sys.stderr)
            return 2
        print(f"recording {args.port}; Ctrl-C ends it", file=sys.stderr)
        ear.listen(args.seconds or 1e9, lambda text: print(f"\r{text} ", end="", file=sys.stderr, flush=True))
    except KeyboardInterrupt:
        pass
    finally:
        ear.stop()
    print(file=sys.stderr)
    path = save(ear.chunks, args.out, did=args.did, known=args.known, line=line, asking=asking)
    print(f"{ear.heard()} bytes in {path}")
    if not ear.chunks and not args.ask:
        print("nothing came; an indicator that answers only when asked needs --ask", file=sys.stderr)
    return 0 if ear.chunks else 1
