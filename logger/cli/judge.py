"""`restpoint judge`: how pads settle, hold and return, told from recordings."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "recording",
        nargs="+",
        type=Path,
        help="a bay's folder, a run, a dataset, or a CSV (t_s,pad,value,unit); several show a trend",
    )
    parser.add_argument(
        "-c", "--config", type=Path, help="configuration in place of the one kept with a journal"
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument("--html", type=Path, metavar="OUT", help="also write a page with the curves")
    parser.add_argument("--rate", type=float, metavar="HZ", help="readings a second of each pad, without t_s")
    parser.add_argument(
        "--capacity",
        type=float,
        metavar="KG",
        help="capacity of each pad where the recording does not say it",
    )
    parser.add_argument("--unit", help="unit of the values, without a column for it")
    parser.add_argument(
        "--class",
        dest="accuracy",
        choices=("I", "II", "III", "IIII"),
        help="accuracy class whose limits are compared with (III, or what the configuration says)",
    )
    parser.add_argument("--e", type=float, help="interval that limits are told in, in the recording's unit")


def run(args: argparse.Namespace) -> int:
    """Judge the recordings; 0, or 2 when one cannot be read."""
    from logger.clock import now_ns, wall_text
    from logger.judge.page import render_verdicts
    from logger.judge.source import judge_path
    from logger.judge.text import verdict_json, verdict_table
    from logger.judge.trend import trends
    from logger.recording import RecordingError
    from logger.version import VERSION

    try:
        verdicts = [
            verdict
            for path in args.recording
            for verdict in judge_path(
                path,
                config=args.config,
                rate_Hz=args.rate,
                unit=args.unit,
                capacity_kg=args.capacity,
                accuracy_class=args.accuracy,
                e=args.e,
            )
        ]
    except RecordingError as fault:
        print(f"restpoint judge: {fault}", file=sys.stderr)
        return 2
    if args.json:
        print(json.dumps(verdict_json(verdicts), indent=1))
    else:
        print("\n\n".join(verdict_table(v) for v in verdicts))
        for study in trends(verdicts):
            print(f"\n{study.sentence}")
    if args.html is not None:
        html = render_verdicts(verdicts, version=VERSION, written=wall_text(now_ns()[1]))
        args.html.write_text(html, encoding="utf-8")
        print(f"wrote {args.html}", file=sys.stderr)
    return 0
