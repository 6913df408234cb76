"""`restpoint replay PATH`: rests and events of a recording, by the very pipeline the daemon runs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "path",
        type=Path,
        help="a bay's folder, a run, a journal segment, a dataset, or a CSV (t_s,pad,value,unit)",
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="one JSON object a line (the default)")
    how.add_argument("--segments", action="store_true", help="a list to read of what happened")
    parser.add_argument(
        "-c", "--config", type=Path, help="configuration in place of the one kept with a journal"
    )
    parser.add_argument("--rate", type=float, metavar="HZ", help="readings a second, for a CSV without times")
    parser.add_argument(
        "--capacity",
        type=float,
        metavar="KG",
        help="capacity of each pad where the recording does not say it",
    )
    parser.add_argument("--unit", help="unit to write, or the unit of a CSV that has no such column")


def run(args: argparse.Namespace) -> int:
    """Print the records; 2 when the recording cannot be read."""
    from logger.played import json_lines
    from logger.recording import RecordingError
    from logger.replay import make_bay, open_recordings
    from logger.replay_segments import segment_lines

    try:
        recordings = open_recordings(
            args.path,
            make_bay=make_bay,
            config=args.config,
            rate_Hz=args.rate,
            unit=args.unit,
            capacity_kg=args.capacity,
        )
        for recording in recordings:
            if len(recordings) > 1 and args.segments:
                print(recording.name)
            if args.segments:
                print(*segment_lines(recording), sep="\n")
            else:
                sys.stdout.buffer.writelines(json_lines(recording))
            for note in recording.notes:
                print(f"{args.path}: {note}", file=sys.stderr)
    except RecordingError as fault:
        print(fault, file=sys.stderr)
        return 2
    return 0
