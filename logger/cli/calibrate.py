"""`restpoint calibrate`: what a pad's converter counts mean, from the empty pad and known masses."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "-c", "--config", type=Path, required=True, metavar="FILE", help="the bay's TOML file"
    )
    parser.add_argument("pad", help="the pad's id")
    parser.add_argument("--seconds", type=float, default=5.0, help="how long each load is read (default 5)")
    parser.add_argument(
        "--u-mass",
        type=float,
        default=0.0,
        metavar="KG",
        help="standard uncertainty of each known mass, kg (default 0: taken as exact)",
    )


def run(args: argparse.Namespace) -> int:
    """Guide through the loads; 0 when stored, 1 when refused, 2 when the pad cannot be read."""
    from drivers.calibration import CalibrationRefused
    from logger.calibrating import CannotRead, calibrate
    from logger.typed_toml import ConfigError

    try:
        calibrate(args.config, args.pad, args.seconds, args.u_mass)
    except (ConfigError, CannotRead) as fault:
        print(f"restpoint calibrate: {fault}", file=sys.stderr)
        return 2
    except CalibrationRefused as refused:
        print("nothing was stored:", *refused.faults, sep="\n  ", file=sys.stderr)
        return 1
    return 0
