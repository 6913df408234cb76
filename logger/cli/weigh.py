"""`restpoint weigh FILE.csv --car CAR.toml`: solve past weighings and say what is told and what is not.

With `--guide` it leads through a weigh-in instead, from typed readings or following a bay.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "file",
        type=Path,
        nargs="?",
        help="CSV: run,facing,spot,corner,pad,value,unit[,u][,shim_mm]; with --guide: a bay's folder",
    )
    parser.add_argument("--car", type=Path, help="TOML: name, wheelbase_m, track_front_m, …")
    parser.add_argument(
        "--guide", action="store_true", help="say what to do next, and why, until it is enough"
    )
    parser.add_argument(
        "--pads", default="P1,P2,P3,P4", help="with --guide: pads on S1 to S4 (default: P1,P2,P3,P4)"
    )
    parser.add_argument(
        "--check",
        metavar="MASS",
        help='compare pads with a known mass, such as "40 ± 0.02 kg", or with "person"',
    )
    parser.add_argument(
        "--reading",
        action="append",
        metavar="PAD=VALUE,…",
        help="with --check: what a pad showed under it (for each pad)",
    )
    parser.add_argument("--save", type=Path, metavar="CSV", help="with --guide: keep the typed weighings")
    parser.add_argument("--build", help="of a file with a column build: the one to show, all solved together")
    parser.add_argument("--json", action="store_true", help="print one JSON object, SI units")
    parser.add_argument(
        "--aim",
        choices=("total", "front", "left", "cross", "x", "y"),
        default="cross",
        help="the figure that ranks the next placements (default: cross)",
    )
    parser.add_argument(
        "--unit", choices=("kg", "lb"), default="kg", help="unit of masses in the text, with mm or in"
    )
    parser.add_argument("--units", choices=("metric", "us"), help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Solve and print; 2 when the files cannot be used, with the reasons on standard error."""
    if args.units is not None:  # how it was said before every verb had --unit
        args.unit = {"metric": "kg", "us": "lb"}[args.units]
    if args.check:
        from logger.guide.mass_check import run_mass_check

        return run_mass_check(args)
    if args.guide:
        from logger.guide.terminal import run_guide

        return run_guide(args)
    if args.file is None or args.car is None:
        print("restpoint weigh: name the CSV and its --car CAR.toml, or --guide", file=sys.stderr)
        return 2
    from logger.car_file import read_car
    from logger.weigh_file import read_weighings, solved_build
    from logger.weigh_text import as_json, as_text

    try:
        car = read_car(args.car)
        readings = read_weighings(args.file, car.known)
        solution = solved_build(readings, car, args.aim, args.build)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    print(
        as_json(solution, car.name, readings.notes)
        if args.json
        else as_text(solution, car.name, readings.notes, unit=args.unit)
    )
    return 0
