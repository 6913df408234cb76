"""`restpoint try LAYOUT RECORDING|PORT`: the frames a layout makes, rejects by reason, the byte picture."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.stream_file import TimedChunk
    from logger.trial import Trial


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("layout", help="a layout's file, or the name of a shipped one")
    parser.add_argument(
        "source",
        help="x.bin (with x.times.csv beside it), a bay's folder (its journal), a case's, or a port's device",
    )
    parser.add_argument("--port", default="", help="which of a journal's ports, where it has several")
    parser.add_argument("--json", action="store_true", help="one JSON object a frame, a summary at the end")
    parser.add_argument("--seconds", type=float, default=5.0, help="how long to listen to a port (default 5)")
    parser.add_argument("--frames", type=int, default=20, help="how many frames to show as text (default 20)")


def run(args: argparse.Namespace) -> int:
    """Print; 0 when there were frames, 1 when there were none, 2 when layout or source cannot be used."""
    from drivers.registry import DriverError, find
    from drivers.schema import LayoutError
    from logger.stream_file import StreamFileError
    from logger.transports import PortLost, PortRefused
    from logger.trial import Trial, json_lines

    try:
        trial = Trial(find(args.layout)())
        chunks = _chunks(args, trial)
        if args.json:
            sys.stdout.buffer.writelines(json_lines(trial, chunks))
        else:
            _show(args, trial, chunks)
    except (DriverError, LayoutError, StreamFileError, PortLost, PortRefused) as fault:
        print(fault, file=sys.stderr)
        return 2
    return 0 if trial.frames else 1


def _chunks(args: argparse.Namespace, trial: Trial) -> Iterable[TimedChunk]:
    from logger.stream_file import listen, read_stream

    path = Path(args.source)
    device = ":" in args.source or path.is_char_device()
    return listen(args.source, trial.driver, args.seconds) if device else read_stream(path, args.port)


def _show(args: argparse.Namespace, trial: Trial, chunks: Iterable[TimedChunk]) -> None:
    from drivers.api import UNANSWERED, Frame
    from logger.trial import frame_line, reject_lines

    shown = 0
    for t_s, item in trial.run(chunks):
        if isinstance(item, Frame):
            shown += 1
            if shown <= args.frames:
                print(frame_line(t_s, item))
    if shown > args.frames:
        print(f"… and {shown - args.frames} more")
    pads = ", ".join(f"{address or 'no address'} {count}" for address, count in trial.frames.items())
    print(f"\n{shown} frames ({pads or 'none'}) in {trial.bytes_fed} bytes, {trial.driver.pending()} pending")
    if trial.rejects:
        count = sum(trial.rejects.values())
        print(f"{count} reject{'s' if count > 1 else ''}, {trial.rejected_bytes} bytes:")
        print(*reject_lines(trial), sep="\n")
    if unanswered := trial.counted()[UNANSWERED]:
        print(f"{unanswered} request{'s' if unanswered > 1 else ''} nobody answered in time")
    _picture(args.layout, trial)


def _picture(name: str, trial: Trial) -> None:
    from drivers.layout import load_layout
    from drivers.picture import draw, picture
    from drivers.registry import SHIPPED

    path = next((p for p in (Path(name), SHIPPED / f"{name}.toml") if p.is_file()), None)
    if trial.first is None or not trial.first.raw:
        refused = max(trial.refused.values(), key=len, default=b"")
        print("\nthe longest bytes refused:", draw(refused[:64], []), sep="\n")
    elif path is not None:
        layout = load_layout(path)
        print(
            f"\n{layout.name}: {layout.about} (check: {layout.integrity})",
            picture(layout, trial.first.raw),
            sep="\n",
        )
