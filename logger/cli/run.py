"""`restpoint run`: the daemon, headless."""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import os
import sys
from pathlib import Path

FRUGAL = {"ARROW_DEFAULT_MEMORY_POOL": "system", "OPENBLAS_NUM_THREADS": "1"}
"""Kept small for weeks of running: Arrow's own pool holds 4 MB more, each BLAS thread its own buffers."""
ONE_HEAP = {-8: 1, -3: 128 << 10}
"""mallopt(3). M_ARENA_MAX: all threads share one heap, where glibc gives each its own. M_MMAP_THRESHOLD: what
is larger comes from the system and goes back to it. Left alone it grows to 32 MB, so that what sealing takes
for a moment comes from the heap, and one small piece behind it holds all of that for hours."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "-c", "--config", type=Path, required=True, metavar="FILE", help="the bay's TOML file"
    )
    parser.add_argument("--check", action="store_true", help="only check the file and the devices it names")


def run(args: argparse.Namespace) -> int:
    """Run until SIGTERM or SIGINT; 2 when the config has faults."""
    _be_frugal()
    from logger.config import load
    from logger.typed_toml import ConfigError

    try:
        loaded = load(args.config, devices=args.check)
    except ConfigError as error:
        print("\n".join(error.faults), file=sys.stderr)
        count = len(error.faults)
        print(f"{count} fault{'s' if count > 1 else ''}; nothing was started", file=sys.stderr)
        return 2
    if args.check:
        print(f"{args.config}: in order")
        return 0
    from logger.daemon import main

    return main(loaded)


def _be_frugal() -> None:
    """Set FRUGAL and ONE_HEAP."""
    for name, value in FRUGAL.items():
        os.environ.setdefault(name, value)
    with contextlib.suppress(OSError, AttributeError):  # another C library has no such setting
        for option, number in ONE_HEAP.items():
            ctypes.CDLL(None).mallopt(option, number)
