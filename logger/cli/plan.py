"""`restpoint plan PLAN.toml`: forecast the car, what is still to be found, ballast, turns, shims, height."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "file", type=Path, metavar="PLAN.toml", help="state, targets, changes, people, places"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object, SI units")
    parser.add_argument("--unit", choices=("kg", "lb"), help="unit shown (default: the plan's)")
    parser.add_argument("--page", type=Path, metavar="FILE.html", help="write one HTML page as well")


def run(args: argparse.Namespace) -> int:
    """Work the plan out and print it; 2 with the reasons when it cannot be."""
    from dataclasses import replace

    from logger.plan.file import read_plan
    from logger.plan.state import base_of
    from logger.plan.words import plan_json, plan_lines
    from logger.plan.work import work
    from logger.weighin.ledger import NoWeighIn
    from logger.weighin.refusal import LedgerError

    try:
        plan = read_plan(args.file)
        plan = replace(plan, unit=args.unit or plan.unit)
        planned = work(plan, base_of(plan))
        if args.page is not None:
            from logger.plan.page import plan_page

            args.page.write_text(plan_page(planned), encoding="utf-8")
    except (ValueError, NoWeighIn, LedgerError, OSError) as why:
        print(why, file=sys.stderr)
        return 2
    print(plan_json(planned) if args.json else "\n".join(plan_lines(planned)))
    return 0
